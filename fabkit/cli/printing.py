"""What a command prints: on the terminal, or into the file that ``--out`` names."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.cli import options

if TYPE_CHECKING:
    from fabkit.outputs.terminal import Terminal


def show(
    made: str | Callable[[Terminal], None], *, out: Path | None = None, replace: bool = False
) -> None:
    """Print a text, or what a function prints on a console; or write it into a file.

    Raises
    ------
    OutputRefused
        The file exists, or cannot be written.
    """
    if out is None:
        if isinstance(made, str):
            options.print_data(made)
        else:
            from fabkit.outputs.terminal import Terminal

            made(Terminal())
        return
    from fabkit.outputs.atomic import write_file

    text = made if isinstance(made, str) else plain(made)
    write_file(out, text.encode(), replace=replace)
    options.print_files([out], as_json=False)


def plain(made: Callable[[Terminal], None]) -> str:
    """What a function prints, as text without colours."""
    import io

    from fabkit.outputs.terminal import Terminal

    text = io.StringIO()
    made(Terminal(text))
    return text.getvalue()


def refuse(out: Path | None, *, replace: bool) -> None:
    """Refuse an existing file before the work is done.

    Raises
    ------
    OutputRefused
        It exists and may not be overwritten.
    """
    if out is not None:
        from fabkit.outputs.atomic import refuse_existing

        refuse_existing(out, replace=replace)
