"""Nets as meant against copper as drawn: opens, shorts, pads and points that lack copper."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely

from fabkit.base.findings import Finding, Place, Rule, Severity
from fabkit.base.units import counted, format_mm, format_number, some_of
from fabkit.board.copper import ATTACHED, Copper, netlist_of
from fabkit.board.model import Component
from fabkit.board.nets import (
    SEARCH_MM,
    Aligned,
    Open,
    Short,
    Terminal,
    align_netlist,
    find_opens,
    find_shorts,
    find_terminal_shorts,
    pad_terminals,
)
from fabkit.checks.copper_facts import TIE, cuts_of, pad_place, require_copper, ties_of
from fabkit.checks.copper_objects import loose_ends_of
from fabkit.checks.declare import check
from fabkit.checks.mask import attached_pads
from fabkit.checks.model import Case, NotJudged
from fabkit.checks.worst import Measures, group
from fabkit.formats.gerber.model import pen_widths
from fabkit.formats.sidecars.netlist import NET_NO_END
from fabkit.geometry.areas import touched
from fabkit.geometry.neighbours import PointTree
from fabkit.keyboard.build import find_keyboard
from fabkit.keyboard.kinds import kind_of
from fabkit.keyboard.model import PartKind
from fabkit.rules import load_rule

SHOWN: Final = 20
"""Opens or shorts reported one by one; the rest is counted."""

HOLE_OFF_MM: Final = 0.05
"""How far a netlist's hole may differ from the drill file (common practice)."""

LISTED: Final = 0.8
"""Share of the pads that a netlist lists at least: all but those of no net."""

LISTED_OPEN: Final = 0.97
"""The same where the end record is missing."""

FEWEST_DIODES: Final = 5
MOST_REVERSED: Final = 0.2
"""Share of the diodes of a matrix that may be slips; matrices that are scanned both ways have half
of them the other way round (common practice)."""

FEW_PADS: Final = 6

ABOUT_MM: Final = 1.0
"""Pads so near to the points of a netlist belong to its board."""

TIP_MM: Final = 0.001
"""Half the width of the end of a track whose pen has no width of its own."""

OVERSIZE_MM: Final = (0.0, 0.10, 0.15)
"""Drilled over finished size: a netlist may state either (published maker guides)."""

OPEN: Final = load_rule("net/open")
SHORT: Final = load_rule("net/short")
NAMELESS: Final = load_rule("net/pad-without-net")
LIST_OPEN: Final = load_rule("net/netlist-open")
LIST_SHORT: Final = load_rule("net/netlist-short")
CLOSED: Final = load_rule("net/closed-jumper")
LIST_LOST: Final = load_rule("net/netlist-point-lost")
LIST_SHIFT: Final = load_rule("net/netlist-shifted")
LIST_HOLE: Final = load_rule("net/netlist-hole")
LIST_PART: Final = load_rule("net/netlist-part")
REVERSED: Final = load_rule("net/diode-reversed")
GROUND: Final = re.compile(
    r"(?:^|[/_.])[ADP]?GND[AD]?(?:$|[_.])|^GROUND$|^0V$|^VSS$", re.IGNORECASE
)
"""Words of the trade for ground nets."""


def _layer_place(case: Case, layer: int, x: float, y: float) -> Place:
    return case.layer_place(case.board.copper[layer], x, y)


