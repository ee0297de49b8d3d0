"""Floor 7: what a person meets: the command line, pictures, the report."""
