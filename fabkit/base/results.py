"""What all results have in common: one line about themselves, plain rows, a face in notebooks."""

from __future__ import annotations

from importlib import import_module
from typing import Any


class Result:
    """Base of results that people look at from Python.

    How they look is the business of ``fabkit.api.notebook``, found by name when it is asked for,
    so that results need not know their outputs.
    """

    @property
    def brief(self) -> str:
        """What it is, in a few words on one line."""
        raise NotImplementedError

    def __repr__(self) -> str:
        return f"<{type(self).__name__} {' '.join(self.brief.split())}>"

    def rows(self) -> list[dict[str, Any]]:
        """Its table as plain rows, each a dictionary by column, as data-frame libraries take them.

        Numbers are ``int``, ``float`` and ``Decimal``, absent values None; every row has the same
        columns in the same order.
        """
        made: list[dict[str, Any]] = import_module("fabkit.api.notebook").rows_of(self)
        return made

    def _repr_html_(self) -> str:
        """The table, as notebooks show it."""
        return str(import_module("fabkit.api.notebook").html_of(self))
