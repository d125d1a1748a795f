"""Everything a Gerber file can be told about its language: one table of rules."""

from __future__ import annotations

from typing import Final

from fabkit.findings import Rule, Severity, Source

DOCUMENT: Final = "Gerber Layer Format Specification 2021.02"

_N, _W, _E = Severity.NOTE, Severity.WARNING, Severity.ERROR

RULES: dict[str, Rule] = {}
"""Every rule of the room by id, in order of declaration."""


def declare(name: str, severity: Severity, section: str, title: str, why: str, advice: str) -> Rule:
    """Make the rule ``gerber/name`` and enter it in :data:`RULES`."""
    rule = Rule(
        id=f"gerber/{name}",
        title=title,
        why=why,
        source=Source(DOCUMENT, f"section {section}"),
        severity=severity,
        advice=advice,
    )
    if rule.id in RULES:
        raise ValueError(f"rule {rule.id} is declared twice")
    RULES[rule.id] = rule
    return rule


_EXPORT = "Export the layer again with a current Gerber setting (X2, 6 decimals, millimetres)."
_LOOK = "Look at the picture of this layer before ordering; if it is wrong, export it again."

# Identity of the file
NO_APERTURES = declare(
    "no-apertures",
    _E,
    "8.5",
    "The file is plotter data without apertures",
    "Without unit, format and apertures in the file nobody can know what it draws.",
    "Export the layer as RS-274X (extended Gerber, apertures embedded).",
)
NOT_GERBER = declare(
    "not-a-layer",
    _E,
    "2.14",
    "The file holds no Gerber commands",
    "A board house would leave it out or stop the order to ask.",
    "Remove it from the package, or export the layer again.",
)
TOO_LARGE = declare(
    "limit",
    _E,
    "2.14",
    "The file asks for more than the stated limits",
    "What lies beyond the limit was not read, so the layer is not whole.",
    "Check for a mistyped repeat count; raise the limit if the file is meant.",
)
BYTE_ORDER_MARK = declare(
    "byte-order-mark",
    _N,
    "3.1",
    "The file starts with a byte-order mark",
    "Some readers take it for a wrong command.",
    "Save the file as UTF-8 without byte-order mark.",
)

# Syntax
STRAY_TEXT = declare(
    "stray-text",
    _E,
    "3.3",
    "Text that is no command",
    "A damaged or hand-edited file may have lost parts of the picture.",
    _LOOK,
)
STRAY_SPACE = declare(
    "stray-space",
    _W,
    "3.1",
    "Spaces or line breaks inside a command",
    "Strict readers refuse them; this one drops them.",
    _EXPORT,
)
STRAY_CHARACTER = declare(
    "stray-character",
    _E,
    "3.1",
    "Characters that the format does not allow",
    "The file was changed by something that is not a Gerber writer, or is damaged.",
    _LOOK,
)
UNBALANCED_PERCENT = declare(
    "unbalanced-percent",
    _E,
    "3.3",
    "A % sign without partner",
    "What lies between two % signs is read differently, so a lost one can swallow commands.",
    _LOOK,
)
UNKNOWN_COMMAND = declare(
    "unknown-command",
    _W,
    "2.14",
    "Unknown command",
    "It was left out; what it was meant to do is lost.",
    _LOOK,
)
SEVERAL_COMMANDS = declare(
    "several-commands",
    _W,
    "3.5",
    "Several commands between one pair of % signs",
    "An old habit that not every reader understands.",
    _EXPORT,
)
CODE_SPELLING = declare(
    "code-spelling",
    _W,
    "8.3.3",
    "A command code in lower case or with too few or many digits",
    "Readers need not understand such codes.",
    _EXPORT,
)
WORD_ORDER = declare(
    "word-order",
    _W,
    "3.5",
    "Parts of an operation in unusual order",
    "The order is fixed (X, Y, I, J, D); other readers may take it differently.",
    _EXPORT,
)
COMBINED_WORD = declare(
    "combined-word",
    _W,
    "8.3.1",
    "G code and operation in one word",
    "Deprecated since 2015, still read by nearly everyone.",
    _EXPORT,
)
NO_END = declare(
    "no-end",
    _E,
    "4.13",
    "The end command M02 is missing",
    "The file may have been cut short, with copper missing.",
    "Compare the file's size with a fresh export.",
)
TEXT_AFTER_END = declare(
    "text-after-end",
    _E,
    "4.13",
    "Text after the end command",
    "It is ignored; if it holds drawing commands the layer is not whole.",
    "Check whether two files were joined by mistake.",
)
OLD_END = declare(
    "old-end",
    _W,
    "8.1.1",
    "M00 or M01",
    "Deprecated stop commands; M00 was taken as the end, M01 was ignored.",
    _EXPORT,
)
END_INSIDE = declare(
    "end-inside",
    _E,
    "4.13",
    "The file ends inside a region, block or repeat",
    "The last part was closed by the reader; the file may have been cut short.",
    _LOOK,
)

