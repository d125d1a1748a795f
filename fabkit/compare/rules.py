"""What judging a comparison by its expectations can find."""

from __future__ import annotations

from fabkit.base.findings import Rule, Severity

UNEXPECTED = Rule.of(
    "compare/unexpected",
    "A change nobody meant",
    "Whatever changed by accident between two revisions is made and paid for like everything else.",
    Severity.ERROR,
    "Undo it in the design, or add it to the file of expected changes.",
)

MISSING = Rule.of(
    "compare/missing",
    "A change that was meant is not there",
    "The files may have been exported before the change was made, or from another revision.",
    Severity.ERROR,
    "Export the files again, or take the entry out of the file of expected changes.",
)
