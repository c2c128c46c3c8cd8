"""What comes, what is done about it where, with how much and by whom: the plan."""
