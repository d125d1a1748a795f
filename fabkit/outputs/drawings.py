"""Faces of a board and sheets about it, as files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import replace as with_fields
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import shapely

from fabkit.base.errors import UsageError
from fabkit.base.findings import Consequence, Finding
from fabkit.base.units import format_number
from fabkit.board.copper import trace_copper
from fabkit.board.model import Board, Layer
from fabkit.checks.judging import check
from fabkit.checks.model import CheckResult
from fabkit.compare.model import Comparison
from fabkit.keyboard.ordered import as_single, order_of
from fabkit.outputs.atomic import refuse_existing, write_file
from fabkit.pictures.looks import USUAL_LOOK, Finish, MaskColour, PreviewOptions
from fabkit.pictures.scene import (
    Scene,
    Sheet,
    sheet_of,
)
from fabkit.sheets.house import House
from fabkit.sheets.order import BESIDE, BoardUse, Order
from fabkit.wiring.judge import NO_KEYS
from fabkit.wiring.model import Wiring

if TYPE_CHECKING:
    from fabkit.board.copper import Copper
    from fabkit.keyboard.model import Spot
    from fabkit.package.model import Side
    from fabkit.pictures.paper import Paper, PaperHalf


SheetKind = Literal["halves", "drills", "layer", "net", "islands", "findings", "measures"]

SHEET_FORMATS: Final = ("png", "svg", "pdf")


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetChoice:
    """Which sheet.

    Parameters
    ----------
    kind
        What it shows.
    layer
        For ``layer``: name or file of the layer, or a part of it that no other has.  For ``net``
        with ``at_mm``: the copper layer that is pointed at; the topmost that has copper there
        without it.
    net
        For ``net``: name of the net.
    at_mm
        For ``net``: a point on the copper that is meant, where nets have no names.
    use
        For ``halves``: what one board is by the user's word; None leaves it to the files.
    """

    kind: SheetKind
    layer: str | None = None
    net: str | None = None
    at_mm: tuple[float, float] | None = None
    use: BoardUse | None = None

    def __post_init__(self) -> None:
        if self.kind == "layer" and not self.layer:
            raise UsageError(
                "which layer?", hint="name it with --layer, such as --layer 'top copper'"
            )
        if self.kind == "net" and (self.net is None) == (self.at_mm is None):
            raise UsageError(
                "which net?", hint="name it with --net NAME, or point at its copper with --at X,Y"
            )


def build_sheet(
    board: Board,
    choice: SheetChoice,
    *,
    options: PreviewOptions = USUAL_LOOK,
    result: CheckResult | None = None,
) -> Scene | Sheet:
    """Put a sheet together; ``result`` has the findings of the sheet of that name.

    Raises
    ------
    UsageError
        The board has no such layer or net, or no copper at the point.
    """
    from fabkit.pictures import sheets

    match choice.kind:
        case "halves":
            return sheets.halves_sheet(board, options, choice.use)
        case "drills":
            from fabkit.pictures.drill_map import drill_sheet

            return drill_sheet(board, options)
        case "layer":
            return sheets.layer_sheet(board, find_layer(board, choice.layer or ""), options)
        case "net":
            return _lit(board, choice, options)
        case "islands":
            from fabkit.board.connectivity import trace_board

            return sheets.islands_sheet(board, trace_board(board), options)
        case "findings":
            from fabkit.pictures.finding_sheet import finding_sheet

            causes, rest = _causes(result)
            return finding_sheet(board, causes, options, rest=rest)
        case "measures":
            return sheets.measures_sheet(board, options)


def _causes(result: CheckResult | None) -> tuple[list[Finding], str]:
    """Merge the findings of each cause to act on, and count in words what is only to know.

    Marks of what needs nothing would hide those of what does.
    """
    if result is None:
        return [], ""
    groups = [*result.causes(Consequence.STOP), *result.causes(Consequence.DECIDE)]
    merged = []
    for group in groups:
        said: dict[str, str] = {}
        for finding in group:
            said.setdefault(finding.id, finding.message)
        merged.append(
            with_fields(
                group[0],
                message="; ".join(said.values()),
                places=tuple(place for finding in group for place in finding.places),
                count=sum(f.count for f in group) if len(said) == 1 else 1,
            )
        )
    quiet = len(result.causes(Consequence.KNOW)) + len(result.causes(Consequence.FORM))
    return merged, f"{quiet} more only to know: see `fabkit check --all`" if quiet else ""


def sheet_bytes(picture: Scene | Sheet, kind: str, options: PreviewOptions = USUAL_LOOK) -> bytes:
    """Draw a sheet as ``png``, ``svg`` or ``pdf``."""
    sheet = sheet_of(picture)
    if kind == "svg":
        from fabkit.pictures.paint_svg import picture_svg

        return picture_svg(sheet).encode()
    if kind == "pdf":
        from fabkit.pictures.paint_pdf import pictures_pdf

        return pictures_pdf([sheet])
    from fabkit.pictures.paint_png import paint_sheet, png_bytes

    scale = options.scale_for((sheet.width_mm, sheet.height_mm))
    return png_bytes(paint_sheet(sheet, scale), scale)


def format_of(target: Path) -> str:
    """Kind of picture that a file name asks for.

    Raises
    ------
    UsageError
        Its ending is none that can be written.
    """
    kind = target.suffix.lower().removeprefix(".")
    if kind not in SHEET_FORMATS:
        raise UsageError(
            f"{target.name} does not say what kind of picture it is",
            hint="let the name end in .png, .svg or .pdf",
        )
    return kind


def find_layer(board: Board, name: str) -> Layer:
    """Layer of that name or file; a part of the name will do when no other layer has it."""
    wanted = name.strip().casefold()
    exact = [a for a in board.layers if wanted in (a.name.casefold(), a.file.name.casefold())]
    partly = [
        a for a in board.layers if wanted in a.name.casefold() or wanted in a.file.name.casefold()
    ]
    found = exact or partly
    if len(found) == 1:
        return found[0]
    known = ", ".join(a.name for a in found or board.layers)
    what = "fits several layers" if found else "is no layer of this board"
    raise UsageError(f"'{name}' {what}", hint=f"name one of: {known}")


def _lit(board: Board, choice: SheetChoice, options: PreviewOptions) -> Sheet:
    from fabkit.pictures.sheets import lit_sheet

    copper = trace_copper(board)
    nets = islands_by_net(copper)
    if choice.at_mm is None:
        name = _find_net(sorted(nets), choice.net or "")
        return lit_sheet(board, copper.pieces, nets[name], f"net {name}", options)
    piece = _piece_at(copper, choice.at_mm, choice.layer)
    island = int(copper.pieces.island[piece])
    mine = sorted(name for name, islands in nets.items() if island in islands)
    words = f"net {' + '.join(mine)}" if mine else "copper without a net name"
    where = ", ".join(format_number(v) for v in choice.at_mm)
    layer = board.copper[int(copper.pieces.layer[piece])].name
    title = f"{words} at {where} mm on {layer}"
    return lit_sheet(board, copper.pieces, {island}, title, options, at_mm=choice.at_mm)


def _piece_at(copper: Copper, at_mm: tuple[float, float], layer: str | None) -> int:
    """Find the piece of copper at a point, on the layer named or the topmost that has one."""
    from fabkit.board.connectivity import pieces_at

    board, pieces = copper.board, copper.pieces
    chosen = None if layer is None else find_layer(board, layer)
    where = ", ".join(format_number(v) for v in at_mm) + " mm"
    if chosen is not None and chosen not in board.copper:
        raise UsageError(f"{chosen.name} is no copper", hint="name a copper layer with --layer")
    for index, one in enumerate(board.copper):
        if chosen is None or chosen is one:
            rows = pieces.on_layer(index)
            point = np.array([shapely.Point(*at_mm)], dtype=object)
            found = int(pieces_at(pieces.polygons[rows], point)[0])
            if found >= 0:
                return int(rows[found])
    on = f" on {chosen.name}" if chosen is not None else ""
    raise UsageError(
        f"there is no copper at {where}{on}",
        hint="`fabkit sheet islands` shows where copper is; findings name places",
    )


def islands_by_net(copper: Copper) -> dict[str, set[int]]:
    """Islands of each net: as the copper files name them, otherwise as the netlist does."""
    from fabkit.board.copper import NO_NET, netlist_of
    from fabkit.board.nets import align_netlist

    found: dict[str, set[int]] = {}
    for island, net in copper.island_nets.tolist():
        found.setdefault(copper.nets[net], set()).add(island)
    listed = netlist_of(copper.board)
    if not found and listed is not None:
        for terminal in align_netlist(listed, copper).terminals:
            if terminal.net not in NO_NET:
                found.setdefault(terminal.net, set()).add(terminal.island)
    return found


def _find_net(known: Sequence[str], name: str) -> str:
    if not known:
        raise UsageError(
            "neither the copper files nor a netlist of this package name nets",
            hint="point at the copper with --at X,Y instead",
        )
    matching = [n for n in known if n == name] or [
        n for n in known if n.casefold() == name.casefold()
    ]
    if not matching:
        near = get_close_matches(name, known, n=4, cutoff=0.4)
        rest = ", ..." if len(known) > 8 else ""
        hint = (
            f"close to it: {', '.join(near)}" if near else f"there are {', '.join(known[:8])}{rest}"
        )
        raise UsageError(f"no net is called '{name}'", hint=hint)
    return matching[0]


def paper_halves(boards: Sequence[Board], order: Order) -> tuple[PaperHalf, ...]:
    """Give what each hand gets, face up as used: two halves, or one board that holds both.

    A plate lies over or under a board that is drawn anyway.
    """
    from fabkit.keyboard.build import find_keyboard
    from fabkit.pictures.paper import halves_of

    pairs = [(board, one.stated) for board, one in zip(boards, order.boards, strict=True)]
    leads = [n for n, p in enumerate(pairs) if find_keyboard(*p).hands.use not in BESIDE]
    leads = leads or list(range(len(pairs)))
    halves: list[tuple[int, PaperHalf]] = []
    for n in leads:
        before = len({number for _, half in halves for number in half.numbers})
        halves += [(n, half) for half in halves_of(*pairs[n], before=before)]
    if any(key.instead_of for _, half in halves for key in half.keys):
        halves = _numbered_as_wired(halves, boards, order)
    # A half whose other half is ordered beside it need not be turned over.
    return tuple(half if len(leads) == 1 else with_fields(half, note="") for _, half in halves)


def _numbered_as_wired(
    halves: Sequence[tuple[int, PaperHalf]], boards: Sequence[Board], order: Order
) -> list[tuple[int, PaperHalf]]:
    """Give halves, each with the number of its board, the key numbers of the wiring.

    Of places that overlap, only copper shows which are one key.
    """
    from fabkit.wiring.build import list_wiring

    at: dict[tuple[int, Side, str | Spot], int] = {}
    for wired in list_wiring(boards, order=order).halves:
        for key in wired.keys:
            at[wired.board, wired.face_up, (key.x_mm, key.y_mm)] = key.index
            at |= {(wired.board, wired.face_up, ref): key.index for ref in key.also}
    return [
        (
            n,
            with_fields(
                half,
                numbers=tuple(
                    at.get((n, half.side, (k.x_mm, k.y_mm)), at.get((n, half.side, k.ref), number))
                    for k, number in zip(half.keys, half.numbers, strict=True)
                ),
            ),
        )
        for n, half in halves
    ]


def paper_notes(halves: Sequence[PaperHalf]) -> tuple[str, ...]:
    """Note what a template cannot show: holes off their board, halves a board cannot be."""
    from fabkit.pictures.finished import stray_note

    said = [(h.board.name, note) for h in halves for note in (h.note, stray_note(h.board)) if note]
    return tuple(f"{name}: {note[:1].lower()}{note[1:]}" for name, note in dict.fromkeys(said))


def paper_of(name: str) -> Paper:
    """Paper by its name, upper or lower case.

    Raises
    ------
    UsageError
        There is no such paper.
    """
    from fabkit.pictures.paper import Paper

    try:
        return Paper[name.upper()]
    except KeyError:
        raise UsageError(
            f"there is no paper '{name}'",
            hint="choose one of: " + ", ".join(p.name.lower() for p in Paper),
        ) from None


def paper_bytes(boards: Sequence[Board], order: Order, *, paper: Paper) -> bytes:
    """Paper template of an order's boards as PDF."""
    from fabkit.pictures.paper import render_paper

    return render_paper(paper_halves(boards, order), paper=paper)


