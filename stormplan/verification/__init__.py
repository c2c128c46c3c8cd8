"""Verification of forecasts and plans against observations."""
