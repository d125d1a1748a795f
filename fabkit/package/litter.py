"""Files that operating systems and editors leave behind, told by name."""

from __future__ import annotations

from typing import Final

_FOLDERS: Final = {
    "__macosx": "resource forks of an operating system",
    "$recycle.bin": "the bin of an operating system",
    "system volume information": "data of an operating system",
}
_FILES: Final = {
    "thumbs.db": "picture cache of an operating system",
    "ehthumbs.db": "picture cache of an operating system",
    "desktop.ini": "folder settings of an operating system",
    "icon\r": "folder settings of an operating system",
}
_ENDINGS: Final = {
    "~": "backup copy of an editor",
    ".bak": "backup copy of an editor",
    ".tmp": "temporary file",
    ".swp": "temporary file of an editor",
    ".lck": "lock file of a program",
}


def find_litter(name: str) -> str | None:
    """Why a file of this name cannot belong to a package; None when it can.

    Parameters
    ----------
    name
        Path inside the package with ``/`` separators.

    Examples
    --------
    >>> find_litter("__MACOSX/._top.gtl")
    'resource forks of an operating system'
    >>> find_litter("top.gtl") is None
    True
    """
    *folders, last = name.lower().split("/")
    for folder in folders:
        if folder in _FOLDERS:
            return _FOLDERS[folder]
        if folder.startswith("."):
            return "inside a hidden folder"
    if last in _FILES:
        return _FILES[last]
    if last.startswith("._"):
        return "resource fork of an operating system"
    if last.startswith("~$"):
        return "lock file of a program"
    if last.startswith("."):
        return "hidden file"
    return next((why for end, why in _ENDINGS.items() if last.endswith(end)), None)
