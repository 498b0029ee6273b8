"""Data that ships: recipes, chemistries, duties, grades."""
