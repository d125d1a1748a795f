"""The verdict for people, as text and Markdown, and in every form that is asked for."""

from __future__ import annotations

from collections.abc import Sequence

from fabkit.base import VERSION
from fabkit.base.columns import gather
from fabkit.base.findings import Severity, cause_names, times
from fabkit.base.tables import Cell, Column, Record, Table, columns_of
from fabkit.base.units import counted, format_mm, format_number
from fabkit.outputs.code_hosts import render_annotations, render_junit, sarif_log
from fabkit.outputs.formats import markdown_text, to_document, to_json
from fabkit.outputs.records import found_at, name_alone
from fabkit.outputs.terminal import (
    SHOWN_CAUSES,
    Terminal,
    board_counts,
    board_words,
    by_weight,
    print_cause,
    print_contradiction,
    print_findings,
    print_notices,
)

CAUSE_LINES = 8
"""Lines for them and for the offer to mend: two each, and one for the last where there are many."""


def render_verdict(check: Record, form: str, *, fail_on: Severity | None = Severity.ERROR) -> str:
    """Render a verdict as ``json``, ``markdown``, ``sarif``, ``annotations`` or ``junit``.

    Parameters
    ----------
    check
        As made by :func:`fabkit.outputs.records.check_record`.
    fail_on
        Least severity that makes a test case of ``junit`` fail; None for none.
    """
    if form == "markdown":
        return verdict_markdown(check)
    if form == "annotations":
        return render_annotations(check)
    if form == "junit":
        return render_junit(check, fail_on=fail_on)
    if form == "sarif":
        return to_json(sarif_log(check, version=VERSION))
    return to_document("check", without_place(check))


def without_place(check: Record) -> Record:
    """Name the package of a verdict by itself."""
    package = check["package"]
    return {**check, "package": {**package, "source": name_alone(package["source"])}}


def verdict_markdown(check: Record) -> str:
    """Verdict, findings worst first with places and remedies, silenced ones, blind spots.

    Parameters
    ----------
    check
        As made by :func:`fabkit.outputs.records.check_record`.
    """
    board = check["board"]
    lines = [
        f"# {markdown_text(board['name'])}: {markdown_text(check['verdict'])}",
        "",
        f"{board_words(board)}.",
    ]
    for word in ("error", "warning", "note"):
        found = [f for f in check["findings"] if f["severity"] == word]
        if found:
            lines += ["", f"## {word.capitalize()}s", ""]
            for finding in found:
                lines += _item(finding)
    if check["silenced"]:
        lines += ["", "## Silenced", ""]
        lines += [
            f"- `{f['id']}`: {markdown_text(f['message'])}. Reason: {markdown_text(f['reason'])}"
            for f in check["silenced"]
        ]
    blind = [c for c in check["checks"] if c["state"] in ("not judged", "broken")]
    if blind:
        lines += ["", "## Not judged", ""]
        lines += [f"- `{c['id']}`, {c['state']}: {markdown_text(c['reason'])}" for c in blind]
    if check["house"]["notice"]:
        lines += ["", f"*{markdown_text(check['house']['notice'])}*"]
    return "\n".join(lines) + "\n"


def _item(finding: Record) -> list[str]:
    often = times(finding["message"], finding["count"])
    lines = [f"- **{markdown_text(finding['message'])}**{often} `{finding['id']}`"]
    if finding["places"]:
        shown = [markdown_text(found_at(place)) for place in finding["places"][:3]]
        rest = finding["count"] - len(shown)
        lines.append(f"  - {'; '.join(shown)}" + (f"; {rest} more" if rest > 0 else ""))
    if finding["assumed"]:
        lines.append(f"  - assumed: {markdown_text(finding['assumed'])}")
    lines.append(f"  - do: {markdown_text(finding['remedy'])}")
    return lines


