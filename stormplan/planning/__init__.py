"""From sites and forecasts to one plan, and the difference of two."""
