"""What comes: hazards hour by hour, events, weather for crews."""