NAMES = {
    "png": ("front.png", "back.png"),
    "svg": ("front.svg", "back.svg"),
    "pdf": ("board.pdf",),
}
"""Files by format."""


def picture_names(formats: Sequence[str]) -> tuple[str, ...]:
    """Files that :func:`picture_files` gives."""
    return tuple(name for kind, names in NAMES.items() if kind in formats for name in names)


def picture_files(
    board: Board, options: PreviewOptions, *, formats: Sequence[str] = ("png",)
) -> dict[str, bytes]:
    """Draw both faces in each format, by file name; see ``NAMES``."""
    from fabkit.pictures.finished import both_faces, render_faces

    files: dict[str, bytes] = {}
    if "png" in formats:
        from fabkit.pictures.paint_png import png_bytes

        faces = render_faces(board, options)
        files["front.png"] = png_bytes(faces.front, faces.px_per_mm)
        files["back.png"] = png_bytes(faces.back, faces.px_per_mm)
    if "svg" in formats:
        for name, face in zip(NAMES["svg"], both_faces(board, options), strict=True):
            files[name] = sheet_bytes(face, "svg")
    if "pdf" in formats:
        from fabkit.pictures.paint_pdf import pictures_pdf

        files["board.pdf"] = pictures_pdf(both_faces(board, options))
    return files