def print_check(
    console: Terminal, record: Record, *, mend: str, files: bool = False, full: bool = False
) -> None:
    """Print the verdict, the causes that stop the board or ask for a decision, and what it is.

    Unless ``full``, findings of one rule and consequence are one cause, shown by the first of
    them; what follows from another, what is only worth knowing, the form of the files and the
    checks that could not judge are one line: a person reads what matters, a program the JSON.
    ``mend`` is the call that mends what can be mended.
    """
    console.print(record["verdict"], style=f"bold {_tone(record)}".strip())
    if full:
        print_findings(console, record["findings"])
    else:
        folded = _print_causes(console, record["findings"], mend)
        folded += _skipped(record["checks"])
        if folded:
            console.print(f"folded: {'; '.join(folded)}; --all shows everything", style="dim")
    for finding in record["silenced"]:
        said = f"silenced: {finding['message']}  [{finding['id']}], because: {finding['reason']}"
        console.print(said, style="dim")
    if full:
        for reason, ids in _blind(record["checks"]).items():
            console.print(f"skipped, {reason}: {', '.join(ids)}", style="dim")
    for check in record["checks"]:
        if check["state"] == "broken":
            console.print(f"broken: {check['id']}: {check['reason']}", style="bold red")
    print_board(console, record["board"], record["boards"])
    if files:
        print_files(console, record["package"])
    if "thicknesses" in record:
        console.table(thickness_table(record["thicknesses"]))
    if "houses" in record:
        print_houses(console, record["houses"])
    print_notices(console, _house_notices(record))


def _tone(record: Record) -> str:
    counts = record["counts"]
    return "red" if counts["stop"] or counts["broken"] else "yellow" if counts["decide"] else ""


def _house_notices(record: Record) -> list[str]:
    notices = [record["house"]["notice"], *(h["notice"] for h in record.get("houses", ()))]
    return [notice for notice in dict.fromkeys(notices) if notice]


def thickness_table(thicknesses: Sequence[Record]) -> Table:
    """Which thicknesses the house offers, what forbids them, and how they feel."""
    clipped = any(row["clips"] for row in thicknesses)
    one = next(iter(thicknesses), {"reach_mm": None})
    give = "press: estimated give under 5 N"
    if one["reach_mm"] is not None:
        held = {"screws": "a screw", "outline": "the outline"}[str(one["held_by"])]
        give += f" at the key farthest from {held}, {format_mm(one['reach_mm'], digits=0)}"
    return Table(
        (
            Column("thickness", unit="mm"),
            Column("verdict", "can be made"),
            Column("aspect", "thickness : drill", number=True),
            Column("weight", unit="g", number=True),
            Column("stiffness", number=True),
            Column("press", unit="mm", number=True),
            Column("extra", "extra an order", number=True),
            *((Column("clips", "switches that clip in"),) if clipped else ()),
        ),
        tuple(
            (
                f"{format_number(row['thickness_mm'])} ± {format_number(row['tolerance_mm'])}",
                row["verdict"],
                "" if row["aspect"] is None else f"{_number(row['aspect'], digits=1)} : 1",
                format_number(row["weight_g"], digits=1),
                f"{format_number(100 * row['stiffness'], digits=0)} %",
                _number(row["deflection_mm"], digits=2),
                row["surcharge"],
                *((row["clips"],) if clipped else ()),
            )
            for row in thicknesses
        ),
        title=f"thicknesses on offer; stiffness against 1.6 mm; {give}",
    )


def _number(value: float | None, *, digits: int) -> str:
    return "" if value is None else format_number(value, digits=digits)


def print_houses(console: Terminal, houses: list[Record]) -> None:
    """Print which house can make the board, at which class, and why not."""
    rows: list[tuple[Cell, ...]] = []
    for house in houses:
        reasons = [f"{r['message']} [{r['id']}]" for r in house["reasons"]]
        more = len(reasons) - 2
        why = "; ".join(reasons[:2]) + (f"; and {more} more" if more > 0 else "")
        rows.append((house["name"], house["class"] or "cannot make it", why))
    console.table(Table(columns_of("house", "class", "because"), tuple(rows), title="houses"))


