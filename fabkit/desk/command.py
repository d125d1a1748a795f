"""``fabkit desk``."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import click

from fabkit.base.errors import UsageError
from fabkit.cli.model import command, flag, option, valued

NEEDED = ("starlette", "uvicorn", "tomlkit")
"""Libraries of the extra ``desk``."""


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    port: int = valued(
        "--port", "N", "Port on this machine.  Default: a free one.", type=click.IntRange(1, 65535)
    )
    orders: Path | None = valued(
        "--folder",
        "FOLDER",
        "Where your orders lie.  Default: the system's own place.",
        type=click.Path(path_type=Path),
    )
    browser: bool = option(
        "--browser/--no-browser", default=True, help="Open the page in your browser."
    )
    phone: bool = flag("--phone", "Let a phone in your network in, by a password.")


@command("desk", Asked)
def run(asked: Asked) -> None:
    """Open a page on this machine for the whole job.

    Drop a zip or a folder: verdict, picture, cost and parts appear, and follow what you choose.
    Every order is kept in a folder with the order file that does the same on the command line.
    Nothing leaves this machine.

    \b
    Example:
      fabkit desk
    """
    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise UsageError(
            f"the desk needs {', '.join(missing)}", hint="install it: pip install 'fabkit[desk]'"
        )
    from fabkit.desk.serving import Serving, serve
    from fabkit.desk.store import default_folder

    serve(
        Serving(
            folder=(asked.orders or default_folder()).absolute(),
            port=asked.port or 0,
            browser=asked.browser,
            phone=asked.phone,
        )
    )
