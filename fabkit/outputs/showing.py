"""Opening a written file in the program the user's system has for it."""

from __future__ import annotations

from pathlib import Path


def open_file(path: Path) -> bool:
    """Ask the desktop to show a file; False when it has nothing to show it with."""
    import webbrowser

    try:
        return webbrowser.open(path.resolve().as_uri())
    except (webbrowser.Error, OSError):
        return False
