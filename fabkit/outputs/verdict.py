"""The verdict: text, Markdown, JSON, and what editors, code hosts and continuous integration read.

All are made from the verdict's record.  SARIF (OASIS SARIF 2.1.0), annotation lines and results as
test cases show places in files: as physical locations (SARIF section 3.29), relative to the
repository that holds the package, so that a code host finds them.  Places on the board, which
SARIF does not know, are given in words and as properties (section 3.8), on the first line of the
layer they can be seen in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Final
from urllib.parse import quote
from xml.etree import ElementTree as ET

from fabkit.base import VERSION
from fabkit.base.columns import gather
from fabkit.base.findings import Severity, cause_names, times
from fabkit.base.tables import Cell, Column, Record, Table, columns_of
from fabkit.base.units import counted, format_mm, format_number
from fabkit.outputs.formats import markdown_text, to_document, to_json
from fabkit.outputs.records import name_alone
from fabkit.outputs.terminal import (
    SHOWN_CAUSES,
    Terminal,
    board_counts,
    board_words,
    print_cause,
    print_contradiction,
    print_findings,
    print_notices,
)
from fabkit.rules import retired_ids

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
        shown = [markdown_text(place["text"]) for place in finding["places"][:3]]
        rest = finding["count"] - len(shown)
        lines.append(f"  - at {'; '.join(shown)}" + (f"; {rest} more" if rest > 0 else ""))
    if finding["assumed"]:
        lines.append(f"  - assumed: {markdown_text(finding['assumed'])}")
    lines.append(f"  - do: {markdown_text(finding['remedy'])}")
    return lines


def print_check(
    console: Terminal, record: Record, *, files: bool = False, full: bool = False
) -> None:
    """Print the verdict, the causes that stop the board or ask for a decision, and what it is.

    Unless ``full``, findings of one rule and consequence are one cause, shown by the first of
    them; what follows from another, what is only worth knowing, the form of the files and the
    checks that could not judge are one line: a person reads what matters, a program the JSON.
    """
    console.print(record["verdict"], style=f"bold {_tone(record)}".strip())
    if full:
        print_findings(console, record["findings"])
    else:
        folded = _print_causes(console, record["findings"])
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
    words = [
        f"{board['name']}:",
        *(f"{kind['headline']};" for kind in boards),
        *([f"{board['panel']};"] if board["panel"] and not panel else []),
        f"{format_number(width, digits=2)} × {format_mm(height, digits=2)},",
        f"{board_counts(board)},",
        f"{format_mm(thickness)} thick" if thickness else "thickness not stated",
    ]
    console.print(" ".join(words), style="bold")
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


def _print_causes(console: Terminal, findings: Sequence[Record]) -> list[str]:
    """Print the causes to act on, worst first, and give in a few words what is not shown."""
    # A verdict for programs does without it.
    from fabkit.mending.model import find_offer

    causes, echoes = causes_of(findings), echoes_of(findings)
    acted = [*causes.get("stop", ()), *causes.get("decide", ())]
    shown = acted[:SHOWN_CAUSES]
    offer = find_offer([group[0]["id"] for group in acted])
    in_full = CAUSE_LINES - len(shown) - bool(offer)
    for n, group in enumerate(shown):
        # The first ones are told in full where not all can be.
        follow = [echo["id"] for echo in echoes.get(group[0]["id"], ())]
        print_cause(console, group, follow, brief=n >= in_full)
    if offer:
        console.print(offer)
    folded = []
    if rest := acted[SHOWN_CAUSES:]:
        ids = ", ".join(group[0]["id"] for group in rest)
        folded.append(f"{len(rest)} more to decide ({ids})")
    if echoed := sum(map(len, echoes.values())):
        folded.append(f"{echoed} that follow")
    if known := causes.get("know"):
        folded.append(f"{len(known)} to know")
    if formal := causes.get("form"):
        folded.append(counted(len(formal), "remark") + " on the form of the files")
    return folded


# What code hosts read


GROUPS: Final = {
    "mask": "solder mask",
    "legend": "legend",
    "paste": "paste",
    "hole": "drill",
    "drill": "drill",
    "profile": "profile",
    "outline": "profile",
}
"""Kind of file that shows what rules of a group are about; copper for all others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourcePlace:
    """A file and a line.

    Parameters
    ----------
    path
        Relative to the repository when the package lies in one, otherwise to the package; ``/``.
    line
        From 1; 1 where the finding is about the board or the whole file.
    column
        From 1, in characters; None where it is not known.
    text
        What is at the place, for people.
    """

    path: str
    line: int
    column: int | None
    text: str


