"""What building the parts list can find."""

from __future__ import annotations

from fabkit.base.findings import COMMON_PRACTICE, Rule, Severity


def _rule(rule_id: str, title: str, severity: Severity, why: str, advice: str) -> Rule:
    return Rule(
        id=rule_id, title=title, why=why, source=COMMON_PRACTICE, severity=severity, advice=advice
    )


CONFLICT = _rule(
    "parts/conflict",
    "Sources disagree about how many there are",
    Severity.WARNING,
    "A part too few stops the build; a part too many was not meant, or the board lacks its place.",
    "See which source is right: the board's holes, its attributes, or the table beside it.",
)
KEYS_UNKNOWN = _rule(
    "parts/keys-unknown",
    "The number of keys is not known",
    Severity.WARNING,
    "Parts counted by the key cannot be counted.",
    "Say with --board what the board is, or check its drill files.",
)
UNKNOWN_PART = _rule(
    "parts/unknown-part",
    "The parts book does not know a part",
    Severity.NOTE,
    "It is listed but has no price, so the cost per half leaves it out.",
    "Add a [[part]] with a match to the parts book.",
)
NO_PRICE = _rule(
    "parts/no-price",
    "A known part has no price",
    Severity.NOTE,
    "The cost per half leaves it out.",
    "Add [[part.price]] to it in the parts book.",
)
UNEVEN_FACES = _rule(
    "parts/uneven-faces",
    "The two faces of a reversible board carry different numbers of a part",
    Severity.WARNING,
    "Left and right half would need different parts.",
    "Check that the part is doubled at every place.",
)
UNEVEN_HALVES = _rule(
    "parts/uneven-halves",
    "Left and right half need different parts",
    Severity.NOTE,
    "Often meant (a controller on one side only), sometimes a part that was forgotten.",
    "Compare the two halves' lists.",
)
NONE_FOUND = _rule(
    "parts/none-found",
    "No parts were found",
    Severity.WARNING,
    "Neither attributes, tables nor hole patterns say what goes onto the board.",
    "Export component attributes or a placement table, or count parts in the parts book.",
)
UNKNOWN_PATTERN = _rule(
    "parts/unknown-pattern",
    "The parts book names a hole pattern that is not in the catalogue",
    Severity.WARNING,
    "The part would never be found by its holes.",
    "Correct the pattern's key.",
)

INCOMPLETE = _rule(
    "parts/incomplete",
    "The parts list is not complete",
    Severity.WARNING,
    "What the files do not show is not listed, not priced, and missing on the bench.",
    "Add it to the parts book with count = { key = 1 } or { half = 1 }, or export the board with "
    "component attributes.",
)
CHOICE = _rule(
    "parts/choice",
    "Several builds are possible",
    Severity.NOTE,
    "Parts are counted for one of them.",
    "Map the switches to the part you use in the parts book, under [map].",
)
RULES = (
    CONFLICT,
    KEYS_UNKNOWN,
    UNKNOWN_PART,
    NO_PRICE,
    UNEVEN_FACES,
    UNEVEN_HALVES,
    NONE_FOUND,
    UNKNOWN_PATTERN,
    INCOMPLETE,
    CHOICE,
)
"""All of them, for the catalogue."""
