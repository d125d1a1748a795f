"""Rules for what is found while the parts list is built."""

from __future__ import annotations

from typing import Final

from fabkit.rules import load_rule

CONFLICT: Final = load_rule("parts/conflict")
KEYS_UNKNOWN: Final = load_rule("parts/keys-unknown")
UNKNOWN_PART: Final = load_rule("parts/unknown-part")
NO_PRICE: Final = load_rule("parts/no-price")
UNEVEN_FACES: Final = load_rule("parts/uneven-faces")
UNEVEN_HALVES: Final = load_rule("parts/uneven-halves")
NONE_FOUND: Final = load_rule("parts/none-found")
UNKNOWN_PATTERN: Final = load_rule("parts/unknown-pattern")

INCOMPLETE: Final = load_rule("parts/incomplete")
CHOICE: Final = load_rule("parts/choice")
