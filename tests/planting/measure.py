"""Measure how changes are told: ``python tests/planting/measure.py --help``."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path

TESTS = Path(__file__).parents[1]
ROOT = TESTS.parent
if str(TESTS) not in sys.path:
    sys.path.insert(0, str(TESTS))

from yardstick import harmless  # noqa: E402
from yardstick import measure as yardstick  # noqa: E402
from yardstick.gerber_text import Unfit  # noqa: E402
from yardstick.kind import HARMLESS  # noqa: E402
from yardstick.parcel import Parcel, load_parcel  # noqa: E402

import fabkit  # noqa: E402
from fabkit.board.model import Board  # noqa: E402
from planting import boards, copper, holes, house, layers  # noqa: E402
from planting.edit import CHANGES, faults, planted  # noqa: E402

MODULES = (boards, copper, harmless, holes, layers, yardstick)
"""Modules whose import enters their kinds."""
FIXTURES = (
    "fixtures/defects/clean",
    "fabkit/demo/rev-b",
    "fixtures/kinds/reversible-soldered",
    "fixtures/kinds/both-equal",
    "fixtures/dialects/no-attributes-mm",
)


@dataclass(frozen=True)
class Tried:
    """One kind in one package: exact, missed, or told another way."""

    kind: str
    package: str
    state: str
    detail: str = ""
    seconds: float = 0.0


def board_of(parcel: Parcel) -> Board:
    """The board of a package in memory."""
    with tempfile.TemporaryDirectory() as folder:
        packed = harmless.PACKED in parcel.files
        path = parcel.without(harmless.PACKED).written(Path(folder), packed=packed)
        return fabkit.build_board(fabkit.open_package(path))


def try_change(parcel: Parcel, old: Board, kind_id: str) -> Tried:
    """Plant one change and compare."""
    start = time.process_time()
    try:
        edit = planted(parcel, kind_id)
    except Unfit as error:
        return Tried(kind_id, parcel.name, "unfit", str(error))
    comparison = fabkit.compare_boards(old, board_of(edit.parcel))
    wrong = faults(edit, comparison)
    state = "exact" if not wrong else "missed" if wrong == ["MISSED"] else "otherwise"
    detail = "; ".join([*wrong, *comparison.summary]) if wrong else ""
    return Tried(kind_id, parcel.name, state, detail, time.process_time() - start)


def try_harmless(parcel: Parcel, old: Board, kind_id: str) -> Tried:
    """Make one harmless edit and compare."""
    start = time.process_time()
    try:
        edit = HARMLESS[kind_id].plant(parcel)
    except Unfit as error:
        return Tried(kind_id, parcel.name, "unfit", str(error))
    comparison = fabkit.compare_boards(old, board_of(edit.parcel))
    state = "silent" if comparison.equal else "disturbed"
    detail = "" if comparison.equal else "; ".join(c.message for c in comparison.changes[:4])
    return Tried(kind_id, parcel.name, state, detail, time.process_time() - start)


def try_return(parcel: Parcel, old: Board, kind_id: str) -> Tried:
    """Send a package back as a house does, and judge whether it is still the board."""
    start = time.process_time()
    try:
        sent = house.returns(parcel)[kind_id]()
    except Unfit as error:
        return Tried(kind_id, parcel.name, "unfit", str(error))
    returned = fabkit.judge_returned(fabkit.compare_boards(old, board_of(sent.parcel)))
    right = returned.mine is sent.mine
    if sent.fault is not None and right:
        # The fault itself must be among the changes that are no usual edits.
        parts = {kind.partition("/")[0] for kind in sent.fault.kinds}
        right = any(c.what in parts for c in returned.others)
    state, detail = ("right", "") if right else ("wrong", returned.verdict)
    return Tried(kind_id, parcel.name, state, detail, time.process_time() - start)


def measured(paths: Iterable[Path], kinds: str) -> list[Tried]:
    """Try every kind that fits a pattern in every package."""
    tried = []
    for path in paths:
        parcel = load_parcel(path)
        old = board_of(parcel)
        ways = house.returns(parcel)
        for one, ids in ((try_change, CHANGES), (try_harmless, HARMLESS), (try_return, ways)):
            tried += [
                one(parcel, old, kind_id)
                for kind_id in sorted(ids)
                if any(fnmatch(kind_id, k) for k in kinds.split(","))
            ]
    return tried


def table(tried: Iterable[Tried]) -> str:
    """Rows by group of kinds, then what was not exact."""
    every = [t for t in tried if t.state != "unfit"]
    lines = ["| group | tried | exact | otherwise | missed |", "|---|---|---|---|---|"]
    changes = [t for t in every if t.state in ("exact", "otherwise", "missed")]
    for group in [*sorted({t.kind.partition("/")[0] for t in changes}), "all"]:
        mine = [t for t in changes if group in (t.kind.partition("/")[0], "all")]
        n = Counter(t.state for t in mine)
        lines.append(f"| {group} | {len(mine)} | {n['exact']} | {n['otherwise']} | {n['missed']} |")
    quiet = [t for t in every if t.state in ("silent", "disturbed")]
    lines.append(f"\nharmless, silent: {sum(t.state == 'silent' for t in quiet)} of {len(quiet)}")
    judged = [t for t in every if t.state in ("right", "wrong")]
    right = sum(t.state == "right" for t in judged)
    lines.append(f"returned files, verdict right: {right} of {len(judged)}")
    seconds = sum(t.seconds for t in every)
    lines.append(f"kinds tried: {len({t.kind for t in every})}; seconds: {seconds:.0f}\n")
    bad = ("otherwise", "missed", "disturbed", "wrong")
    lines += [f"{t.state}  {t.kind}  {t.package}: {t.detail}" for t in every if t.state in bad]
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    asks = argparse.ArgumentParser(description=__doc__)
    asks.add_argument("packages", nargs="*", type=Path, help="folders or zips; default: fixtures")
    asks.add_argument("--kinds", default="*", help="patterns such as 'mask/*,hole/*'")
    asked = asks.parse_args()
    paths = asked.packages or [ROOT / name for name in FIXTURES]
    sys.stdout.write(table(measured(paths, asked.kinds)) + "\n")


if __name__ == "__main__":
    main()
