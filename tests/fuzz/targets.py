"""What is fuzzed: for every kind of input one function of bytes that must end well.

Ending well is: a result that keeps the promises of its model, or a ``FabkitError`` with a message
and a hint.  Anything else escapes from the function and is a finding.
"""

from __future__ import annotations

import io
import math
import tempfile
import zipfile
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from fuzz.tiny_board import FILES

import fabkit.package.build
from fabkit import build_board, check, draw, pack
from fabkit.base.errors import FabkitError, SheetError
from fabkit.base.findings import Finding
from fabkit.base.limits import DEFAULT_LIMITS
from fabkit.board.model import Board
from fabkit.checks.model import CheckOptions, CheckResult, State
from fabkit.formats.drill.inference import read_with_board
from fabkit.formats.drill.reader import looks_like_drill
from fabkit.formats.drill.reader import read as read_drill
from fabkit.formats.gerber.conformance import examine
from fabkit.formats.gerber.reader import looks_like_gerber
from fabkit.formats.gerber.reader import read as read_gerber
from fabkit.formats.sidecars.jobfile import looks_like_job, read_job
from fabkit.formats.sidecars.netlist import looks_like_netlist, read_netlist
from fabkit.formats.sidecars.tables import (
    looks_like_parts,
    looks_like_placement,
    read_parts,
    read_placement,
)
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member
from fabkit.package.opening import Budget, read_archive
from fabkit.parts.book import book_from
from fabkit.pictures.looks import PreviewOptions
from fabkit.sheets.house import house_from, load_house
from fabkit.sheets.order import order_from
from fabkit.sheets.toml_text import SheetText, parse_sheet

LIMITS = replace(
    DEFAULT_LIMITS,
    file_bytes=2**18,
    package_bytes=2**20,
    members=50,
    objects=3_000,
    segments=6_000,
    block_depth=8,
    macro_primitives=200,
    apertures=500,
)
"""Small enough that whatever stays within them is quick."""

MOST_DRAWN = 300
"""Objects of a layer that is also composed into a shape."""
PIXELS_PER_MM = 4.0
HOUSE = load_house()
READ_ONCE = lru_cache(maxsize=64)(fabkit.package.build._read_member)
"""Most files of the tiny package are the same every time; reading them has targets of its own."""


def keeps_promises(problems: Iterable[Finding], data: bytes) -> None:
    """Findings speak to a user: words that can be printed, places inside the file."""
    for problem in problems:
        assert problem.message
        assert problem.remedy
        assert problem.count >= 1
        for place in problem.places:
            str(place)
            assert place.offset is None or 0 <= place.offset <= len(data)
            assert place.line is None or place.line >= 1


def finite(*columns: np.ndarray[Any, Any]) -> None:
    """Coordinates are numbers that can be measured with."""
    for column in columns:
        assert np.isfinite(column).all()


def gerber(data: bytes) -> None:
    """A layer is read, judged and drawn."""
    assert 0 <= looks_like_gerber(data) <= 1
    file = read_gerber(data, name="x.gbr", limits=LIMITS)
    keeps_promises(file.problems, data)
    keeps_promises(examine(file, data, limits=LIMITS), data)
    objects = file.objects
    assert len(objects) <= LIMITS.objects
    placed = objects.kind != 3
    finite(objects.x0[placed], objects.y1[placed])
    finite(file.segments.x0, file.segments.y1)
    assert len(file.bounds) == 4
    if len(objects) + len(file.segments) <= MOST_DRAWN:
        assert math.isfinite(file.image.area)


def macro(data: bytes) -> None:
    """The body of an aperture macro, and the parameters behind a ``#``, are evaluated."""
    body, _, parameters = data.partition(b"#")
    body, parameters = body.replace(b"%", b""), parameters.replace(b"%", b"").replace(b"*", b"")
    gerber(b"%FSLAX36Y36*%%MOMM*%%AMM*" + body + b"*%%ADD10M," + parameters + b"*%D10*X0Y0D03*M02*")


def drill(data: bytes) -> None:
    """A drill file is read alone."""
    assert 0 <= looks_like_drill(data) <= 1
    file = read_drill(data, name="x.drl", limits=LIMITS)
    keeps_promises(file.problems, data)
    assert len(file.hits) + len(file.slots) <= LIMITS.objects
    finite(file.hits.x, file.hits.y, file.slots.x0, file.slots.y1)


def drill_format(data: bytes) -> None:
    """A drill file is read beside a board of two pads: up to a dozen formats are tried."""
    pads = np.array([(5.0, 5.0), (25.0, 15.0)])
    file = read_with_board(data, name="x.drl", pads=pads, box=(0.0, 0.0, 30.0, 20.0), limits=LIMITS)
    keeps_promises(file.problems, data)


