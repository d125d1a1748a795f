"""Rules on attributes and on what a layer's content must be for its function."""

from __future__ import annotations

from fabkit.base.findings import Consequence, Severity
from fabkit.formats.gerber.rules import declare

_N, _W, _E = Severity.NOTE, Severity.WARNING, Severity.ERROR
_EXPORT = "Set it right in the design program and export the layer again."

FUNCTION_WRONG = declare(
    "file-function",
    _E,
    "5.6.3",
    "The file function breaks its rules",
    "The board house sorts layers by it; a wrong one can put a layer in the wrong place.",
    _EXPORT,
    at_most=Consequence.DECIDE,
)
POLARITY_WRONG = declare(
    "file-polarity",
    _E,
    "5.6.4",
    "The file polarity breaks its rules",
    "Material and openings may be swapped.",
    _EXPORT,
    at_most=Consequence.DECIDE,
)
FUNCTION_MISSING = declare(
    "file-function-missing",
    _N,
    "6.2",
    "The file does not say which layer it is",
    "Its role has to be guessed from its name and content.",
    "Export with attributes (X2) if the design program can.",
)
STANDARD_WRONG = declare(
    "standard-attribute",
    _W,
    "5.6",
    "A standard attribute with a wrong value",
    "Programs that read it may drop it or take it differently.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
STANDARD_UNKNOWN = declare(
    "unknown-attribute",
    _W,
    "5.6.1",
    "A name that starts with a dot but is no standard attribute",
    "Such names are reserved; other programs may give them another meaning.",
    "Start names of your own with a letter.",
    at_most=Consequence.KNOW,
)
STANDARD_PLACE = declare(
    "attribute-place",
    _W,
    "5.6",
    "A file attribute outside its place",
    "File attributes stand in the header, the checksum right before the end.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
OLD_FUNCTION = declare(
    "deprecated-function",
    _W,
    "8.4",
    "A deprecated aperture function",
    "Programs need not know it any more.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
CHECKSUM_WRONG = declare(
    "checksum",
    _E,
    "5.6.9",
    "The checksum does not fit the file",
    "The file was changed or damaged after it was exported.",
    "Fetch or export the file again.",
)
PIN_NOT_FLASHED = declare(
    "pin-not-flashed",
    _W,
    "5.6.14",
    "A pin is attached to something that is no flash",
    "Only flashed pads carry pins; an electrical comparison misses this one.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
PIN_ON_VIA = declare(
    "pin-on-via",
    _N,
    "5.6.14",
    "A pin is attached to a via, washer or conductor",
    "Pins belong to component pads only.",
    _EXPORT,
)
PAD_PAINTED = declare(
    "pad-painted",
    _W,
    "6.4",
    "Pads that are drawn instead of flashed",
    "Mask, paste and electrical test cannot tell them from tracks.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
PAD_REGION = declare(
    "pad-region",
    _W,
    "6.4",
    "Pads made as regions",
    "Mask, paste and electrical test cannot tell them from pours.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
DRAWING_IN_DATA = declare(
    "drawing-in-data",
    _W,
    "6.7",
    "Drawing elements in a layer that is made",
    "Frames and texts beside the board would be etched or printed.",
    "Leave frames and notes out of production layers.",
)
NEGATIVE_COPPER = declare(
    "negative-copper",
    _N,
    "5.6.4",
    "A negative copper layer",
    "Its image shows where copper is absent; it is easily taken the wrong way.",
    "Export copper positive if you can.",
)
POSITIVE_MASK = declare(
    "positive-mask",
    _N,
    "5.6.4",
    "A solder mask said to be positive",
    "Nearly all are negative: the image shows the openings.",
    "Make sure that it shows the mask, not the openings.",
)
NEGATIVE_DRILL = declare(
    "negative-drill",
    _E,
    "5.6.4",
    "A drill or rout file said to be negative",
    "Drill and rout images are always positive.",
    _EXPORT,
)
DRILL_SHAPE = declare(
    "drill-shape",
    _E,
    "6.6",
    "A drill file with tools that are not round",
    "A drill is a solid circle; other shapes cannot be drilled.",
    _EXPORT,
)
DRILL_CLEAR = declare(
    "drill-clear",
    _W,
    "6.6",
    "Clear objects in a drill file",
    "Nothing can be un-drilled.",
    _EXPORT,
)
PROFILE_FILLED = declare(
    "profile-content",
    _W,
    "6.5",
    "An outline file with flashes",
    "An outline is a closed line or a region; pads or texts in it confuse the cut.",
    "Leave everything but the outline out of the file.",
)
COMPONENT_SIZE = declare(
    "component-aperture",
    _W,
    "5.6.10",
    "A component aperture of the wrong size",
    "The size is prescribed so that programs find component centres and outlines.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
COMPONENT_DATA = declare(
    "component-data",
    _E,
    "6.9.1.2",
    "A component object without its component or pin",
    "It cannot be assigned to any part.",
    _EXPORT,
    at_most=Consequence.KNOW,
)
NET_MISSING = declare(
    "net-missing",
    _N,
    "5.6.13",
    "Copper without a net name in a layer with nets",
    "Whether it belongs to a net is left open.",
    "State an empty net for copper without one.",
)
NETS_SEVERAL = declare(
    "several-nets",
    _N,
    "5.6.13",
    "One object on several nets",
    "Only a pad in parts that do not touch may be on several; which part is on which is not told.",
    "Draw one object for each net.",
)
