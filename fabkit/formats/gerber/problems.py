"""What a Gerber file can be told about its syntax, header and state."""

from __future__ import annotations

from fabkit.base.findings import Consequence, Severity
from fabkit.formats.gerber.rules import declare

_N, _W, _E = Severity.NOTE, Severity.WARNING, Severity.ERROR

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
    "Check for a mistyped repeat count; if the file is meant so, allow more with --limit.",
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
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
)
CODE_SPELLING = declare(
    "code-spelling",
    _W,
    "8.3.3",
    "A command code in lower case or with too few or many digits",
    "Readers need not understand such codes.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
WORD_ORDER = declare(
    "word-order",
    _W,
    "3.5",
    "Parts of an operation in unusual order",
    "The order is fixed (X, Y, I, J, D); other readers may take it differently.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
COMBINED_WORD = declare(
    "combined-word",
    _N,
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
    at_most=Consequence.KNOW,
)
OLD_END = declare(
    "old-end",
    _W,
    "8.1.1",
    "M00 or M01",
    "Deprecated stop commands; M00 was taken as the end, M01 was ignored.",
    _EXPORT,
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
)
INCREMENTAL = declare(
    "incremental",
    _W,
    "8.2.1.2",
    "Incremental coordinates",
    "Deprecated since 2012; readers that do not know it draw nonsense.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
LOW_RESOLUTION = declare(
    "low-resolution",
    _W,
    "8.2.1.3",
    "Low coordinate resolution",
    "Rounded coordinates open gaps, close clearances and bend arcs.",
    "Export with 6 decimals in millimetres.",
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
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
    at_most=Consequence.KNOW,
)
MODAL_OPERATION = declare(
    "modal-operation",
    _W,
    "8.3.2",
    "Coordinates without operation code",
    "Deprecated since 2012; the D01 or D02 before it was repeated, as readers do.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
BARE_COORDINATES = declare(
    "bare-coordinates",
    _E,
    "8.3.2",
    "Coordinates without operation code that follow neither a D01 nor a D02",
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
    at_most=Consequence.DECIDE,
)
OLD_CODE = declare(
    "deprecated-code",
    _N,
    "8.1.1",
    "A deprecated code without effect",
    "Nothing changes in the picture.",
    "Nothing to do; a current export leaves it out.",
)
OLD_TEXT = declare(
    "deprecated-name",
    _N,
    "8.1.3",
    "A deprecated name command",
    "IN and LN carry text only.",
    "Nothing to do; a current export leaves it out.",
)
IMAGE_DEFAULT = declare(
    "image-default",
    _N,
    "8.1",
    "A deprecated image command at its default value",
    "Nothing changes in the picture.",
    "Nothing to do; a current export leaves it out.",
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
