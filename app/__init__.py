"""Everything a person touches: the measurement as a whole, commands, page, files."""