def _opens(case: Case, rule: Rule, opens: list[Open]) -> Iterator[Finding]:
    # The most pads cut off first; a net's name settles ties.
    ranked = sorted(opens, key=lambda o: (o.one_pin, -len(o.cut_off), o.net, o.x_mm, o.y_mm))
    for found in ranked[:SHOWN]:
        names = sorted({t.name for t in found.cut_off})
        gap = (
            f"the gap is {format_mm(found.gap_mm)} on {case.board.copper[found.layer].name}"
            if found.gap_mm is not None
            else "they share no layer"
        )
        ground = bool(GROUND.search(found.net))
        loose = list(_loose_end(case, found))
        # A controller board joins its grounds; a track that ends beside one was cut all the same.
        inside = found.one_pin or (found.module and ground and not loose)
        yield Finding.of(
            rule,
            f"{'ground net' if ground else 'net'} {found.net}: {some_of(names, 6)} not joined to "
            f"the other {counted(found.rest, 'pad')}; {gap}",
            *loose,
            _layer_place(case, found.layer, found.x_mm, found.y_mm),
            *(_layer_place(case, t.layer, t.x_mm, t.y_mm) for t in found.cut_off[:5]),
            measured=found.gap_mm,
            limit=0.0 if found.gap_mm is not None else None,
            unit="mm",
            # Nothing else hangs on such a net, and the part joins its own tabs.
            severity=Severity.NOTE if inside else rule.severity,
            advice="Nothing, if the module joins these pins itself; else connect them."
            if found.module and inside
            else "",
        )
    rest = ranked[SHOWN:]
    if rest:
        yield Finding.of(
            rule,
            f"{counted(len(rest), 'further cut-off part')} of nets",
            *(_layer_place(case, o.layer, o.x_mm, o.y_mm) for o in rest[:SHOWN]),
            count=len(rest),
        )


def _loose_end(case: Case, found: Open) -> Iterator[Place]:
    """Where a track of one part ends in the open, the way from there to the other: the lost piece.

    Two parts may come nearer to each other elsewhere.
    """
    copper = require_copper(case)
    pieces = copper.pieces
    best: tuple[float, Place] | None = None
    for index, (rows, x, y) in enumerate(case.shared(loose_ends_of)):
        island = pieces.island[copper.layers[index].piece[rows]]
        for mine, others in (((found.island,), found.others), (found.others, (found.island,))):
            ends = np.flatnonzero(np.isin(island, mine))
            goal = pieces.polygons[np.isin(pieces.island, others) & (pieces.layer == index)]
            if not len(ends) or not len(goal):
                continue
            spots = shapely.points(x[ends], y[ends])
            (end, near), apart = shapely.STRtree(goal).query_nearest(
                spots, all_matches=False, return_distance=True
            )
            k = int(np.argmin(apart))
            if best is None or apart[k] < best[0]:
                pen = pen_widths(case.board.copper[index].file, rows[ends[end[k : k + 1]]])
                tip = shapely.buffer(spots[end[k]], max(float(np.nan_to_num(pen[0])) / 2, TIP_MM))
                line = shapely.shortest_line(tip, goal[near[k]])
                middle = shapely.get_coordinates(line).mean(axis=0)
                best = float(apart[k]), _layer_place(case, index, *middle.tolist())
    if best is not None:
        yield best[1]


def _shorts(case: Case, rule: Rule, shorts: list[Short]) -> Iterator[Finding]:
    ties = case.shared(ties_of)
    bridged = [s for s in shorts if s.part]
    for meant, advice in ((False, ""), (True, "Nothing: the part is there to join the two nets.")):
        closed = [s for s in bridged if (s.part in ties or bool(TIE.search(s.part))) == meant]
        if not closed:
            continue
        names = list(dict.fromkeys(f"{s.part} ({' and '.join(s.nets)})" for s in closed))
        yield Finding.of(
            CLOSED,
            f"copper bridges the pads of {some_of(names, 6)}",
            *(_layer_place(case, s.layer, s.x_mm, s.y_mm) for s in closed[:SHOWN]),
            count=len(names),
            severity=Severity.NOTE if meant else CLOSED.severity,
            advice=advice,
        )
    shorts = [s for s in shorts if not s.part]
    for found in shorts[:SHOWN]:
        layer = case.board.copper[found.layer].name
        where = "through a hole" if found.through_hole else f"on {layer}"
        yield Finding.of(
            rule,
            f"nets {some_of(found.nets, 6)} are one piece of copper; they touch {where}",
            _layer_place(case, found.layer, found.x_mm, found.y_mm),
            measured=float(len(found.nets)),
            limit=1.0,
        )
    rest = shorts[SHOWN:]
    if rest:
        yield Finding.of(
            rule,
            f"{counted(len(rest), 'further short')}",
            *(_layer_place(case, s.layer, s.x_mm, s.y_mm) for s in rest[:SHOWN]),
            count=len(rest),
        )


