"""What can be wrong in the small files beside the layers, decidable in the file alone."""

from __future__ import annotations

from typing import Final

from fabkit.base.findings import COMMON_PRACTICE, Consequence, Rule, Severity, Source

_JOB = Source("Gerber job file format", "published overview; key list from memory")
_NET = Source("IPC-D-356A", "record layout as described in published application notes")


_E, _W, _N = Severity.ERROR, Severity.WARNING, Severity.NOTE
_AGAIN = "Export the file again."

JOB_NOT_JSON: Final = Rule.of(
    "job/not-json",
    "The job file is not a JSON object",
    "The board house's software cannot read it and falls back on guessing.",
    _E,
    _AGAIN,
    _JOB,
    at_most=Consequence.DECIDE,
)
JOB_KEY_MISSING: Final = Rule.of(
    "job/key-missing",
    "The job file lacks a member every job file should have",
    "What is missing there has to be asked or guessed.",
    _W,
    "Export the job file again, or state the missing value in the order.",
    _JOB,
    at_most=Consequence.KNOW,
)
JOB_KEY_TWICE: Final = Rule.of(
    "job/key-twice",
    "A member of the job file is given twice in one object",
    "Some software takes the first, some the last.",
    _W,
    _AGAIN,
    Source("RFC 8259", "4"),
    at_most=Consequence.KNOW,
)
JOB_WRONG_TYPE: Final = Rule.of(
    "job/wrong-type",
    "A value of the job file has the wrong type or is not positive",
    "A size, layer count or thickness that cannot be true may end up in the order.",
    _E,
    "Correct the value in the layout and export again.",
    _JOB,
    at_most=Consequence.DECIDE,
)
JOB_DOUBLE_FUNCTION: Final = Rule.of(
    "job/double-function",
    "Two entries of the job file claim one file function",
    "Only one file can be that layer; the other may be made in its place.",
    _W,
    "Remove the entry that is out of date.",
    _JOB,
    at_most=Consequence.KNOW,
)
JOB_COPPER_COUNT: Final = Rule.of(
    "job/copper-count",
    "The copper entries of the job file do not fit its layer count",
    "A board with a layer more or less is another board at another price.",
    _E,
    "Export all copper layers and the job file in one go.",
    _JOB,
)
JOB_THICKNESS: Final = Rule.of(
    "job/thickness",
    "The board thickness of the job file is unusual",
    "Boards between 0.2 and 6.4 mm are made; other values are mostly slips of unit.",
    _W,
    "State the thickness in the order.",
    COMMON_PRACTICE,
)
JOB_STACKUP_COPPER: Final = Rule.of(
    "job/stackup-copper",
    "The stack-up lists another number of copper layers than the job file states",
    "The stack-up is what the house builds.",
    _W,
    "Correct the stack-up in the layout.",
    _JOB,
    at_most=Consequence.KNOW,
)
JOB_STACKUP_SUM: Final = Rule.of(
    "job/stackup-sum",
    "The thicknesses of the stack-up do not add up to the board thickness",
    "One of the two is wrong, and the house will build one of them.",
    _W,
    "Correct the stack-up or the thickness in the layout.",
    COMMON_PRACTICE,
    at_most=Consequence.KNOW,
)
JOB_PATH: Final = Rule.of(
    "job/path-outside",
    "A path of the job file leads out of the data set",
    "The listed file cannot be found by whoever receives the package.",
    _W,
    "Put all files into one folder and export the job file there.",
    _JOB,
    at_most=Consequence.KNOW,
)
JOB_FINISH: Final = Rule.of(
    "job/finish-unknown",
    "The finish named in the job file is not one of the usual words",
    "The house will ask, or use its cheapest.",
    _N,
    "State the finish in the order.",
    COMMON_PRACTICE,
)

