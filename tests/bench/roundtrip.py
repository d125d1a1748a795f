"""Reads, writes and reads again every file of a folder, zips included, and prints what differs.

Usage: ``python tests/bench/roundtrip.py FOLDER``.  A file counts as read when one of the readers
knows it.  Times are processor seconds.  The last lines are the worst of all files.
"""

from __future__ import annotations

import sys
import time
import zipfile
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fabkit.base.findings import Finding
from fabkit.formats.drill import reader as drill_reader
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.writer import write_drill
from fabkit.formats.gerber.conformance import examine
from fabkit.formats.gerber.drawing import strokes_as_regions
from fabkit.formats.gerber.model import GerberFile, Kind
from fabkit.formats.gerber.reader import looks_like_gerber, read
from fabkit.formats.gerber.writer import write_gerber
from fabkit.formats.sidecars.jobfile import looks_like_job, read_job, write_job
from fabkit.formats.sidecars.netlist import looks_like_netlist, read_netlist, write_netlist


@dataclass(frozen=True, slots=True)
class Trip:
    """What one round trip changed, and what it cost.

    ``image`` is the area that differs as a share of the layer, ``edge_mm`` that area along all
    edges; ``new`` and ``kept`` are rules that the written file breaks.
    """

    kind: str
    objects: int
    off_mm: float
    centre_mm: float
    image: float
    edge_mm: float
    reading_s: float
    writing_s: float
    new: tuple[str, ...]
    kept: tuple[str, ...]
    same_again: bool


