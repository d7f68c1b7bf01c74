"""Identifiers of persons: what they look like, where they may stand, and how a cell may be shown."""
