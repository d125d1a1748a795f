"""Errors as the page shows them."""

from __future__ import annotations

from fabkit.base.errors import FabkitError, SheetError, explain
from fabkit.base.streams import clean
from fabkit.base.tables import Record


class Conflict(FabkitError):
    """What was to be changed is no longer what the page showed."""


class TooLarge(FabkitError):
    """More bytes than are taken."""


def error_record(error: Exception) -> Record:
    """Record an error: what is wrong, what to do, and in which line and key of a sheet."""
    message, hint, _ = explain(error)
    if isinstance(error, SheetError):
        return said(message, hint, line=error.line, key=error.key)
    return said(message, hint)


def said(message: str, hint: str, *, line: int | None = None, key: str | None = None) -> Record:
    """Record what the page says: a message, and what to do."""
    return {"message": clean(message), "hint": clean(hint), "line": line, "key": key}
