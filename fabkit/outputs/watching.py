"""Waiting until exported files change, and have settled."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

from fabkit.sheets.order import Order

SETTLE_S = 0.4
"""An export writes file after file: it is over when nothing changed for this long."""

Print = tuple[tuple[str, int, int], ...]
"""Path, length and time of change of every file, sorted."""


def inputs_of(order: Order) -> tuple[Path, ...]:
    """Packages, sheets and the order file itself: everything an order is made from."""
    files = [Path(order.file)] if order.file else []
    return (*(b.package for b in order.boards), *files, *order.houses, *filter(None, [order.parts]))


def fingerprint(paths: Sequence[Path]) -> Print:
    """Tell the present state of files and folders; what is not there counts as nothing."""
    found = []
    for path in paths:
        for file in sorted(path.rglob("*")) if path.is_dir() else [path]:
            try:
                stat = file.stat()
            except OSError:
                continue
            found.append((file.as_posix(), stat.st_size, stat.st_mtime_ns))
    return tuple(sorted(found))


def wait_for_change(paths: Sequence[Path], seen: Print) -> Print:
    """Wait until files differ from what was seen, and have settled; give what they are now.

    Parameters
    ----------
    paths
        Files and folders; a file may vanish and come back.
    seen
        Their :func:`fingerprint` when they were last read.
    """
    from watchfiles import watch

    now = fingerprint(paths)
    if now == seen:
        # A file's folder is watched, because exporters often write a new file in its place.
        places = {p if p.is_dir() else p.parent for p in paths}
        for _ in watch(*sorted(p for p in places if p.is_dir()), debounce=200, step=50):
            now = fingerprint(paths)
            if now != seen:
                break
    while True:
        time.sleep(SETTLE_S)
        later = fingerprint(paths)
        if later == now:
            return now
        now = later
