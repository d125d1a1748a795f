"""Errors as the page shows them."""

from __future__ import annotations

from fabkit.base.errors import FabkitError, SheetError, explain
from fabkit.base.tables import Record


class Conflict(FabkitError):
    """What was to be changed is no longer what the page showed."""


class TooLarge(FabkitError):
    """More bytes than are taken."""


def error_record(error: Exception) -> Record:
    """Record an error: what is wrong, what to do, and in which line of the order file."""
    message, hint, _ = explain(error)
    line = error.line if isinstance(error, SheetError) else None
    return {"message": message, "hint": hint, "line": line}
