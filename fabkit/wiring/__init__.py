"""Which controller pin each key sits on, on the left half and on the right."""
