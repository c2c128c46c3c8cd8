"""What is done about it on one surface: when, which blend, at what rate."""
