"""Declaring a check beside its function."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable

from fabkit.base.findings import Finding, Rule
from fabkit.checks.case import NEEDS, Case
from fabkit.checks.model import Check

_ID = re.compile(r"[a-z]+/[a-z0-9]+(-[a-z0-9]+)*\Z")


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
        The declaration is not complete: a programmer's mistake, told at import.
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
