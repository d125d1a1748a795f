"""What happened, in at most six sentences, as an engineer would say it."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

import numpy as np

from fabkit.base.columns import Floats, gather
from fabkit.base.units import and_words, counted, format_mm, format_number, some_of
from fabkit.compare.model import HALF_KEY_MM, Alignment, Change, Verb, What
from fabkit.geometry.segments import turned

MOST: Final = 6
"""Sentences of a summary."""

NAMES: Final = 4
"""Keys, parts and pads named in one sentence."""

EACH_SHARE: Final = 0.8
EACH_LEAST: Final = 3
"""A hole that changed alike at this share of the keys, and at so many, changed at each of them."""

ROUND_MM: Final = 0.1
"""Places in a footprint are compared to this."""

Keys = tuple[Floats, Floats]
"""Middles of the keys, (n, 2) mm, and their rotation, (n,) degrees."""


def summarise(
    alignment: Alignment, changes: Sequence[Change], keys: Sequence[Keys]
) -> tuple[str, ...]:
    """Say what happened; empty when nothing did.

    Parameters
    ----------
    alignment
        How the boards were laid on each other.
    changes
        All that differs.
    keys
        Of the old board, as laid on the new one, and of the new one.
    """
    if not alignment.comparable:
        return tuple(_apart(alignment, changes))
    own = [c for c in changes if not c.because]
    by_keys = {c.message for c in own if c.what is What.KEY}
    folded = Counter(_thing(c) for c in changes if c.because in by_keys)
    # Whole board and layers first, single areas last: what comes late is cut short.
    said = [
        *_board(own),
        *_whole(own),
        *_connections(own, changes),
        *_layers(own),
        *_edges(own),
        *_areas([c for c in own if c.what is What.PROFILE], keys),
        *_keys(own, folded),
        *_holes(own, keys),
        *_pours(own),
        *_named(own),
        *_areas([c for c in own if c.what is not What.PROFILE], keys),
    ]
    if len(said) <= MOST:
        return tuple(said)
    rest = said[MOST - 1 :]
    return (*said[: MOST - 1], "Besides: " + "; ".join(_small(s) for s in rest) + ".")


def _thing(change: Change) -> str:
    """Name what a change is counted as; the profile at a key is the opening of its switch."""
    return "opening" if change.what is What.PROFILE else change.counted_as


def _small(sentence: str) -> str:
    return sentence[0].lower() + sentence[1:].rstrip(".")


def _apart(alignment: Alignment, changes: Sequence[Change]) -> Iterator[str]:
    if alignment.scale != 1.0:
        why = alignment.words
    elif alignment.holds_new:
        why = "all of NEW lies on OLD, which is far larger; compare them the other way round"
    elif not alignment.compared:
        why = "no holes, pads or outlines are in both"
    else:
        why = (
            f"only {alignment.agreeing} of {alignment.compared} holes and pads lie on each other,"
            " and neither outline nor keys show how the boards belong together"
        )
    yield f"The boards are not comparable: {why}."
    facts = [c.message for c in changes if c.what is What.BOARD and c.subject != "scale"]
    if facts:
        yield _sentence("; ".join(facts))


def _sentence(words: str) -> str:
    return words[0].upper() + words[1:] + "."


def _board(own: Sequence[Change]) -> Iterator[str]:
    facts = [c for c in own if c.what is What.BOARD]
    for change in facts:
        if change.subject == "board":
            yield f"NEW is OLD {change.after}."
        elif change.subject == "panel":
            yield f"NEW is a {change.after}, each of them OLD."
    plain = [
        f"{'OLD' if c.before == 'none' else 'NEW'} has no profile"
        if c.subject == "profile"
        else c.message
        for c in facts
        if c.subject not in ("board", "panel")
    ]
    if plain:
        yield _sentence(some_of(plain, NAMES))


def _whole(own: Sequence[Change]) -> Iterator[str]:
    groups = gather(((c.verb, c.message.removeprefix(c.subject)), c) for c in own if c.is_whole)
    for (_, said), group in groups.items():
        yield _sentence(f"the {and_words([c.subject for c in group])}{said}")


def _connections(own: Sequence[Change], changes: Sequence[Change]) -> Iterator[str]:
    joins = [c for c in own if c.what is What.CONNECTION]
    if not joins:
        return
    gone = [c for c in joins if c.verb is Verb.REMOVED]
    new = [c for c in joins if c.verb is Verb.ADDED]
    parts = []
    for group, word in ((gone, "gone"), (new, "new")):
        if group:
            are = "is" if len(group) == 1 else "are"
            by = {c.message for c in group}
            why = {c.what for c in changes if c.because in by}
            how = f" with copper that is {word}" if What.COPPER in why else ""
            what = counted(len(group), "connection")
            parts.append(f"{what} {are} {word}{how} ({_at(group[0])})")
    yield _sentence("; ".join(parts))


def _at(change: Change) -> str:
    if change.x_mm is None or change.y_mm is None:
        return change.message
    return f"{change.message}, {_place(change)}"


def _place(change: Change) -> str:
    assert change.x_mm is not None  # noqa: S101 -- only changes with a place are asked
    assert change.y_mm is not None  # noqa: S101 -- the same
    near = f" near {change.near}" if change.near else ""
    return f"at {format_number(change.x_mm, digits=2)}, {format_mm(change.y_mm, digits=2)}{near}"


def _layers(own: Sequence[Change]) -> Iterator[str]:
    for verb, word in ((Verb.REMOVED, "missing from NEW"), (Verb.ADDED, "new")):
        names = [c.subject for c in own if c.what is What.LAYER and c.verb is verb]
        if names:
            yield _sentence(f"the {and_words(names)} {'is' if len(names) == 1 else 'are'} {word}")


def _edges(own: Sequence[Change]) -> Iterator[str]:
    edges = [c for c in own if c.what is What.PROFILE and c.verb is Verb.CHANGED and c.after]
    if edges:
        more = f"; and {counted(len(edges) - 1, 'more edge')}" if len(edges) > 1 else ""
        yield _sentence(f"{edges[0].message}, {_place(edges[0])}{more}")


def _keys(own: Sequence[Change], folded: Counter[str]) -> Iterator[str]:
    keys = [c for c in own if c.what is What.KEY]
    if not keys:
        return
    parts = []
    for group in _alike(keys):
        names = [c.subject.removeprefix("key").strip() for c in group]
        named = some_of([n for n in names if n], NAMES)
        first = group[0]
        what = counted(len(group), "key")
        if len({_step(c) for c in group}) > 1:
            how = f"moved by {_reach(group)}"
        else:
            how = first.message.removeprefix(first.subject).strip()
        parts.append(f"{what} {how}" + (f" ({named})" if named else ""))
    with_them = and_words([counted(n, what) for what, n in folded.items()]) if folded else ""
    yield _sentence("; ".join(parts) + (f", with {with_them}" if with_them else ""))


def _reach(group: Sequence[Change]) -> str:
    """How far things moved, each in another way."""
    far = sorted(float(np.hypot(*(c.moved_mm or (0.0, 0.0)))) for c in group)
    least, most = format_mm(far[0]), format_mm(far[-1])
    return most if least == most else f"{least.removesuffix(' mm')} to {most}"


def _step(change: Change) -> tuple[object, ...]:
    moved = tuple(round(v, 2) + 0.0 for v in change.moved_mm or ())
    return change.verb, moved, round(change.turned_deg, 1)


def _alike(changes: Iterable[Change]) -> list[list[Change]]:
    """Gather what changed alike, and the few of one verb that each changed another way."""
    groups = gather((_step(change), change) for change in changes)
    few: dict[Verb, list[Change]] = defaultdict(list)
    made = []
    kinds = Counter(step[0] for step in groups)
    for step, group in groups.items():
        verb = group[0].verb
        if len(group) < EACH_LEAST and kinds[step[0]] > EACH_LEAST:
            few[verb] += group
        else:
            made.append(group)
    return [*sorted(made, key=len, reverse=True), *few.values()]


def _holes(own: Sequence[Change], keys: Sequence[Keys]) -> Iterator[str]:
    holes = [c for c in own if c.what in (What.HOLE, What.SLOT) and c.x_mm is not None]
    if not holes:
        return
    rest, each = at_each_key(holes, keys)
    yield from each
    groups = gather(((change.what, change.verb), change) for change in rest)
    if groups:
        ranked = sorted(groups.values(), key=lambda g: -len(g))
        yield _sentence("; ".join(_hole_words(group) for group in ranked))


def _hole_words(group: Sequence[Change]) -> str:
    """Say what happened to the holes (or slots) of one verb, and how mostly."""
    first = group[0]
    thing = counted(len(group), first.what.value)
    if len(group) == 1:
        how = f"{first.verb} ({_detail(first)})"
        return f"{thing} {_move(first) if first.verb is Verb.MOVED else how} {_place(first)}"
    if first.verb is Verb.MOVED and len({_step(c) for c in group}) > 1:
        names = list(dict.fromkeys(c.near for c in group if c.near))
        where = f" ({some_of(names, NAMES)})" if names else ""
        return f"{thing} moved by {_reach(group)}{where}"
    if first.verb is Verb.MOVED:
        return f"{thing} {_move(first)}"
    details = Counter(_detail(c) for c in group).most_common()
    mostly = "" if len(details) == 1 else f"{details[0][1]} of them "
    return f"{thing} {first.verb} ({mostly}{details[0][0]})"


def _detail(change: Change) -> str:
    both = f"{change.before} became {change.after}" if change.before and change.after else ""
    return both or change.before or change.after


def _move(change: Change) -> str:
    return change.message.removeprefix(change.subject).strip()


def at_each_key(holes: Sequence[Change], keys: Sequence[Keys]) -> tuple[list[Change], list[str]]:
    """Set holes apart that changed alike at (nearly) every key.

    Returns
    -------
    The others, and a sentence for each way in which keys changed.
    """
    # By the new keys first; what went with keys that moved is found at the old ones.
    for middles, turns in keys[::-1]:
        each = _repeated(holes, middles, turns)
        if not each:
            continue
        taken = {k for rows in each for k in rows}
        said: dict[tuple[What, Verb, int], Counter[str]] = defaultdict(Counter)
        for rows in each:
            first = holes[rows[0]]
            said[first.what, first.verb, len(rows)][_detail(first)] += 1
        sentences = []
        for (what, verb, count), details in said.items():
            of = details.most_common()
            how = of[0][0] if len(of) == 1 else "; ".join(f"{n} of {each}" for each, n in of)
            things = counted(details.total(), what.value)
            sentences.append(f"{things} at each of {count} keys {verb} ({how}).")
        return [c for k, c in enumerate(holes) if k not in taken], sentences
    return list(holes), []


def _middle(change: Change) -> tuple[float, float]:
    if change.is_area and change.box_mm is not None:
        x0, y0, x1, y1 = change.box_mm
        return (x0 + x1) / 2, (y0 + y1) / 2
    return change.x_mm or 0.0, change.y_mm or 0.0


def _repeated(changes: Sequence[Change], middles: Floats, turns: Floats) -> list[list[int]]:
    """Rows of changes that are the same at nearly every key, and at the same place of it.

    Parameters
    ----------
    middles, turns
        Of the keys, (n, 2) mm and (n,) degrees.
    """
    if len(middles) < EACH_LEAST or not changes:
        return []
    # Of an area the middle of its box: the point that stands for it may be any of it.
    at = np.array([_middle(c) for c in changes])
    away = at[:, None, :] - middles[None, :, :]
    nearest = np.argmin(np.hypot(away[..., 0], away[..., 1]), axis=1)
    step = away[np.arange(len(at)), nearest]
    # Seen from the key: what changed alike lies at one place of each, however it is turned.
    local = turned(step, -turns[nearest])
    groups: dict[tuple[object, ...], list[int]] = defaultdict(list)
    for k, change in enumerate(changes):
        if np.hypot(*step[k]) <= HALF_KEY_MM:
            spot = tuple(np.round(local[k] / ROUND_MM).astype(int).tolist())
            areas = (round(change.added_mm2, 1), round(change.removed_mm2, 1))
            same = (change.what, change.subject if change.is_area else "", change.verb)
            groups[(*same, change.before, change.after, areas, spot)].append(k)
    least = max(EACH_LEAST, EACH_SHARE * len(middles))
    return [rows for rows in groups.values() if len(set(nearest[rows])) >= least]


def _pours(own: Sequence[Change]) -> Iterator[str]:
    pours = [c for c in own if c.is_pour]
    groups = gather(((c.subject, bool(c.after)), max(c.added_mm2, c.removed_mm2)) for c in pours)
    said = []
    for (layer, new), areas in groups.items():
        done = "added to" if new else "removed from"
        what, are = ("a pour", "is") if len(areas) == 1 else (counted(len(areas), "pour"), "are")
        in_all = " in all" if len(areas) > 1 else ""
        size = format_number(sum(areas), digits=0)
        said.append(f"{what} of {size} mm²{in_all} {are} {done} the {layer}")
    if said:
        yield _sentence("; ".join(said))


def _named(own: Sequence[Change]) -> Iterator[str]:
    parts = [c for c in own if c.what in (What.PART, What.NET, What.PIN)]
    if not parts:
        return
    groups = gather(((change.what, change.verb), change) for change in parts)
    said = []
    for (what, verb), group in groups.items():
        first = group[0].message
        alone = first if what is not What.NET or verb is not Verb.RENAMED else f"net {first}"
        became = {(c.before, c.after) for c in group if c.before and c.after}
        renamed = what is What.NET and verb is Verb.RENAMED
        plain = [c.message if renamed else c.subject.removeprefix("net ") for c in group]
        names = some_of(plain, NAMES)
        how = verb.value
        if len(became) == 1 and what is not What.NET:
            how = f"from {group[0].before} to {group[0].after}"
        many = f"{counted(len(group), what.value)} {how} ({names})"
        said.append(alone if len(group) == 1 else many)
    yield _sentence("; ".join(said))


def _size(area: Change) -> float:
    return area.added_mm2 + area.removed_mm2


def _areas(own: Sequence[Change], keys: Sequence[Keys]) -> Iterator[str]:
    areas = [c for c in own if c.is_area and not c.is_pour and c.x_mm is not None]
    for middles, turns in keys[::-1]:
        each = _repeated(areas, middles, turns)
        if each:
            each.sort(key=lambda rows: -_size(areas[rows[0]]))
            alike = [areas[rows[0]].message for rows in each]
            yield _sentence(f"at each of {len(each[0])} keys {some_of(alike, NAMES)}")
            taken = {k for rows in each for k in rows}
            areas = [c for k, c in enumerate(areas) if k not in taken]
            break
    if not areas:
        return
    if len(areas) == 1:
        yield _sentence(f"{areas[0].message}, {_place(areas[0])}")
        return
    layers = Counter(c.subject for c in areas)
    largest = max(areas, key=_size)
    places = and_words([f"{n} on the {name}" for name, n in layers.most_common()])
    done = {Verb.ADDED: " added", Verb.REMOVED: " removed"}
    verbs = {c.verb for c in areas}
    how = done.get(next(iter(verbs)), "") if len(verbs) == 1 else ""
    many = f"{counted(len(areas), 'area')}{how}"
    where = f" on the {areas[0].subject}" if len(layers) == 1 else f": {places}"
    yield _sentence(f"{many}{where}; the largest {_place(largest)}")
