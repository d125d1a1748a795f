"""What mending is made of: corrections, what each did, what is proved, and the mended set.

What each correction does, why it is safe, how it is proved and what it heals stands in
``corrections.toml``.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Shapes
from fabkit.base.errors import UsageError
from fabkit.base.findings import Finding
from fabkit.base.tables import Result, Table, columns_of
from fabkit.base.units import counted, some_of
from fabkit.board.model import Board
from fabkit.compare.model import FindingChanges
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.model import GerberFile
from fabkit.geometry.areas import touched
from fabkit.package.model import PackageFile, RoleKind
from fabkit.package.roles import SURE
from fabkit.sheets.house import House


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One kind of correction.

    Parameters
    ----------
    id
        ``kebab-case``; a promise, never changed once released.
    title, does, safe, proof
        In words: what it is, what it does, why it is safe, and how it is proved.
    heals
        Rules, or groups with a trailing slash, whose findings it may end.
    asked
        Whether it is made only when asked for.
    """

    id: str
    title: str
    does: str
    safe: str
    proof: str
    heals: tuple[str, ...] = ()
    asked: bool = False


def can_mend(rule: str) -> bool:
    """Whether a correction that needs no asking ends findings of a rule that is named to it."""
    return any(rule in c.heals for c in load_corrections().values() if not c.asked)


ORDER_AGAIN: Final = "order again with --mend"
"""The call for a package that is ordered."""


def find_offer(rules: Sequence[str], *, call: str) -> str:
    """Say which causes, by their rules, a call of a command mends; empty where none can be."""
    by_itself = [rule for rule in rules if can_mend(rule)]
    rest = [rule for rule in rules if not can_mend(rule)]
    names = [
        name
        for name, c in load_corrections().items()
        if c.asked and not set(rest).isdisjoint(c.heals)
    ]
    known = load_corrections()
    healed = [*by_itself, *(r for r in rest if any(r in known[name].heals for name in names))]
    if not healed:
        return ""
    asked = "".join(f" --with {name}" for name in names)
    which = f"{len(healed)} of {counted(len(rules), 'cause')} ({some_of(healed, 3)})"
    return f"{which} can be mended in the files: {call}{asked}"


def mend_call(path: str) -> str:
    """Give the command that mends a package."""
    return f"fabkit mend {shlex.quote(path)} --out mended.zip"


@cache
def load_corrections() -> Mapping[str, Correction]:
    """Give every correction by its id."""
    import tomllib

    text = files(__package__).joinpath("corrections.toml").read_text(encoding="utf-8")
    return {
        name: Correction(id=name, **entry | {"heals": tuple(entry["heals"])})
        for name, entry in tomllib.loads(text).items()
    }


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


# What is done


Point = tuple[float, float]
PLACES = 20
"""Places that are listed of one deed."""
WRITTEN_MM = 1e-6
"""Last decimal of written layers: by so much an edge may move, or an end."""
AVOID_MM = 0.5
"""What lies this near to a new finding may have caused it."""


def is_doubtful(file: PackageFile) -> bool:
    """Whether what a file is was guessed; it is left as it is."""
    return file.confidence < SURE


def stating(file: GerberFile, *keys: str) -> Bools:
    """Which objects of a layer have one of these attributes, (n,) bool."""
    sets = file.attribute_sets or ({},)
    held = np.array([not one.keys().isdisjoint(keys) for one in sets])
    return np.asarray(held[file.objects.attributes], np.bool_)


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """What one correction did in one file.

    Parameters
    ----------
    correction
        Its id.
    file
        Name of the file as given; empty for the whole set.
    words
        What was done, in a sentence part.
    count
        How many times.
    places
        Some of the places, mm.
    claim
        Where the layer may differ now, mm; None where nothing that is drawn may.
    """

    correction: str
    file: str
    words: str
    count: int = 1
    places: tuple[Point, ...] = ()
    claim: BaseGeometry | None = None

    @classmethod
    def over(
        cls,
        correction: str,
        file: str,
        words: str,
        areas: Shapes,
        *,
        drawn: Shapes | None = None,
        at: Floats | None = None,
    ) -> Deed:
        """Give a deed of some areas.

        Parameters
        ----------
        drawn
            What is claimed where other areas are drawn for them; default: the areas.
        at
            (n, 2) float64, mm: its places; default: points within the areas.
        """
        if at is None:
            at = shapely.get_coordinates(shapely.point_on_surface(areas[:PLACES]))
        return cls(
            correction=correction,
            file=file,
            words=words,
            count=len(areas),
            places=spots_of(at),
            claim=shapely.union_all(areas if drawn is None else drawn),
        )


NOWHERE: Floats = np.empty((0, 2))
"""Of a deed whose places are not listed."""


def spots_of(points: Floats) -> tuple[Point, ...]:
    """Give the first of some points, (n, 2) float64, mm, as places of a deed."""
    return tuple(map(tuple, points[:PLACES].tolist()))


