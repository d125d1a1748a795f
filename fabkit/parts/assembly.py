"""The assembly list: stages in working order, each with its parts and cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fabkit.parts.model import AssemblyStep, BillLine


def assembly_steps(lines: Sequence[BillLine]) -> tuple[AssemblyStep, ...]:
    """List the steps of the work, less stages without parts; looking and measuring always stay."""
    steps: list[AssemblyStep] = []
    halved = any(a.left or a.right for a in lines)
    warned = False
    for order, stage in enumerate(STAGES):
        parts = [a for a in lines if a.step == order]
        if not parts and stage.key not in ("inspect", "test"):
            continue
        cautions: list[str] = []
        if stage.solders and not warned:
            cautions += [HEAT, FUMES, LEAD, DEFER]
            warned = True
        for line in parts:
            cautions += [c for c in CAUTIONS.get(line.caution, ()) if c not in cautions]
        if "lithium" in {a.caution for a in parts} and DEFER not in cautions:
            cautions.append(DEFER)
        if stage.key == "test" and any(a.caution == "lithium" for a in lines):
            cautions.append(CAUTIONS["lithium"][0])
        steps.append(
            AssemblyStep(
                number=len(steps) + 1,
                title=stage.title,
                parts=tuple(part_text(a, halved=halved) for a in parts),
                cautions=tuple(cautions),
            )
        )
    return tuple(steps)


def part_text(line: BillLine, *, halved: bool = True) -> str:
    """One part of a step: how many a half (of what has halves), which, on which face."""
    count = f"{line.left}" if line.left == line.right else f"{line.left} left, {line.right} right"
    once = line.per_keyboard - line.left - line.right
    if not (line.left or line.right):
        count = f"{once} a keyboard:" if halved else f"{once} x"
    else:
        count += " x"
    text = f"{count} {line.title}"
    left, right = line.faces.get("left", ""), line.faces.get("right", "")
    if left and left == right:
        text += f", {left} face"
    elif left or right:
        text += f", {left or 'either'} face on the left half, {right or 'either'} on the right"
    refs = line.short_refs("left") or line.short_refs("right")
    if refs:
        text += f" ({refs})"
    return text


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
