"""The board as a piece of material: its outline, its size and its thickness."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from fabkit.base.findings import Finding, Place, Severity
from fabkit.base.units import COINCIDENT_MM, format_mm, format_number
from fabkit.checks.case import Case
from fabkit.checks.declare import check
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule
from fabkit.sheets.house import thickness_tolerance_mm

NOT_CLOSED: Final = load_rule("profile/not-closed")
SEVERAL: Final = load_rule("profile/several-boards")
BOARD_SIZE: Final = load_rule("profile/board-size")
THICKNESS_OFFERED: Final = load_rule("thickness/not-offered")
THICKNESS_DIFFERS: Final = load_rule("thickness/differs-from-job")


@check(id="profile/closed", rules=(NOT_CLOSED, SEVERAL))
def find_profile_problems(case: Case) -> Iterator[Finding]:
    """The profile is closed and encloses one board."""
    import shapely

    board = case.board
    files = board.package.of(RoleKind.PROFILE)
    if board.profile is None:
        if files:
            yield Finding.of(
                NOT_CLOSED,
                "the lines of the profile enclose no area",
                *(Place(file=f.name) for f in files),
            )
        return
    parts = sorted(board.profile.geoms, key=lambda part: part.area)
    if len(parts) > 1:
        centres = shapely.point_on_surface(parts)
        yield Finding.of(
            SEVERAL,
            f"the profile holds {len(parts)} separate boards",
            *(
                Place(
                    file=files[0].name if files else None, x_mm=float(point.x), y_mm=float(point.y)
                )
                for point in centres[:20]
            ),
            measured=float(len(parts)),
            limit=1.0,
            unit="boards",
        )


@check(
    id="profile/size",
    rules=(BOARD_SIZE,),
    limits=("board_min_mm", "board_max_mm"),
    needs=("profile",),
)
def find_size_problems(case: Case) -> Iterator[Finding]:
    """The board is of a size the house makes."""
    short, long = sorted(case.board.size_mm)
    for key, side, words in (
        ("board_min_mm", short, "shortest side is {}; the house makes at least {}"),
        ("board_max_mm", long, "longest side is {}; the house makes at most {}"),
    ):
        broken = case.judge(key, side)
        if broken is not None:
            severity, limit = broken
            yield Finding(
                rule=BOARD_SIZE,
                severity=severity,
                message=words.format(format_mm(side), format_mm(limit.value)),
                measured=side,
                limit=limit.value,
                unit="mm",
            )


@check(id="thickness/offered", rules=(THICKNESS_OFFERED, THICKNESS_DIFFERS), needs=("thickness",))
def find_thickness_problems(case: Case) -> Iterator[Finding]:
    """The house offers the chosen thickness, and the job file agrees."""
    chosen = case.thickness_mm
    assert chosen is not None  # noqa: S101 -- granted by needs
    offered = np.array(case.house.thicknesses)
    nearest = float(offered[np.abs(offered - chosen).argmin()])
    within = abs(nearest - chosen) <= thickness_tolerance_mm(nearest)
    if abs(nearest - chosen) > COINCIDENT_MM:
        choices = ", ".join(format_number(t) for t in case.house.thicknesses)
        yield Finding.of(
            THICKNESS_OFFERED,
            f"{format_mm(chosen)} is not offered; the house offers {choices} mm",
            measured=chosen,
            limit=nearest,
            unit="mm",
            advice=f"The nearest offered thickness is {format_mm(nearest)}.",
            # A layout states the sum of its stack-up; nobody ordered that number.
            severity=Severity.NOTE
            if within and case.options.thickness_mm is None
            else THICKNESS_OFFERED.severity,
        )
    stated = case.board.thickness_mm
    if stated is not None and abs(stated - chosen) > thickness_tolerance_mm(chosen):
        yield Finding.of(
            THICKNESS_DIFFERS,
            f"{format_mm(chosen)} is chosen, the job file says {format_mm(stated)}",
            *(Place(file=f.name) for f in case.board.package.of(RoleKind.JOB)),
            measured=chosen,
            limit=stated,
            unit="mm",
        )
