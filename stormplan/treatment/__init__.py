"""The treatment of one surface: timing, blend, rate, follow-up."""