# Format, unit, coordinates
FORMAT_MISSING = declare(
    "format-missing",
    _E,
    "4.2.2",
    "The coordinate format FS is missing",
    "Without it no coordinate has a size; nothing was drawn.",
    "Export the layer as RS-274X with its format statement.",
)
FORMAT_WRONG = declare(
    "format-wrong",
    _E,
    "4.2.2",
    "The coordinate format FS breaks its rules",
    "Another reader may scale the layer differently.",
    _EXPORT,
)
FORMAT_REPEATED = declare(
    "format-repeated",
    _E,
    "4.2.2",
    "The coordinate format FS is given more than once",
    "It holds for the whole file; a second one makes the first doubtful.",
    _EXPORT,
)
FORMAT_LATE = declare(
    "format-late",
    _E,
    "4.2.2",
    "Format or unit come after the first operation",
    "They must stand in the header; a strict reader refuses the file.",
    _EXPORT,
)
TRAILING_FORMAT = declare(
    "trailing-zeros",
    _W,
    "8.2.1.1",
    "Trailing zeros are omitted",
    "Deprecated since 2015; readers that do not know it draw at a wrong scale.",
    _EXPORT,
)
INCREMENTAL = declare(
    "incremental",
    _W,
    "8.2.1.2",
    "Incremental coordinates",
    "Deprecated since 2012; readers that do not know it draw nonsense.",
    _EXPORT,
)
LOW_RESOLUTION = declare(
    "low-resolution",
    _W,
    "8.2.1.3",
    "Low coordinate resolution",
    "Rounded coordinates open gaps, close clearances and bend arcs.",
    "Export with 6 decimals in millimetres.",
)
UNIT_MISSING = declare(
    "unit-missing",
    _E,
    "4.2.1",
    "The unit MO is missing",
    "Inches and millimetres differ by 25.4; nothing was drawn.",
    "Export the layer as RS-274X with its unit statement.",
)
UNIT_BY_G = declare(
    "unit-by-g-code",
    _W,
    "8.1.1",
    "The unit is given by G70 or G71 only",
    "Deprecated since 2012; readers that do not know it may refuse the file.",
    _EXPORT,
)
UNIT_CONFLICT = declare(
    "unit-conflict",
    _E,
    "4.2.1",
    "The unit is given more than once",
    "Inches and millimetres differ by 25.4; the first statement was used.",
    _EXPORT,
)
UNIT_AFTER_SIZES = declare(
    "unit-after-sizes",
    _W,
    "4.2.1",
    "Sizes stand in front of the unit",
    "A reader that goes line by line does not know their unit yet.",
    _EXPORT,
)
INCH_UNIT = declare(
    "inch-unit",
    _N,
    "4.2.1",
    "The unit is the inch",
    "Allowed, but kept for old files only.",
    "Export in millimetres when there is a choice.",
)
NUMBER_WIDTH = declare(
    "number-width",
    _W,
    "4.2.2",
    "Coordinates with more digits than the format declares",
    "A reader that cuts them to the format draws elsewhere.",
    _EXPORT,
)
NUMBER_RANGE = declare(
    "number-range",
    _W,
    "3.4.1",
    "Numbers beyond 32 bits",
    "Readers need not hold them.",
    _LOOK,
)
NUMBER_WRONG = declare(
    "number-wrong",
    _E,
    "3.4.1",
    "A number that cannot be read",
    "The command was read without it, or left out.",
    _LOOK,
)
COORDINATE_EMPTY = declare(
    "coordinate-empty",
    _E,
    "3.4.1",
    "A coordinate letter without digits",
    "Taken as 0; another reader may keep the previous value.",
    _LOOK,
)
COORDINATE_DECIMAL = declare(
    "coordinate-decimal",
    _E,
    "3.4.1",
    "Coordinates with a decimal point",
    "Coordinates are integers; it was taken as a length in the file's unit.",
    _LOOK,
)
AXES_DIFFER = declare(
    "axes-differ",
    _E,
    "4.2.2",
    "X and Y have different formats",
    "Forbidden; a reader that uses one for both stretches the layer.",
    _EXPORT,
)

