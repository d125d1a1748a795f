"""The assembly list: stages in working order, each with its parts and cautions."""

from __future__ import annotations

from collections.abc import Sequence

from fabkit.parts.model import AssemblyStep, BillLine
from fabkit.parts.stages import CAUTIONS, DEFER, FUMES, HEAT, LEAD, STAGES


def assembly_steps(lines: Sequence[BillLine]) -> tuple[AssemblyStep, ...]:
    """Steps of the work; stages without parts are left out, looking and measuring are not."""
    steps: list[AssemblyStep] = []
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
                parts=tuple(part_text(a) for a in parts),
                cautions=tuple(cautions),
            )
        )
    return tuple(steps)


def part_text(line: BillLine) -> str:
    """One part of a step: how many a half, which, on which face."""
    count = f"{line.left}" if line.left == line.right else f"{line.left} left, {line.right} right"
    once = line.per_keyboard - line.left - line.right
    if not (line.left or line.right):
        count = f"{once} a keyboard:"
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
