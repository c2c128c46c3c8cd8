"""What can be typed: the commands, their options and their exit codes."""