@dataclass(frozen=True, slots=True, kw_only=True)
class NotMade:
    """A correction that was not made, and why."""

    correction: str
    file: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LayerProof:
    """What became of one layer.

    Parameters
    ----------
    layer
        Its name on the board.
    before, after
        Name of its file as given and as written.
    added, removed
        (n,) object arrays of polygons, mm: what is drawn now and was not, and the other way round.
    elsewhere_mm2
        Area of the difference where no correction claims one.
    """

    layer: str
    before: str
    after: str
    added: Shapes
    removed: Shapes
    elsewhere_mm2: float

    @property
    def added_mm2(self) -> float:
        """Area that is drawn now and was not."""
        return float(shapely.area(self.added).sum())

    @property
    def removed_mm2(self) -> float:
        """Area that is drawn no more."""
        return float(shapely.area(self.removed).sum())

    def places(self) -> tuple[tuple[float, float, float, float], ...]:
        """Boxes of the largest differences, mm."""
        parts = np.concatenate((self.added, self.removed))
        order = np.argsort(-shapely.area(parts), kind="stable")[:PLACES]
        return tuple(map(tuple, shapely.bounds(parts[order]).tolist()))


@dataclass(slots=True)
class Draft:
    """The set while it is mended.

    Parameters
    ----------
    board
        As given.
    house
        Whose limits corrections follow.
    files
        By name as given; their contents are what will be written.
    deeds, left
        What was done, and what was not, so far.
    avoid
        Places of findings that an earlier attempt brought about, mm.
    asked
        Corrections that were asked for.
    """

    board: Board
    house: House
    files: dict[str, PackageFile]
    deeds: list[Deed] = field(default_factory=list)
    left: list[NotMade] = field(default_factory=list)
    avoid: list[Point] = field(default_factory=list)
    asked: frozenset[str] = frozenset()

    def copy(self) -> Draft:
        """Give a draft that can be changed without changing this one."""
        return Draft(
            self.board, self.house, dict(self.files), [*self.deeds], [*self.left], [*self.avoid],
            self.asked,
        )  # fmt: skip

    def allowed(self, areas: Shapes) -> Bools:
        """Which of some areas are not near a place to avoid."""
        spots = shapely.points(np.array(self.avoid).reshape(-1, 2))
        return ~touched(areas, spots, within_mm=AVOID_MM)

    def layers(self, *kinds: RoleKind) -> Iterator[tuple[str, PackageFile, GerberFile]]:
        """Layers of some kinds, by name, but those that show what is absent or are guessed."""
        negative = {layer.file.name for layer in self.board.layers if layer.negative}
        for name, file in list(self.files.items()):
            kept = name in negative or is_doubtful(file)
            if file.role.kind in kinds and file.gerber is not None and not kept:
                yield name, file, file.gerber

    def drills(self) -> Iterator[tuple[str, PackageFile, DrillFile]]:
        """Drill files, by name, but those that are guessed."""
        for name, file in list(self.files.items()):
            drills = file.role.kind is RoleKind.DRILL and not is_doubtful(file)
            if drills and file.drill is not None:
                yield name, file, file.drill

    def put(self, file: PackageFile, content: GerberFile | DrillFile) -> None:
        """Write something else into a file."""
        self.files[file.name] = replace(file, content=content)

    def refuse(self, correction: str, file: str, reason: str) -> None:
        """Note that a correction is not made in a file."""
        self.left.append(NotMade(correction=correction, file=file, reason=reason))


BY_FUNCTION: Final = frozenset(
    {
        "gerber/profile-content",
        "gerber/drawing-in-data",
        "gerber/negative-copper",
        "gerber/positive-mask",
        "gerber/drill-shape",
        "gerber/drill-clear",
        "package/copper-numbers",
        "package/function-in-part",
    }
)
"""Rules that are only asked of files which state what they are: now that they do, what the source
itself draws comes to light."""


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class Mended(Result):
    """A mended set, with what was done and what is proved.

    Parameters
    ----------
    before, after
        The board as given, and as read back from what is written.
    files
        Name to bytes of everything that is written.
    names
        Name as given to name as written.
    deeds, left
        What was done, and what was not.
    layers
        What became of each layer.
    findings
        What is found on the mended board, beside what was found before.
    pads
        How many pads are joined to each other as before.
    asked
        Corrections that were asked for.
    """

    before: Board
    after: Board
    files: Mapping[str, bytes]
    names: Mapping[str, str]
    deeds: tuple[Deed, ...]
    left: tuple[NotMade, ...]
    layers: tuple[LayerProof, ...]
    findings: FindingChanges
    pads: int
    asked: tuple[str, ...] = ()

    @property
    def ended(self) -> tuple[Finding, ...]:
        """Findings of rules that are not broken any more, whatever files are called now."""
        still = {f.id for f in self.findings.new} | {f.id for _, f in self.findings.changed}
        return tuple(f for f in self.findings.gone if f.id not in still)

    @property
    def now_judged(self) -> tuple[str, ...]:
        """Rules that could be judged only now that files state what they are, and were broken."""
        return tuple(sorted({f.id for f in self.findings.new} & BY_FUNCTION))

    @property
    def idle(self) -> tuple[str, ...]:
        """Corrections that were asked for and found nothing to correct."""
        spoken = {d.correction for d in self.deeds} | {n.correction for n in self.left}
        return tuple(sorted(set(self.asked) - spoken))

    @property
    def brief(self) -> str:
        """What it is, in a few words."""
        gone = counted(len(self.ended), "finding")
        return f"{self.before.name}: {counted(len(self.deeds), 'correction')}, {gone} less"

    def table(self) -> Table:
        """Every correction that was made."""
        return Table(
            columns_of("correction", "file", "what", "count"),
            tuple((d.correction, d.file, d.words, d.count) for d in self.deeds),
        )
