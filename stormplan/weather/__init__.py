"""What the weather services say: replies as received, forecasts as hours, alerts."""
