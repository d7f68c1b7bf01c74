"""Figures: static drawings of cells, each in a wide and a narrow form."""
