"""Whether a package holds every file the board needs, once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fabkit.checks.case import Case
from fabkit.checks.declare import check
from fabkit.findings import COMMON_PRACTICE, Finding, Place, Rule, Severity, Source
from fabkit.package.model import PackageFile, Role, RoleKind, Side

_FILE_FUNCTION: Final = Source("Gerber Layer Format Specification 2021.02", "section 5.6.3")

NO_COPPER = Rule(
    id="package/no-copper",
    title="No copper layer",
    why="Without copper there is nothing to make.",
    source=COMMON_PRACTICE,
    severity=Severity.ERROR,
    advice="Export the copper layers too; `fabkit check --files` shows what was found.",
)
NO_PROFILE = Rule(
    id="package/no-profile",
    title="No profile (board outline) file",
    why="The house routes along the profile; without one it must ask, or guess the size.",
    source=_FILE_FUNCTION,
    severity=Severity.ERROR,
    advice="Export the board outline as a layer of its own.",
)
NO_DRILL = Rule(
    id="package/no-drill",
    title="No drill file",
    why="Without a drill file the board comes without holes.",
    source=COMMON_PRACTICE,
    severity=Severity.ERROR,
    advice="Export the drill file; if the board has no holes on purpose, say so in the order.",
)
NO_MASK = Rule(
    id="package/no-mask",
    title="A copper side has no solder mask file",
    why="Without its mask file a side may come bare, or covered all over: pads cannot be soldered.",
    source=COMMON_PRACTICE,
    severity=Severity.WARNING,
    advice="Export the solder mask layer of that side.",
)
NO_LEGEND = Rule(
    id="package/no-legend",
    title="No legend on either side",
    why="Nothing will be printed: no polarity marks, no names, no face marks.",
    source=COMMON_PRACTICE,
    severity=Severity.NOTE,
    advice="Export the legend layers if you want printing.",
)
COPPER_GAP = Rule(
    id="package/copper-layer-missing",
    title="The copper layer numbers have a gap",
    why="The house would make the board without that layer, or stop to ask.",
    source=_FILE_FUNCTION,
    severity=Severity.ERROR,
    advice="Export all copper layers again, into one package.",
)
COPPER_ORDER = Rule(
    id="package/copper-order-unknown",
    title="The order of the inner copper layers is not stated",
    why="Inner layers in the wrong order change what lies next to what.",
    source=_FILE_FUNCTION,
    severity=Severity.WARNING,
    advice="Export with attributes (X2), or number the inner layers in their file names.",
)
ONE_COPPER = Rule(
    id="package/one-copper-side",
    title="Only one side has copper",
    why="A one-sided board is a product of its own; more often a layer was not exported.",
    source=COMMON_PRACTICE,
    severity=Severity.WARNING,
    advice="Export both copper layers, even an empty one, or order a one-sided board.",
)
DOUBLED = Rule(
    id="package/doubled-role",
    title="Two files claim the same layer",
    why="The house takes one of them, perhaps the old one.",
    source=_FILE_FUNCTION,
    severity=Severity.ERROR,
    advice="Export into an empty folder, so that only the files of this revision are there.",
)
PLATING_UNKNOWN = Rule(
    id="package/plating-unknown",
    title="It is not said which holes are plated",
    why="Plated mounting holes come out smaller; non-plated vias cut nets.",
    source=Source("Gerber Layer Format Specification 2021.02", "section 5.6.4"),
    severity=Severity.WARNING,
    advice="Export plated and non-plated holes as two files, or with attributes.",
)

_ONE_OF_A_KIND = {
    RoleKind.COPPER,
    RoleKind.MASK,
    RoleKind.LEGEND,
    RoleKind.PASTE,
    RoleKind.PROFILE,
}
_SIDES: tuple[Side, ...] = ("top", "bottom")


def _at(files: tuple[PackageFile, ...] | list[PackageFile]) -> tuple[Place, ...]:
    return tuple(Place(file=f.name) for f in files)


@check(
    id="package/required-files",
    rules=(NO_COPPER, NO_PROFILE, NO_DRILL, NO_MASK, NO_LEGEND, ONE_COPPER),
)
def find_missing_files(case: Case) -> Iterator[Finding]:
    """Every file the board needs is there."""
    package = case.board.package
    copper = package.of(RoleKind.COPPER)
    sides = [s for s in _SIDES if any(f.role.side == s for f in copper)]
    if not copper:
        yield Finding.of(NO_COPPER, "no file of the package is a copper layer")
    elif len(sides) == 1:
        other = "bottom" if sides == ["top"] else "top"
        yield Finding.of(ONE_COPPER, f"there is no {other} copper layer", *_at(copper))
    if not package.of(RoleKind.PROFILE):
        words = "" if case.board.profile is None else "; the shape was taken from elsewhere"
        yield Finding.of(NO_PROFILE, f"no file of the package is the profile{words}")
    if not package.of(RoleKind.DRILL):
        yield Finding.of(NO_DRILL, "no file of the package is a drill file")
    for side in sides:
        if not package.of(RoleKind.MASK, side):
            yield Finding.of(NO_MASK, f"there is no {side} solder mask")
    if copper and not package.of(RoleKind.LEGEND):
        yield Finding.of(NO_LEGEND, "there is no legend file")


@check(id="package/one-file-a-layer", rules=(DOUBLED,))
def find_doubled_roles(case: Case) -> Iterator[Finding]:
    """No layer is given twice."""
    claims: dict[Role, list[PackageFile]] = {}
    for file in case.board.package.files:
        role = file.role
        numberless_inner = role.inner and role.layer is None
        if role.kind in _ONE_OF_A_KIND and not numberless_inner:
            # An outer layer is named by its side, whether or not it also has a number.
            key = role if role.inner else Role(kind=role.kind, side=role.side)
            claims.setdefault(key, []).append(file)
    for role, files in claims.items():
        if len(files) > 1:
            names = ", ".join(f.name for f in files)
            yield Finding.of(DOUBLED, f"{len(files)} files are the {role}: {names}", *_at(files))


@check(id="package/copper-stack", rules=(COPPER_GAP, COPPER_ORDER), needs=("copper",))
def find_copper_gaps(case: Case) -> Iterator[Finding]:
    """The copper layers are numbered without a gap."""
    files = case.board.package.of(RoleKind.COPPER)
    nameless = [f for f in files if f.role.inner and f.role.layer is None]
    if len(nameless) > 1:
        yield Finding.of(
            COPPER_ORDER,
            f"{len(nameless)} inner copper layers carry no layer number",
            *_at(nameless),
        )
    numbers = {f.role.layer for f in files if f.role.layer is not None}
    if nameless or not numbers:
        return
    missing = sorted(set(range(1, max(numbers) + 1)) - numbers)
    # A top layer without a number is layer 1.
    if any(f.role.side == "top" and f.role.layer is None for f in files):
        missing = [n for n in missing if n != 1]
    if missing:
        words = ", ".join(str(n) for n in missing)
        yield Finding.of(
            COPPER_GAP,
            f"copper layer {words} of {max(numbers)} is missing",
            *_at(files),
            count=len(missing),
        )


@check(id="package/plating-stated", rules=(PLATING_UNKNOWN,), needs=("drill",))
def find_unknown_plating(case: Case) -> Iterator[Finding]:
    """Every drill file says which holes are plated."""
    board = case.board
    for index, name in enumerate(board.drill_names):
        holes = int(((board.holes.file == index) & (board.holes.plated < 0)).sum())
        slots = int(((board.slots.file == index) & (board.slots.plated < 0)).sum())
        if holes or slots:
            yield Finding.of(
                PLATING_UNKNOWN,
                f"{name} does not say whether its {holes} holes and {slots} slot cuts are plated",
                Place(file=name),
            )
