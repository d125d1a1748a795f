"""The verdict for continuous integration: annotation lines, and results as test cases."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from typing import Any, Final
from xml.etree import ElementTree as ET

from fabkit.base.findings import Severity, times
from fabkit.outputs.source_places import SourcePlaces

Record = dict[str, Any]

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
        told = ",".join(f"{k}={_property(v)}" for k, v in properties.items() if v is not None)
        lines.append(f"::{COMMANDS[finding['severity']]} {told}::{_escaped(_text(finding))}\n")
    return "".join(lines)


def _text(finding: Record) -> str:
    place = f" at {finding['places'][0]['text']}" if finding["places"] else ""
    said = finding["message"] + times(finding["message"], finding["count"])
    return f"{said}{place}. {finding['remedy']}"


def _escaped(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(value: object) -> str:
    return _escaped(str(value)).replace(":", "%3A").replace(",", "%2C")


def render_junit(check: Record, *, fail_on: Severity | None) -> str:
    """Checks and findings as test cases in XML.

    A rule with findings at or above ``fail_on`` fails, a check that could not judge or does not
    apply is skipped, a broken one is an error; findings below the level are told in
    ``system-out``.
    """
    cases = [
        *(_case_of_rule(list(found), fail_on) for _, found in _by_rule(check["findings"])),
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


def _by_rule(findings: Iterable[Record]) -> Iterable[tuple[str, Iterable[Record]]]:
    return groupby(sorted(findings, key=lambda f: f["id"]), key=lambda f: f["id"])


def _case(name: str) -> ET.Element:
    group, _, rest = name.partition("/")
    return ET.Element("testcase", classname=f"fabkit.{group}", name=rest or group)


def _case_of_rule(findings: list[Record], fail_on: Severity | None) -> ET.Element:
    case = _case(findings[0]["id"])
    worst = max(Severity[f["severity"].upper()] for f in findings)
    told = "\n".join(f"{f['severity']}: {_text(f)}" for f in findings)
    if fail_on is not None and worst >= fail_on:
        failure = ET.SubElement(case, "failure", message=_clean(findings[0]["message"]))
        failure.set("type", worst.word)
        failure.text = _clean(told)
    else:
        ET.SubElement(case, "system-out").text = _clean(told)
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
