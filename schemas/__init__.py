"""What a thing is: code lists, canonical tables, codebooks, plans, settings and errors."""
