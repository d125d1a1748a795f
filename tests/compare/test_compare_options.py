"""Options that job files state: another finish or colour is a change, silence is none."""

from __future__ import annotations

import json
import shutil

import pytest
from compare_boards import DIALECTS, WHEATEAR, read

import fabkit
from fabkit.compare.options import stated_options


def _stating(folder, change):
    """Revision B with a job file that a function has edited."""
    shutil.copytree(WHEATEAR / "rev-b", folder)
    path = next(folder.glob("*.gbrjob"))
    job = json.loads(path.read_text(encoding="utf-8"))
    change(job)
    path.write_text(json.dumps(job), encoding="utf-8")
    return read(folder)


def _colour(kind, number, colour):
    def change(job):
        rows = [row for row in job["MaterialStackup"] if row["Type"] == kind]
        rows[number]["Color"] = colour

    return change


def _rows(kind, key, value):
    def change(job):
        for row in job["MaterialStackup"]:
            if row["Type"] == kind:
                row[key] = value

    return change


@pytest.mark.parametrize(
    ("change", "subject", "before", "after"),
    [
        (lambda j: j["GeneralSpecs"].update(Finish="ENIG"), "finish", "HAL lead-free", "ENIG"),
        (lambda j: j["GeneralSpecs"].update(RoHS=False), "RoHS", "yes", "no"),
        (_colour("SolderMask", 0, "Black"), "top solder mask colour", "Green", "Black"),
        (_colour("Legend", 1, "Yellow"), "bottom legend colour", "White", "Yellow"),
        (_rows("Copper", "Thickness", 0.07), "outer copper", "0.035 mm", "0.07 mm"),
        (_rows("Dielectric", "Material", "FR4 thin"), "material", "FR4", "FR4 thin"),
    ],
)
def test_another_option_is_a_change(rev_b, tmp_path, change, subject, before, after):
    """One option stated otherwise is one change of the board, mirrored the other way round."""
    other = _stating(tmp_path / "b", change)
    comparison = fabkit.compare_boards(rev_b, other)
    (found,) = comparison.changes
    (back,) = fabkit.compare_boards(other, rev_b).changes

    assert (found.kind, found.subject) == ("board/changed", subject)
    assert (found.before, found.after) == (before, after)
    assert (back.before, back.after) == (after, before)


@pytest.mark.parametrize(
    "change",
    [
        lambda j: j["GeneralSpecs"].update(Finish="LF HASL"),
        lambda j: j["GeneralSpecs"].update(Finish="hasl Pb-free"),
        _colour("SolderMask", 0, " green"),
    ],
)
def test_another_spelling_is_no_change(rev_b, tmp_path, change):
    """Finishes and colours are compared by what they mean (spellings: job file format)."""
    comparison = fabkit.compare_boards(rev_b, _stating(tmp_path / "b", change))

    assert comparison.equal
    assert comparison.not_compared == {}


def test_what_one_does_not_state_is_said_and_is_no_change(rev_b, tmp_path):
    """An option that one job file leaves out is named with what the other states."""
    other = _stating(tmp_path / "b", lambda j: j["GeneralSpecs"].pop("Finish"))
    comparison = fabkit.compare_boards(rev_b, other)

    assert comparison.equal
    assert comparison.not_compared == {
        "finish": "NEW does not state it; OLD states HAL lead-free"
    }  # fmt: skip


def test_a_package_without_job_file_states_nothing(rev_b):
    """One line says that options were not compared, and what the other states."""
    bare = read(DIALECTS / "no-attributes-mm")
    there = fabkit.compare_boards(bare, rev_b)

    assert stated_options(bare) == {}
    assert there.equal
    assert there.not_compared["options"].startswith("OLD states none; NEW states thickness 1.2 mm")
    assert fabkit.compare_boards(bare, bare).not_compared["options"] == "neither states any"


def test_a_mixture_is_not_compared_with_a_word(rev_b, tmp_path):
    """A colour as a word and one as red, green and blue parts are neither different nor equal."""
    comparison = fabkit.compare_boards(
        rev_b, _stating(tmp_path / "b", _colour("SolderMask", 0, "R0G130B50"))
    )

    assert comparison.equal
    assert "top solder mask colour" in comparison.not_compared
