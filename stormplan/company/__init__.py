"""The sites file, practice rules, and the catalog of surfaces and products."""
