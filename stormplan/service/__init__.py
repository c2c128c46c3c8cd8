"""Every morning: runner, pipeline, what is due, health."""