# State
BEFORE_HEADER = declare(
    "operation-undefined",
    _E,
    "2.6",
    "Operations that cannot be drawn",
    "What they need (format, unit or aperture) is not defined; they are left out of the picture.",
    _LOOK,
)
POINT_UNDEFINED = declare(
    "point-undefined",
    _E,
    "2.6",
    "An operation without a defined current point",
    "It was taken to be 0, 0; another reader may start elsewhere.",
    _LOOK,
)
MODE_UNDEFINED = declare(
    "mode-undefined",
    _W,
    "2.6",
    "Draws without an interpolation mode",
    "The file never says G01 before drawing; straight lines were assumed, as everyone does.",
    _EXPORT,
)
MODAL_OPERATION = declare(
    "modal-operation",
    _W,
    "8.3.2",
    "Coordinates without operation code",
    "Deprecated since 2012; D01 was repeated.",
    _EXPORT,
)
BARE_COORDINATES = declare(
    "bare-coordinates",
    _E,
    "8.3.2",
    "Coordinates without operation code that do not follow a D01",
    "They mean nothing and were left out.",
    _LOOK,
)
APERTURE_UNDEFINED = declare(
    "aperture-undefined",
    _E,
    "4.6",
    "An aperture is selected that is not defined",
    "Everything drawn with it is missing from the picture.",
    "Export the layer again with its apertures embedded.",
)
APERTURE_CODE = declare(
    "aperture-code",
    _E,
    "4.3.1",
    "A D code that names neither an operation nor an aperture",
    "Apertures start at D10; the command was ignored.",
    _LOOK,
)
APERTURE_REPEATED = declare(
    "aperture-repeated",
    _N,
    "4.3.1",
    "An aperture is defined again with the same shape",
    "Forbidden since 2013, but the image is the same whichever of the two is used.",
    "Nothing to do unless the house complains.",
)
APERTURE_TWICE = declare(
    "aperture-twice",
    _E,
    "4.3.1",
    "An aperture is defined twice",
    "From there on the new one was used; readers differ.",
    _EXPORT,
)
OLD_CODE = declare(
    "deprecated-code",
    _N,
    "8.1.1",
    "A deprecated code without effect",
    "Nothing changes in the picture.",
    "Nothing to do.",
)
OLD_TEXT = declare(
    "deprecated-name",
    _N,
    "8.1.3",
    "A deprecated name command",
    "IN and LN carry text only.",
    "Nothing to do.",
)
IMAGE_DEFAULT = declare(
    "image-default",
    _N,
    "8.1",
    "A deprecated image command at its default value",
    "Nothing changes in the picture.",
    "Nothing to do.",
)
IMAGE_CHANGED = declare(
    "image-changed",
    _E,
    "8.1",
    "A deprecated image command changes the whole layer",
    "Many readers ignore it, so two people see two different layers.",
    "Export the layer without offset, scale, mirror, rotation or axis swap.",
)
IMAGE_NEGATIVE = declare(
    "image-negative",
    _W,
    "8.1.4",
    "The whole image is said to be negative",
    "Deprecated since 2013; it was not inverted here, as the specification advises.",
    "Export the layer positive, or state FilePolarity.",
)

