"""The parts list: what a half needs, what is used up and what is carried over."""