def job(data: bytes) -> None:
    """A job file is read."""
    looks_like_job(data)
    keeps_promises(read_job(data, name="x.gbrjob").problems, data)


def netlist(data: bytes) -> None:
    """A netlist is read."""
    looks_like_netlist(data)
    read = read_netlist(data, name="x.ipc")
    keeps_promises(read.problems, data)
    assert all(math.isfinite(p.x_mm) and math.isfinite(p.y_mm) for p in read.points)


def placement(data: bytes) -> None:
    """A placement table is read."""
    looks_like_placement(data)
    read = read_placement(data, name="x.csv")
    keeps_promises(read.problems, data)
    assert all(math.isfinite(p.x_mm) and math.isfinite(p.y_mm) for p in read.parts)


def parts_table(data: bytes) -> None:
    """A parts table is read."""
    looks_like_parts(data)
    keeps_promises(read_parts(data, name="x.csv").problems, data)


def archive(data: bytes) -> None:
    """A zip is opened, and what it holds is read as a package."""
    members, left_out = read_archive(data, Budget("x.zip", LIMITS))
    assert sum(len(m.data) for m in members) <= LIMITS.package_bytes
    for member in members:
        assert not member.name.startswith("/")
        assert ".." not in member.name.split("/")
    read_package(
        Intake(name="x", source="x.zip", members=tuple(members), left_out=tuple(left_out)),
        limits=LIMITS,
    )


def _sheet(data: bytes, build: Callable[[SheetText], object]) -> None:
    with suppress(UnicodeDecodeError):
        build(parse_sheet(data.decode("utf-8-sig"), file="x.toml"))


def house(data: bytes) -> None:
    """A house sheet is loaded."""
    _sheet(data, house_from)


def order(data: bytes) -> None:
    """An order is loaded."""
    _sheet(data, lambda table: order_from(table, base=Path("/nowhere")))


def parts_book(data: bytes) -> None:
    """A parts book is loaded."""
    _sheet(data, book_from)


def built(files: dict[str, bytes]) -> Board:
    """The board of named files."""
    members = tuple(Member(name, files[name]) for name in sorted(files))
    return build_board(
        read_package(
            Intake(name="tiny", source="tiny", members=members, left_out=()), limits=LIMITS
        )
    )


def _judge(data: bytes) -> tuple[Board, CheckResult]:
    """The tiny package, one of its files replaced.

    The first line of the data names the file, the rest is its new content.
    """
    name, _, content = data.partition(b"\n")
    wanted = name.decode("latin-1")
    board = built({**FILES, wanted if wanted in FILES else "tiny-copper-top.gbr": content})
    result = check(board, HOUSE, options=CheckOptions(thickness_mm=1.6))
    broken = result.in_state(State.BROKEN)
    assert not broken, broken[0].trace
    keeps_promises(result, bytes(LIMITS.file_bytes))
    return board, result


def judged(data: bytes) -> None:
    """A tiny package, one of its files replaced, is judged: the quick part of the whole way."""
    with patch.object(fabkit.package.build, "_read_member", READ_ONCE):
        _judge(data)


def chain(data: bytes) -> None:
    """The whole way: a tiny package, one of its files replaced, is judged, drawn and packed."""
    with (
        patch.object(fabkit.package.build, "_read_member", READ_ONCE),
        tempfile.TemporaryDirectory() as folder,
    ):
        board, result = _judge(data)
        silenced = tuple((finding, "fuzzing") for finding in result)
        result = replace(result, findings=(), silenced=silenced)
        with suppress(FabkitError):
            pack(
                board,
                Path(folder) / "x.zip",
                result=result,
            )
            with zipfile.ZipFile(Path(folder) / "x.zip") as packed:
                assert packed.testzip() is None
        draw(board, Path(folder), options=PreviewOptions(px_per_mm=PIXELS_PER_MM))


TARGETS: dict[str, Callable[[bytes], None]] = {
    target.__name__.replace("_", "-"): target
    for target in (
        gerber,
        macro,
        drill,
        drill_format,
        job,
        netlist,
        placement,
        parts_table,
        archive,
        house,
        order,
        parts_book,
        judged,
        chain,
    )
}

WHOLE_WAY = {"judged", "chain"}
"""Targets that take a whole package; all others are readers of one file."""


def must_end_well(name: str, data: bytes) -> FabkitError | None:
    """Run one target; gives the refusal, if it was one."""
    refusal = None
    try:
        TARGETS[name](data)
    except FabkitError as error:
        refusal = error
    assert refusal is None or refusal.message
    assert refusal is None or refusal.hint or isinstance(refusal, SheetError)
    return refusal


def zipped(files: dict[str, bytes]) -> bytes:
    """A stored (not deflated) archive: mutations reach the members."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_STORED) as target:
        for name, content in files.items():
            target.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), content)
    return made.getvalue()
