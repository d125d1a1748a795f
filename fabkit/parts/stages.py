"""The working order of assembly, with the usual cautions of the trade (common practice)."""

from __future__ import annotations

from dataclasses import dataclass

HEAT = "The iron is 300 to 400 C: use a stand, keep loose sleeves away, unplug it when you leave."
FUMES = "Flux smoke irritates airways, whatever the solder: local extraction or fresh air."
LEAD = (
    "If the solder or the finish contains lead: no food at the bench, wash your hands, keep it "
    "from children, hand waste in as hazardous where local rules say so."
)
STATIC = "Ground yourself before touching bare silicon; hold boards by the edge."
LITHIUM = (
    "Measure the polarity of the plug with a meter before every first connection: plugs are not "
    "standardised between makers and the colour of a wire proves nothing; on a board turned over "
    "+ and - may swap."
)
LITHIUM_CELL = (
    "No bare pads, solder ends or edges under a cell; never solder on the cell itself; a swollen, "
    "bent or pierced cell is isolated on a surface that does not burn and recycled by local rules."
)
CHARGER = (
    "Charge only with a charger set for that cell; check its current against the cell's sheet."
)
DEFER = (
    "These are general cautions: local codes, the makers' own sheets and trained practice come "
    "first where they say more."
)

CAUTIONS = {"lithium": (LITHIUM, LITHIUM_CELL, CHARGER), "static": (STATIC,)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stage: parts of lower stages are done first."""

    key: str
    title: str
    solders: bool


STAGES = (
    Stage(key="inspect", title="Look the bare boards over; mark left and right", solders=False),
    Stage(key="surface", title="Solder the low surface parts", solders=True),
    Stage(key="low", title="Solder the low leaded parts", solders=True),
    Stage(key="sockets", title="Solder the sockets on the back", solders=True),
    Stage(key="connectors", title="Solder connectors, buttons and switches", solders=True),
    Stage(key="headers", title="Solder the header rows", solders=True),
    Stage(key="switches", title="Solder the key switches", solders=True),
    Stage(
        key="test", title="Look for bridges; measure + against - before any power", solders=False
    ),
    Stage(key="mechanical", title="Screw and press the mechanical parts", solders=False),
    Stage(key="plug", title="Plug in what is carried over: modules, switches, caps", solders=False),
    Stage(key="power", title="Connect the battery, last of all", solders=False),
)
"""Low parts first, then the back, then tall ones, then what is plugged in, power last."""

ORDER = {stage.key: i for i, stage in enumerate(STAGES)}
