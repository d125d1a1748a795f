"""The yardstick: how much of what is planted in packages is found."""
