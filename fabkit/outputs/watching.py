"""Running an order again: waiting until files changed and settled, and what that changed."""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from fabkit.base.tables import Record
from fabkit.outputs.whole_folder import MANIFEST
from fabkit.sheets.order import Order

SETTLE_S = 0.4
"""An export writes file after file: it is over when nothing changed for this long."""
_LOOK_MS: Final = 1000
"""How often files are looked at of which nothing is told."""

Print = tuple[tuple[str, int, int], ...]
"""Path, length and time of change of every file, sorted."""


def inputs_of(order: Order) -> tuple[Path, ...]:
    """List everything an order is made from: packages, sheets and the order file itself."""
    files = [Path(order.file)] if order.file else []
    return (*(b.package for b in order.boards), *files, *sheets_of(order))


def sheets_of(order: Order) -> tuple[Path, ...]:
    """List the house sheets and the parts book that an order names."""
    return (*order.houses, *filter(None, [order.parts]))


def fingerprint(paths: Sequence[Path]) -> Print:
    """Take down the present state of files and folders; what is not there counts as nothing."""
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
        watched = sorted(p for p in places if p.is_dir())
        # What changes while the watching itself begins is not told: so it is looked for, too.
        for _ in watch(
            *watched, debounce=200, step=50, rust_timeout=_LOOK_MS, yield_on_timeout=True
        ):
            now = fingerprint(paths)
            if now != seen:
                break
    while True:
        time.sleep(SETTLE_S)
        later = fingerprint(paths)
        if later == now:
            return now
        now = later


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderState:
    """What an order folder holds; empty before the first run.

    ``verdicts`` are by board, ``findings`` are board, id and message to severity, ``cost`` is the
    cheapest offer in words.
    """

    verdicts: dict[str, str] = field(default_factory=dict)
    findings: dict[tuple[str, str, str], str] = field(default_factory=dict)
    cost: str = ""


def read_state(folder: Path) -> OrderState:
    """Read what an order folder of ours holds; an empty state when it cannot be read."""
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        found: dict[tuple[str, str, str], str] = {}
        for path in sorted(folder.glob("*findings.json")):
            record = json.loads(path.read_text(encoding="utf-8"))
            name = record["package"]["name"]
            for finding in record["findings"]:
                found[name, finding["id"], finding["message"]] = finding["severity"]
        return OrderState(
            verdicts={b["board"]: b["verdict"] for b in manifest["boards"]},
            findings=found,
            cost=_cost(manifest["cheapest"]),
        )
    except (OSError, ValueError, KeyError, TypeError):
        return OrderState()


def _cost(best: Record | None) -> str:
    if best is None:
        return "no price"
    money = best["currency"]
    return f"{best['boards']} boards, {best['total']} {money}, {best['per_half']} {money} per half"


def tell_changes(old: OrderState, new: OrderState) -> list[str]:
    """Lines about what is different, verdict first; one line when nothing is."""
    lines = []
    for board, verdict in new.verdicts.items():
        before = old.verdicts.get(board)
        if before is not None and before != verdict:
            lines.append(f"{board}: was '{before}', is '{verdict}'")
    lines += [f"gone: {_words(key, old)}" for key in old.findings if key not in new.findings]
    lines += [f"new: {_words(key, new)}" for key in new.findings if key not in old.findings]
    if old.cost and old.cost != new.cost:
        lines.append(f"cost: was {old.cost}; is {new.cost}")
    return lines or ["nothing changed in verdict and cost"]


def _words(key: tuple[str, str, str], state: OrderState) -> str:
    board, rule, message = key
    return f"{state.findings[key]}, {board}: {message} [{rule}]"
