"""A package named by one of its files: the set in that folder which the file belongs to."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from fabkit.drill.reader import looks_like_drill
from fabkit.gerber.reader import looks_like_gerber
from fabkit.intake.model import Intake
from fabkit.intake.opening import open_input
from fabkit.limits import DEFAULT_LIMITS, Limits
from fabkit.package.choosing import set_of
from fabkit.streams import STANDARD_STREAM


def open_set(path: Path, *, limits: Limits = DEFAULT_LIMITS) -> Intake:
    """Open a folder, a zip, or the set that a layer or drill file is one of.

    Raises
    ------
    UnreadableInput, LimitExceeded
        As :func:`fabkit.intake.opening.open_input`.
    """
    intake = open_input(path, limits=limits)
    if path == STANDARD_STREAM:
        return intake
    first = intake.members[0]
    alone = len(intake.members) == 1 and first.name == path.name and not path.is_dir()
    if not alone or not (looks_like_gerber(first.data) or looks_like_drill(first.data)):
        return intake
    folder = open_input(path.parent, limits=limits, deep=False)
    return replace(set_of(folder, first.name), source=intake.source)
