"""Declaring a check beside its function, with what a board must have for it to be judged."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable
from typing import Final

from fabkit.base.findings import Finding, Rule
from fabkit.checks.model import Case, Check
from fabkit.package.model import RoleKind


def _outer_copper(case: Case) -> bool:
    return any(layer.side is not None for layer in case.board.copper)


NEEDS: dict[str, tuple[str, Callable[[Case], bool]]] = {
    "profile": ("a closed board profile", lambda c: c.board.profile is not None),
    "copper": ("a copper layer", lambda c: bool(c.board.copper)),
    "outer-copper": ("an outer copper layer", _outer_copper),
    "mask": ("a solder mask layer", lambda c: c.board.layer(RoleKind.MASK) is not None),
    "legend": ("a legend layer", lambda c: c.board.layer(RoleKind.LEGEND) is not None),
    "paste": ("a paste layer", lambda c: c.board.layer(RoleKind.PASTE) is not None),
    "drill": ("a drill file", lambda c: bool(len(c.board.holes) or len(c.board.slots))),
    "holes": ("round holes", lambda c: bool(len(c.board.holes))),
    "slots": ("slots", lambda c: bool(len(c.board.slots))),
    "nets": (
        "net names in a copper layer",
        lambda c: any(layer.file.has_nets for layer in c.board.copper),
    ),
    "components": ("components", lambda c: bool(c.board.components)),
    "thickness": (
        "a board thickness (--thickness)",
        lambda c: c.thickness_mm is not None,
    ),
    "job": ("a job file", lambda c: bool(c.board.package.of(RoleKind.JOB))),
    "netlist": ("a netlist file", lambda c: bool(c.board.package.of(RoleKind.NETLIST))),
}
"""What a check may need: in words, and whether a case has it."""

EVIDENCE: Final = frozenset(("profile", "nets", "components", "thickness"))
"""Needs that every board has, whether its files show them or not."""

_ID: Final = re.compile(r"[a-z]+/[a-z0-9]+(-[a-z0-9]+)*\Z")


def check(
    *,
    id: str,  # noqa: A002 -- the trade's word for it, and keyword-only
    rules: tuple[Rule, ...],
    limits: tuple[str, ...] = (),
    needs: tuple[str, ...] = (),
) -> Callable[[Callable[[Case], Iterable[Finding]]], Check]:
    """Turn a function from a case to findings into a :class:`Check`.

    The first line of the function's docstring becomes the title.

    Raises
    ------
    ValueError
        The declaration is not complete: a programmer's mistake, raised at import.
    """
    if not _ID.match(id):
        raise ValueError(f"check id {id!r} is not group/kebab-case")
    if not rules:
        raise ValueError(f"{id} declares no rule")
    if unknown := set(needs) - set(NEEDS):
        raise ValueError(f"{id} needs {sorted(unknown)}, which no board can have")

    def declared(function: Callable[[Case], Iterable[Finding]]) -> Check:
        title = (function.__doc__ or "").strip().splitlines()
        if not title and sys.flags.optimize > 1:  # the interpreter threw the docstrings away
            title = [id]
        if not title:
            raise ValueError(f"{id} has no docstring")
        return Check(
            id=id,
            title=title[0].rstrip("."),
            rules=rules,
            limits=limits,
            needs=needs,
            function=function,
        )

    return declared
