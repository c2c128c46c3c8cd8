"""Forecasts and plans against what came."""
