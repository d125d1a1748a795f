"""Findings as a SARIF log, for editors and code hosts (OASIS SARIF 2.1.0).

Rendered from the same records as every other output.  Places in files become physical locations
(section 3.29), relative to the repository that holds the package, so that a code host finds them.
Places on the board, which SARIF does not know, are told in words and carried as properties
(section 3.8), on the first line of the layer they can be seen in.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final
from urllib.parse import quote

from fabkit.base.findings import times
from fabkit.outputs.source_places import Fingerprints, SourcePlace, SourcePlaces
from fabkit.rules import retired_ids

Record = dict[str, Any]

VERSION: Final = "2.1.0"
SCHEMA: Final = (
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
)

LEVELS: Final = {"error": "error", "warning": "warning", "note": "note"}
"""Section 3.27.10; the words happen to agree."""


def sarif_log(check: Record, *, version: str) -> Record:
    """One run (section 3.14) with every finding, silenced ones marked as suppressed.

    Parameters
    ----------
    check
        As made by :func:`fabkit.outputs.records.check_record`.
    version
        Of fabkit.
    """
    told = [*check["findings"], *check["silenced"]]
    places, marks = SourcePlaces(check), Fingerprints()
    base = "SRCROOT" if places.in_repository else "PACKAGE"
    meaning = (
        "root of the repository"
        if places.in_repository
        else f"the package {check['package']['name']}"
    )
    rules: dict[str, Record] = {}
    for finding in told:
        rules.setdefault(finding["id"], finding)
    ids = sorted(rules)
    return {
        "$schema": SCHEMA,
        "version": VERSION,
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
                "results": [_result(f, ids, places, base, marks) for f in told],
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
    text = finding["message"] + times(finding["message"], finding["count"])
    numbers = {key: finding[key] for key in ("measured", "limit") if finding[key] is not None}
    if numbers and finding["unit"]:
        numbers["unit"] = finding["unit"]
    result: Record = {
        "ruleId": finding["id"],
        "ruleIndex": ids.index(finding["id"]),
        "level": LEVELS[finding["severity"]],
        "message": {"text": f"{text} Do: {finding['remedy']}"},
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