def look_of_order(order: Order, house: House) -> PreviewOptions:
    """Give the look nearest to that of an order's boards; a sheet may name more than is drawn."""
    choice = order.choice
    title = house.finish_title(choice.finish) or ""
    return PreviewOptions(
        mask=MaskColour.of(choice.colour) or MaskColour.GREEN,
        finish=Finish.of(f"{choice.finish} {title}") or Finish.TIN,
        thickness_mm=float(choice.thickness_mm),
    )


def open_file(path: Path) -> bool:
    """Ask the desktop to show a file; False when it has nothing to show it with."""
    import webbrowser

    try:
        return webbrowser.open(path.resolve().as_uri())
    except (webbrowser.Error, OSError):
        return False


CHANGE_FILES: Final = ("changes", "changes-front", "changes-back")
"""Stems of the pictures of a comparison, each written as PNG and SVG."""

CHANGES_PX_PER_MM: Final = 16.0
CHANGES_MOST_PX: Final = 6000
"""Longest side of such a picture."""


def change_names() -> tuple[str, ...]:
    """Files that :func:`change_files` gives."""
    return tuple(f"{stem}.{kind}" for stem in CHANGE_FILES for kind in ("png", "svg"))


def change_files(comparison: Comparison) -> dict[str, bytes]:
    """Draw what changed: all in one sheet with inner layers, and each face, by file name."""
    from fabkit.pictures.changes import change_scenes, change_sheet
    from fabkit.pictures.paint_png import paint, paint_sheet, png_bytes
    from fabkit.pictures.paint_svg import picture_svg

    # Each face is wanted alone and on the sheet, mostly at one scale.
    painter = cache(paint)
    files = {}
    pictures: tuple[Scene | Sheet, ...] = (
        change_sheet(comparison),
        *change_scenes(comparison).values(),
    )
    for stem, picture in zip(CHANGE_FILES, pictures, strict=True):
        sheet = sheet_of(picture)
        longest = max(sheet.width_mm, sheet.height_mm)
        scale = min(CHANGES_PX_PER_MM, CHANGES_MOST_PX / longest)
        files[f"{stem}.png"] = png_bytes(paint_sheet(sheet, scale, painter), scale)
        files[f"{stem}.svg"] = picture_svg(sheet).encode()
    return files


