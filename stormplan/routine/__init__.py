"""What happens every morning: when to plan, whom the reports reach, how good they were."""
