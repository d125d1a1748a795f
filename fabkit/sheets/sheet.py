"""A board house as the user knows it: limits, options, minimum order, rate card."""

from __future__ import annotations

import copyreg
import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType
from typing import Any

from fabkit.base.errors import UsageError
from fabkit.sheets.limit_table import LIMIT_KINDS, LimitClass, LimitKind, Sense
from fabkit.sheets.rates import RateCard


def _read_only(mapping: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(mapping)


# Sheets hold read-only mappings, which Python cannot pickle by itself.
copyreg.pickle(MappingProxyType, lambda mapping: (_read_only, (dict(mapping),)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit in force, with its origin.

    ``source`` is the sheet's own note and place, or where the default comes from.
    """

    key: str
    title: str
    value: float
    unit: str
    sense: Sense
    cls: LimitClass
    source: str
    stated: bool
    """True when the sheet states it, False for a default."""

    def allows(self, measured: float, *, tolerance: float = 1e-6) -> bool:
        """Whether a measure keeps the limit; ``tolerance`` is for rounding noise only."""
        if self.sense == "least":
            return measured >= self.value - tolerance
        return measured <= self.value + tolerance


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """A surface finish."""

    key: str
    title: str
    rohs: bool
    """False when it contains lead."""
    flat: bool
    surcharge: Decimal = Decimal(0)
    surcharge_per_dm2: Decimal = Decimal(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Colour:
    """A solder mask colour."""

    key: str
    legend: str
    """Colour of the legend that goes with it."""
    surcharge: Decimal = Decimal(0)
    mask_web_mm: float | None = None
    """Own web limit; None: the one of green or of other colours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What can be ordered."""

    layers: tuple[int, ...]
    thickness_mm: tuple[float, ...]
    copper_oz: tuple[float, ...]
    colours: Mapping[str, Colour]
    finishes: Mapping[str, Finish]
    router_bits_mm: tuple[float, ...]
    drill_step_mm: float
    several_designs: bool
    """Whether one panel may hold several designs."""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class House:
    """A board house.

    Parameters
    ----------
    name
        As the user calls it.
    file
        Path of the sheet as given, for messages.
    invented
        True when limits and prices are an invented example; every output repeats it.
    minimum, step
        Smallest order of one design, and the multiple it must be of.
    stated
        Limits the sheet states, by class and key: value and note.
    fine_surcharge
        Name of the extra charged when the fine class is needed; empty: none.
    rates
        None when the sheet has no prices (checks work, quoting does not).
    lines
        Line of each dotted key.
    """

    name: str
    file: str
    invented: bool
    note: str
    options: Options
    minimum: int
    step: int
    stated: Mapping[LimitClass, Mapping[str, tuple[float, str]]]
    fine_surcharge: str
    rates: RateCard | None
    lines: Mapping[str, int]

    def __repr__(self) -> str:
        return f"<House {self.name}{' (invented)' if self.invented else ''}>"

    def limit(self, key: str, cls: LimitClass = "standard") -> Limit:
        """The limit in force for a class.

        A fine limit the sheet does not state is its standard one when that is stated (the house
        offers nothing finer), else the default.

        Raises
        ------
        UsageError
            No such limit.
        """
        kind = LIMIT_KINDS.get(key)
        if kind is None:
            near = difflib.get_close_matches(key, list(LIMIT_KINDS), n=1)
            raise UsageError(
                f"there is no limit '{key}'", hint=f"did you mean '{near[0]}'?" if near else ""
            )
        for name in dict.fromkeys((cls, "standard")):
            found = self.stated[name].get(key)
            if found is not None:
                value, note = found
                place = self.cite(f"limits.{name}.{key}")
                return _limit(kind, cls, value, f"{place} ({note})" if note else place, True)
        value = kind.fine if cls == "fine" else kind.standard
        return _limit(kind, cls, value, f"default: {kind.source}", False)

    def limits(self, cls: LimitClass = "standard") -> tuple[Limit, ...]:
        """All limits of a class, in sheet order."""
        return tuple(self.limit(key, cls) for key in LIMIT_KINDS)

    def copper_limit(
        self, what: str, copper_oz: float = 1.0, cls: LimitClass = "standard"
    ) -> Limit:
        """``track`` or ``gap`` limit for a copper weight."""
        suffix = "" if copper_oz <= 1 else "_2oz" if copper_oz <= 2 else "_3oz"
        return self.limit(f"{what}{suffix}_mm", cls)

    def mask_web(self, colour: str, cls: LimitClass = "standard") -> Limit:
        """Mask web limit for a colour."""
        known = self.options.colours.get(colour)
        if known is not None and known.mask_web_mm is not None:
            place = self.cite(f"options.colours.{colour}.mask_web_mm")
            return _limit(LIMIT_KINDS["mask_web_mm"], cls, known.mask_web_mm, place, True)
        return self.limit("mask_web_mm" if "green" in colour else "mask_web_other_mm", cls)

    @property
    def thicknesses(self) -> tuple[float, ...]:
        """Offered finished thicknesses, mm, ascending."""
        return self.options.thickness_mm

    @property
    def router_bits(self) -> tuple[float, ...]:
        """Router bit diameters, mm, ascending."""
        return self.options.router_bits_mm

    def cite(self, key: str) -> str:
        """Where a dotted key stands: ``house.toml:42 rates.setup``."""
        line = self.lines.get(key)
        file = self.file.replace("\\", "/").rsplit("/", 1)[-1]
        return f"{file}:{line} {key}" if line is not None else f"{file} {key}"

    @property
    def notice(self) -> str:
        """What every output must say about the sheet; empty when nothing."""
        if not self.invented:
            return ""
        return f"'{self.name}' is an invented example: its limits and prices are nobody's"

    def allowed(self, quantity: int) -> bool:
        """Whether a quantity of one design can be ordered."""
        return quantity >= self.minimum and quantity % self.step == 0

    def next_quantity(self, need: int) -> int:
        """Smallest quantity of one design that can be ordered and covers the need."""
        least = max(need, self.minimum, 1)
        return -(-least // self.step) * self.step


def thickness_tolerance_mm(thickness_mm: float) -> float:
    """Common tolerance of a finished thickness: 10 %, 0.1 mm below 1.0 mm (common practice)."""
    return 0.1 * thickness_mm if thickness_mm >= 1.0 else 0.1


def _limit(kind: LimitKind, cls: LimitClass, value: float, source: str, stated: bool) -> Limit:
    return Limit(
        key=kind.key,
        title=kind.title,
        value=value,
        unit=kind.unit,
        sense=kind.sense,
        cls=cls,
        source=source,
        stated=stated,
    )
