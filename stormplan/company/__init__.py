"""What people write: the sites file, practice rules, catalogue of surfaces and products."""
