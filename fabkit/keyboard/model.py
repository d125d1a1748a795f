"""The keyboard that a board is, made once per board and read by everything else."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, Literal

import numpy as np

from fabkit.base.columns import Floats
from fabkit.board.model import Component
from fabkit.geometry.neighbours import PointTree
from fabkit.package.model import Side
from fabkit.sheets.order import BoardUse

Spot = tuple[float, float]
"""A place on the board, mm, seen from the top."""

Hand = Literal["left", "right", "whole"]
"""Which hand a set of keys is for; ``whole`` when the keyboard is not split."""

Family = Literal["full-height", "low-profile", "not known"]
"""Build of switch that fits; ``full-height`` and ``low-profile`` are words of the trade."""

Hold = Literal["soldered", "socket", "either", "plate", "not known"]
"""How a switch is held: by soldered pins, in a socket, as the builder likes, or by a plate."""


PartKind = Literal[
    "audio jack",
    "button",
    "capacitor",
    "circuit",
    "connector",
    "controller",
    "controller row",
    "crystal",
    "diode",
    "display",
    "encoder",
    "foot",
    "fuse",
    "header",
    "inductor",
    "light",
    "lithium connector",
    "other",
    "power switch",
    "reset",
    "resistor",
    "screw hole",
    "sounder",
    "spacer",
    "stabiliser",
    "transistor",
]
"""Kinds of parts of a keyboard other than key switches.

