"""Brine, blends, density, hydrometer, batches."""
