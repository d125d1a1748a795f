"""What can be wrong in the small files beside the layers, decidable in the file alone."""

from __future__ import annotations

from typing import Final

from fabkit.rules import load_rule

JOB_NOT_JSON: Final = load_rule("job/not-json")
JOB_KEY_MISSING: Final = load_rule("job/key-missing")
JOB_KEY_TWICE: Final = load_rule("job/key-twice")
JOB_WRONG_TYPE: Final = load_rule("job/wrong-type")
JOB_DOUBLE_FUNCTION: Final = load_rule("job/double-function")
JOB_COPPER_COUNT: Final = load_rule("job/copper-count")
JOB_THICKNESS: Final = load_rule("job/thickness")
JOB_STACKUP_COPPER: Final = load_rule("job/stackup-copper")
JOB_STACKUP_SUM: Final = load_rule("job/stackup-sum")
JOB_PATH: Final = load_rule("job/path-outside")
JOB_FINISH: Final = load_rule("job/finish-unknown")

NET_LENGTH: Final = load_rule("netlist/line-length")
NET_UNITS: Final = load_rule("netlist/units")
NET_CODE: Final = load_rule("netlist/unknown-code")
NET_ORPHAN: Final = load_rule("netlist/orphan-continuation")
NET_NAME: Final = load_rule("netlist/long-name")
NET_NO_END: Final = load_rule("netlist/no-end")
NET_AFTER_END: Final = load_rule("netlist/after-end")

PLACEMENT_NO_TABLE: Final = load_rule("placement/no-table")
PLACEMENT_ROW: Final = load_rule("placement/bad-row")
PLACEMENT_CELLS: Final = load_rule("placement/cells")
PLACEMENT_DOUBLE: Final = load_rule("placement/double-designator")
PLACEMENT_UNIT: Final = load_rule("placement/unit-assumed")
PLACEMENT_SIDE: Final = load_rule("placement/side-assumed")
PARTS_NO_TABLE: Final = load_rule("partslist/no-table")
PARTS_ROW: Final = load_rule("partslist/bad-row")
PARTS_CELLS: Final = load_rule("partslist/cells")
PARTS_QUANTITY: Final = load_rule("partslist/quantity")
PARTS_DOUBLE: Final = load_rule("partslist/double-designator")
