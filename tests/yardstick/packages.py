"""Plants in files as such: empty, of another kind, cut short; and in the job file and tables."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from random import Random
from typing import Any

from yardstick.gerber_text import Unfit
from yardstick.kind import Plant, first, kind, layer_of
from yardstick.parcel import Parcel

FILE = ("package/", "gerber/", "drill/", "job/")
PAGE = "<!DOCTYPE html>\n<html><head><title>Sign in</title></head><body>Please.</body></html>\n"


def _replaced(parcel: Parcel, name: str, data: bytes) -> Plant:
    return Plant(Parcel(parcel.name, {**parcel.files, name: data}), None, (name,))


@kind("package/copper-empty", "Empties the top copper's file.", *FILE, weight="stop")
def copper_empty(parcel: Parcel, _: Random) -> Plant:
    return _replaced(parcel, layer_of(parcel, "copper", "top")[0], b"")


@kind("package/mask-empty", "Empties a mask's file.", *FILE)
def mask_empty(parcel: Parcel, _: Random) -> Plant:
    return _replaced(parcel, layer_of(parcel, "mask")[0], b"")


@kind("package/drill-empty", "Empties a drill file.", *FILE, weight="stop")
def drill_empty(parcel: Parcel, _: Random) -> Plant:
    return _replaced(parcel, first(parcel.named("drill"), "drill file"), b"")


@kind("package/profile-empty", "Empties the profile's file.", *FILE, "profile/", weight="stop")
def profile_empty(parcel: Parcel, _: Random) -> Plant:
    return _replaced(parcel, layer_of(parcel, "profile")[0], b"")


@kind("package/mask-html", "Puts a web page in place of a mask.", *FILE)
def mask_html(parcel: Parcel, _: Random) -> Plant:
    return _replaced(parcel, layer_of(parcel, "mask")[0], PAGE.encode())


@kind("package/copper-html", "Puts a web page in place of the bottom copper.", *FILE, weight="stop")
def copper_html(parcel: Parcel, _: Random) -> Plant:
    return _replaced(parcel, layer_of(parcel, "copper", "bottom")[0], PAGE.encode())


@kind("package/drill-html", "Puts a web page in place of a drill file.", *FILE, weight="stop")
def drill_html(parcel: Parcel, _: Random) -> Plant:
    return _replaced(parcel, first(parcel.named("drill"), "drill file"), PAGE.encode())


@kind("package/copper-utf16", "Writes the top copper in UTF-16.", *FILE, weight="stop")
def copper_utf16(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    return _replaced(parcel, name, layer.text.encode("utf-16"))


@kind("package/drill-utf16", "Writes a drill file in UTF-16.", *FILE, weight="stop")
def drill_utf16(parcel: Parcel, _: Random) -> Plant:
    name = first(parcel.named("drill"), "drill file")
    return _replaced(parcel, name, parcel.text(name).encode("utf-16"))


def _cut(parcel: Parcel, what: str, share: float) -> Plant:
    name, layer = layer_of(parcel, what)
    operations = layer.operations
    if len(operations) < 4:
        raise Unfit("too short to be cut")
    start, end, _match = operations[int(len(operations) * share)]
    return _replaced(parcel, name, layer.text[: (start + end) // 2].encode("latin-1"))


@kind(
    "package/copper-cut-short",
    "Ends the top copper's file in its middle.",
    *FILE,
    "hole/",
    "mask/",
    "net/",
)
def copper_cut_short(parcel: Parcel, _: Random) -> Plant:
    return _cut(parcel, "copper", 0.5)


@kind("package/mask-cut-short", "Ends a mask's file after two thirds.", *FILE, "mask/")
def mask_cut_short(parcel: Parcel, _: Random) -> Plant:
    return _cut(parcel, "mask", 0.66)


@kind("package/profile-cut-short", "Ends the profile's file in its middle.", *FILE, "profile/")
def profile_cut_short(parcel: Parcel, _: Random) -> Plant:
    return _cut(parcel, "profile", 0.6)


@kind("package/legend-cut-short", "Ends a legend's file in its middle.", *FILE, "legend/")
def legend_cut_short(parcel: Parcel, _: Random) -> Plant:
    return _cut(parcel, "legend", 0.5)


@kind(
    "package/noise-in-copper",
    "Overwrites forty characters in the middle of the top copper.",
    *FILE,
    "net/",
    "mask/",
    "hole/",
)
def noise_in_copper(parcel: Parcel, rng: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    start = layer.operations[len(layer.operations) // 2][0]
    data = bytearray(parcel.files[name])
    data[start : start + 40] = bytes(rng.randrange(128, 256) for _ in data[start : start + 40])
    return _replaced(parcel, name, bytes(data))


# -- job file ----------------------------------------------------------------------------------


def _job(parcel: Parcel, change: Callable[[dict[str, Any]], None]) -> Plant:
    name = first(parcel.jobs, "job file")
    try:
        job = json.loads(parcel.text(name))
        before = json.dumps(job)
        change(job)
    except (ValueError, KeyError, IndexError, TypeError) as error:
        raise Unfit("the job file does not state it") from error
    if json.dumps(job) == before:
        raise Unfit("the job file does not state it")
    return Plant(parcel.with_text(name, json.dumps(job, indent=1)), None, (name,))


@kind(
    "size/job-thickness",
    "States ten times the thickness in the job file.",
    "job/",
    "thickness/",
    "cost/",
    "hole/",
)
def job_thickness(parcel: Parcel, _: Random) -> Plant:
    def change(job: dict[str, Any]) -> None:
        job["GeneralSpecs"]["BoardThickness"] *= 10

    return _job(parcel, change)


@kind(
    "size/job-thin",
    "States a thickness of 0.1 mm in the job file.",
    "job/",
    "thickness/",
    "cost/",
    "hole/",
)
def job_thin(parcel: Parcel, _: Random) -> Plant:
    def change(job: dict[str, Any]) -> None:
        job["GeneralSpecs"]["BoardThickness"] = 0.1

    return _job(parcel, change)


@kind("size/job-size", "States a board 30 mm wider in the job file.", "job/")
def job_size(parcel: Parcel, _: Random) -> Plant:
    def change(job: dict[str, Any]) -> None:
        job["GeneralSpecs"]["Size"]["X"] += 30

    return _job(parcel, change)


@kind("size/job-layers", "States two more copper layers in the job file.", "job/", "package/")
def job_layers(parcel: Parcel, _: Random) -> Plant:
    def change(job: dict[str, Any]) -> None:
        job["GeneralSpecs"]["LayerNumber"] += 2

    return _job(parcel, change)


@kind(
    "size/job-file-missing", "Lists a file in the job file that is not there.", "job/", "package/"
)
def job_file_missing(parcel: Parcel, _: Random) -> Plant:
    def change(job: dict[str, Any]) -> None:
        job["FilesAttributes"][0]["Path"] = "not-there.gbr"

    return _job(parcel, change)


@kind(
    "size/job-function",
    "Gives two files of the job file each other's function.",
    "job/",
    "package/",
)
def job_function(parcel: Parcel, _: Random) -> Plant:
    def change(job: dict[str, Any]) -> None:
        a, b = [f for f in job["FilesAttributes"] if f["FileFunction"].startswith("Copper")][:2]
        a["FileFunction"], b["FileFunction"] = b["FileFunction"], a["FileFunction"]

    return _job(parcel, change)


def _scaled(parcel: Parcel, factor: float) -> Plant:
    changed = parcel
    for name, layer in parcel.gerbers.items():
        if not layer.absolute:
            raise Unfit("coordinates are increments")
        changed = changed.with_text(name, layer.transformed(lambda x, y: (x * factor, y * factor)))
    for name, drill in parcel.drills.items():
        changed = changed.with_text(
            name,
            drill.changed(
                lambda h: [
                    type(h)(
                        h.x * factor, h.y * factor, h.to_x * factor, h.to_y * factor, h.tool, h.span
                    )
                ]
            ),
        )
    aside = [*parcel.netlists, *parcel.jobs, *parcel.placements]
    return Plant(changed.without(*aside), None, tuple(sorted(parcel.gerbers)))


@kind(
    "size/tenth",
    "Draws every file at a tenth of its size, apertures and drills staying.",
    "profile/",
    "hole/",
    "net/",
    "copper/",
    "mask/",
)
def tenth(parcel: Parcel, _: Random) -> Plant:
    return _scaled(parcel, 0.1)


@kind(
    "size/tenfold",
    "Draws every file at ten times its size, apertures and drills staying.",
    "profile/",
    "package/",
    "cost/",
    "copper/",
)
def tenfold(parcel: Parcel, _: Random) -> Plant:
    left, bottom, right, top = parcel.edge
    large = max(right - left, top - bottom) * 10 > 600
    return replace(_scaled(parcel, 10), hidden="" if large else "still of a size that is made")


# -- placement ---------------------------------------------------------------------------------


def _rows(parcel: Parcel, change: Callable[[float, float], tuple[float, float]]) -> Plant:
    """Change the places of a table, found by the words of its heading."""
    name = first(parcel.placements, "placement table")
    lines = parcel.text(name).splitlines(keepends=True)
    heads = [n for n, line in enumerate(lines) if re.search(r"rot", line, re.IGNORECASE)]
    head = first(heads, "heading")
    split = r"[^,;\t\r\n]+" if re.search(r"[,;\t]", lines[head]) else r"[^\s#]+"
    words = [m[0].strip(' "').lower() for m in re.finditer(split, lines[head])]
    # Counted from the end: where blanks part the columns, values may hold blanks, too.
    columns = [
        n - len(words) for axis in "xy" for n, word in enumerate(words)
        if re.search(rf"(^|[^a-z])(pos|mid|center|centre)?[ _-]?{axis}([^a-z]|$)", word)
    ][:2]  # fmt: skip
    if len(columns) < 2:
        raise Unfit("no columns of places")
    out = lines[: head + 1]
    for line in lines[head + 1 :]:
        cells = list(re.finditer(split, line))
        try:
            one, two = (cells[n] for n in columns)
            a, b = (re.search(r"-?\d+(\.\d*)?", cell[0]) for cell in (one, two))
        except IndexError:
            a = b = None
        if a and b:
            values = change(float(a[0]), float(b[0]))
            for cell, at, value in sorted(
                zip((one, two), (a, b), values, strict=True), key=lambda c: -c[0].start()
            ):
                start = cell.start() + at.start()
                line = f"{line[:start]}{value:.4f}{line[start + len(at[0]) :]}"
        out.append(line)
    return Plant(parcel.with_text(name, "".join(out)), None, (name,))


@kind(
    "size/placement-unit",
    "Writes the places of the placement table in inches.",
    "board/",
    "placement/",
)
def placement_unit(parcel: Parcel, _: Random) -> Plant:
    return _rows(parcel, lambda x, y: (x / 25.4, y / 25.4))


@kind(
    "size/placement-far",
    "Moves every part of the placement table by 400 mm.",
    "board/",
    "placement/",
)
def placement_far(parcel: Parcel, _: Random) -> Plant:
    return _rows(parcel, lambda x, y: (x + 400, y))


@kind(
    "size/placement-doubled",
    "Lists the first part of the placement table a second time, elsewhere.",
    "placement/",
    "board/",
)
def placement_doubled(parcel: Parcel, _: Random) -> Plant:
    name = first(parcel.placements, "placement table")
    lines = parcel.text(name).splitlines(keepends=True)
    head = next((n for n, line in enumerate(lines) if re.search(r"rot", line, re.IGNORECASE)), 0)
    rows = [line for line in lines[head + 1 :] if re.search(r"\d+\.\d+.*\d", line)]
    # The last decimal number but the turn: values may hold some before it.
    again = re.sub(
        r"(-?\d+\.\d+)(?=\D*[\d.-]+\D*[\d.-]*\D*$)",
        lambda m: f"{float(m[1]) + 3:.3f}",
        first(rows, "rows"),
        count=1,
    )
    return Plant(parcel.with_text(name, "".join([*lines, again])), None, (name,))
