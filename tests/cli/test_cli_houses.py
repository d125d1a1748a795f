"""Several houses and every thickness: who can make it, at which class, and why not."""

from __future__ import annotations

import json

import pytest
from small_package import DEMO, ROOT

import fabkit

SHEET = (
    'format = 1\nname = "{name}"\n[options]\nlayers = [{layers}]\nthickness_mm = [1.0, 1.6]\n{more}'
)


@pytest.fixture
def sheet(tmp_path):
    """Write a house sheet; gives its path."""

    def write(name, *, layers="2", more=""):
        path = tmp_path / f"{name}.toml"
        path.write_text(SHEET.format(name=name, layers=layers, more=more))
        return path

    return write


def limits(standard, fine):
    """Limits of the smallest plated drill."""
    return (
        f"[limits.standard]\ndrill_min_plated_mm = {standard}\n"
        f"[limits.fine]\ndrill_min_plated_mm = {fine}\n"
    )


def test_houses_are_told_apart(run, small, sheet):
    """A hole of 1 mm: one house makes it, one in its fine class, two not at all."""
    houses = [
        sheet("easy", more=limits(0.5, 0.3)),
        sheet("fine", more=limits(1.1, 0.9)),
        sheet("never", more=limits(1.5, 1.2)),
        sheet("layers", layers="4"),
    ]
    options = [word for house in houses for word in ("--house", house)]
    record = json.loads(run("check", small, *options, "--json").output)

    assert [(h["name"], h["class"], h["makes"]) for h in record["houses"]] == [
        ("easy", "standard", True),
        ("fine", "fine", True),
        ("never", None, False),
        ("layers", None, False),
    ]
    reasons = [[r["id"] for r in h["reasons"]] for h in record["houses"]]
    assert reasons == [
        [],
        ["hole/plated-too-small"],
        ["hole/plated-too-small"],
        ["package/layers-not-offered"],
    ]


def test_the_first_house_gives_the_verdict(run, small, sheet):
    """Verdict and status are those of the first sheet; the others only appear in the table."""
    good, bad = sheet("good"), sheet("bad", layers="4")
    text = run("check", small, "--house", good, "--house", bad).output

    assert text.startswith("fit to order")
    assert "cannot make it" in text
    run("check", small, "--house", bad, "--house", good, status=1)


def test_errors_of_the_files_are_no_houses_fault(run, sheet):
    """A board with a short circuit can be made by a house all the same."""
    house = sheet("any")
    board = ROOT / "fixtures/defects/net-short"
    record = json.loads(
        run("check", board, "--house", house, "--house", house, "--json", status=1).output
    )

    assert record["counts"]["error"] > 0
    assert [h["makes"] for h in record["houses"]] == [True, True]


def test_one_house_needs_no_comparison(run, small, sheet):
    """With one sheet the record has no table of houses."""
    assert "houses" not in json.loads(run("check", small, "--house", sheet("a"), "--json").output)


def test_thicknesses_are_shown_when_asked(run, small, sheet):
    """Each offered thickness with its ratio to the drill of 1 mm; a thin board gives way more."""
    house = sheet("a")
    record = json.loads(run("check", small, "--house", house, "--thicknesses", "--json").output)

    rows = record["thicknesses"]
    assert [(r["thickness_mm"], r["aspect"], r["verdict"]) for r in rows] == [
        (1.0, 1.0, "yes"),
        (1.6, 1.6, "yes"),
    ]
    # Bending stiffness goes with the third power of the thickness (plate theory).
    assert rows[0]["stiffness"] == pytest.approx((1.0 / 1.6) ** 3, abs=1e-6)
    text = run("check", small, "--house", house, "--thicknesses").output
    assert "1.6 : 1" in text
    assert "thicknesses" not in json.loads(run("check", small, "--json").output)


def test_the_library_compares_houses(sheet):
    """The same answer from Python."""
    board = fabkit.build_board(fabkit.open_package(DEMO))
    houses = [fabkit.load_house(sheet("two")), fabkit.load_house(sheet("four", layers="4"))]

    assert [v.cls for v in fabkit.compare_houses(board, houses)][1] is None
