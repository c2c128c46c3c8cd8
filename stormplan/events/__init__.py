"""Hazards hour by hour, events, and weather for crews."""
