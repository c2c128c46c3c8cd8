"""How a plan is told: reports, pages, charts, exports."""
