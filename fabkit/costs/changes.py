"""What one half costs before and after, and which line of the quote causes it."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from fabkit.costs.model import PARTS_GROUPS, Element, Line, Offer
from fabkit.costs.offers import Priced


@dataclass(frozen=True, slots=True, kw_only=True)
class LineChange:
    """One line of the quote, as its share of a half, unrounded.

    ``reasons`` are the terms that changed: title, before, after (amounts of the whole order).
    """

    key: str
    title: str
    before: Decimal
    after: Decimal
    reasons: tuple[tuple[str, Decimal, Decimal], ...]

    @property
    def difference(self) -> Decimal:
        """What the line adds to a half."""
        return self.after - self.before


@dataclass(frozen=True, slots=True, kw_only=True)
class CostChange:
    """Cost of one half on the old board and on the new one.

    Parameters
    ----------
    before, after
        The cheapest order that covers the need; None when there is none.
    lines
        Lines that changed, the dearest first; their differences add up to that of the halves.
    tiers
        Base price rows of the house that each board falls into.
    reason
        Why there is no price; empty when there is.
    without_parts
        Why parts are left out of both prices; empty when they are in.
    """

    before: Offer | None
    after: Offer | None
    lines: tuple[LineChange, ...]
    tiers: tuple[str, str]
    reason: str
    without_parts: str = ""

    @property
    def difference(self) -> Decimal | None:
        """What a half costs more; negative when it costs less."""
        if self.before is None or self.after is None:
            return None
        a, b = self.before.per_half, self.after.per_half
        return None if a is None or b is None else b - a

    @property
    def tier_crossed(self) -> bool:
        """Whether the boards are priced by different rows of the house's base prices."""
        return self.tiers[0] != self.tiers[1]


def compare_costs(old: Priced, new: Priced) -> CostChange:
    """Compare the cheapest offers for two boards that were priced by the same order."""
    before, after = old.offer, new.offer
    if before is None or after is None:
        name, lacking = ("OLD", old) if before is None else ("NEW", new)
        reason = f"{name} has no price: {lacking.reason}"
        return CostChange(before=before, after=after, lines=(), tiers=("", ""), reason=reason)
    return CostChange(
        before=before,
        after=after,
        lines=_lines(before, after),
        tiers=(_tier(before), _tier(after)),
        reason="",
    )


def _lines(before: Offer, after: Offer) -> tuple[LineChange, ...]:
    mine, theirs = ({a.key: a for a in offer.lines} for offer in (before, after))
    made = []
    for key in dict.fromkeys([*theirs, *mine]):
        a, b = mine.get(key), theirs.get(key)
        either = b or a
        assert either is not None  # noqa: S101 -- the key came from one of the two
        change = LineChange(
            key=key,
            title=either.group.value if either.group not in PARTS_GROUPS else either.title,
            before=_share(before, a),
            after=_share(after, b),
            reasons=_reasons(a, b),
        )
        if change.difference:
            made.append(change)
    return tuple(sorted(made, key=lambda c: (-abs(c.difference), c.key)))


def _share(offer: Offer, line: Line | None) -> Decimal:
    """Share a line's amount among the halves, as ``Offer.per_half`` does."""
    if line is None:
        return Decimal(0)
    halves = offer.halves_wanted if line.group in PARTS_GROUPS else offer.halves_used
    return line.amount / halves if halves else Decimal(0)


def _reasons(a: Line | None, b: Line | None) -> tuple[tuple[str, Decimal, Decimal], ...]:
    mine, theirs = (
        {e.key: e for e in line.elements} if line is not None else {} for line in (a, b)
    )
    found = []
    for key in dict.fromkeys([*theirs, *mine]):
        before, after = mine.get(key), theirs.get(key)
        values = [e.value if e is not None else Decimal(0) for e in (before, after)]
        if values[0] != values[1]:
            found.append((_title(before, after), values[0], values[1]))
    return tuple(found)


def _title(before: Element | None, after: Element | None) -> str:
    titles = dict.fromkeys(e.title for e in (before, after) if e is not None)
    return " became ".join(titles)


def _tier(offer: Offer) -> str:
    return next((e.title for line in offer.lines for e in line.elements if e.key == "base"), "")
