"""The verdict for code hosts and continuous integration; the hook and the recipe of the docs."""

from __future__ import annotations

import copy
import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

import fabkit
from fabkit.base.findings import Severity
from fabkit.outputs.code_hosts import (
    Fingerprints,
    SourcePlaces,
    render_annotations,
    render_junit,
    sarif_log,
)
from fabkit.outputs.records import check_record

ROOT = Path(__file__).parents[2]
DEFECTS = ROOT / "fixtures" / "defects"
needs_git = pytest.mark.skipif(
    shutil.which("git") is None or os.name != "posix", reason="needs git and a POSIX shell"
)


def record(path):
    """Verdict on a package."""
    house = fabkit.load_house()
    board = fabkit.build_board(fabkit.open_package(path))
    return check_record(board, fabkit.check(board, house), house)


@pytest.fixture(scope="module")
def repository(tmp_path_factory):
    """A folder that looks like a repository, with packages two folders down."""
    folder = tmp_path_factory.mktemp("repository")
    (folder / ".git").mkdir()
    for name in ("profile-crossing", "gap-small"):
        shutil.copytree(DEFECTS / name, folder / "boards" / name)
    return folder


@pytest.fixture(scope="module")
def gap_small(repository):
    """The verdict on a package with a gap that is too small."""
    return record(repository / "boards" / "gap-small")


@pytest.fixture
def gap(gap_small):
    """The same, to be changed."""
    return copy.deepcopy(gap_small)


def results_of(made):
    """Results of a SARIF log."""
    return sarif_log(made, version="1.0.0")["runs"][0]["results"]


def test_every_sarif_result_has_a_file_and_a_line(repository, gap_small):
    """SARIF 2.1.0, 3.29 and 3.30: relative to the repository, to files that are there."""
    for made in (record(repository / "boards" / "profile-crossing"), gap_small):
        for result in results_of(made):
            for told in [*result["locations"], *result.get("relatedLocations", [])]:
                place = told["physicalLocation"]
                artifact = place["artifactLocation"]
                assert artifact["uriBaseId"] == "SRCROOT"
                lines = (repository / artifact["uri"]).read_bytes().count(b"\n")
                assert 1 <= place["region"]["startLine"] <= lines


