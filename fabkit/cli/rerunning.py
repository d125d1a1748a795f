"""Running an order again whenever its inputs change."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from fabkit.sheets.order import Order


def keep_running(out: Path, read: Callable[[], Order], run: Callable[[Order], int]) -> int:
    """Run now, and again after each change of the inputs, until stopped; the last exit status.

    Parameters
    ----------
    out
        The order folder; what changed in it is printed after each run.
    read
        Gives the order as it is written now.
    run
        Does the order and gives its exit status.
    """
    from fabkit.base.errors import FabkitError
    from fabkit.base.streams import clean
    from fabkit.outputs.watching import (
        fingerprint,
        inputs_of,
        read_state,
        tell_changes,
        wait_for_change,
    )

    order = read()
    paths, before = inputs_of(order), read_state(out)
    seen = fingerprint(paths)
    status = 0
    try:
        while True:
            try:
                order = read()
                paths = inputs_of(order)
                seen = fingerprint(paths)
                status = run(order)
                after = read_state(out)
                if before.verdicts:
                    click.echo("\n".join(tell_changes(before, after)))
                before = after
            except FabkitError as error:
                # Files may be half exported just now, or the order file half edited.
                status = error.exit_code
                click.echo(f"error: {clean(error.message)}", err=True)
            click.echo("waiting for the files to change; stop with Ctrl-C", err=True)
            seen = wait_for_change(paths, seen)
    except KeyboardInterrupt:
        return status
