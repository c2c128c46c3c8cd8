"""How a plan is said: on pages and screens, in mail, in charts, to other programs."""
