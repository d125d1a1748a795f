"""What a Gerber file can be told about apertures, operations, blocks, regions, attributes."""

from __future__ import annotations

from fabkit.base.findings import Consequence, Severity
from fabkit.formats.gerber.rules import declare

_N, _W, _E = Severity.NOTE, Severity.WARNING, Severity.ERROR

_EXPORT = "Export the layer again with a current Gerber setting (X2, 6 decimals, millimetres)."
_LOOK = "Look at the picture of this layer before ordering; if it is wrong, export it again."

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
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
)
MACRO_VARIABLE = declare(
    "macro-variable",
    _E,
    "4.5.4.3",
    "A macro variable is set twice",
    "The newest value was used.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
MACRO_UNSET = declare(
    "macro-variable-unset",
    _W,
    "4.5.4.3",
    "A macro variable is used before it has a value",
    "It counts as 0.",
    _LOOK,
    at_most=Consequence.KNOW,
)
MACRO_OLD = declare(
    "macro-deprecated",
    _W,
    "8.2",
    "A deprecated macro primitive",
    "It was drawn; readers need not know it any more.",
    _EXPORT,
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
)
ARC_DEVIATION = declare(
    "arc-deviation",
    _W,
    "4.7.2.2",
    "Arcs whose ends do not lie on one circle",
    "Readers draw such arcs differently.",
    "Export with 6 decimals.",
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
)
ARC_TINY = declare(
    "arc-tiny",
    _W,
    "4.7.2",
    "Arcs shorter than 2 µm or within 2 µm of a full circle",
    "Rounding can turn such an arc into a full circle, or the other way round.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
OFFSET_UNUSED = declare(
    "offset-unused",
    _W,
    "4.8.2",
    "I or J outside an arc",
    "They only have a meaning in arcs and were ignored.",
    _LOOK,
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
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
    "It was closed by a straight line, as readers do.",
    _EXPORT,
    # Where the closing line crosses the contour, that is told as an invalid contour.
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
)
ATTRIBUTE_REPEATED = declare(
    "attribute-repeated",
    _E,
    "5.2",
    "A file attribute is given twice",
    "The first value counts.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
ATTRIBUTE_KIND = declare(
    "attribute-kind",
    _E,
    "5.1",
    "One attribute name for two kinds of things",
    "A name belongs to the file, to apertures or to objects, never to two of them.",
    _EXPORT,
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
)