NET_LENGTH: Final = Rule.of(
    "netlist/line-length",
    "A netlist record is longer than 80 columns or too short for its code",
    "The columns have fixed meanings; what does not fit is lost.",
    _W,
    _AGAIN,
    _NET,
    at_most=Consequence.KNOW,
)
NET_UNITS: Final = Rule.of(
    "netlist/units",
    "The netlist states its units never, twice or in unknown words",
    "A netlist read in the wrong unit fails on every point.",
    _E,
    _AGAIN,
    _NET,
    at_most=Consequence.DECIDE,
)
NET_CODE: Final = Rule.of(
    "netlist/unknown-code",
    "A netlist record has an unknown operation code",
    "What the record says is not used.",
    _W,
    _AGAIN,
    _NET,
    at_most=Consequence.KNOW,
)
NET_ORPHAN: Final = Rule.of(
    "netlist/orphan-continuation",
    "A continuation record has nothing to continue",
    "Its pad or hole belongs to no net.",
    _E,
    _AGAIN,
    _NET,
    at_most=Consequence.DECIDE,
)
NET_NAME: Final = Rule.of(
    "netlist/long-name",
    "A net name has a space or fills all its columns without an alias table",
    "Names cut to 14 characters may become equal although the nets differ.",
    _W,
    "Export the netlist in its A revision, which has a table of long names.",
    _NET,
    at_most=Consequence.KNOW,
)
NET_NO_END: Final = Rule.of(
    "netlist/no-end",
    "The netlist has no end record 999",
    "The file may be cut off, and missing nets are not tested.",
    _W,
    _AGAIN,
    _NET,
    at_most=Consequence.KNOW,
)
NET_AFTER_END: Final = Rule.of(
    "netlist/after-end",
    "Records stand behind the end record 999 of the netlist",
    "Whoever tests the boards stops at 999; the nets behind it are not tested.",
    _W,
    _AGAIN,
    _NET,
    at_most=Consequence.KNOW,
)

PLACEMENT_NO_TABLE: Final = Rule.of(
    "placement/no-table",
    "No placement table could be found in the file",
    "Without designator and position no part can be placed.",
    _E,
    "Export a table with designator, X, Y, rotation and side.",
    COMMON_PRACTICE,
    at_most=Consequence.DECIDE,
)
PLACEMENT_ROW: Final = Rule.of(
    "placement/bad-row",
    "A row of the placement table cannot be read",
    "The part in it is not placed.",
    _W,
    "Correct the row: designator, X, Y and rotation are needed.",
    COMMON_PRACTICE,
    at_most=Consequence.KNOW,
)
PLACEMENT_CELLS: Final = Rule.of(
    "placement/cells",
    "A row of the placement table has an open quote or more cells than headings",
    "Where its cells end is a guess, and a part may be placed elsewhere or not at all.",
    _W,
    "Close the quote, or put quotes around cells that hold a separator.",
    Source("RFC 4180", "2"),
    at_most=Consequence.KNOW,
)
PLACEMENT_DOUBLE: Final = Rule.of(
    "placement/double-designator",
    "A designator is placed twice",
    "The machine would place two parts, or refuse the list.",
    _E,
    "Give each part its own designator in the layout.",
    COMMON_PRACTICE,
    at_most=Consequence.DECIDE,
)
PLACEMENT_UNIT: Final = Rule.of(
    "placement/unit-assumed",
    "The placement table does not state its unit",
    "Positions read in the wrong unit are 25.4 times off.",
    _N,
    "Export the table with units, or in millimetres.",
    COMMON_PRACTICE,
)
PLACEMENT_SIDE: Final = Rule.of(
    "placement/side-assumed",
    "The placement table does not name the side in words",
    "Parts on the wrong side mirror the whole board.",
    _W,
    "Export the table with top and bottom in words.",
    COMMON_PRACTICE,
    at_most=Consequence.KNOW,
)
PARTS_NO_TABLE: Final = Rule.of(
    "partslist/no-table",
    "No parts table could be found in the file",
    "Nothing in it can be counted or priced.",
    _W,
    "Export a table with designators and values.",
    COMMON_PRACTICE,
)
PARTS_ROW: Final = Rule.of(
    "partslist/bad-row",
    "A row of the parts table has neither designator nor quantity",
    "The row is not counted.",
    _W,
    "Add the designators to the row.",
    COMMON_PRACTICE,
)
PARTS_CELLS: Final = Rule.of(
    "partslist/cells",
    "A row of the parts table has an open quote or more cells than headings",
    "Where its cells end is a guess, and another part may be bought.",
    _W,
    "Close the quote, or put quotes around cells that hold a separator.",
    Source("RFC 4180", "2"),
)
PARTS_QUANTITY: Final = Rule.of(
    "partslist/quantity",
    "The quantity of a row is not the number of its designators",
    "Too many or too few parts would be bought.",
    _W,
    "Correct the row in the schematic and export again.",
    COMMON_PRACTICE,
)
PARTS_DOUBLE: Final = Rule.of(
    "partslist/double-designator",
    "A designator is listed twice",
    "The part would be bought twice.",
    _W,
    "Remove one of the rows.",
    COMMON_PRACTICE,
)