@check(id="net/connections", rules=(OPEN, SHORT, CLOSED, NAMELESS), needs=("nets",))
def connections(case: Case) -> Iterator[Finding]:
    """Copper joins every net, and no two of them."""
    copper = require_copper(case)
    if len(case.board.copper) > 1 and not (case.shared(cuts_of).plated != 0).any():
        # Without them every net that changes layers would be open.
        raise NotJudged("needs plated holes, which join the layers")
    yield from _opens(case, OPEN, _open_parts(case, copper, pad_terminals(copper)))
    yield from _shorts(case, SHORT, find_shorts(copper))
    yield from _nameless(case, copper)
    yield from _joined_though_none(case, copper)


def _open_parts(case: Case, copper: Copper, terminals: tuple[Terminal, ...]) -> list[Open]:
    """Parts cut off from their net, within each circuit."""
    return [o for one in _by_circuit(case, terminals) for o in find_opens(one, copper.pieces)]


def _by_circuit(case: Case, terminals: tuple[Terminal, ...]) -> list[tuple[Terminal, ...]]:
    """Terminals of each circuit: of each board of a panel, and of each half on one board.

    Such circuits often share their net names, and no copper joins one to the other.  A terminal
    belongs to the nearest board, and on it to the half that has the nearest key.
    """
    if not terminals:
        return []
    spots = np.array([(t.x_mm, t.y_mm) for t in terminals])
    circuit = np.zeros(len(spots), dtype=np.int64)
    panel = case.board.panel
    if panel is not None:
        _, circuit = shapely.STRtree(panel.boards).query_nearest(
            shapely.points(spots), all_matches=False
        )
        if panel.equal:  # the keyboard is that of the first board alone
            corners = shapely.bounds(panel.boards)[:, :2]
            spots -= corners[circuit] - corners[0]
    keyboard = find_keyboard(case.board, case.options.use)
    groups = keyboard.hands.groups
    half = {k: n for n, group in enumerate(groups) for k in group.keys}
    # Both hands of a reversible board have the same keys, and a board stated to be halves may have
    # none: one circuit.
    if half and len(groups) > 1 and len(half) == sum(len(g.keys) for g in groups):
        keys = sorted(half)
        tree = PointTree(np.array([(keyboard.keys[k].x_mm, keyboard.keys[k].y_mm) for k in keys]))
        _, nearest = tree.query(spots)
        circuit = circuit * len(groups) + np.array([half[k] for k in keys])[nearest]
    return [tuple(terminals[r] for r in np.flatnonzero(circuit == n)) for n in np.unique(circuit)]


def _nameless(case: Case, copper: Copper) -> Iterator[Finding]:
    """Attached pads whose net is not stated, where other pads state theirs."""
    rows = np.flatnonzero(copper.pads_stating(ATTACHED) & (copper.pads.net < 0))
    if len(rows):
        yield Finding.of(
            NAMELESS,
            f"{format_number(len(rows))} pads for parts state no net",
            *(pad_place(case, int(row)) for row in rows[:SHOWN]),
            count=len(rows),
        )


