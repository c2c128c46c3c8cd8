"""Forecasts, observations and alerts, and who gives them."""
