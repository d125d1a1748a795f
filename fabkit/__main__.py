"""``python -m fabkit``."""

from fabkit.cli.group import main

if __name__ == "__main__":
    main()
