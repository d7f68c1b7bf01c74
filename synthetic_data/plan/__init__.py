"""The analysis plan of the invented network."""