# Apertures and macros
APERTURE_WRONG = declare(
    "aperture-wrong",
    _E,
    "4.3",
    "An aperture definition that cannot be used",
    "Everything drawn with it is missing from the picture.",
    _EXPORT,
)
PARAMETER_COUNT = declare(
    "parameter-count",
    _E,
    "4.4",
    "A wrong number of parameters",
    "The shape may not be what was meant.",
    _EXPORT,
)
SIZE_ZERO = declare(
    "size-zero",
    _E,
    "4.3.2",
    "A size that must be positive is not",
    "Only a circle may have size 0; this shape leaves no image.",
    _EXPORT,
)
HOLE_OUTSIDE = declare(
    "hole-outside",
    _E,
    "4.4.6",
    "A hole does not lie inside its aperture",
    "What remains of the shape was drawn.",
    _EXPORT,
)
HOLE_ZERO = declare(
    "hole-zero",
    _N,
    "4.4.6",
    "A hole of size 0",
    "Taken as no hole.",
    "Nothing to do.",
)
HOLE_RECTANGULAR = declare(
    "hole-rectangular",
    _W,
    "8.2.2",
    "A rectangular hole in an aperture",
    "Deprecated since 2015; readers that do not know it draw a filled shape.",
    _EXPORT,
)
VERTICES = declare(
    "vertices",
    _E,
    "4.4.5",
    "A polygon with an impossible number of vertices",
    "It must be a whole number from 3 to 12.",
    _EXPORT,
)
MACRO_UNKNOWN = declare(
    "macro-unknown",
    _E,
    "4.5",
    "An aperture calls a macro that is not defined",
    "Everything drawn with it is missing from the picture.",
    _EXPORT,
)
MACRO_TWICE = declare(
    "macro-twice",
    _E,
    "4.5",
    "A macro name is used twice",
    "From there on the new one was used.",
    _EXPORT,
)
MACRO_EMPTY = declare(
    "macro-empty",
    _E,
    "4.5",
    "A macro without content",
    "Apertures made from it leave no image.",
    _EXPORT,
)
MACRO_PRIMITIVE = declare(
    "macro-primitive",
    _E,
    "4.5.1",
    "A macro primitive breaks its rules",
    "It was drawn as far as it makes sense, else left out.",
    _LOOK,
)
MACRO_EXPRESSION = declare(
    "macro-expression",
    _E,
    "4.5.4.2",
    "A macro expression that cannot be computed",
    "The aperture cannot be used; everything drawn with it is missing.",
    _EXPORT,
)
MACRO_MULTIPLY = declare(
    "macro-multiply",
    _N,
    "4.5.4.2",
    "An upper-case X as multiplication sign in a macro",
    "Old exporters write it and readers take it; the format asks for a small x.",
    "Nothing to do unless the house complains.",
)
MACRO_SPELLING = declare(
    "macro-spelling",
    _W,
    "4.5.4.2",
    "A macro is not written by the rules",
    "It was understood here; strict readers refuse it.",
    _EXPORT,
)
MACRO_VARIABLE = declare(
    "macro-variable",
    _E,
    "4.5.4.3",
    "A macro variable is set twice",
    "The newest value was used.",
    _EXPORT,
)
MACRO_UNSET = declare(
    "macro-variable-unset",
    _W,
    "4.5.4.3",
    "A macro variable is used before it has a value",
    "It counts as 0.",
    _LOOK,
)
MACRO_OLD = declare(
    "macro-deprecated",
    _W,
    "8.2",
    "A deprecated macro primitive",
    "It was drawn; readers need not know it any more.",
    _EXPORT,
)
MACRO_OUTLINE = declare(
    "macro-outline",
    _E,
    "4.5.1.6",
    "A macro outline breaks the contour rules",
    "An outline that is open or crosses itself has no defined area; the picture is a guess.",
    _EXPORT,
)

# Operations and arcs
STROKE_TOOL = declare(
    "stroke-tool",
    _E,
    "2.4",
    "A line is drawn with something other than a solid circle",
    "Only a solid circle may draw lines; the area swept by the shape was used.",
    _EXPORT,
)
STROKE_RECTANGLE = declare(
    "stroke-rectangle",
    _W,
    "8.2.3",
    "A line is drawn with a rectangle",
    "Deprecated since 2020; the area swept by the rectangle was used.",
    _EXPORT,
)
STROKE_POINT = declare(
    "stroke-point",
    _N,
    "2.4",
    "Lines without length",
    "They make the image of a flash, but are no pads to a netlist or mask check.",
    "Nothing to do unless they are meant as pads.",
)
ARC_WITHOUT_G75 = declare(
    "arc-without-g75",
    _E,
    "4.7.2",
    "Arcs before G75",
    "The arc mode is not stated; arcs of any angle were assumed.",
    _EXPORT,
)
ARC_SINGLE_QUADRANT = declare(
    "arc-single-quadrant",
    _W,
    "8.1.10",
    "Arcs in single-quadrant mode G74",
    "Deprecated since 2020; readers may refuse them.",
    _EXPORT,
)
ARC_NO_CENTRE = declare(
    "arc-no-centre",
    _E,
    "4.8.2",
    "Arcs without centre",
    "Neither I nor J is given; a straight line was drawn.",
    _LOOK,
)
ARC_HALF_CENTRE = declare(
    "arc-half-centre",
    _W,
    "4.8.2",
    "Arcs with only one of I and J",
    "The missing one counts as 0.",
    _EXPORT,
)
ARC_DEVIATION = declare(
    "arc-deviation",
    _W,
    "4.7.2.2",
    "Arcs whose ends do not lie on one circle",
    "Readers draw such arcs differently.",
    "Export with 6 decimals.",
)
ARC_BROKEN = declare(
    "arc-broken",
    _E,
    "4.7.2.2",
    "Arcs whose ends lie far off one circle",
    "Readers draw such arcs very differently.",
    _LOOK,
)
ARC_STRAIGHT = declare(
    "arc-straight",
    _E,
    "4.7.2.2",
    "Arcs whose centre makes no arc",
    "The centre lies on the line through both ends but not between them; a line was drawn.",
    _LOOK,
)
ARC_POINT = declare(
    "arc-point",
    _W,
    "2.4",
    "Arcs without radius",
    "A single dot was drawn.",
    _EXPORT,
)
ARC_TINY = declare(
    "arc-tiny",
    _W,
    "4.7.2",
    "Arcs shorter than 2 µm or within 2 µm of a full circle",
    "Rounding can turn such an arc into a full circle, or the other way round.",
    _EXPORT,
)
OFFSET_UNUSED = declare(
    "offset-unused",
    _W,
    "4.8.2",
    "I or J outside an arc",
    "They only have a meaning in arcs and were ignored.",
    _LOOK,
)

