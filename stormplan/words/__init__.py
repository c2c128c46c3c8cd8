"""Reports: briefing, mix sheet, notices, charts and exports."""