def print_board(console: Terminal, board: Record, boards: Sequence[Record] = ()) -> None:
    """Print one line about the board, and what speaks against the user's word of what it is."""
    thickness = board["thickness_mm"]
    width, height = board["width_mm"], board["height_mm"]
    panel = any(kind["headline"].startswith("panel") for kind in boards)
    said = [by_weight(kind) for kind in boards]
    last = "".join(f"; {last}" for _, last in said if last)
    words = [
        f"{board['name']}:",
        *(f"{first};" for first, _ in said if first),
        *([f"{board['panel']};"] if board["panel"] and not panel else []),
        f"{format_number(width, digits=2)} × {format_mm(height, digits=2)},",
        f"{board_counts(board)},",
        f"{format_mm(thickness)} thick" if thickness else "thickness not stated",
    ]
    console.print(" ".join(words) + last, style="bold")
    for kind in boards:
        print_contradiction(console, kind)


def print_files(console: Terminal, package: Record) -> None:
    """Print every file with its role and the reason, then what is left out."""
    console.table(files_table(package))
    if package["left_out"]:
        left = tuple((f["name"], f["reason"]) for f in package["left_out"])
        console.table(Table(columns_of("left_out", "because"), left))


def files_table(package: Record) -> Table:
    """Give every file that was read with its role and the reason."""
    return Table(
        columns_of("file", "is_the", "sure", "because", numbers=["sure"]),
        tuple(
            (f["name"], f["role"], f"{f['confidence']:.0%}", f["reason"]) for f in package["files"]
        ),
    )


def checks_table(checks: Sequence[Record]) -> Table:
    """Give every check with what came of it."""
    return Table(
        columns_of("check", "outcome", "findings", "why_not_judged", "id", numbers=["findings"]),
        tuple(
            (c["title"], c["state"], c["findings"] or None, c["reason"], c["id"]) for c in checks
        ),
    )


def _blind(checks: Sequence[Record]) -> dict[str, list[str]]:
    """Ids of the checks that could not judge, by what was missing."""
    return gather((c["reason"], c["id"]) for c in checks if c["state"] == "not judged")


def _skipped(checks: Sequence[Record]) -> list[str]:
    """How many checks could not judge, and why, in a few words; nothing where all could."""
    blind = _blind(checks)
    count = sum(map(len, blind.values()))
    return [f"{counted(count, 'check')} skipped ({', '.join(blind)})"] if blind else []


def causes_of(findings: Sequence[Record]) -> dict[str, list[list[Record]]]:
    """Group findings of one rule and consequence into causes, by consequence; worst first.

    What one choice settles is one cause; what follows from another finding is none.
    """
    causes: dict[str, list[list[Record]]] = {}
    for word in dict.fromkeys(finding["consequence"] for finding in findings):
        mine = [f for f in findings if f["consequence"] == word and "follows" not in f]
        names = cause_names((f["id"], f.get("choice", "")) for f in mine)
        groups = gather(zip(names, mine, strict=True))
        if groups:
            causes[word] = list(groups.values())
    return causes


def echoes_of(findings: Sequence[Record]) -> dict[str, list[Record]]:
    """Group the findings that follow from others by the rule that they follow from."""
    return gather((f["follows"], f) for f in findings if "follows" in f)


def _print_causes(console: Terminal, findings: Sequence[Record], mend: str) -> list[str]:
    """Print the causes to act on, worst first, and give in a few words what is not shown."""
    # A verdict for programs does without it.
    from fabkit.mending.model import find_offer

    causes, echoes = causes_of(findings), echoes_of(findings)
    acted = [*causes.get("stop", ()), *causes.get("decide", ())]
    shown = acted[:SHOWN_CAUSES]
    offer = find_offer([group[0]["id"] for group in acted], call=mend)
    in_full = CAUSE_LINES - len(shown) - bool(offer)
    for n, group in enumerate(shown):
        # The first ones are told in full where not all can be.
        follow = [echo["id"] for echo in echoes.get(group[0]["id"], ())]
        print_cause(console, group, follow, brief=n >= in_full)
    if offer:
        console.print(offer, unbroken=True)
    folded = []
    if rest := acted[SHOWN_CAUSES:]:
        ids = ", ".join(group[0]["id"] for group in rest)
        folded.append(f"{len(rest)} more to decide ({ids})")
    if echoed := sum(map(len, echoes.values())):
        folded.append(f"{echoed} that follow{'s' * (echoed == 1)}")
    if known := causes.get("know"):
        folded.append(f"{len(known)} to know")
    if formal := causes.get("form"):
        folded.append(counted(len(formal), "remark") + " on the form of the files")
    return folded