# Transformations, blocks, repeats
LOAD_WRONG = declare(
    "load-wrong",
    _E,
    "4.9",
    "A polarity, mirror, rotation or scale that cannot be read",
    "It was ignored; what follows may be drawn wrongly.",
    _LOOK,
)
SCALE_WRONG = declare(
    "scale-wrong",
    _E,
    "4.9.5",
    "A scale that is not positive",
    "Scale 1 was used.",
    _LOOK,
)
BLOCK_UNBALANCED = declare(
    "block-unbalanced",
    _E,
    "4.11",
    "A block is closed without being open, or not closed",
    "What belongs to the block is not certain.",
    _LOOK,
)
REPEAT_UNBALANCED = declare(
    "repeat-unbalanced",
    _W,
    "8.3.4",
    "A repeat is closed or opened in the old way",
    "Deprecated since 2016, and readers differ on it.",
    _EXPORT,
)
REPEAT_NESTED = declare(
    "repeat-nested",
    _E,
    "3.5",
    "A repeat inside a block",
    "The grammar forbids it; it was expanded nevertheless.",
    _EXPORT,
)
REPEAT_WRONG = declare(
    "repeat-wrong",
    _E,
    "4.12",
    "A repeat with impossible numbers",
    "Counts below 1 were taken as 1; negative steps kept their sign.",
    _LOOK,
)

# Regions
REGION_UNBALANCED = declare(
    "region-unbalanced",
    _E,
    "4.10",
    "A region is opened or closed out of turn",
    "What belongs to the region is not certain.",
    _LOOK,
)
REGION_COMMAND = declare(
    "region-command",
    _E,
    "4.10.1",
    "A command that is not allowed in a region",
    "Readers differ on what happens to the region.",
    _LOOK,
)
REGION_NO_START = declare(
    "region-no-start",
    _W,
    "4.10.1",
    "A region starts without a move",
    "The contour starts at the point where the last object ended.",
    _EXPORT,
)
REGION_EMPTY = declare(
    "region-empty",
    _N,
    "4.10.2",
    "An empty region",
    "It leaves no image.",
    "Nothing to do.",
)
CONTOUR_OPEN = declare(
    "contour-open",
    _E,
    "4.10.3",
    "A region contour is not closed",
    "It was closed by a straight line; another reader may not.",
    _EXPORT,
)
CONTOUR_INVALID = declare(
    "contour-invalid",
    _E,
    "4.10.3",
    "A region contour touches or crosses itself",
    "Its area is not defined; what is filled is a guess.",
    _EXPORT,
)
CONTOUR_ZERO_SEGMENT = declare(
    "contour-point",
    _N,
    "4.10.3",
    "Region contours with segments without length",
    "They have no effect.",
    "Nothing to do.",
)

# Attributes, as far as the reader itself meets them
ATTRIBUTE_NAME = declare(
    "attribute-name",
    _E,
    "3.4.5",
    "An attribute name that is not allowed",
    "The attribute was kept, but other readers may drop it.",
    _EXPORT,
)
ATTRIBUTE_REPEATED = declare(
    "attribute-repeated",
    _E,
    "5.2",
    "A file attribute is given twice",
    "The first value counts.",
    _EXPORT,
)
ATTRIBUTE_KIND = declare(
    "attribute-kind",
    _E,
    "5.1",
    "One attribute name for two kinds of things",
    "A name belongs to the file, to apertures or to objects, never to two of them.",
    _EXPORT,
)
ATTRIBUTE_ESCAPE = declare(
    "attribute-escape",
    _N,
    "3.4.3",
    "A broken escape sequence in an attribute",
    "The text was kept as written.",
    _EXPORT,
)
ATTRIBUTE_DELETE = declare(
    "attribute-delete",
    _W,
    "5.5",
    "An attribute is deleted in an unusual way",
    "TD takes one name, or none for all of them.",
    _EXPORT,
)
