"""What that takes: mix, sprayers, brine guidance."""
