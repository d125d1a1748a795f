"""What a drill file can do wrong: the rules of the reader, in one table."""

from __future__ import annotations

from typing import Final

from fabkit.findings import COMMON_PRACTICE, Rule, Severity, Source

_EXCELLON: Final = "Excellon part programming reference (CNC-7)"
_GERBER: Final = "Gerber Layer Format Specification 2021.02"
_XNC: Final = "XNC format specification"


def _rule(name: str, title: str, why: str, source: Source, severity: Severity, advice: str) -> Rule:
    return Rule(
        id=f"drill/{name}", title=title, why=why, source=source, severity=severity, advice=advice
    )


NO_HEADER: Final = _rule(
    "no-header",
    "No M48 header",
    "Without a header neither unit nor diameters are promised, so the house has to guess them.",
    Source(_EXCELLON, "header"),
    Severity.WARNING,
    "Export again with a header, or tell the house unit, zeros and digits in writing.",
)
HEADER_OPEN: Final = _rule(
    "header-not-closed",
    "The header is never closed",
    "A control stays in the header until M95 or %, and takes motion for settings.",
    Source(_EXCELLON, "header"),
    Severity.ERROR,
    "Export again; the header must end with a line % or M95.",
)
UNIT_MISSING: Final = _rule(
    "unit-missing",
    "No unit",
    "The same digits are 25.4 times larger in inches than in millimetres.",
    Source(_EXCELLON, "header commands"),
    Severity.ERROR,
    "Export again with METRIC or INCH in the header.",
)
ZEROS_MISSING: Final = _rule(
    "zeros-missing",
    "It is not said which zeros are written",
    "Without it the digits have no fixed place and every position may be off by powers of ten.",
    Source(_EXCELLON, "zero suppression"),
    Severity.ERROR,
    "Export again with LZ or TZ beside the unit, or with decimal points.",
)
DIGITS_MISSING: Final = _rule(
    "digits-missing",
    "No digit pattern",
    "A control falls back on 2.4 for inches and 3.3 for millimetres, which may not be what was exported.",
    Source(_EXCELLON, "decimal places"),
    Severity.NOTE,
    "Export with decimal points or state the pattern beside the unit.",
)
TOO_MANY_DIGITS: Final = _rule(
    "too-many-digits",
    "A number has more digits than its format",
    "The digits beyond the format have no meaning, so the position is uncertain.",
    Source(_EXCELLON, "decimal places"),
    Severity.ERROR,
    "Export again with a format that holds the whole number, or with decimal points.",
)
MIXED_POINTS: Final = _rule(
    "mixed-points",
    "Some coordinates have a decimal point and some have none",
    "Allowed, but the numbers without a point still depend on a format that readers take differently.",
    Source(_EXCELLON, "decimal places"),
    Severity.WARNING,
    "Export all coordinates in one style.",
)
BAD_NUMBER: Final = _rule(
    "bad-number",
    "A number cannot be read",
    "A coordinate that is not a number leaves the hole without a place.",
    Source(_EXCELLON, "part program body"),
    Severity.ERROR,
    "Export the file again; it may be damaged.",
)
UNIT_AFTER_SIZE: Final = _rule(
    "unit-after-size",
    "The unit is stated after a size",
    "A reader that goes line by line takes the sizes before it in its own unit.",
    Source(_EXCELLON, "header commands"),
    Severity.WARNING,
    "Export again with the unit before the tools.",
)
UNIT_SWITCH: Final = _rule(
    "unit-switched",
    "The unit changes where it must not",
    "Holes before and after are read in different units, or the header is contradicted.",
    Source(_EXCELLON, "M71, M72"),
    Severity.ERROR,
    "Export again in one unit.",
)
UNIT_CONFLICT: Final = _rule(
    "unit-conflict",
    "The header states the unit twice, differently",
    "Two readers of the same file may come to different boards.",
    Source(_EXCELLON, "header commands"),
    Severity.ERROR,
    "Export again with one unit line.",
)
TOOL_UNDEFINED: Final = _rule(
    "tool-undefined",
    "A tool is used but never defined",
    "The holes have a place and no diameter, so the house cannot drill them.",
    Source(_EXCELLON, "tools"),
    Severity.ERROR,
    "Export again with the tool table in the header.",
)
TOOL_NO_SIZE: Final = _rule(
    "tool-without-diameter",
    "A tool has no diameter",
    "The house has to guess the drill.",
    Source(_EXCELLON, "tools"),
    Severity.ERROR,
    "Export again with the tool table in the header.",
)
TOOL_TWICE: Final = _rule(
    "tool-defined-twice",
    "A tool is defined twice, differently",
    "Readers disagree whether the first or the last definition counts.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Export again; give every diameter a tool number of its own.",
)
TOOL_UNUSED: Final = _rule(
    "tool-unused",
    "A tool is defined but makes no hole",
    "A hint that holes were lost or that a part was removed.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Nothing, if it was meant so.",
)
NO_TOOL: Final = _rule(
    "hit-without-tool",
    "A hole is drilled before any tool is chosen",
    "The hole has no diameter.",
    Source(_EXCELLON, "tools"),
    Severity.ERROR,
    "Export again; a T line must come before the first hole.",
)
SIZE_RANGE: Final = _rule(
    "diameter-out-of-range",
    "A drill is unusually small or large",
    "Below 0.1 mm a house needs a laser, above 6.5 mm the hole is routed.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Check the diameter, and that the unit is right.",
)
SIZE_UNIT: Final = _rule(
    "diameter-other-unit",
    "The diameters look as if written in another unit",
    "All holes would come out of scale.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Compare a known hole with the design; export again with the right unit.",
)
SIZE_STEP: Final = _rule(
    "diameter-off-step",
    "A diameter is between two stock drills",
    "Stock drills come in steps of 0.05 mm; the house takes a neighbour.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Nothing, unless the fit is critical: then name a tolerance.",
)
SIZE_REPEATED: Final = _rule(
    "diameter-repeated",
    "Several tools have the same diameter and the same use",
    "Each tool is a change of tool on the machine; most houses merge them.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Merge them if the export allows.",
)
TOOL_MIXED: Final = _rule(
    "tool-mixed-use",
    "One tool makes holes of different use",
    "Houses treat vias and component holes differently, and know them apart only by tool.",
    Source(_GERBER, "5.6.10"),
    Severity.WARNING,
    "Export vias and component holes as separate tools.",
)
UNKNOWN: Final = _rule(
    "unknown-command",
    "A command is not known",
    "What it would have done is missing from the board as read.",
    Source(_EXCELLON, "part program body"),
    Severity.WARNING,
    "Look at the line; export again without it.",
)
NOT_XNC: Final = _rule(
    "not-exchange-data",
    "Only a machine program needs this",
    "Exchange data between design and house are holes and slots; the rest may be ignored or refused.",
    Source(_XNC),
    Severity.WARNING,
    "Export plain exchange data (XNC).",
)
LOWER_CASE: Final = _rule(
    "lower-case",
    "A command is written in lower case",
    "Some readers skip it.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Export again in upper case.",
)
STRANGE_BYTES: Final = _rule(
    "strange-bytes",
    "Bytes that are no printable ASCII",
    "The file may be damaged, or in an old tape code.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Export the file again as plain ASCII.",
)
GERBER_INSIDE: Final = _rule(
    "gerber-content",
    "Gerber commands in a drill file",
    "Two files were mixed up or run together.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Export the drill file again.",
)
NO_END: Final = _rule(
    "end-missing",
    "The file does not end with M30",
    "It may have been cut off, and holes may be missing.",
    Source(_EXCELLON, "M30"),
    Severity.WARNING,
    "Compare the number of holes with the design; export again.",
)
AFTER_END: Final = _rule(
    "data-after-end",
    "Data after the end of the program",
    "A control never reaches them.",
    Source(_EXCELLON, "M30"),
    Severity.WARNING,
    "Look at what follows the end; export again.",
)
NO_HOLES: Final = _rule(
    "no-holes",
    "The file makes no hole",
    "Often harmless, sometimes a failed export.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Check that the board has no holes of this kind; else export again.",
)
DUPLICATE: Final = _rule(
    "duplicate-hit",
    "The same hole is drilled twice",
    "The second stroke may break the drill or widen the hole.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Remove the duplicate holes in the design.",
)
CONCENTRIC: Final = _rule(
    "concentric-hits",
    "Two tools drill the same centre",
    "Only the larger hole remains; one of the two is a mistake.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Remove one of the holes in the design.",
)
OVERLAP: Final = _rule(
    "overlapping-hits",
    "Holes overlap",
    "A drill that meets an open hole wanders or breaks, and a house may delete the hit.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Draw a slot (G85) instead, or move the holes apart.",
)
PLATING_UNKNOWN: Final = _rule(
    "plating-unknown",
    "Nothing says whether the holes are plated",
    "The house has to ask or to guess.",
    Source(_GERBER, "5.6.3"),
    Severity.WARNING,
    "Export plated and unplated holes to separate files, and name them so.",
)
PLATING_FROM_NAME: Final = _rule(
    "plating-from-name",
    "Plating is known from the file name only",
    "A renamed file changes its meaning.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Nothing, if the name is right.",
)
BAD_SPAN: Final = _rule(
    "bad-span",
    "The layer span makes no sense",
    "A hole runs from one copper layer to another.",
    Source(_GERBER, "5.6.3"),
    Severity.ERROR,
    "Export again; check the layer pair of the drill file.",
)
TF_PLACE: Final = _rule(
    "file-attribute-misplaced",
    "A file attribute is repeated or comes late",
    "File attributes are fixed once, in the header.",
    Source(_GERBER, "5.2"),
    Severity.WARNING,
    "Export again, or ignore it if the value is the right one.",
)
ATTRIBUTE_UNKNOWN: Final = _rule(
    "unknown-attribute",
    "A standard attribute has an unknown name or value",
    "Software that relies on it will not find it.",
    Source(_GERBER, "5.6"),
    Severity.WARNING,
    "Export again with a current version.",
)
PLATING_CONFLICT: Final = _rule(
    "plating-conflict",
    "File and tool disagree on plating",
    "A hole is plated or it is not; the house will ask.",
    Source(_GERBER, "5.6.3, 5.6.10"),
    Severity.WARNING,
    "Export plated and unplated holes to separate files.",
)
HINT_CONFLICT: Final = _rule(
    "comment-conflict",
    "A comment disagrees with the commands",
    "Somebody who reads the comment makes another board.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "The command was followed; export again so that both agree.",
)
COMMENT_TOOLS: Final = _rule(
    "tools-from-comment",
    "Diameters come from a comment",
    "Comments bind nobody; the house may overlook them.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Export with the tool table as commands (T1C0.300).",
)
SLOT_ZERO: Final = _rule(
    "zero-length-slot",
    "A slot has no length",
    "It is drilled as a round hole.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Make it a round hole or give it its length in the design.",
)
SLOT_SHORT: Final = _rule(
    "short-slot",
    "A slot is shorter than twice its width",
    "The drill wanders in a short slot; houses like at least twice the width.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Lengthen the slot, or accept a less exact shape.",
)
NO_TARGET: Final = _rule(
    "rout-without-target",
    "G00 without a coordinate",
    "The tool is to move, but not told where.",
    Source(_EXCELLON, "G00"),
    Severity.ERROR,
    "Export the file again.",
)
PLUNGE: Final = _rule(
    "plunge-order",
    "Tool up and down do not match the cuts",
    "Something is cut that was not meant, or not cut that was.",
    Source(_EXCELLON, "M15 to M17"),
    Severity.ERROR,
    "Export again; a cut is G00, M15, G01 to G03, M16.",
)
ARC_CENTRE: Final = _rule(
    "arc-without-centre",
    "An arc has neither radius nor centre",
    "Its path is unknown.",
    Source(_EXCELLON, "G02, G03"),
    Severity.ERROR,
    "Export the file again.",
)
ARC_RADIUS: Final = _rule(
    "arc-radius-too-small",
    "The radius of an arc cannot reach its ends",
    "The control bends the arc to fit; the edge differs from the design.",
    Source(_EXCELLON, "G02, G03"),
    Severity.WARNING,
    "Export again with more digits.",
)
ARC_MISFIT: Final = _rule(
    "arc-ends-differ",
    "The centre of an arc is not equally far from its ends",
    "The true path is uncertain by the difference.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Export again with more digits.",
)
COMP_DOWN: Final = _rule(
    "compensation-while-cutting",
    "Compensation is switched with the tool down",
    "The control refuses it or cuts a step into the edge.",
    Source(_EXCELLON, "G40 to G42"),
    Severity.ERROR,
    "Switch it before the plunge.",
)
COMPENSATION: Final = _rule(
    "compensation-used",
    "Cutter compensation is used",
    "The edge depends on a value that is not in every file; exchange data give the centre line.",
    Source(_EXCELLON, "G40 to G42"),
    Severity.WARNING,
    "Export without compensation.",
)
MACHINE: Final = _rule(
    "machine-setting",
    "Machine settings are ignored",
    "They concern the machine, not the board.",
    Source(_EXCELLON, "header commands"),
    Severity.NOTE,
    "Nothing.",
)
STORED: Final = _rule(
    "stored-pattern",
    "A pattern stored on the machine is called",
    "Its holes are not in the file.",
    Source(_EXCELLON, "M99"),
    Severity.ERROR,
    "Export again with all holes written out.",
)
REPEATS: Final = _rule(
    "repeats",
    "Repeats are expanded",
    "They are common in machine programs, not part of exchange data.",
    Source(_EXCELLON, "step and repeat"),
    Severity.NOTE,
    "Nothing, if the number of holes is right.",
)
REPEAT_ORDER: Final = _rule(
    "repeat-order",
    "Step and repeat commands are out of order",
    "The number of copies is uncertain.",
    Source(_EXCELLON, "step and repeat"),
    Severity.ERROR,
    "Export again with all holes written out.",
)
M02_END: Final = _rule(
    "m02-as-end",
    "M02 stands at the end",
    "In the current command set M02 repeats a pattern; M30 ends the program.",
    Source(_EXCELLON, "M02"),
    Severity.WARNING,
    "Export again with M30 at the end.",
)
G81: Final = _rule(
    "g81-depends",
    "G81 means different things in the two command sets",
    "It is drill mode in the older set, and a pattern of holes in the newer one.",
    Source(_EXCELLON, "format 1 and format 2"),
    Severity.WARNING,
    "State FMAT, or use G05.",
)
INCREMENTAL: Final = _rule(
    "incremental",
    "Coordinates are increments",
    "One lost line shifts every later hole.",
    Source(_EXCELLON, "G91"),
    Severity.WARNING,
    "Export absolute coordinates.",
)
WORK_ZERO: Final = _rule(
    "work-zero-moved",
    "G93 moves the work zero",
    "Holes may be shifted against the copper, depending on the reader.",
    Source(_EXCELLON, "G93"),
    Severity.WARNING,
    "Export with the same zero as the Gerber files and without G93.",
)
VERSION: Final = _rule(
    "axis-version",
    "VER changes the direction of the axes",
    "The board may come out mirrored or with swapped axes.",
    Source(_EXCELLON, "VER"),
    Severity.WARNING,
    "Export with VER,1 or without VER.",
)
BLOCK_DELETE: Final = _rule(
    "block-delete",
    "Lines marked for block delete",
    "Whether they count depends on a switch on the machine.",
    Source(_EXCELLON, "block delete"),
    Severity.WARNING,
    "Export again without lines that start with a slash.",
)
MANY_TOOLS: Final = _rule(
    "many-tools",
    "More than 30 tools",
    "Every tool change costs time, and magazines are limited.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Use fewer diameters.",
)
LIMIT: Final = _rule(
    "too-many-objects",
    "The file asks for more holes than the limit",
    "Reading stopped; holes are missing.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "If the file is right, raise the limit on objects.",
)
FILE_LIMIT: Final = _rule(
    "file-too-large",
    "The file is larger than the limit",
    "It was not read.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "If the file is right, raise the limit on file size.",
)
FORMAT_GIVEN: Final = _rule(
    "format-given",
    "The number format was given, not read",
    "The file is read as told.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Nothing, if the holes are in their places.",
)
FORMAT_INFERRED: Final = _rule(
    "format-inferred",
    "The number format was inferred from the board",
    "The file does not state it; the house has to guess it too.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Export again with unit, zeros and digits stated.",
)
FORMAT_UNRESOLVED: Final = _rule(
    "format-unresolved",
    "The number format cannot be told",
    "Several formats explain the holes, or none does.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Export again with unit, zeros and digits, or give the format.",
)
FORMAT_MISFIT: Final = _rule(
    "format-misfit",
    "The stated number format does not fit the board",
    "Read as stated, the holes miss the board; another format puts them on it.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Export the drill file again and compare it with the copper.",
)
WORK_ZERO_MISFIT: Final = _rule(
    "work-zero-misfit",
    "The holes fit without the moved work zero",
    "Read with G93 the holes miss their pads.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Export without G93.",
)
DRAWN: Final = _rule(
    "drawn-holes",
    "Something in a drill image is no hole",
    "Only flashes, draws and arcs of round apertures are holes and slots.",
    Source(_GERBER, "drill layers"),
    Severity.WARNING,
    "Export the drill file again, as NC drill data.",
)

RULES: Final[tuple[Rule, ...]] = tuple(
    value for value in list(globals().values()) if isinstance(value, Rule)
)
"""Every rule of this room, in the order of the table."""
