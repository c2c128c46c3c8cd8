"""Forecast sources: one module each, a variable map, a pure parser and a few lines of fetch."""