def draw(
    board: Board,
    folder: Path | str,
    *,
    options: PreviewOptions | None = None,
    formats: Sequence[str] = ("png",),
    replace: bool = False,
) -> tuple[Path, ...]:
    """Draw front and back of the finished board into a folder.

    Parameters
    ----------
    board
        As built by :func:`fabkit.build_board`.
    folder
        Where the pictures go; made when it is not there.
    options
        Colours, scale and more.
    formats
        Of ``png``, ``svg`` and ``pdf``.
    replace
        Whether existing pictures may be overwritten.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    OutputRefused
        A picture exists, or cannot be written.
    UsageError
        A picture would be too large.
    """
    targets = [Path(folder) / name for name in picture_names(formats)]
    for target in targets:
        refuse_existing(target, replace=replace)
    files = picture_files(board, options or USUAL_LOOK, formats=formats)
    for target in targets:
        write_file(target, files[target.name], replace=replace)
    return tuple(targets)


def draw_sheet(
    board: Board,
    target: Path | str,
    choice: SheetChoice | SheetKind,
    *,
    options: PreviewOptions | None = None,
    result: CheckResult | None = None,
    house: House | None = None,
    replace: bool = False,
) -> Path:
    """Draw one sheet about a board: halves, drills, a layer, a net, islands, findings, measures.

    Parameters
    ----------
    board
        As built by :func:`fabkit.build_board`.
    target
        File to write; its ending (``.png``, ``.svg``, ``.pdf``) is the format.
    choice
        Which sheet; the kind alone where it needs no more.
    options
        Colours, scale and more.
    result, house
        For ``findings``: the verdict, or the house to find it by.
    replace
        Whether an existing file may be overwritten.

    Raises
    ------
    UsageError
        The ending, the layer, the net or the point is not known, or the picture too large.
    OutputRefused
        The file exists, or cannot be written.
    """
    path = Path(target)
    wanted = choice if isinstance(choice, SheetChoice) else SheetChoice(kind=choice)
    kind = format_of(path)
    refuse_existing(path, replace=replace)
    if wanted.kind == "findings" and result is None:
        result = check(board, house)
    look = options or USUAL_LOOK
    picture = build_sheet(board, wanted, options=look, result=result)
    write_file(path, sheet_bytes(picture, kind, look), replace=replace)
    return path


