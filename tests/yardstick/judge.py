"""Was a plant found? Findings of the planted package against those of the unplanted one."""

from __future__ import annotations

from math import hypot
from typing import Any

from yardstick.kind import Kind, Plant

Finding = dict[str, Any]
WEIGHTS = ("form", "know", "decide", "stop")


def heavy(finding: Finding, weight: str) -> bool:
    """Whether a finding's consequence is at least *weight*."""
    return WEIGHTS.index(finding["consequence"]) >= WEIGHTS.index(weight)


def is_new(finding: Finding, before: list[Finding], plant: Plant) -> bool:
    """Whether the unplanted package has no such finding (at that place, if the plant has one)."""
    kept = ("id", "consequence")
    same = [f for f in before if all(f[key] == finding[key] for key in kept)]
    if plant.place is None:
        return all(_said(f) != _said(finding) for f in same)
    here = _near(finding, plant)
    return all(
        _said(f) != _said(finding) and (not here or len(_near(f, plant)) < len(here)) for f in same
    )


def _said(finding: Finding) -> tuple[Any, ...]:
    return (
        finding["consequence"],
        finding["message"],
        finding["count"],
        tuple(p["text"] for p in finding["places"]),
    )


def _near(finding: Finding, plant: Plant) -> list[dict[str, Any]]:
    """Places of a finding within reach of the plant."""
    x, y = plant.place or (0.0, 0.0)
    return [
        p
        for p in finding["places"]
        if p.get("x_mm") is not None and hypot(p["x_mm"] - x, p["y_mm"] - y) <= plant.reach
    ]


def there(finding: Finding, plant: Plant) -> bool:
    """Whether a finding names the plant's place, its file, or the board as a whole."""
    places = finding["places"]
    if plant.place is not None and any(p.get("x_mm") is not None for p in places):
        return bool(_near(finding, plant))
    names = {name.rpartition("/")[2] for name in plant.files}
    said = {str(p.get("file") or "").rpartition("/")[2] for p in places}
    return (
        not places
        or bool(names & said)
        or any(name in finding["message"] for name in names)
        or plant.place is None
    )


def finds(kind: Kind, plant: Plant, before: list[Finding], after: list[Finding]) -> list[Finding]:
    """Findings that count as finding the plant."""
    return [
        f
        for f in after
        if heavy(f, kind.weight)
        and f["id"].startswith(kind.found)
        and is_new(f, before, plant)
        and there(f, plant)
    ]


def disturbed(before: list[Finding], after: list[Finding]) -> list[Finding]:
    """Findings of weight that a harmless edit brings."""
    known: dict[str, int] = {}
    for f in before:
        if heavy(f, "decide"):
            known[f["id"]] = max(f["count"], known.get(f["id"], 0))
    return [f for f in after if heavy(f, "decide") and f["count"] > known.get(f["id"], 0)]