def _joined_though_none(case: Case, copper: Copper) -> Iterator[Finding]:
    """Pads that are stated to be of no net, on copper of a net."""
    pads = copper.pads
    none = np.array([name == "N/C" for name in copper.nets] + [False])
    net_of = dict(copper.island_nets.tolist())
    rows = [r for r in np.flatnonzero(none[pads.net]) if int(pads.island[r]) in net_of]
    if rows:
        first = copper.nets[net_of[int(pads.island[rows[0]])]]
        yield Finding.of(
            SHORT,
            f"{counted(len(rows), 'pad')} stated to be of no net joined to nets such as {first}",
            *(
                _layer_place(case, pads.layer[r], float(pads.x[r]), float(pads.y[r]))
                for r in rows[:SHOWN]
            ),
            count=len(rows),
            severity=Severity.WARNING,
            advice="Check the circuit: name the pad's net, or part the copper.",
        )


def aligned_netlist(case: Case) -> Aligned | None:
    """Give the board's netlist laid on its copper; None without a netlist."""
    netlist = netlist_of(case.board)
    return None if netlist is None else align_netlist(netlist, require_copper(case))


@check(id="net/diodes", rules=(REVERSED,), needs=("components",))
def diodes(case: Case) -> Iterator[Finding]:
    """Diodes between keys and the lines of a matrix point one way."""
    parts = case.board.components
    kinds = [kind_of(p.ref, p.value, p.footprint, p.pins) for p in parts]
    users: dict[str, list[PartKind]] = defaultdict(list)
    for part, kind in zip(parts, kinds, strict=True):
        for net in {net for _, net in part.pins if net}:
            users[net].append(kind)
    # By the names of the two pins, then by the pin that is on a line.
    ways: dict[tuple[str, ...], dict[str, list[Component]]] = defaultdict(lambda: defaultdict(list))
    for part, kind in zip(parts, kinds, strict=True):
        if kind == "diode" and len(part.pins) == 2:
            line = [pin for pin, net in part.pins if users[net].count("diode") > 1]
            key = [
                pin
                for pin, net in part.pins
                if users[net].count("diode") == 1 and "button" in users[net]
            ]
            if len(line) == len(key) == 1:
                ways[tuple(sorted((*line, *key)))][line[0]].append(part)
    for found in ways.values():
        if len(found) != 2:
            continue
        fewer, more = sorted(found.values(), key=len)
        total = len(fewer) + len(more)
        if total >= FEWEST_DIODES and len(fewer) <= max(1, MOST_REVERSED * total):
            named = some_of([part.ref for part in fewer], SHOWN)
            yield Finding.of(
                REVERSED,
                f"{named}: the other way round than {len(more)} other diodes of the matrix",
                *(Place(side=p.side, x_mm=p.x_mm, y_mm=p.y_mm) for p in fewer[:SHOWN]),
                count=len(fewer),
            )


@check(
    id="net/netlist",
    rules=(LIST_OPEN, LIST_SHORT, CLOSED, LIST_LOST, LIST_SHIFT, LIST_HOLE, LIST_PART),
    needs=("netlist", "copper"),
)
def netlist(case: Case) -> Iterator[Finding]:
    """The netlist file describes the same circuit as the copper."""
    copper, aligned = require_copper(case), case.shared(aligned_netlist)
    if len(case.board.copper) > 1 and not (case.shared(cuts_of).plated != 0).any():
        raise NotJudged("needs plated holes, which join the layers")
    if aligned is None:
        return
    file = next((n.name for n in [netlist_of(case.board)] if n), "")
    dx, dy = aligned.shift_mm
    if dx or dy:
        yield Finding.of(
            LIST_SHIFT,
            f"the netlist lies {format_mm(-dx)}, {format_mm(-dy)} off the layers",
            case.place(file),
            measured=float(np.hypot(dx, dy)),
            limit=HOLE_OFF_MM,
            unit="mm",
            assumed=f"moved by {format_mm(dx)}, {format_mm(dy)}",
        )
    yield from _opens(case, LIST_OPEN, _open_parts(case, copper, aligned.terminals))
    shorts = find_terminal_shorts(aligned.terminals, copper)
    if any(layer.file.has_nets for layer in case.board.copper):
        shorts = [s for s in shorts if not s.part]  # the layers' own nets show them, too
    yield from _shorts(case, LIST_SHORT, shorts)
    lost = aligned.lost
    if lost:
        yield Finding.of(
            LIST_LOST,
            f"{len(lost)} of {len(lost) + len(aligned.terminals)} netlist points have no copper, "
            f"such as {lost[0].ref or 'a point'} of net {lost[0].net}",
            *(
                Place(file=file, line=p.line, x_mm=p.x_mm + dx, y_mm=p.y_mm + dy)
                for p in lost[:SHOWN]
            ),
            count=len(lost),
        )
    yield from _netlist_holes(case, file, aligned)
    yield from _unlisted(case, copper, aligned)


