"""A comparison as a plain dictionary: text, Markdown, JSON and the page are written from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from fabkit.compare.expecting import Judgement
from fabkit.compare.findings import FindingChanges
from fabkit.compare.model import SAME_MM, SLIVER_MM, Change, Comparison, LayerChange
from fabkit.costs.changes import CostChange
from fabkit.costs.model import Offer
from fabkit.keyboard.build import describe
from fabkit.outputs.records import board_record, finding_record, keyboard_record

Record = dict[str, Any]


@dataclass(frozen=True, eq=False, kw_only=True)
class Compared:
    """A comparison with the record that outputs are written from."""

    comparison: Comparison
    record: Record


def compare_record(
    comparison: Comparison,
    *,
    findings: FindingChanges | None = None,
    costs: CostChange | None = None,
    judgement: Judgement | None = None,
) -> Record:
    """Everything that is different, how it was told, and what it leads to."""
    alignment = comparison.alignment
    meant: Sequence[bool | None] = (
        [None] * len(comparison.changes) if judgement is None else judgement.expected
    )
    return {
        "boards": [
            keyboard_record(describe(board, name=word))
            for word, board in (("OLD", comparison.old), ("NEW", comparison.new))
        ],
        "old": board_record(comparison.old),
        "new": board_record(comparison.new),
        "alignment": {
            "method": alignment.method,
            "turned_deg": alignment.turned_deg,
            "shift_mm": list(alignment.shift_mm),
            "agreeing": alignment.agreeing,
            "compared": alignment.compared,
            "text": alignment.words,
        },
        "tolerance": {"coordinate_mm": SAME_MM, "sliver_mm": SLIVER_MM},
        "verdict": comparison.verdict,
        "equal": comparison.equal,
        "comparable": alignment.comparable,
        "changes": [
            change_record(c, expected=e) for c, e in zip(comparison.changes, meant, strict=True)
        ],
        "layers": [_layer(layer, comparison.changes) for layer in comparison.layers],
        "not_compared": dict(comparison.not_compared),
        "expectations": None
        if judgement is None
        else {
            "met": not judgement.findings,
            "findings": [finding_record(f) for f in judgement.findings],
        },
        "findings": None if findings is None else _findings(findings),
        "costs": None if costs is None else _costs(costs),
    }


def change_record(change: Change, *, expected: bool | None = None) -> Record:
    """One change; only what is known of it."""
    known: Record = {
        "kind": change.kind,
        "subject": change.subject,
        "message": change.message,
        "side": change.side,
        "x_mm": change.x_mm,
        "y_mm": change.y_mm,
        "box_mm": None if change.box_mm is None else list(change.box_mm),
        "near": change.near or None,
        "before": change.before or None,
        "after": change.after or None,
        "moved_mm": None if change.moved_mm is None else list(change.moved_mm),
        "turned_deg": change.turned_deg or None,
        "ends_mm": None if change.ends_mm is None else [list(end) for end in change.ends_mm],
        "group": change.group,
        "added_mm2": change.added_mm2 if change.is_area else None,
        "removed_mm2": change.removed_mm2 if change.is_area else None,
        "expected": expected,
    }
    return {key: value for key, value in known.items() if value is not None}


def _layer(layer: LayerChange, changes: Sequence[Change]) -> Record:
    return {
        "name": layer.name,
        "side": layer.side,
        "added_mm2": layer.added_mm2,
        "removed_mm2": layer.removed_mm2,
        "places": sum(c.is_area and c.subject == layer.name for c in changes),
        "equal_files": layer.equal_files,
    }


def _findings(findings: FindingChanges) -> Record:
    return {
        "new": [finding_record(f) for f in findings.new],
        "gone": [finding_record(f) for f in findings.gone],
        "changed": [
            {"before": finding_record(a), "after": finding_record(b)} for a, b in findings.changed
        ],
        "same": findings.same,
    }


def _costs(costs: CostChange) -> Record:
    return {
        "reason": costs.reason or None,
        "before": _offer(costs.before),
        "after": _offer(costs.after),
        "difference_per_half": _rounded(costs.difference, costs.after),
        "tier_crossed": costs.tier_crossed,
        "tier_before": costs.tiers[0],
        "tier_after": costs.tiers[1],
        "lines": [
            {
                "key": line.key,
                "title": line.title,
                "before": _rounded(line.before, costs.after),
                "after": _rounded(line.after, costs.after),
                "difference": _rounded(line.difference, costs.after),
                "because": [
                    {"title": title, "before": a, "after": b} for title, a, b in line.reasons
                ],
            }
            for line in costs.lines
        ],
    }


def _offer(offer: Offer | None) -> Record | None:
    if offer is None:
        return None
    return {
        "boards": offer.boards,
        "total": offer.total,
        "per_half": _rounded(offer.per_half, offer),
        "currency": offer.currency.code,
    }


def _rounded(value: Decimal | None, offer: Offer | None) -> Decimal | None:
    """A share of a total, rounded for showing only."""
    return None if value is None or offer is None else offer.currency.round(value)
