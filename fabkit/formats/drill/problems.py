"""What a drill file can do wrong: the rules of the reader, in one table."""

from __future__ import annotations

from typing import Final

from fabkit.base.findings import COMMON_PRACTICE, Consequence, Rule, Severity, Source
from fabkit.formats.drill.faults import *  # noqa: F403 - this module is the whole table
from fabkit.formats.drill.faults import EXCELLON, declare

_GERBER: Final = "Gerber Layer Format Specification 2021.02"

NO_HEADER: Final = declare(
    "no-header",
    "No M48 header",
    "Without a header neither unit nor diameters are promised, so the house has to guess them.",
    Source(EXCELLON, "header"),
    Severity.WARNING,
    "Export again with a header, or tell the house unit, zeros and digits in writing.",
    at_most=Consequence.KNOW,
)
HEADER_OPEN: Final = declare(
    "header-not-closed",
    "The header is never closed",
    "A control stays in the header until M95 or %, and takes motion for settings.",
    Source(EXCELLON, "header"),
    Severity.ERROR,
    "Export again; the header must end with a line % or M95.",
)
UNIT_MISSING: Final = declare(
    "unit-missing",
    "No unit",
    "The same digits are 25.4 times larger in inches than in millimetres.",
    Source(EXCELLON, "header commands"),
    Severity.ERROR,
    "Export again with METRIC or INCH in the header.",
)
ZEROS_MISSING: Final = declare(
    "zeros-missing",
    "It is not said which zeros are written",
    "Without it the digits have no fixed place and every position may be off by powers of ten.",
    Source(EXCELLON, "zero suppression"),
    Severity.ERROR,
    "Export again with LZ or TZ beside the unit, or with decimal points.",
)
DIGITS_MISSING: Final = declare(
    "digits-missing",
    "No digit pattern",
    "A control falls back on 2.4 for inches and 3.3 for millimetres, maybe not what was exported.",
    Source(EXCELLON, "decimal places"),
    Severity.NOTE,
    "Export with decimal points or state the pattern beside the unit.",
)
TOO_MANY_DIGITS: Final = declare(
    "too-many-digits",
    "A number has more digits than its format",
    "The digits beyond the format have no meaning, so the position is uncertain.",
    Source(EXCELLON, "decimal places"),
    Severity.ERROR,
    "Export again with a format that holds the whole number, or with decimal points.",
)
MIXED_POINTS: Final = declare(
    "mixed-points",
    "Some coordinates have a decimal point and some have none",
    "Allowed, but numbers without a point depend on a format that readers take differently.",
    Source(EXCELLON, "decimal places"),
    Severity.WARNING,
    "Export all coordinates in one style.",
    at_most=Consequence.KNOW,
)
BAD_NUMBER: Final = declare(
    "bad-number",
    "A number cannot be read",
    "A coordinate that is not a number leaves the hole without a place.",
    Source(EXCELLON, "part program body"),
    Severity.ERROR,
    "Export the file again; it may be damaged.",
)
UNIT_AFTER_SIZE: Final = declare(
    "unit-after-size",
    "The unit is stated after a size",
    "A reader that goes line by line takes the sizes before it in its own unit.",
    Source(EXCELLON, "header commands"),
    Severity.WARNING,
    "Export again with the unit before the tools.",
    at_most=Consequence.KNOW,
)
UNIT_SWITCH: Final = declare(
    "unit-switched",
    "The unit changes where it must not",
    "Holes before and after are read in different units, or the header is contradicted.",
    Source(EXCELLON, "M71, M72"),
    Severity.ERROR,
    "Export again in one unit.",
)
UNIT_CONFLICT: Final = declare(
    "unit-conflict",
    "The header states the unit twice, differently",
    "Two readers of the same file may come to different boards.",
    Source(EXCELLON, "header commands"),
    Severity.ERROR,
    "Export again with one unit line.",
)
TOOL_UNDEFINED: Final = declare(
    "tool-undefined",
    "A tool is used but never defined",
    "The holes have a place and no diameter, so the house cannot drill them.",
    Source(EXCELLON, "tools"),
    Severity.ERROR,
    "Export again with the tool table in the header.",
)
TOOL_NO_SIZE: Final = declare(
    "tool-without-diameter",
    "A tool has no diameter",
    "The house has to guess the drill.",
    Source(EXCELLON, "tools"),
    Severity.ERROR,
    "Export again with the tool table in the header.",
)
TOOL_TWICE: Final = declare(
    "tool-defined-twice",
    "A tool is defined twice, differently",
    "Readers disagree whether the first or the last definition counts.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Export again; give every diameter a tool number of its own.",
)
TOOL_UNUSED: Final = declare(
    "tool-unused",
    "A tool is defined but makes no hole",
    "A hint that holes were lost or that a part was removed.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Nothing, if it was meant so.",
)
NO_TOOL: Final = declare(
    "hit-without-tool",
    "A hole is drilled before any tool is chosen",
    "The hole has no diameter.",
    Source(EXCELLON, "tools"),
    Severity.ERROR,
    "Export again; a T line must come before the first hole.",
)
SIZE_RANGE: Final = declare(
    "diameter-out-of-range",
    "A drill is unusually small or large",
    "Below 0.1 mm a house needs a laser, above 6.5 mm the hole is routed.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Check the diameter, and that the unit is right.",
)
SIZE_UNIT: Final = declare(
    "diameter-other-unit",
    "The diameters look as if written in another unit",
    "All holes would come out of scale.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Compare a known hole with the design; export again with the right unit.",
)
SIZE_STEP: Final = declare(
    "diameter-off-step",
    "A diameter is between two stock drills",
    "Stock drills come in steps of 0.05 mm; the house takes a neighbour.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Nothing, unless the fit is critical: then name a tolerance.",
)
SIZE_REPEATED: Final = declare(
    "diameter-repeated",
    "Several tools have the same diameter and the same use",
    "Each tool is a change of tool on the machine; most houses merge them.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Merge them if the export allows.",
)
TOOL_MIXED: Final = declare(
    "tool-mixed-use",
    "One tool makes holes of different use",
    "Houses treat vias and component holes differently, and know them apart only by tool.",
    Source(_GERBER, "5.6.10"),
    Severity.WARNING,
    "Export vias and component holes as separate tools.",
    at_most=Consequence.KNOW,
)
NO_HOLES: Final = declare(
    "no-holes",
    "The file makes no hole",
    "Often harmless, sometimes a failed export.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Check that the board has no holes of this kind; else export again.",
)
DUPLICATE: Final = declare(
    "duplicate-hit",
    "The same hole is drilled twice",
    "The second stroke may break the drill or widen the hole.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Remove the duplicate holes in the design.",
)
CONCENTRIC: Final = declare(
    "concentric-hits",
    "Two tools drill the same centre",
    "Only the larger hole remains; one of the two is a mistake.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Remove one of the holes in the design.",
)
OVERLAP: Final = declare(
    "overlapping-hits",
    "Holes overlap",
    "A drill that meets an open hole wanders or breaks, and a house may delete the hit.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Draw a slot (G85) instead, or move the holes apart.",
)
PLATING_UNKNOWN: Final = declare(
    "plating-unknown",
    "Nothing says whether the holes are plated",
    "The house has to ask or to guess.",
    Source(_GERBER, "5.6.3"),
    Severity.WARNING,
    "Export plated and unplated holes to separate files, and name them so.",
)
PLATING_FROM_NAME: Final = declare(
    "plating-from-name",
    "Plating is known from the file name only",
    "A renamed file changes its meaning.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Nothing, if the name is right.",
)
BAD_SPAN: Final = declare(
    "bad-span",
    "The layer span makes no sense",
    "A hole runs from one copper layer to another.",
    Source(_GERBER, "5.6.3"),
    Severity.ERROR,
    "Export again; check the layer pair of the drill file.",
)
TF_PLACE: Final = declare(
    "file-attribute-misplaced",
    "A file attribute is repeated or comes late",
    "File attributes are fixed once, in the header.",
    Source(_GERBER, "5.2"),
    Severity.WARNING,
    "Export again, or ignore it if the value is the right one.",
    at_most=Consequence.KNOW,
)
ATTRIBUTE_UNKNOWN: Final = declare(
    "unknown-attribute",
    "A standard attribute has an unknown name or value",
    "Software that relies on it will not find it.",
    Source(_GERBER, "5.6"),
    Severity.WARNING,
    "Export again with a current version.",
    at_most=Consequence.KNOW,
)
PLATING_CONFLICT: Final = declare(
    "plating-conflict",
    "File and tool disagree on plating",
    "A hole is plated or it is not; the house will ask.",
    Source(_GERBER, "5.6.3, 5.6.10"),
    Severity.WARNING,
    "Export plated and unplated holes to separate files.",
)
HINT_CONFLICT: Final = declare(
    "comment-conflict",
    "A comment disagrees with the commands",
    "Somebody who reads the comment makes another board.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "The command was followed; export again so that both agree.",
)
COMMENT_TOOLS: Final = declare(
    "tools-from-comment",
    "Diameters come from a comment",
    "Comments bind nobody; the house may overlook them.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Export with the tool table as commands (T1C0.300).",
)
SLOT_ZERO: Final = declare(
    "zero-length-slot",
    "A slot has no length",
    "It is drilled as a round hole.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Make it a round hole or give it its length in the design.",
)
SLOT_SHORT: Final = declare(
    "short-slot",
    "A slot is shorter than twice its width",
    "The drill wanders in a short slot; houses like at least twice the width.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Lengthen the slot, or accept a less exact shape.",
)
MANY_TOOLS: Final = declare(
    "many-tools",
    "More than 30 tools",
    "Every tool change costs time, and magazines are limited.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Use fewer diameters.",
)
LIMIT: Final = declare(
    "too-many-objects",
    "The file asks for more holes than the limit",
    "Reading stopped; holes are missing.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "If the file is right, allow more with --limit objects=NUMBER.",
)
FILE_LIMIT: Final = declare(
    "file-too-large",
    "The file is larger than the limit",
    "It was not read.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "If the file is right, allow more with --limit file_bytes=NUMBER.",
)
FORMAT_GIVEN: Final = declare(
    "format-given",
    "The number format was given, not read",
    "The file is read as told.",
    COMMON_PRACTICE,
    Severity.NOTE,
    "Nothing, if the holes are in their places.",
)
FORMAT_INFERRED: Final = declare(
    "format-inferred",
    "The number format was inferred from the board",
    "The file does not state it; the house has to guess it too.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Export again with unit, zeros and digits stated.",
)
FORMAT_UNRESOLVED: Final = declare(
    "format-unresolved",
    "The number format cannot be told",
    "Several formats explain the holes, or none does.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Export again with unit, zeros and digits, or give the format.",
)
FORMAT_MISFIT: Final = declare(
    "format-misfit",
    "The stated number format does not fit the board",
    "Read as stated, the holes miss the board; another format puts them on it.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Export the drill file again and compare it with the copper.",
)
WORK_ZERO_MISFIT: Final = declare(
    "work-zero-misfit",
    "The holes fit without the moved work zero",
    "Read with G93 the holes miss their pads.",
    COMMON_PRACTICE,
    Severity.ERROR,
    "Export without G93.",
)
FORMAT_SIBLING: Final = declare(
    "format-from-sibling",
    "The number format is taken from another file of the set",
    "The file does not state it; files of one export share it.",
    COMMON_PRACTICE,
    Severity.WARNING,
    "Export again with unit, zeros and digits stated.",
)
DRAWN: Final = declare(
    "drawn-holes",
    "Something in a drill image is no hole",
    "Only flashes and strokes of round or long apertures are holes and slots.",
    Source(_GERBER, "drill layers"),
    Severity.WARNING,
    "Export the drill file again, as NC drill data.",
)

RULES: Final[tuple[Rule, ...]] = tuple(
    value for value in list(globals().values()) if isinstance(value, Rule)
)
"""Every rule of this room."""