def _unlisted(case: Case, copper: Copper, aligned: Aligned) -> Iterator[Finding]:
    """Pads that the netlist does not list, where it was cut off or is of another board."""
    source = netlist_of(case.board)
    if source is None:
        return
    spots = np.array([(p.x_mm, p.y_mm) for p in source.points if p.kind != "tooling"])
    if not len(spots):
        return
    spots += aligned.shift_mm
    # The netlist of one half, or of one board of a panel, lists nothing elsewhere.
    at = copper.pads.spots()
    within = (at >= spots.min(axis=0) - ABOUT_MM) & (at <= spots.max(axis=0) + ABOUT_MM)
    pads = np.flatnonzero(within.all(axis=1))
    pads = pads[attached_pads(case, copper, pads)]
    if len(pads) < FEW_PADS:
        return
    listed = touched(copper.pad_shapes[pads], shapely.points(spots), within_mm=SEARCH_MM)
    ended = not any(problem.rule is NET_NO_END for problem in source.problems)
    if listed.mean() < (LISTED if ended else LISTED_OPEN):
        yield Finding.of(
            LIST_PART,
            f"the netlist lists {listed.sum()} of {len(pads)} pads"
            + ("" if ended else ", and its end record 999 is missing"),
            case.place(source.name),
            measured=float(listed.mean()),
            limit=LISTED,
        )


def _netlist_holes(case: Case, file: str, aligned: Aligned) -> Iterator[Finding]:
    """Hole records against the drill files."""
    source, cuts = netlist_of(case.board), case.shared(cuts_of)
    if source is None or not len(cuts.shapes):
        return
    points = [p for p in source.points if p.hole_mm and p.kind == "through"]
    if not points:
        return
    dx, dy = aligned.shift_mm
    spots = shapely.points([p.x_mm + dx for p in points], [p.y_mm + dy for p in points])
    centres = shapely.points(cuts.x, cuts.y)
    (row, cut), distance = shapely.STRtree(centres).query_nearest(
        spots, all_matches=False, return_distance=True
    )
    stated = np.array([p.hole_mm or 0.0 for p in points])[row]
    differ = np.min(
        [np.abs(cuts.width[cut] - stated - over) for over in OVERSIZE_MM]
        + [np.abs(cuts.width[cut] + over - stated) for over in OVERSIZE_MM],
        axis=0,
    )
    bad = np.flatnonzero((distance > HOLE_OFF_MM) | ((differ > HOLE_OFF_MM) & cuts.round[cut]))
    if len(bad):
        worst = np.maximum(distance, differ)[bad]
        yield from group(
            LIST_HOLE,
            Measures(
                worst,
                lambda k: Place(
                    file=file,
                    line=points[row[bad[k]]].line,
                    x_mm=points[row[bad[k]]].x_mm + dx,
                    y_mm=points[row[bad[k]]].y_mm + dy,
                ),
            ),
            f"{len(bad)} of {len(points)} netlist holes differ from the drill files, by up to "
            "{worst}",
            most=True,
            limit=HOLE_OFF_MM,
        )
