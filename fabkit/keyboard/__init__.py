"""What keyboard a board is: its keys, its hands, and the parts that stand on it."""
