"""Tables: one object each, from which both the page and the CSV file are written."""
