"""The invented demonstration keyboard, and the name ``demo`` that stands for it in any path.

Its files lie in this folder, so that they are there wherever fabkit is installed.
"""

from __future__ import annotations

from pathlib import Path

NAME = "demo"
FOLDER = Path(__file__).parent


def find_demo(path: Path, *, usual: str) -> Path:
    """Path of the bundled demo that is meant by ``demo`` or ``demo/...``; any other as it is.

    Parameters
    ----------
    path
        What the user gave.  A file or folder of the user's own comes first.
    usual
        The part of the demo that ``demo`` alone means: ``order.toml`` or ``rev-b``.

    Examples
    --------
    >>> find_demo(Path("demo"), usual="rev-b").relative_to(FOLDER).as_posix()
    'rev-b'
    >>> find_demo(Path("demo/house.toml"), usual="rev-b").relative_to(FOLDER).as_posix()
    'house.toml'
    >>> find_demo(Path("mine.zip"), usual="rev-b").as_posix()
    'mine.zip'
    """
    if path.parts[:1] != (NAME,) or path.exists():
        return path
    bundled = FOLDER.joinpath(*(path.parts[1:] or (usual,)))
    return bundled if bundled.exists() else path


def shown_path(path: Path) -> str:
    """How a path is named in messages and records: alike on every machine for the demo.

    Examples
    --------
    >>> shown_path(FOLDER / "rev-b")
    'demo/rev-b'
    """
    return (NAME / path.relative_to(FOLDER)).as_posix() if FOLDER in path.parents else str(path)
