"""Rules about the program itself: its commands, their order, its end."""

from __future__ import annotations

from typing import Final

from fabkit.base.findings import COMMON_PRACTICE, Consequence, Rule, Severity, Source

EXCELLON: Final = "Excellon part programming reference (CNC-7)"
XNC: Final = "XNC format specification"


def declare(
    name: str,
    title: str,
    why: str,
    source: Source,
    severity: Severity,
    advice: str,
    *,
    at_most: Consequence = Consequence.STOP,
) -> Rule:
    """Make the rule ``drill/name``."""
    return Rule.of(f"drill/{name}", title, why, severity, advice, source, at_most)


UNKNOWN: Final = declare(
    "unknown-command",
    "A command is not known",
    "What it would have done is missing from the board as read.",
    Source(EXCELLON, "part program body"),
    Severity.WARNING,
    "Look at the line; export again without it.",
)
NOT_XNC: Final = declare(
    "not-exchange-data",
    "Only a machine program needs this",
    "Exchange data are holes and slots; a house may ignore or refuse the rest.",
    Source(XNC),
    Severity.WARNING,
    "Export plain exchange data (XNC).",
    at_most=Consequence.KNOW,
)
LOWER_CASE: Final = declare(
    "lower-case",
    "A command is written in lower case",
    "Some readers skip it.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Export again in upper case.",
    at_most=Consequence.KNOW,
)
STRANGE_BYTES: Final = declare(
    "strange-bytes",
    "Bytes that are no printable ASCII",
    "The file may be damaged, or in an old tape code.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Export the file again as plain ASCII.",
)
GERBER_INSIDE: Final = declare(
    "gerber-content",
    "Gerber commands in a drill file",
    "Two files were mixed up or run together.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Export the drill file again.",
)
NO_END: Final = declare(
    "end-missing",
    "The file does not end with M30",
    "It may have been cut off, and holes may be missing.",
    Source(EXCELLON, "M30"),
    Severity.WARNING,
    "Compare the number of holes with the design; export again.",
)
AFTER_END: Final = declare(
    "data-after-end",
    "Data after the end of the program",
    "A control never reaches them.",
    Source(EXCELLON, "M30"),
    Severity.WARNING,
    "Look at what follows the end; export again.",
    at_most=Consequence.KNOW,
)
NO_TARGET: Final = declare(
    "rout-without-target",
    "G00 without a coordinate",
    "The tool is to move, but not told where.",
    Source(EXCELLON, "G00"),
    Severity.ERROR,
    "Export the file again.",
)
PLUNGE: Final = declare(
    "plunge-order",
    "Tool up and down do not match the cuts",
    "Something is cut that was not meant, or not cut that was.",
    Source(EXCELLON, "M15 to M17"),
    Severity.ERROR,
    "Export again; a cut is G00, M15, G01 to G03, M16.",
)
ARC_CENTRE: Final = declare(
    "arc-without-centre",
    "An arc has neither radius nor centre",
    "Its path is unknown.",
    Source(EXCELLON, "G02, G03"),
    Severity.ERROR,
    "Export the file again.",
)
ARC_RADIUS: Final = declare(
    "arc-radius-too-small",
    "The radius of an arc cannot reach its ends",
    "The control bends the arc to fit; the edge differs from the design.",
    Source(EXCELLON, "G02, G03"),
    Severity.WARNING,
    "Export again with more digits.",
)
ARC_MISFIT: Final = declare(
    "arc-ends-differ",
    "The centre of an arc is not equally far from its ends",
    "The true path is uncertain by the difference.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Export again with more digits.",
)
COMP_DOWN: Final = declare(
    "compensation-while-cutting",
    "Compensation is switched with the tool down",
    "The control refuses it or cuts a step into the edge.",
    Source(EXCELLON, "G40 to G42"),
    Severity.ERROR,
    "Switch it before the plunge.",
)
COMPENSATION: Final = declare(
    "compensation-used",
    "Cutter compensation is used",
    "The edge depends on a value that is not in every file; exchange data give the centre line.",
    Source(EXCELLON, "G40 to G42"),
    Severity.WARNING,
    "Export without compensation.",
)
MACHINE: Final = declare(
    "machine-setting",
    "Machine settings are ignored",
    "They concern the machine, not the board.",
    Source(EXCELLON, "header commands"),
    Severity.NOTE,
    "Nothing.",
)
STORED: Final = declare(
    "stored-pattern",
    "A pattern stored on the machine is called",
    "Its holes are not in the file.",
    Source(EXCELLON, "M99"),
    Severity.ERROR,
    "Export again with all holes written out.",
)
REPEATS: Final = declare(
    "repeats",
    "Repeats are expanded",
    "They are common in machine programs, not part of exchange data.",
    Source(EXCELLON, "step and repeat"),
    Severity.NOTE,
    "Nothing, if the number of holes is right.",
)
REPEAT_ORDER: Final = declare(
    "repeat-order",
    "Step and repeat commands are out of order",
    "The number of copies is uncertain.",
    Source(EXCELLON, "step and repeat"),
    Severity.ERROR,
    "Export again with all holes written out.",
)
M02_END: Final = declare(
    "m02-as-end",
    "M02 stands at the end",
    "In the current command set M02 repeats a pattern; M30 ends the program.",
    Source(EXCELLON, "M02"),
    Severity.WARNING,
    "Export again with M30 at the end.",
    at_most=Consequence.KNOW,
)
G81: Final = declare(
    "g81-depends",
    "G81 means different things in the two command sets",
    "It is drill mode in the older set, and a pattern of holes in the newer one.",
    Source(EXCELLON, "format 1 and format 2"),
    Severity.WARNING,
    "State FMAT, or use G05.",
    at_most=Consequence.KNOW,
)
INCREMENTAL: Final = declare(
    "incremental",
    "Coordinates are increments",
    "One lost line shifts every later hole.",
    Source(EXCELLON, "G91"),
    Severity.WARNING,
    "Export absolute coordinates.",
    at_most=Consequence.KNOW,
)
WORK_ZERO: Final = declare(
    "work-zero-moved",
    "G93 moves the work zero",
    "Holes may be shifted against the copper, depending on the reader.",
    Source(EXCELLON, "G93"),
    Severity.WARNING,
    "Export with the same zero as the Gerber files and without G93.",
)
VERSION: Final = declare(
    "axis-version",
    "VER changes the direction of the axes",
    "The board may come out mirrored or with swapped axes.",
    Source(EXCELLON, "VER"),
    Severity.WARNING,
    "Export with VER,1 or without VER.",
)
BLOCK_DELETE: Final = declare(
    "block-delete",
    "Lines marked for block delete",
    "Whether they count depends on a switch on the machine.",
    Source(EXCELLON, "block delete"),
    Severity.WARNING,
    "Export again without lines that start with a slash.",
)
