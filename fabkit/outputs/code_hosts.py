"""The verdict for editors, code hosts and continuous integration.

SARIF (OASIS SARIF 2.1.0), annotation lines and results as test cases show places in files: as
physical locations (SARIF section 3.29), relative to the repository that holds the package, so that
a code host finds them.  Places on the board, which SARIF does not know, are given in words and as
properties (section 3.8), on the first line of the layer they can be seen in.
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

from fabkit.base.findings import Severity, times
from fabkit.base.tables import Record
from fabkit.outputs.records import found_at
from fabkit.rules import retired_ids

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
    place = f" {found_at(finding['places'][0])}" if finding["places"] else ""
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
