"""A comparison: JSON, Markdown, and text gathered so that a small revision fits one screen."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Final

from fabkit.base.columns import gather
from fabkit.base.tables import Cell, Column, Record, Table
from fabkit.base.units import counted, format_mm, format_number, some_of
from fabkit.compare.judging import Judgement
from fabkit.compare.model import SAME_MM, SLIVER_MM, Change, Comparison, FindingChanges, LayerChange
from fabkit.compare.returned import Returned
from fabkit.costs.model import Offer
from fabkit.costs.sensitivity import CostChange
from fabkit.keyboard.build import describe
from fabkit.outputs.formats import markdown_text, to_document, to_markdown
from fabkit.outputs.records import board_record, finding_record, found_at, keyboard_record
from fabkit.outputs.terminal import Terminal, board_words, print_boards


def compare_record(
    comparison: Comparison,
    *,
    findings: FindingChanges | None = None,
    costs: CostChange | None = None,
    judgement: Judgement | None = None,
    returned: Returned | None = None,
) -> Record:
    """Record everything that is different, how the boards were laid on each other, what follows."""
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
            "mirrored": alignment.mirrored,
            "turned_deg": alignment.turned_deg,
            "shift_mm": list(alignment.shift_mm),
            "agreeing": alignment.agreeing,
            "compared": alignment.compared,
            "copies": max(len(alignment.copies), int(alignment.comparable)),
            "scale": alignment.scale,
            "text": alignment.words,
        },
        "tolerance": {"coordinate_mm": SAME_MM, "sliver_mm": SLIVER_MM},
        "verdict": comparison.verdict,
        "summary": list(comparison.summary),
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
        "returned": None if returned is None else _returned(returned),
    }


def _returned(returned: Returned) -> Record:
    return {
        "mine": returned.mine,
        "verdict": returned.verdict,
        "usual": [
            {"id": e.edit.id, "text": e.words, "count": len(e.changes)} for e in returned.usual
        ],
        "others": [change_record(c) for c in returned.others],
        "notes": list(returned.notes),
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
        "amount_mm": change.amount_mm,
        "because": change.because or None,
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
        "parts": f"not known: {costs.without_parts}" if costs.without_parts else None,
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
    """Round a share of a total, for showing only."""
    return None if value is None or offer is None else offer.currency.round(value)


AREAS: Final = ("profile", "copper", "mask", "legend", "paste", "other")
PLURALS: Final = {"copper": "copper", "mask": "solder mask", "board": "board"}

FEW: Final = 3
"""Places shown of a layer, and lines of a kind, unless all are asked for."""

NAMES: Final = 12
"""References named in one line."""

NAMELESS: Final = re.compile(r"a pad|\d+ pads")
"""Pads whose pins no file names."""


def print_comparison(console: Terminal, record: Record, *, full: bool = False) -> None:
    """Print what happened in few sentences, then changes by kind; every place when ``full``."""
    if record["returned"] is not None:
        _print_returned(console, record["returned"], full=full)
        return
    if not record["comparable"]:
        # Nothing that could be listed of two designs would help.
        for sentence in record["summary"]:
            console.print(sentence, style="bold")
        _print_boards(console, record)
        console.print(f"\n{closing(record)}", style="bold")
        return
    _print_boards(console, record)
    console.print(record["alignment"]["text"])
    for sentence in record["summary"]:
        console.print(f"- {sentence}", style="bold")
    for what, why in record["not_compared"].items():
        console.print(f"not compared: {what}, because {why}", style="dim")
    # Areas are listed place by place only when all are asked for; otherwise the table sums them up.
    # What follows from another change is listed only then, too.
    shown = record["changes"] if full else changes_of(record)
    for title, lines in sections(shown, full=full):
        console.print(f"\n{title}", style="bold")
        for line in lines if full else _shortened(title, lines):
            console.print(f"  {line}")
    layers = layer_table(record)
    if layers.rows:
        console.print("")
        console.table(layers)
        if not full and any(row["places"] > FEW for row in layers.records()):
            console.print("  every place: --all", style="dim")
    if record["findings"] is not None:
        _print_findings(console, record["findings"])
    if record["costs"] is not None:
        _print_costs(console, record["costs"])
    if record["expectations"] is not None:
        _print_expectations(console, record["expectations"])
    console.print(f"\n{closing(record)}", style="bold")


def _print_boards(console: Terminal, record: Record) -> None:
    for word in ("old", "new"):
        board = record[word]
        console.print(f"{word.upper()}  {board['name']}: {board_words(board)}")
    old, new = ({**board, "size": ""} for board in record["boards"])
    alike = old["headline"] == new["headline"]
    print_boards(console, [{**old, "name": "both"}] if alike else [old, new])


def _print_returned(console: Terminal, said: Record, *, full: bool) -> None:
    """Print whether returned files are the board that was sent, the dangerous changes first."""
    console.print(said["verdict"], style="bold" if said["mine"] else "bold red")
    if said["others"]:
        console.print("\nno usual edits of a house", style="bold")
        lines = list(gathered(said["others"], full=full))
        for line in lines if full else _shortened("", lines):
            console.print(f"  {line}")
    if said["usual"]:
        console.print("\nwhat houses usually do", style="bold")
        for edit in said["usual"]:
            console.print(f"  the house {edit['text']}")
    for note in said["notes"]:
        console.print(f"{note}, which changes nothing that is made", style="dim")


def closing(record: Record) -> str:
    """Write the last line: verdict, and whether everything was meant."""
    said = record["expectations"]
    if said is None:
        return str(record["verdict"])
    if said["met"]:
        return f"{record['verdict']}, all as expected"
    ids = [f["id"] for f in said["findings"]]
    counts = [
        f"{ids.count(key)} {word}"
        for key, word in (("compare/unexpected", "not expected"), ("compare/missing", "missing"))
        if key in ids
    ]
    return f"{record['verdict']}, {' and '.join(counts)}"


def layer_table(record: Record) -> Table:
    """Layers that differ, with areas, number of places and the largest of them."""
    rows: list[tuple[Cell, ...]] = []
    for layer in record["layers"]:
        mine = areas_of(record, layer["name"])
        if mine:
            rows.append(
                (
                    layer["name"],
                    format_number(layer["added_mm2"], digits=3),
                    format_number(layer["removed_mm2"], digits=3),
                    len(mine),
                    place_words(mine[0]),
                )
            )
    columns = (
        Column("layer"),
        Column("added", unit="mm²", number=True),
        Column("removed", unit="mm²", number=True),
        Column("places", number=True),
        Column("largest"),
    )
    return Table(columns, tuple(rows))


def changes_of(record: Record) -> list[Record]:
    """Give the changes that are listed one by one: no areas, and nothing that follows."""
    return [c for c in record["changes"] if not (_is_area(c) or "because" in c)]


def areas_of(record: Record, layer: str) -> list[Record]:
    """Give the areas of a layer that changed, the largest first."""
    return [c for c in record["changes"] if _is_area(c) and c["subject"] == layer]


def place_words(change: Record) -> str:
    """Where a change is."""
    if "x_mm" not in change:
        return ""
    near = f" ({change['near']})" if "near" in change else ""
    return _point((change["x_mm"], change["y_mm"])) + near


def _point(at: Sequence[float]) -> str:
    return f"{format_number(at[0], digits=2)}, {format_mm(at[1], digits=2)}"


def _is_area(change: Record) -> bool:
    return "added_mm2" in change


def sections(changes: Sequence[Record], *, full: bool) -> Iterator[tuple[str, list[str]]]:
    """Gather changes by what they are of: a title and lines."""
    by_what = gather((change["kind"].split("/")[0], change) for change in changes)
    for what, mine in by_what.items():
        title = PLURALS.get(what, f"{what}s" if what not in AREAS else what)
        yield title, list(gathered(mine, full=full))


def _shortened(title: str, lines: list[str]) -> list[str]:
    """As many lines as a screen has room for."""
    # What is joined to what decides whether the board works: more of it is shown.
    most = (8 if title == "connections" else 4) * FEW
    rest = len(lines) - most
    return [*lines[:most], f"and {rest} more: --all"] if rest > 0 else lines


def gathered(changes: Sequence[Record], *, full: bool) -> Iterator[str]:
    """One line for all that changed alike, naming what and where; one each when ``full``."""
    groups: dict[tuple[object, ...], list[Record]] = {}
    for number, change in enumerate(changes):
        alone = full or _is_area(change) or change["kind"].split("/")[0] in ("net", "pin")
        groups.setdefault((number,) if alone else _likeness(change), []).append(change)
    lists = list(groups.values())
    for group in lists if full else _scattered_last(lists):
        first = group[0]
        if first["kind"].startswith("connection"):
            yield _connection(group)
        elif len(group) == 1:
            at = place_words(first)
            yield first["message"] + (f", at {at}" if at else "")
        else:
            said = first["message"].removeprefix(first["subject"]).removeprefix(":").strip()
            if len({_step(change) for change in group}) > 1:
                said = _moves(group)
            times = "×" if said[:1].isdigit() else ""
            yield f"{len(group)}{times} {said}: {_subjects(group)}"


def _scattered_last(groups: Sequence[list[Record]]) -> Iterator[list[Record]]:
    """Put holes that each moved in another way together, behind those that moved alike."""
    kinds = [group[0]["kind"] for group in groups]
    for kind in dict.fromkeys(kinds):
        mine = [g for g, k in zip(groups, kinds, strict=True) if k == kind]
        few = [g for g in mine if len(g) < FEW]
        if kind not in ("hole/moved", "slot/moved") or len(few) <= FEW:
            yield from mine
            continue
        yield from (g for g in mine if len(g) >= FEW)
        yield [change for g in few for change in g]


def _step(change: Record) -> tuple[float, ...]:
    return tuple(round(v, 3) + 0.0 for v in change.get("moved_mm", ()))


def _moves(group: Sequence[Record]) -> str:
    """How far things moved that each moved in another way, and what else they became alike."""
    far = sorted(math.hypot(*_step(change)) for change in group)
    words = f"moved by {format_number(far[0])} to {format_mm(far[-1])}, each its own way"
    if not far[0]:
        words = f"some moved by up to {format_mm(far[-1])}"
    first = group[0]
    if "before" in first and "after" in first:
        return f"{first['before']} became {first['after']}, {words}"
    return words


def _connection(group: Sequence[Record]) -> str:
    """Describe pads that are parted from the same others, or joined to the same."""
    first = group[0]
    parted = first["kind"].endswith("removed")
    others = _pads(first["before" if parted else "after"].removeprefix("joined to "), first, 1)
    joined = f"{'no longer' if parted else 'now'} joined to {others}"
    cut = [_pads(change["subject"], change, 0) for change in group]
    if len(group) > 1:
        rest = len(cut) - NAMES
        more = f"; and {rest} more" if rest > 0 else ""
        return f"{joined}: {'; '.join(cut[:NAMES])}{more}"
    if [first["x_mm"], first["y_mm"]] == first["ends_mm"][0]:
        named = cut[0] == first["subject"]
        return f"{cut[0]}: {joined}" + (f", at {_point(first['ends_mm'][0])}" if named else "")
    verb = "gone" if parted else "new"
    return f"{cut[0]}: {joined}, copper {verb} at {place_words(first)}"


def _pads(words: str, change: Record, end: int) -> str:
    """Name pads, by where they lie when they have no names."""
    if not NAMELESS.fullmatch(words):
        return words
    nearest = "" if words == "a pad" else "nearest "
    return f"{words} ({nearest}{_point(change['ends_mm'][end])})"


def _likeness(change: Record) -> tuple[object, ...]:
    # Of those of another size it is the size that counts.
    moved = () if change["kind"].endswith("resized") else _step(change)
    turned = round(change.get("turned_deg", 0.0), 2)
    if "group" in change:
        return change["kind"], change["group"]
    # Holes of all sizes that move together are one line; added ones differ by their size.
    return change["kind"], moved, turned, change.get("before"), change.get("after")


def _subjects(group: Sequence[Record]) -> str:
    what = group[0]["kind"].split("/")[0]
    if what in ("hole", "slot"):
        near = Counter(change.get("near", "") for change in group)
        if set(near) == {""}:
            return f"the first at {place_words(group[0])}"
        names = [f"{n} at {ref}" if ref else f"{n} elsewhere" for ref, n in near.items()]
    else:
        # What has no name is named by its place.
        names = [
            c["subject"].removeprefix("key").strip() or f"one at {place_words(c)}" for c in group
        ]
    return some_of(names, NAMES)


def _print_findings(console: Terminal, findings: Record) -> None:
    console.print("\nverdict", style="bold")
    for line in finding_lines(findings):
        console.print(f"  {line}")


def finding_lines(findings: Record) -> Iterator[str]:
    """List what the checks find now and did not before, and the other way round."""
    for word, listed in (("new", findings["new"]), ("gone", findings["gone"])):
        by_rule = gather(((finding["severity"], finding["id"]), finding) for finding in listed)
        for (severity, key), group in by_rule.items():
            # One rule speaks once of each file, and of notes one is enough.
            shown = group if severity != "note" else group[:1]
            for finding in shown:
                rest = len(group) - len(shown)
                more = f", and {rest} more" if rest and finding is shown[-1] else ""
                yield f"{word} {_weight(finding)}: {finding['message']}{more}  [{key}]"
    for pair in findings["changed"]:
        a, b = pair["before"], pair["after"]
        yield f"changed {_weight(b)}: {b['message']}  [{b['id']}]; {_was(a, b)}"
    same = findings["same"]
    yield f"{counted(same, 'finding')} {'is' if same == 1 else 'are'} the same"


def _weight(finding: Record) -> str:
    """Name what follows from a finding, as a verdict does: a stop, a decision or a note."""
    nouns = {"stop": "stop", "decide": "decision", "know": "note", "form": "note"}
    return nouns[finding["consequence"]]


def _was(before: Record, after: Record) -> str:
    """Say what a finding was before; where the words are the same, only how it differs."""
    if before["message"] != after["message"]:
        return f"was: {before['message']}"
    words = []
    if _weight(before) != _weight(after):
        words.append(f"a {_weight(before)}, now a {_weight(after)}")
    if before["count"] != after["count"]:
        words.append(f"{counted(before['count'], 'time')}, now {after['count']}")
    return f"was {', '.join(words)}"


def _print_costs(console: Terminal, costs: Record) -> None:
    console.print("\nprice of one half", style="bold")
    for line in cost_lines(costs):
        console.print(f"  {line}")


def cost_lines(costs: Record) -> Iterator[str]:
    """Before and after, the tier, and each line that moved the price."""
    if costs["reason"]:
        yield costs["reason"]
        return
    if costs["parts"]:
        yield f"of the boards alone; parts {costs['parts']}"
    before, after = costs["before"], costs["after"]
    money = after["currency"]
    step = costs["difference_per_half"]
    change = "the same" if not step else f"{step:+} {money}"
    yield (
        f"{before['per_half']} {money} ({before['boards']} boards) before,"
        f" {after['per_half']} {money} ({after['boards']} boards) after: {change}"
    )
    if costs["tier_crossed"]:
        yield f"price tier crossed: {costs['tier_before']} became {costs['tier_after']}"
    for line in costs["lines"]:
        yield f"{line['difference']:+} {money}  {line['title']}" + _because(line["because"])


def _because(reasons: Sequence[Record]) -> str:
    steps = [
        f"{r['title']} {format_number(float(r['before']), digits=2)}"
        f" became {format_number(float(r['after']), digits=2)}"
        for r in reasons
    ]
    return f" ({'; '.join(steps)})" if steps else ""


def _print_expectations(console: Terminal, said: Record) -> None:
    if said["met"]:
        return
    console.print("\nagainst what was expected", style="bold")
    for finding in said["findings"]:
        at = f"  {found_at(finding['places'][0])}" if finding["places"] else ""
        console.print(
            f"  {finding['severity']} {finding['message']}{at}  [{finding['id']}]",
            style="bold red",
        )


def render_comparison(record: Record, form: str) -> str:
    """Render a comparison as ``json`` or ``markdown``."""
    return comparison_markdown(record) if form == "markdown" else to_document("compare", record)


def comparison_markdown(record: Record) -> str:
    """Verdict, changes by kind, areas by layer, findings, price."""
    old, new = record["old"]["name"], record["new"]["name"]
    said = record["returned"]
    lines = [f"**{markdown_text(said['verdict'])}**", ""] if said else []
    lines += [
        f"# {markdown_text(old)} to {markdown_text(new)}: {markdown_text(closing(record))}",
        "",
        *(f"- {markdown_text(sentence)}" for sentence in record["summary"]),
        *([""] if record["summary"] else []),
        f"{markdown_text(record['alignment']['text'])}.",
    ]
    lines += [
        f"\nNot compared: {markdown_text(what)}, because {markdown_text(why)}."
        for what, why in record["not_compared"].items()
    ]
    plain = changes_of(record)
    if plain:
        lines += ["", "## Changes"]
        for title, said in sections(plain, full=False):
            lines += ["", f"### {markdown_text(title.capitalize())}", ""]
            lines += [f"- {markdown_text(line)}" for line in said]
    layers = layer_table(record)
    if layers.rows:
        lines += ["", "## Areas", "", to_markdown(layers).rstrip()]
    if record["findings"] is not None:
        lines += ["", "## Verdict", ""]
        lines += [f"- {markdown_text(line)}" for line in finding_lines(record["findings"])]
    if record["costs"] is not None:
        lines += ["", "## Price of one half", ""]
        lines += [f"- {markdown_text(line)}" for line in cost_lines(record["costs"])]
    said = record["expectations"]
    if said is not None and said["findings"]:
        lines += ["", "## Against what was expected", ""]
        lines += [f"- {markdown_text(f['message'])} `{f['id']}`" for f in said["findings"]]
    return "\n".join(lines) + "\n"
