"""Rules for changes that were not expected, and expected ones that are missing."""

from __future__ import annotations

from typing import Final

from fabkit.rules import load_rule

UNEXPECTED: Final = load_rule("compare/unexpected")

MISSING: Final = load_rule("compare/missing")
