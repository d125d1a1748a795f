"""Contours, standard attributes and content of every layer file, by the published format.

The reader reports what it meets while reading; what needs the whole file is asked here.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fabkit.base.findings import Finding
from fabkit.checks.case import Case
from fabkit.checks.declare import check
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.reader import looks_like_drill
from fabkit.formats.gerber.conformance import RULES, examine
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.gerber.reader import looks_like_gerber
from fabkit.formats.gerber.reader import read as read_gerber
from fabkit.package.model import PackageFile, RoleKind

_NOT_MADE: Final = frozenset({RoleKind.DRAWING, RoleKind.UNKNOWN})


def is_drill_image(file: PackageFile) -> bool:
    """Whether a drill file is written in Gerber form."""
    image = looks_like_gerber(file.data)
    return (
        isinstance(file.content, DrillFile) and image > 0 and image >= looks_like_drill(file.data)
    )


def layer_files(case: Case) -> tuple[tuple[PackageFile, GerberFile], ...]:
    """Files in Gerber form that a board is made from, drill images included."""
    found = []
    for file in case.board.package.files:
        if file.role.kind in _NOT_MADE:
            continue
        if isinstance(file.content, GerberFile):
            found.append((file, file.content))
        elif is_drill_image(file):
            # The package keeps its holes only; the rules on images need the image.
            found.append((file, read_gerber(file.data, name=file.name)))
    return tuple(found)


@check(id="gerber/conformance", rules=RULES)
def find_faults(case: Case) -> Iterator[Finding]:
    """Contours, attributes and content of every layer file follow the format."""
    for file, content in case.shared(layer_files):
        yield from examine(content, file.data)
