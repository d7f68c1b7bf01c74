"""Notations of one value: pure functions from the text of a cell to a value or a reason."""
