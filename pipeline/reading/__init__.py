"""Reading exports strictly: nothing is repaired silently, nothing is lost."""