class SourcePlaces:
    """Finds the file and line of each place of a verdict.

    Parameters
    ----------
    check
        As made by :func:`fabkit.outputs.records.check_record`.
    """

    def __init__(self, check: Record) -> None:
        package = check["package"]
        self._files = package["files"]
        self._fold = find_prefix(package["source"])
        self.in_repository = self._fold is not None
        self._archive = Path(package["source"]).is_file()

    def of(self, finding: Record) -> list[SourcePlace]:
        """Every place of a finding; one for the whole package where it has none."""
        return [self._place(p, finding["id"]) for p in finding["places"] or [{"text": ""}]]

    def _place(self, place: Record, rule: str) -> SourcePlace:
        name = place.get("file") or self._shown_in(rule, place.get("side"))
        line = place.get("line")
        # Columns count bytes; they are characters only where the line is plain.
        plain = line is not None and place.get("excerpt", "").isascii()
        packed = self._archive and self.in_repository
        return SourcePlace(
            path=self._path(name),
            line=1 if packed or line is None else line,
            column=place.get("column") if plain and not packed else None,
            text=place["text"],
        )

    def _path(self, name: str) -> str:
        if self._fold is None:
            return name
        return self._fold if self._archive else f"{self._fold}/{name}".lstrip("/")

    def _shown_in(self, rule: str, side: str | None) -> str:
        """Find the file in which a place of the board can be seen."""
        kind = GROUPS.get(rule.split("/")[0], "copper")

        def fitness(file: Record) -> tuple[bool, bool, bool]:
            return file["kind"] == kind, file["side"] == side, file["kind"] == "profile"

        return str(max(self._files, key=fitness)["name"])


def find_prefix(source: str) -> str | None:
    """Path of a package from the root of the repository that holds it; None outside of one."""
    path = Path(source).resolve()
    for folder in path.parents if path.exists() else ():
        if (folder / ".git").exists():
            return path.relative_to(folder).as_posix()
    return None


class Fingerprints:
    """Marks by which a finding is known again when lines move; repeats are numbered."""

    def __init__(self) -> None:
        self._seen: dict[str, int] = {}

    def of(self, finding: Record) -> str:
        """Mark a finding by its rule, where it was first seen, and how often before."""
        place = finding["places"][0] if finding["places"] else {}
        spot = [f"{place[k]:.1f}" for k in ("x_mm", "y_mm") if k in place]
        parts = (finding["id"], place.get("file"), place.get("side"), *spot, place.get("excerpt"))
        mark = sha256("|".join(str(p or "") for p in parts).encode("utf-8", "replace")).hexdigest()
        number = self._seen[mark] = self._seen.get(mark, 0) + 1
        return f"{mark[:32]}:{number}"


_SARIF: Final = "2.1.0"
_SARIF_SCHEMA: Final = (
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
)


def sarif_log(check: Record, *, version: str) -> Record:
    """One run (section 3.14) with every finding, silenced ones marked as suppressed.

    Parameters
    ----------
    check
        As made by :func:`fabkit.outputs.records.check_record`.
    version
        Of fabkit.
    """
    found = [*check["findings"], *check["silenced"]]
    places, marks = SourcePlaces(check), Fingerprints()
    base = "SRCROOT" if places.in_repository else "PACKAGE"
    meaning = (
        "root of the repository"
        if places.in_repository
        else f"the package {check['package']['name']}"
    )
    rules: dict[str, Record] = {}
    for finding in found:
        rules.setdefault(finding["id"], finding)
    ids = sorted(rules)
    return {
        "$schema": _SARIF_SCHEMA,
        "version": _SARIF,
        "runs": [
            {
                "tool": {
                    "driver": {
                        "name": "fabkit",
                        "semanticVersion": version,
                        "rules": [_rule(rules[name]) for name in ids],
                    }
                },
                # Section 3.14.14: what relative names are relative to.
                "originalUriBaseIds": {base: {"description": {"text": meaning}}},
                "invocations": [_invocation(check)],
                "columnKind": "utf16CodeUnits",
                "results": [_result(f, ids, places, base, marks) for f in found],
                "properties": {"verdict": check["verdict"], "house": check["house"]["name"]},
            }
        ],
    }


def _rule(finding: Record) -> Record:
    """Section 3.49."""
    retired = retired_ids(finding["id"])
    return {
        "id": finding["id"],
        **({"deprecatedIds": list(retired)} if retired else {}),  # section 3.49.4
        "shortDescription": {"text": finding["title"]},
        "fullDescription": {"text": finding["why"]},
        "help": {"text": f"{finding['remedy']} Source: {finding['source']}."},
    }


def _invocation(check: Record) -> Record:
    """Section 3.20; a check that could not judge is a notification (3.58), as is a broken one."""
    notes = []
    for one in check["checks"]:
        if one["state"] in ("not judged", "broken"):
            broken = one["state"] == "broken"
            notes.append(
                {
                    "level": "error" if broken else "note",
                    "message": {"text": f"{one['id']} {one['state']}: {one['reason']}"},
                }
            )
    done = not check["counts"]["broken"]
    made: Record = {"executionSuccessful": done}
    if notes:
        made["toolExecutionNotifications"] = notes
    return made


