"""Every correction, in the order in which they are made."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Final

from fabkit.base.errors import UsageError
from fabkit.mending import copper, drills, outline, printed
from fabkit.mending.model import Correction, Deed, Draft

Maker = Callable[[Draft], Iterator[Deed]]
"""Changes the draft and says what it did."""

MAKERS: Final[Mapping[str, Maker]] = {
    "hole-twice": drills.drill_once,
    "drill-plating": drills.part_plating,
    "slots-to-cut-out": drills.draw_cut_outs,
    "profile-gap": outline.close_gaps,
    "profile-twice": outline.draw_once,
    "profile-elsewhere": outline.take_out_copies,
    "stray-marks": outline.take_out_strays,
    "bare-rims": copper.take_out_rims,
    "copper-edge": printed.pull_back_pours,
    "slivers": copper.cut_slivers,
    "teardrops": copper.add_teardrops,
    "mask-margin": printed.grow_openings,
    "legend-width": printed.widen_legend,
    "legend-clip": printed.clip_legend,
}
"""Corrections that change what is drawn or drilled; the others are made by writing the set."""

BETWEEN_LAYERS: Final = (
    *("profile-elsewhere", "stray-marks", "bare-rims", "copper-edge", "teardrops"),
    *("mask-margin", "legend-clip"),
)
"""Corrections that take one layer, the profile or the holes as the measure of another."""


def can_mend(rule: str) -> bool:
    """Whether a correction that needs no asking ends findings of a rule that is named to it."""
    return any(rule in c.heals for c in load_corrections().values() if not c.asked)


@cache
def load_corrections() -> Mapping[str, Correction]:
    """Give every correction by its id."""
    import tomllib

    text = files(__package__).joinpath("corrections.toml").read_text(encoding="utf-8")
    return {name: _made(name, **entry) for name, entry in tomllib.loads(text).items()}


def _made(
    name: str,
    *,
    title: str,
    does: str,
    safe: str,
    proof: str,
    heals: Iterable[str],
    asked: bool = False,
) -> Correction:
    return Correction(
        id=name, title=title, does=does, safe=safe, proof=proof, heals=tuple(heals), asked=asked
    )


def choose(asked: Iterable[str], without: Iterable[str]) -> tuple[str, ...]:
    """Ids of the corrections to make: all but those on request, those asked for, less some.

    Raises
    ------
    UsageError
        There is no such correction.
    """
    known = load_corrections()
    asked, without = set(asked), set(without)
    for name in sorted(asked | without):
        if name not in known:
            raise UsageError(
                f"there is no correction {name!r}",
                hint=f"Corrections: {', '.join(known)}.",
            )
    return tuple(
        name for name, c in known.items() if (not c.asked or name in asked) and name not in without
    )
