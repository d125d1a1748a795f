"""Measure how much of what is planted is found: ``python tests/yardstick/measure.py --help``."""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import re
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

TESTS = Path(__file__).parents[1]
ROOT = TESTS.parent
if str(TESTS) not in sys.path:
    sys.path.insert(0, str(TESTS))

from yardstick import (  # noqa: E402
    copper,
    drills,
    films,
    harmless,
    holes,
    layers,
    mistakes,
    nets,
    outlines,
    tables,
)
from yardstick import packages as whole_files  # noqa: E402
from yardstick.gerber_text import Unfit  # noqa: E402
from yardstick.harmless import PACKED  # noqa: E402
from yardstick.judge import Finding, disturbed, finds, heavy  # noqa: E402
from yardstick.kind import HARMLESS, KINDS, Kind  # noqa: E402
from yardstick.parcel import Parcel, load_parcel  # noqa: E402

MODULES = (
    *(copper, drills, films, harmless, holes, layers, mistakes, nets, outlines, tables),
    whole_files,
)
"""Modules whose import enters their kinds."""
PAGE = ROOT / "docs" / "yardstick.md"
FIXTURES = (
    "fabkit/demo/rev-b",
    "fixtures/card",
    "fixtures/linnet/rev-1",
    "fixtures/pair/left",
    "fixtures/kinds/both-equal",
    "fixtures/kinds/both-unequal",
    "fixtures/kinds/soldered",
    "fixtures/kinds/reversible-soldered",
    "fixtures/kinds/unsplit",
    "fixtures/kinds/coarse-inch",
    "fixtures/kinds/thin-slots",
    "fixtures/dialects/macros-and-repeat",
    "fixtures/dialects/no-attributes-mm",
    "fixtures/defects/clean",
)
"""Packages that are right, so that what is planted in them is all that is wrong."""


@dataclass
class Tried:
    """One kind in one package: what became of it."""

    kind: str
    package: str
    state: str
    detail: str = ""
    seconds: float = 0.0


@dataclass
class Measured:
    """Everything one run measured."""

    tried: list[Tried] = field(default_factory=list)
    stops: dict[str, list[str]] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    verdicts: Counter[str] = field(default_factory=Counter)

    def add(self, other: Measured) -> None:
        """Take in what another run measured."""
        self.tried += other.tried
        self.stops |= other.stops
        self.lines |= other.lines
        self.verdicts += other.verdicts


def checked(parcel: Parcel, *options: str) -> tuple[int, str]:
    """Status and output of ``fabkit check``, asked for as a user would.

    Raises
    ------
    RuntimeError
        fabkit itself broke.
    """
    from click.testing import CliRunner

    from fabkit.cli.group import cli

    with tempfile.TemporaryDirectory() as folder:
        path = parcel.without(PACKED).written(Path(folder), packed=PACKED in parcel.files)
        words = ["check", str(path), *options]
        result = CliRunner().invoke(cli, words, prog_name="fabkit")
    if result.exit_code not in (0, 1, 2):
        broken = re.findall(r'"reason": "(\w*Error[^"]*)', result.output)
        raise RuntimeError("; ".join(broken) or result.output.strip()[-200:])
    return result.exit_code, result.stdout if result.exit_code < 2 else result.output


def findings_of(parcel: Parcel) -> list[Finding]:
    """Findings of a package; one that cannot be opened at all is one finding."""
    status, said = checked(parcel, "--json")
    if status < 2:
        found: list[Finding] = json.loads(said)["findings"]
        return found
    place = {"text": said.strip()}
    return [
        {
            "id": "package/refused",
            "consequence": "stop",
            "message": said.strip(),
            "count": 1,
            "places": [place],
        }
    ]


def sampled(parcel: Parcel, kinds: Iterable[Kind], sample: int) -> list[Kind]:
    """Some of the kinds, always the same for a package; all where *sample* is 0."""

    def key(kind: Kind) -> str:
        return hashlib.sha256(f"{parcel.name}/{kind.id}".encode()).hexdigest()

    ordered = sorted(kinds, key=key)
    return sorted(ordered[:sample] if sample else ordered, key=lambda k: k.id)