def draw_paper(
    boards: Board | Sequence[Board],
    target: Path | str,
    *,
    order: Order | None = None,
    paper: str = "a4",
    replace: bool = False,
) -> Path:
    """Draw a paper template at full size as PDF, to try under a hand.

    Parameters
    ----------
    boards
        One reversible design, or the designs of ``order`` in its order.
    target
        Name of the PDF.
    order
        Which board is which half; None: one design that makes either.
    paper
        ``a4`` or ``letter``.
    replace
        Whether an existing file may be overwritten.

    Raises
    ------
    UsageError
        Boards and order do not belong together, or the paper is not known.
    OutputRefused
        The file exists, or cannot be written.
    """
    designs = as_single(boards)
    wanted = order_of(designs, order)
    path = Path(target)
    refuse_existing(path, replace=replace)
    write_file(path, paper_bytes(designs, wanted, paper=paper_of(paper)), replace=replace)
    return path


def draw_wiring(
    boards: Board | Sequence[Board],
    found: Wiring,
    target: Path | str,
    *,
    options: PreviewOptions | None = None,
    replace: bool = False,
) -> Path:
    """Draw both halves as seen from the keys, with number and pin at each key.

    Parameters
    ----------
    boards
        Those the wiring was found on, in the same order.
    found
        As :func:`fabkit.list_wiring` gives it.
    target
        File to write; its ending (``.png``, ``.svg``, ``.pdf``) is the format.
    options
        Scale and margin.
    replace
        Whether an existing file may be overwritten.

    Raises
    ------
    UsageError
        The ending is not known, there is nothing to draw, or the picture would be too large.
    OutputRefused
        The file exists, or cannot be written.
    """
    from fabkit.pictures.wiring_sheet import wiring_sheet

    path = Path(target)
    kind = format_of(path)
    refuse_existing(path, replace=replace)
    if not found.halves:
        why = found.problems[0].message if found.problems else f"no keys to wire on {found.name}"
        raise UsageError(f"{why}; there is nothing to draw", hint=NO_KEYS.advice)
    look = options or USUAL_LOOK
    picture = wiring_sheet(as_single(boards), found, look)
    write_file(path, sheet_bytes(picture, kind, look), replace=replace)
    return path
