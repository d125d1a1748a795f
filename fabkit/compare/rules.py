"""What judging a comparison by its expectations can find."""

from __future__ import annotations

from typing import Final

from fabkit.rules import load_rule

UNEXPECTED: Final = load_rule("compare/unexpected")

MISSING: Final = load_rule("compare/missing")