def _result(
    finding: Record, ids: Sequence[str], places: SourcePlaces, base: str, marks: Fingerprints
) -> Record:
    """Section 3.27."""
    numbers = {key: finding[key] for key in ("measured", "limit") if finding[key] is not None}
    if numbers and finding["unit"]:
        numbers["unit"] = finding["unit"]
    result: Record = {
        "ruleId": finding["id"],
        "ruleIndex": ids.index(finding["id"]),
        "level": finding["severity"],  # section 3.27.10: the words agree
        "message": {"text": f"{_said(finding)} Do: {finding['remedy']}"},
        "occurrenceCount": finding["count"],
        # Section 3.27.17: lets a result be known again when lines move.
        "partialFingerprints": {"fabkit/v1": marks.of(finding)},
    }
    pairs = zip(places.of(finding), finding["places"] or [{}], strict=True)
    locations = [_location(source, place, base) for source, place in pairs]
    # Section 3.27.12: more than one location only where all must be changed.
    result["locations"] = locations[:1]
    if locations[1:]:
        result["relatedLocations"] = locations[1:]
    if finding["assumed"]:
        numbers["assumed"] = finding["assumed"]
    if numbers:
        result["properties"] = numbers
    if "reason" in finding:
        result["suppressions"] = [
            {"kind": "external", "status": "accepted", "justification": finding["reason"]}
        ]
    return result


def _location(source: SourcePlace, place: Record, base: str) -> Record:
    """Section 3.28; a place on the board is shown on the first line of the layer it is on."""
    region: Record = {"startLine": source.line}
    if source.column is not None:
        region["startColumn"] = source.column
        region["snippet"] = {"text": place.get("excerpt", "")[place.get("caret", 0) :]}
    location: Record = {
        "message": {"text": source.text or "the whole package"},
        "physicalLocation": {
            "artifactLocation": {
                "uri": quote(source.path, errors="replace"),
                "uriBaseId": base,
            },
            "region": region,
        },
    }
    spot = {key: place[key] for key in ("side", "x_mm", "y_mm") if key in place}
    if spot:
        location["properties"] = spot
    return location


COMMANDS: Final = {"error": "error", "warning": "warning", "note": "notice"}


def render_annotations(check: Record) -> str:
    """One line a finding, as runners of code hosts read them: ``::error file=...,line=...::text``.

    Per cent signs and line ends are escaped, in properties colons and commas, too.
    """
    places = SourcePlaces(check)
    lines = []
    for finding in check["findings"]:
        place = places.of(finding)[0]
        spot = {"file": place.path, "line": place.line, "col": place.column}
        properties = {**spot, "title": f"{finding['title']} [{finding['id']}]"}
        text = ",".join(f"{k}={_property(v)}" for k, v in properties.items() if v is not None)
        lines.append(f"::{COMMANDS[finding['severity']]} {text}::{_escaped(_text(finding))}\n")
    return "".join(lines)


def _text(finding: Record) -> str:
    place = f" at {finding['places'][0]['text']}" if finding["places"] else ""
    return f"{_said(finding)}{place}. {finding['remedy']}"


def _said(finding: Record) -> str:
    message = str(finding["message"])
    return message + times(message, finding["count"])


def _escaped(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(value: object) -> str:
    return _escaped(str(value)).replace(":", "%3A").replace(",", "%2C")


def render_junit(check: Record, *, fail_on: Severity | None) -> str:
    """Write checks and findings as test cases in XML.

    A rule with findings at or above ``fail_on`` fails, a check that could not judge or does not
    apply is skipped, a broken one is an error; findings below the level stand in
    ``system-out``.
    """
    by_id = itemgetter("id")
    rules = groupby(sorted(check["findings"], key=by_id), key=by_id)
    cases = [
        *(_case_of_rule(list(found), fail_on) for _, found in rules),
        *(_case_of_check(one) for one in check["checks"] if one["state"] != "found"),
    ]
    suite = ET.Element("testsuite", name=f"fabkit check {_clean(check['package']['name'])}")
    suite.set("tests", str(len(cases)))
    for outcome, word in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
        suite.set(word, str(sum(case.find(outcome) is not None for case in cases)))
    suite.extend(cases)
    ET.SubElement(suite, "system-out").text = _clean(check["verdict"])
    root = ET.Element("testsuites")
    root.append(suite)
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _case(name: str) -> ET.Element:
    group, _, rest = name.partition("/")
    return ET.Element("testcase", classname=f"fabkit.{group}", name=rest or group)


def _case_of_rule(findings: list[Record], fail_on: Severity | None) -> ET.Element:
    case = _case(findings[0]["id"])
    worst = max(Severity[f["severity"].upper()] for f in findings)
    text = "\n".join(f"{f['severity']}: {_text(f)}" for f in findings)
    if fail_on is not None and worst >= fail_on:
        failure = ET.SubElement(case, "failure", message=_clean(findings[0]["message"]))
        failure.set("type", worst.word)
        failure.text = _clean(text)
    else:
        ET.SubElement(case, "system-out").text = _clean(text)
    return case


def _case_of_check(check: Record) -> ET.Element:
    case = _case(check["id"])
    if check["state"] in ("not judged", "does not apply"):
        ET.SubElement(case, "skipped", message=_clean(check["reason"]))
    elif check["state"] == "broken":
        ET.SubElement(case, "error", message=_clean(check["reason"]))
    return case


def _clean(text: str) -> str:
    """Text without the signs that XML 1.0 does not allow (section 2.2)."""
    return "".join(c if c.isprintable() or c in "\n\t" else "·" for c in text)
