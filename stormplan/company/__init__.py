"""What the company has and wants: its sites, its products and its practice, as written."""