``controller row``: a row of holes that holds a controller; ``header``: one that does not.
``screw hole``: the place of a screw, with or without a spacer.
"""

Mount = Literal["through-hole", "surface", "either", "not known"]
"""How a part is soldered; ``either`` where the board offers both, one of which is fitted."""


class Evidence(StrEnum):
    """What a key or part is known by."""

    ATTRIBUTES = "component attributes"
    PLACEMENT = "placement table"
    NETLIST = "netlist"
    TABLE = "parts table"
    PATTERN = "hole pattern"
    CENTRE = "centre hole"
    PADS = "pads"
    MASK = "mask openings"
    LEGEND = "legend"
    OPENING = "plate opening"

    @classmethod
    def naming(cls, part: Component) -> Evidence:
        """Give the evidence that a component's name is."""
        return {e.value: e for e in (cls.PLACEMENT, cls.NETLIST)}.get(part.origin, cls.ATTRIBUTES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """A place where one key switch can stand.

    Parameters
    ----------
    x_mm, y_mm
        Its middle.
    rotation_deg
        Counter-clockwise, seen from the top, from 0 up to 360; of the mirrored footprint when it
        is used from the bottom alone.
    faces
        Faces that can be the key side: both on a reversible board.
    families
        Builds of switch that fit; several for a footprint that takes either.
    held_by
        How the switch is held.
    contacts
        By the face that is the key side: the places of its contacts (hole or pad), mm.  Empty
        where the files do not show them; more than two where only the copper shows which are used.
    refs
        Components at this place that are its switch, in natural order; several where each face
        has a footprint of its own.
    holes, slots
        Rows of ``Board.holes`` and ``Board.slots`` that belong to its footprint, ascending.
    evidence
        What it is known by, strongest first.
    confidence
        From 0 to 1: how sure it is that a key stands here.
    instead_of
        Numbers (positions in ``Keyboard.keys``) of keys so near that only one of them is fitted.
    size_u
        Width of its cap in key units where a stabiliser shows it, else 1.
    patterns
        Keys of the hole patterns found at its place, in natural order.
    """

    x_mm: float
    y_mm: float
    rotation_deg: float = 0.0
    faces: tuple[Side, ...] = ("top",)
    families: tuple[Family, ...] = ("not known",)
    held_by: Hold = "not known"
    contacts: Mapping[Side, tuple[Spot, ...]] = field(default_factory=dict)
    refs: tuple[str, ...] = ()
    holes: tuple[int, ...] = ()
    slots: tuple[int, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    confidence: float = 1.0
    instead_of: tuple[int, ...] = ()
    size_u: float = 1.0
    patterns: tuple[str, ...] = ()

    @property
    def ref(self) -> str:
        """Its reference, or a name made from its place when the files name none."""
        return self.refs[0] if self.refs else f"@{self.x_mm:.1f},{self.y_mm:.1f}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSite:
    """A place where one part other than a key switch is fitted, whatever names or shows it.

    Parameters
    ----------
    x_mm, y_mm
        Its middle; None where the files name it without a place.
    rotation_deg
        Counter-clockwise, seen from the top.
    faces
        Faces of the board it can be fitted on; empty when the files do not show them.
    mount
        How it is soldered.
    refs
        References at this place, in natural order; several where the board offers more than one
        footprint for the same part (one for each face, or two kinds of footprint).
    pins
        Pins of one footprint; 0 when not known.
    pattern
        Key of its hole pattern; empty when none was found.
    holes
        Rows of ``Board.holes`` that belong to it, ascending.
    evidence
        What it is known by, strongest first.
    confidence
        From 0 to 1: how sure it is that a part of this kind is fitted here.
    """

    kind: PartKind
    x_mm: float | None
    y_mm: float | None
    rotation_deg: float = 0.0
    faces: tuple[Side, ...] = ()
    mount: Mount = "not known"
    refs: tuple[str, ...] = ()
    pins: int = 0
    pattern: str = ""
    holes: tuple[int, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    confidence: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The keys of one half (or of a whole keyboard), with one face up.

    Parameters
    ----------
    hand
        Which hand uses it.
    face_up
        Face of the board that is the key side.
    keys
        Positions in ``Keyboard.keys``, ascending.
    turn_deg
        Quarter turns, counter-clockwise, that lay the board before its user where thumb keys show
        that its files draw it otherwise.
    """

    hand: Hand
    face_up: Side
    keys: tuple[int, ...]
    turn_deg: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hands:
    """What one board is.

    Parameters
    ----------
    use
        What one board is.
    halves
        Halves one board gives: 1 for a half, 2 for both halves and for a whole keyboard, 0 for a
        plate and for no keyboard.
    groups
        Keys by half, left before right.  A reversible board has two groups with the same keys:
        one for each face that can be up.  Empty when ``use`` is ``none``.
    stated_by
        ``user`` when the user stated what the board is, else ``files``.
    why
        What it was recognised by, one sentence.
    hand_known
        Of a reversible board and of halves: whether the keys show which hand is which.
    contradiction
        The user's word against the files, one sentence; empty when they agree.
    """

    use: BoardUse
    halves: int
    groups: tuple[Group, ...]
    stated_by: Literal["user", "files"] = "files"
    why: str
    hand_known: bool = True
    contradiction: str = ""


@dataclass(frozen=True, eq=False, kw_only=True)
class Keyboard:
    """The keyboard that a board is.

    Parameters
    ----------
    keys
        Every place for a switch, in reading order: rows from the top, each from the left, seen
        from the top.
    hands
        What one board is, and which keys belong to which half.
    """

    keys: tuple[Key, ...]
    hands: Hands

    @property
    def counts(self) -> tuple[int, int]:
        """Fewest and most switches fitted on one board: places that overlap take one."""
        return fitted_range([k.instead_of for k in self.keys])

    def group_counts(self, group: Group) -> tuple[int, int]:
        """Fewest and most switches fitted on one half."""
        return fitted_range(self.overlaps(group))

    def overlaps(self, group: Group) -> list[list[int]]:
        """For each key of a half: positions in ``group.keys`` of those that overlap it."""
        at = {key: i for i, key in enumerate(group.keys)}
        return [[at[o] for o in self.keys[k].instead_of if o in at] for k in group.keys]


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class BoardIs:
    """What one board of a result is, for its first line and for programs.

    Parameters
    ----------
    name
        Of the board or design.
    keyboard
        Its keys, and what it is.
    headline
        All of it in one line.
    copies
        Equal boards that one piece gives: more than 1 on a panel.
    size
        Width, height and copper layers of the piece, in words.
    """

    name: str
    keyboard: Keyboard
    headline: str
    copies: int = 1
    size: str = ""

    @property
    def hands(self) -> Hands:
        """What it is, and what it was recognised by."""
        return self.keyboard.hands

    @property
    def use(self) -> BoardUse:
        """What it is, in one word."""
        return self.hands.use


BODY_MM: Final = 13.0
"""Switches nearer to each other than this cannot both be fitted: bodies are 13.8 to 14 mm wide
(common practice)."""

_MOST_TOGETHER: Final = 16
"""Places that overlap in one chain and are tried in every way; larger chains are no keyboard."""


def find_overlaps(centres: Floats) -> list[tuple[int, ...]]:
    """For each place, ascending, the places too near for both to hold a switch.

    Parameters
    ----------
    centres : (n, 2) float64, mm
    """
    near: list[list[int]] = [[] for _ in range(len(centres))]
    if len(centres):
        for a, b in PointTree(centres).pairs(BODY_MM).tolist():
            near[a].append(b)
            near[b].append(a)
    return [tuple(sorted(rows)) for rows in near]


def fitted_range(instead_of: Sequence[Sequence[int]]) -> tuple[int, int]:
    """Fewest and most switches that leave no free place, given which places overlap.

    >>> fitted_range([(), (2,), (1,)])
    (2, 2)
    >>> fitted_range([(1,), (0, 2), (1,)])
    (1, 2)
    """
    fewest = most = 0
    for chain in _chains(instead_of):
        if len(chain) > _MOST_TOGETHER:
            return len(instead_of), len(instead_of)
        counts = list(_full_fits(chain, instead_of))
        fewest, most = fewest + min(counts), most + max(counts)
    return fewest, most


def _chains(instead_of: Sequence[Sequence[int]]) -> Iterator[list[int]]:
    """Places that overlap one another, directly or through others."""
    free = set(range(len(instead_of)))
    while free:
        chain, reached = [], [min(free)]
        while reached:
            place = reached.pop()
            if place in free:
                free.remove(place)
                chain.append(place)
                reached += instead_of[place]
        yield sorted(chain)


def _full_fits(chain: Sequence[int], instead_of: Sequence[Sequence[int]]) -> Iterator[int]:
    """Switches of every choice that overlaps nowhere and leaves no place that could be taken."""
    # Sets of places are bits of one number: a chain of 16 has 65,536 choices.
    at = {place: bit for bit, place in enumerate(chain)}
    blocks = [sum(1 << at[o] for o in instead_of[place]) for place in chain]
    for choice in range(1, 1 << len(chain)):
        chosen = [bit for bit in range(len(chain)) if choice >> bit & 1]
        blocked = int(np.bitwise_or.reduce([blocks[bit] for bit in chosen]))
        if not blocked & choice and (blocked | choice) == (1 << len(chain)) - 1:
            yield len(chosen)