def measure_package(parcel: Parcel, kinds: list[Kind], until: float) -> Measured:
    """Plant each kind in one package and judge what is said."""
    out = Measured()
    before = findings_of(parcel)
    out.stops[parcel.name] = sorted(
        f"{f['id']}: {f['message']}" for f in before if heavy(f, "stop")
    )
    out.verdicts[max((f["consequence"] for f in before if heavy(f, "decide")), default="fit")] += 1
    _status, said = checked(parcel)
    out.lines[parcel.name] = len(said.rstrip().splitlines())
    for kind in kinds:
        if time.monotonic() > until:
            break
        out.tried.append(try_kind(parcel, kind, before))
    return out


def try_kind(parcel: Parcel, kind: Kind, before: list[Finding]) -> Tried:
    """Plant one kind and judge what is said."""
    try:
        plant = kind.plant(parcel)
    except Unfit as why:
        return Tried(kind.id, parcel.name, "not plantable", str(why))
    if plant.hidden:
        return Tried(kind.id, parcel.name, "hidden", plant.hidden)
    start = time.monotonic()
    try:
        after = findings_of(plant.parcel)
    except RuntimeError as error:
        return Tried(kind.id, parcel.name, "crashed", str(error))
    seconds = time.monotonic() - start
    where = "at {:.3f}, {:.3f} mm".format(*plant.place) if plant.place else ""
    where = f"{', '.join(plant.files[:2])} {where}".strip()
    if kind.id in HARMLESS:
        new = disturbed(before, after)
        state, found = ("silent", "") if not new else ("disturbed", _ids(new))
        return Tried(kind.id, parcel.name, state, found, seconds)
    found_by = finds(kind, plant, before, after)
    if found_by:
        return Tried(kind.id, parcel.name, "found", _ids(found_by), seconds)
    old = {(f["id"], f["message"]) for f in before}
    light = [f for f in after if (f["id"], f["message"]) not in old]
    return Tried(
        kind.id, parcel.name, "missed", f"{where}; said: {_ids(light) or 'nothing'}", seconds
    )


def _ids(findings: list[Finding]) -> str:
    return ", ".join(sorted({f"{f['id']} ({f['consequence']})" for f in findings}))


def _job(task: tuple[Parcel, list[str], float]) -> Measured:
    parcel, ids, until = task
    return measure_package(parcel, [(KINDS | HARMLESS)[i] for i in ids], until)


def measure(
    parcels: list[Parcel], kinds: list[Kind], *, sample: int, seconds: float, workers: int
) -> Measured:
    """Measure packages, several at a time; what does not fit into *seconds* is left out."""
    until = time.monotonic() + seconds
    tasks = [(p, [k.id for k in sampled(p, kinds, sample)], until) for p in parcels]
    out = Measured()
    if workers < 2:
        for task in tasks:
            out.add(_job(task))
        return out
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        for part in pool.imap(_job, tasks):
            out.add(part)
    return out


def packages_in(folder: Path) -> Iterator[Parcel]:
    """Packages in a folder: zips, and folders that hold layer files themselves."""
    for path in sorted([folder, *folder.rglob("*")]):
        name = str(path.relative_to(folder)) if path != folder else folder.name
        if path.suffix.lower() == ".zip" and path.is_file():
            parcel = load_parcel(path, name.replace("/", "_").removesuffix(path.suffix))
        elif path.is_dir() and any(p.is_file() for p in path.iterdir()):
            files = {p.name: p.read_bytes() for p in sorted(path.iterdir()) if p.is_file()}
            parcel = Parcel(name.replace("/", "_"), files)
        else:
            continue
        if parcel.named("copper") or parcel.named("profile"):
            yield parcel


def fixtures() -> list[Parcel]:
    """The invented packages that are right."""
    return [load_parcel(ROOT / p, p.replace("fixtures/", "").replace("/", "-")) for p in FIXTURES]


def table(measured: Measured) -> str:
    """The table of a run, as Markdown."""
    groups: dict[str, Counter[str]] = defaultdict(Counter)
    for one in measured.tried:
        groups[one.kind.partition("/")[0]][one.state] += 1
    lines = ["| Group | Planted | Found | Share | Hidden |", "|---|---|---|---|---|"]
    total: Counter[str] = Counter()
    for group in sorted(g for g in groups if g != "harmless"):
        lines.append(_row(group, groups[group]))
        total += groups[group]
    lines.append(_row("all", total))
    quiet = groups.get("harmless", Counter())
    shown = sorted(measured.lines.values())
    timed = sorted(t.seconds for t in measured.tried if t.seconds)
    false = {name: stops for name, stops in measured.stops.items() if stops}
    lines += [
        "",
        f"- Harmless edits silent: {quiet['silent']} of {quiet['silent'] + quiet['disturbed']}.",
        f"- Unplanted packages with a stop: {len(false)} of {len(measured.stops)}.",
        f"- Of the others fit to order: {measured.verdicts['fit']}.",
    ]
    if shown:
        lines.append(f"- Lines shown: {shown[len(shown) // 2]} (median), {shown[-1]} (most).")
    if timed:
        lines.append(
            f"- Seconds a check: {timed[len(timed) // 2]:.1f} (median), {timed[-1]:.1f} (most)."
        )
    return "\n".join(lines) + "\n"


