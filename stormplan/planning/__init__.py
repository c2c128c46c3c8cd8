"""Plans: sites and forecasts to one plan, and differences between plans."""
