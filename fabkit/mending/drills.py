"""Corrections of drill files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import PurePosixPath

import numpy as np

from fabkit.base.columns import Bools
from fabkit.base.units import counted
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.writer import split_plating
from fabkit.mending.model import PLACES, Deed, Draft
from fabkit.package.model import PackageFile, Role, RoleKind


def drilled(draft: Draft) -> Iterator[tuple[str, PackageFile, DrillFile]]:
    """Drill files of the draft, by name."""
    for name, file in list(draft.files.items()):
        if file.role.kind is RoleKind.DRILL and file.drill is not None:
            yield name, file, file.drill


def drill_once(draft: Draft) -> Iterator[Deed]:
    """Keep one of several holes of the same place, diameter and plating."""
    known: set[tuple[float, ...]] = set()
    for name, file, drill in drilled(draft):
        again = np.zeros(len(drill.hits), np.bool_)
        sizes = [(tool.diameter_mm, tool.plated) for tool in drill.tools]
        places = np.round(np.column_stack((drill.hits.x, drill.hits.y)), 4)
        for row, (place, tool) in enumerate(
            zip(places.tolist(), drill.hits.tool.tolist(), strict=True)
        ):
            size, plated = sizes[tool] if tool >= 0 else (None, None)
            if size is None:
                continue
            key = (*place, round(size, 4), float(plated) if plated is not None else 0.5)
            again[row] = key in known
            known.add(key)
        if again.any():
            yield _dropped(draft, name, file, drill, again)


def _dropped(draft: Draft, name: str, file: PackageFile, drill: DrillFile, again: Bools) -> Deed:
    gone = drill.hits.take(again)
    draft.files[name] = replace(file, content=replace(drill, hits=drill.hits.take(~again)))
    return Deed(
        correction="hole-twice",
        file=name,
        words=f"{counted(len(gone), 'hole')} that another one repeats left out",
        count=len(gone),
        places=tuple(zip(gone.x[:PLACES].tolist(), gone.y[:PLACES].tolist(), strict=True)),
    )


def part_plating(draft: Draft) -> Iterator[Deed]:
    """Give plated holes and others files of their own, where each tool states which it is."""
    layers = max(len(draft.board.copper), 1)
    for name, file, drill in drilled(draft):
        if drill.plated is not None or not (len(drill.hits) or len(drill.slots)):
            continue
        parts = split_plating(drill, layers=layers)
        if any(part.plated is None for part in parts):
            count = sum(len(p.hits) + len(p.slots) for p in parts if p.plated is None)
            draft.refuse(
                "drill-plating", name, f"{counted(count, 'hole')} whose plating no file states"
            )
            continue
        del draft.files[name]
        path = PurePosixPath(name)
        for part in parts:
            word = "plated" if part.plated else "non-plated"
            made = str(path.with_name(f"{path.stem}-{word}{path.suffix}"))
            role = Role(kind=RoleKind.DRILL, plated=part.plated)
            draft.files[made] = replace(
                file, name=made, role=role, content=replace(part, name=made)
            )
        yield Deed(
            correction="drill-plating",
            file=name,
            words="split into plated and non-plated holes",
            count=len(parts),
        )