def new_and_kept(
    before: Iterable[Finding], after: Iterable[Finding]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Rules of findings that only the written file has, and of those that both have."""
    known, found = {f.rule.id for f in before}, {f.rule.id for f in after}
    return tuple(sorted(found - known)), tuple(sorted(found & known))


def gerber_distance(one: GerberFile, two: GerberFile) -> tuple[float, float]:
    """Largest distance of equal points, and of centres, mm; inf when objects do not pair."""
    one = strokes_as_regions(one)
    a, b = one.objects, two.objects
    if len(a) != len(b) or (a.kind != b.kind).any() or (a.dark != b.dark).any():
        return np.inf, np.inf
    at = a.kind != Kind.REGION
    worst = centre = 0.0
    for name in ("x0", "y0", "x1", "y1"):
        worst = max(worst, np.abs(getattr(a, name)[at] - getattr(b, name)[at]).max(initial=0))
    arc = (a.turn != 0) & at
    for name in ("cx", "cy"):
        centre = max(centre, np.abs(getattr(a, name)[arc] - getattr(b, name)[arc]).max(initial=0))
    s, t = one.segments, two.segments
    s = s.take((s.x0 != s.x1) | (s.y0 != s.y1) | (s.turn != 0))
    if len(s) == len(t):
        for name in ("x0", "y0", "x1", "y1"):
            worst = max(worst, np.abs(getattr(s, name) - getattr(t, name)).max(initial=0))
        arc = s.turn != 0
        for name in ("cx", "cy"):
            off = np.abs(getattr(s, name)[arc] - getattr(t, name)[arc]).max(initial=0)
            centre = max(centre, off)
    return float(worst), float(centre)


def gerber_trip(data: bytes, name: str) -> Trip:
    """Round trip of a layer."""
    start = time.process_time()
    file = read(data, name=name)
    between = time.process_time()
    written = write_gerber(file)
    end = time.process_time()
    again = read(written, name=name)
    off, centre = gerber_distance(file, again)
    image, back = file.image, again.image
    differs = image.symmetric_difference(back).area
    # Writing a file again must change nothing: what could be moved was moved the first time.
    return Trip(
        "layer",
        len(file.objects),
        off,
        centre,
        differs / image.area if image.area else differs,
        differs / image.length if image.length else differs,
        between - start,
        end - between,
        *new_and_kept(
            file.problems + examine(file, data), again.problems + examine(again, written)
        ),
        write_gerber(again) == written,
    )


def _cuts(file: DrillFile) -> list[np.ndarray]:
    """Holes and slots with their diameters, sorted."""
    sizes = np.array([tool.diameter_mm or 0.0 for tool in file.tools] + [0.0])
    h, s = file.hits, file.slots
    tables = (
        np.column_stack((h.x, h.y, sizes[h.tool])),
        np.column_stack((s.starts(), s.ends(), sizes[s.tool])),
    )
    return [table[np.lexsort(np.round(table, 5).T)] for table in tables]


def drill_trip(data: bytes, name: str) -> Trip:
    """Round trip of a drill file."""
    start = time.process_time()
    file = drill_reader.read(data, name=name)
    between = time.process_time()
    written = write_drill(file)
    end = time.process_time()
    again = drill_reader.read(written, name=name)
    off = 0.0
    for one, two in zip(_cuts(file), _cuts(again), strict=True):
        # Long arcs are written as several.
        pairs = len(one) == len(two)
        off = max(off, float(np.abs(one - two).max(initial=0)) if pairs else np.inf)
    return Trip(
        "drill",
        len(file.hits) + len(file.slots),
        off,
        *(0.0, 0.0, 0.0),
        between - start,
        end - between,
        *new_and_kept(file.problems, again.problems),
        write_drill(again) == written,
    )


def sidecar_trip(data: bytes, name: str) -> Trip | None:
    """Round trip of a netlist or job file."""
    start = time.process_time()
    if looks_like_netlist(data):
        netlist = read_netlist(data, name=name)
        between = time.process_time()
        written = write_netlist(netlist)
        end = time.process_time()
        again = read_netlist(written, name=name)
        pairs = list(zip(netlist.points, again.points, strict=True))
        off = max((max(abs(a.x_mm - b.x_mm), abs(a.y_mm - b.y_mm)) for a, b in pairs), default=0)
        new = new_and_kept(netlist.problems, again.problems)
        same = write_netlist(again) == written
        return Trip("netlist", len(pairs), off, 0, 0, 0, between - start, end - between, *new, same)
    if looks_like_job(data):
        job = read_job(data, name=name)
        between = time.process_time()
        written = write_job(job)
        end = time.process_time()
        job_again = read_job(written, name=name)
        plain = [replace(j, raw={}, problems=()) for j in (job, job_again)]
        new = new_and_kept(job.problems, job_again.problems)
        off = 0.0 if plain[0] == plain[1] else np.inf
        same = write_job(job_again) == written
        return Trip("job", len(job.files), off, 0, 0, 0, between - start, end - between, *new, same)
    return None


def files_in(folder: Path) -> Iterator[tuple[str, bytes]]:
    """Files of a folder and members of its zips."""
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        if zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as archive:
                for info in archive.infolist():
                    if not info.is_dir():
                        yield f"{path.relative_to(folder)}:{info.filename}", archive.read(info)
        else:
            yield str(path.relative_to(folder)), path.read_bytes()


def trips(folder: Path) -> Iterator[tuple[str, Trip]]:
    """Round trips of all files that a reader knows."""
    for name, data in files_in(folder):
        if looks_like_gerber(data) >= 0.5:
            yield name, gerber_trip(data, name)
        elif drill_reader.looks_like_drill(data) >= 0.5:
            yield name, drill_trip(data, name)
        elif (made := sidecar_trip(data, name)) is not None:
            yield name, made


def main() -> None:
    """Print one line a file, then the worst."""
    every = []
    for name, trip in trips(Path(sys.argv[1])):
        every.append(trip)
        print(
            f"{trip.kind:8}{trip.objects:8d} objects  off {trip.off_mm:.1e} mm"
            f"  centre {trip.centre_mm:.1e} mm  image {trip.image:.1e}  edge {trip.edge_mm:.1e} mm"
            f"  read {trip.reading_s:6.3f} s  write {trip.writing_s:6.3f} s  {name}"
            f"  {' '.join(trip.new)}{'' if trip.same_again else '  NOT THE SAME AGAIN'}",
            flush=True,
        )
    print(dict(Counter(trip.kind for trip in every)))
    print(f"worst point {max(t.off_mm for t in every):.1e} mm")
    print(f"worst centre {max(t.centre_mm for t in every):.1e} mm")
    print(f"worst image {max(t.image for t in every):.1e} of the layer")
    print(f"more than a millionth of the layer: {sum(t.image > 1e-6 for t in every)}")
    print(f"worst edge {max(t.edge_mm for t in every):.1e} mm")
    print(f"new findings {dict(Counter(rule for t in every for rule in t.new))}")
    print(f"kept findings {dict(Counter(rule for t in every for rule in t.kept))}")
    for kind in sorted({t.kind for t in every}):
        these = [t for t in every if t.kind == kind]
        reading, writing = sum(t.reading_s for t in these), sum(t.writing_s for t in these)
        print(f"{kind}: reading {reading:.2f} s, writing {writing:.2f} s")
    print(f"not the same again: {sum(not t.same_again for t in every)}")


if __name__ == "__main__":
    main()
