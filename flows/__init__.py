"""In which order and where stages run, and the command line."""
