"""Which file of a folder or archive plays which role, and why."""
