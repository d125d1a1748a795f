"""A package named by one of its files: the set in that folder which the file belongs to."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.streams import STANDARD_STREAM
from fabkit.formats.drill.reader import looks_like_drill
from fabkit.formats.gerber.reader import looks_like_gerber
from fabkit.package.choosing import set_of
from fabkit.package.model import Intake
from fabkit.package.opening import open_input


def open_set(path: Path, *, limits: Limits = DEFAULT_LIMITS) -> Intake:
    """Open a folder, a zip, or the set that a layer or drill file is one of.

    Raises
    ------
    UnreadableInput, LimitExceeded
        As :func:`fabkit.package.opening.open_input`.
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
