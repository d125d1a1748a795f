"""Everything written to disk or terminal."""
