"""Mixing, sprayer scheduling and brine guidance for the treatments planned."""