def _row(name: str, states: Counter[str]) -> str:
    planted = states["found"] + states["missed"] + states["crashed"]
    # Rounded down: 100 % is all of them.
    share = f"{100 * states['found'] // planted}%" if planted else "-"
    return f"| {name} | {planted} | {states['found']} | {share} | {states['hidden']} |"


def missed(measured: Measured) -> str:
    """Kinds that were missed, disturbed or crashed, each with the packages."""
    by_kind: dict[str, list[Tried]] = defaultdict(list)
    for one in measured.tried:
        if one.state in ("missed", "disturbed", "crashed"):
            by_kind[one.kind].append(one)
    lines = []
    for kind in sorted(by_kind):
        lines.append(f"- {kind}: {(KINDS | HARMLESS)[kind].says}")
        lines += [f"  - {t.package}: {t.state}; {t.detail}" for t in by_kind[kind]]
    return "\n".join(lines) + "\n"


def sentence(measured: Measured, sample: int) -> str:
    """What was run, in one sentence."""
    tried, packages = measured.tried, len(measured.stops)
    unfit = sum(t.state == "not plantable" for t in tried)
    chosen = f"{sample} kinds for each, chosen by their names" if sample else "all kinds"
    return (
        f"{packages} packages, {chosen}: {len(tried)} plants were tried, and {unfit} of them had "
        "no place in their package.\n\n"
    )


def write_page(measured: Measured, *, sample: int, name: str) -> None:
    """Put the table of *name* into docs/yardstick.md, between its two marks."""
    page = PAGE.read_text(encoding="utf-8")
    head, mark, rest = page.partition(f"<!-- {name} -->\n")
    _old, end, tail = rest.partition(f"<!-- end of {name} -->")
    names = sorted(
        {t.kind for t in measured.tried if t.state in ("missed", "disturbed", "crashed")}
    )
    listed = "".join(f"- `{n}`: {(KINDS | HARMLESS)[n].says}\n" for n in names)
    still = f"\nMissed in at least one package:\n\n{listed}" if names else "\nNothing was missed.\n"
    new = head + mark + sentence(measured, sample) + table(measured) + still + end + tail
    temporary = PAGE.with_suffix(".new")
    temporary.write_text(new, encoding="utf-8")
    temporary.replace(PAGE)


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Plant defects in packages; count what is found.")
    parser.add_argument("folder", nargs="?", type=Path, help="packages (default: the fixtures)")
    parser.add_argument("--kinds", nargs="*", default=["*"], help="ids, such as 'mask/*'")
    parser.add_argument("--sample", type=int, default=0, help="kinds for each package")
    parser.add_argument("--seconds", type=float, default=1e9, help="stop after so long")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="write the table into docs/")
    parser.add_argument("--json", type=Path, help="write every single result into a file")
    parser.add_argument("--list", action="store_true", help="list the kinds and stop")
    chosen = parser.parse_args(arguments)
    kinds = [
        k for i, k in (KINDS | HARMLESS).items() if any(fnmatch(i, word) for word in chosen.kinds)
    ]
    if chosen.list:
        sys.stdout.write("".join(f"{k.id}: {k.says}\n" for k in kinds))
        return 0
    parcels = list(packages_in(chosen.folder)) if chosen.folder else fixtures()
    measured = measure(
        parcels,
        kinds,
        sample=chosen.sample,
        seconds=chosen.seconds,
        workers=chosen.workers,
    )
    false = [
        f"stop without a plant: {name}: {stop}\n"
        for name, stops in sorted(measured.stops.items())
        for stop in stops
    ]
    sys.stdout.write("\n".join([table(measured), missed(measured), "".join(false)]))
    if chosen.json:
        rows: list[dict[str, Any]] = [vars(t) for t in measured.tried]
        chosen.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")
    if chosen.write:
        write_page(measured, sample=chosen.sample, name="published" if chosen.folder else "table")
    return 0


if __name__ == "__main__":
    sys.exit(main())