def test_a_place_on_the_board_is_shown_on_its_layer(gap_small):
    """A gap between two tracks is shown on the copper of its side."""
    gap = next(r for r in results_of(gap_small) if r["ruleId"] == "copper/gap-small")
    side = gap["locations"][0]["properties"]["side"]
    uri = gap["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
    files = {f"boards/gap-small/{f['name']}": f for f in gap_small["package"]["files"]}
    assert (files[uri]["kind"], files[uri]["side"]) == ("copper", side)


def test_inside_a_zip_the_zip_is_shown(repository):
    """A code host has no lines of members."""
    shutil.make_archive(str(repository / "up"), "zip", DEFECTS / "profile-crossing")
    for result in results_of(record(repository / "up.zip")):
        place = result["locations"][0]["physicalLocation"]
        assert place["artifactLocation"]["uri"] == "up.zip"
        assert place["region"] == {"startLine": 1}


def test_outside_of_a_repository_paths_are_the_packages(tmp_path):
    """Without a repository nothing of the machine's paths is told."""
    shutil.copytree(DEFECTS / "profile-crossing", tmp_path / "p")
    made = record(tmp_path / "p")
    if SourcePlaces(made).in_repository:
        pytest.skip("the temporary folder lies in a repository")
    text = json.dumps(sarif_log(made, version="1.0.0"))
    assert str(tmp_path) not in text
    assert '"uriBaseId": "PACKAGE"' in text


def test_fingerprints_outlive_moved_lines(repository, tmp_path):
    """SARIF 2.1.0, 3.27.17: comments put in front move every line and no fingerprint."""
    (tmp_path / ".git").mkdir()
    package = tmp_path / "boards"
    shutil.copytree(repository / "boards" / "profile-crossing", package)

    def marks():
        return [r["partialFingerprints"]["fabkit/v1"] for r in results_of(record(package))]

    before = marks()
    for path in package.glob("*.gbr"):
        text = path.read_text(encoding="utf-8")
        path.write_text("G04 Moved*\nG04 down*\n" + text, encoding="utf-8")

    assert marks() == before
    assert len(set(before)) == len(before)


def test_equal_findings_have_different_fingerprints():
    """A second finding that looks the same is told apart."""
    finding = {"id": "a/b", "places": []}
    seen = Fingerprints()
    assert seen.of(finding) != seen.of(finding)


def test_annotations_are_one_escaped_line_each(repository, gap):
    """File, line and title are properties; signs that would end them are escaped."""
    gap["findings"][0]["message"] = "50 % too small,\nsee: here"
    lines = render_annotations(gap).splitlines()

    assert len(lines) == len(gap["findings"])
    for line in lines:
        found = re.fullmatch(r"::(error|warning|notice) (file=[^:]*)::(.+)", line)
        assert found
        properties = dict(p.split("=", 1) for p in found[2].split(","))
        assert (repository / properties["file"]).is_file()
        assert int(properties["line"]) >= 1
        assert "[" in properties["title"]
    assert "50 %25 too small,%0Asee: here" in lines[0]


@pytest.mark.parametrize("level", [Severity.ERROR, Severity.WARNING, Severity.NOTE, None])
def test_junit_counts_what_the_verdict_counts(gap_small, level):
    """Failures are the rules at or above the level; blind spots are skipped."""
    made = gap_small
    (suite,) = ET.fromstring(render_junit(made, fail_on=level))  # noqa: S314 -- our own text
    cases = suite.findall("testcase")
    ranks = {f["id"]: Severity[f["severity"].upper()] for f in made["findings"]}
    failing = {rule for rule, rank in ranks.items() if level is not None and rank >= level}

    failed = {
        c.get("classname").split(".")[1] + "/" + c.get("name")
        for c in cases
        if c.find("failure") is not None
    }
    assert failed == failing
    assert int(suite.get("tests")) == len(cases)
    assert int(suite.get("failures")) == len(failing)
    skipped = made["counts"]["not judged"] + made["counts"]["does not apply"]
    assert int(suite.get("skipped")) == skipped > 0
    assert len(cases) == len(ranks) + sum(c["state"] != "found" for c in made["checks"])


def test_junit_is_xml_whatever_the_files_say(gap):
    """XML 1.0, section 2.2: control characters of hostile names are replaced."""
    gap["findings"][0]["message"] = "a\x1b[31m & <b> \x00"
    text = render_junit(gap, fail_on=Severity.NOTE)
    messages = [f.get("message") for f in ET.fromstring(text).iter("failure")]  # noqa: S314
    assert "a·[31m & <b> ·" in messages


def on_path(command):
    """The environment of these tests, with a command on its path."""
    return {**os.environ, "PATH": f"{command.parent}{os.pathsep}{os.environ['PATH']}"}


def git(folder, *words, **more):
    """Run git with an identity of its own."""
    return subprocess.run(
        ["git", "-c", "user.name=A", "-c", "user.email=a@example.org", *words],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        **more,
    )


@needs_git
def test_the_hook_stops_a_bad_package(copied, tmp_path):
    """A sound package is committed, a bad one is not, and it is the staged files that count."""
    git(tmp_path, "init", "-q")
    shutil.copy(ROOT / "docs/ci/pre-commit", tmp_path / ".git/hooks/pre-commit")
    shutil.copytree(DEFECTS / "clean", tmp_path / "gerbers")
    git(tmp_path, "add", "-A")
    good = git(tmp_path, "commit", "-qm", "sound", env=on_path(copied))
    assert good.returncode == 0, good.stdout + good.stderr

    shutil.rmtree(tmp_path / "gerbers")
    shutil.copytree(DEFECTS / "profile-missing", tmp_path / "gerbers")
    git(tmp_path, "add", "-A")
    shutil.rmtree(tmp_path / "gerbers")
    shutil.copytree(DEFECTS / "clean", tmp_path / "gerbers")
    bad = git(tmp_path, "commit", "-qm", "bad", env=on_path(copied))
    assert bad.returncode == 1
    assert "do not order" in bad.stdout + bad.stderr
    assert "Nothing was committed" in bad.stderr
    assert git(tmp_path, "log", "--format=%s").stdout.split() == ["sound"]

    git(tmp_path, "reset", "-q", "--hard")
    (tmp_path / "notes.txt").write_text("nothing to do with boards\n")
    git(tmp_path, "add", "-A")
    other = git(tmp_path, "commit", "-qm", "notes", env=on_path(copied))
    assert other.returncode == 0
    assert "order" not in other.stdout


@needs_git
def test_the_recipe_for_runners(copied, repository):
    """Each package leaves its three results; the status is the worst one."""
    shutil.copytree(DEFECTS / "clean", repository / "boards" / "clean")
    done = subprocess.run(
        [ROOT / "docs/ci/check.sh", "results", "boards/clean", "boards/gap-small"],
        cwd=repository,
        capture_output=True,
        text=True,
        check=False,
        env=on_path(copied),
    )
    assert done.returncode == 1, done.stderr
    assert "::error file=boards/gap-small/" in done.stdout
    names = {p.name for p in (repository / "results").iterdir()}
    assert names == {f"{n}.{e}" for n in ("clean", "gap-small") for e in ("sarif", "xml", "json")}
    assert json.loads((repository / "results/clean.json").read_text())["counts"]["error"] == 0
    (suite,) = ET.parse(repository / "results/gap-small.xml").getroot()  # noqa: S314
    assert int(suite.get("failures")) >= 1
