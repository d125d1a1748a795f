"""Connections and large revisions in words, on pages and in pictures."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from compare_boards import DIALECTS, edit_layer, read

import fabkit
from fabkit.outputs.comparison import (
    compare_record,
    comparison_markdown,
    finding_lines,
    gathered,
    sections,
)
from fabkit.outputs.formats import to_json
from fabkit.outputs.report.board_view import render_comparison_page
from fabkit.pictures.changes import change_scene, picture_key


@pytest.fixture(scope="module")
def comparison():
    """A board without names, before and after six tracks of its front were taken away."""
    bare = read(DIALECTS / "no-attributes-mm")
    rows = range(4, 124, 24)
    return fabkit.compare_boards(
        bare,
        edit_layer(
            bare, "top copper", lambda o: o.take([k for k in range(len(o)) if k not in rows])
        ),
    )


def _connections(record):
    return [c for c in record["changes"] if c["kind"].startswith("connection/")]


def test_what_hangs_on_one_pour_is_one_line(comparison):
    """Pads that came off the same copper are listed in one line, each with its place; one by one
    when all are asked for."""
    mine = _connections(compare_record(comparison))
    (line,) = gathered(mine, full=False)

    assert len(mine) == 5
    assert len({c["group"] for c in mine}) == 1
    assert re.match(r"no longer joined to \d+ pads \(nearest [\d., ]+ mm\): a pad \(", line)
    assert line.count("a pad (") == 5
    assert len(list(gathered(mine, full=True))) == 5


def test_every_output_lists_it(comparison):
    """JSON, Markdown and the page say which pads are no longer joined, under a heading."""
    record = compare_record(comparison)
    told = json.loads(to_json(record))
    page = render_comparison_page(comparison, record)

    assert len(_connections(told)[0]["ends_mm"]) == 2
    assert "### Connections\n\n- no longer joined to " in comparison_markdown(record)
    assert "<h4>Connections</h4>" in page
    assert "no longer joined to" in page
    assert "lines join pads" in page


def test_the_picture_shows_it_on_its_face(comparison, revised):
    """A coat for connections that are gone, on the face where they were; none without any."""
    titles = [[n.title for n in change_scene(comparison, s).nodes] for s in ("top", "bottom")]

    assert "connections that are gone" in titles[0]
    assert "connections that are gone" not in titles[1]
    assert "lines join pads" not in picture_key(revised)


def test_pins_tell_of_moved_keys_and_rings_of_the_rest(rev_a, revised):
    """Small changes of a key that moved have its pin and no ring; the pins are explained."""
    keys = np.array([(c.x_mm, c.y_mm) for c in revised.changes if c.kind == "key/moved"])

    for side in ("top", "bottom"):
        scene = change_scene(revised, side)
        (ring,) = [n for n in scene.nodes if n.title == "places"]
        (pen,) = scene.stencils[ring.inside[0]].parts
        away = np.abs(np.column_stack((pen.cx, pen.cy))[:, None] - keys[None]).max(axis=2)
        assert len(pen)
        assert away.min() > 9.5
    assert "black pins lead to" in picture_key(revised)
    assert "black pins" not in picture_key(fabkit.compare_boards(rev_a, rev_a))


def test_the_verdict_counts_by_kind(rev_a, revised):
    """The verdict says how many of what, and the counts add up; no differences have no counts."""
    verdict = revised.verdict

    told, parts = verdict.split(": ")
    assert "3 keys" in parts
    assert "1 slot" in parts
    assert sum(int(n) for n in re.findall(r"\d+", parts)) == int(told.split()[0])
    assert fabkit.compare_boards(rev_a, rev_a).verdict == "the same board, within the tolerance"


def _moved(number, step):
    return {
        "kind": "hole/moved", "subject": "hole 1 mm", "message": f"hole 1 mm moved by {step}",
        "x_mm": float(number), "y_mm": 0.0, "moved_mm": [step, 0.0],
    }  # fmt: skip


def test_holes_that_moved_each_their_own_way_are_one_line():
    """Four or more odd moves are gathered with their range, behind those that moved alike."""
    odd = [_moved(k, 0.1 * (k + 1)) for k in range(5)]
    alike = [_moved(k, 0.75) for k in range(3)]
    lines = list(gathered([*odd, *alike], full=False))

    assert lines == [
        "3 moved by 0.75: the first at 0, 0 mm",
        "5 moved by 0.1 to 0.5 mm, each its own way: the first at 0, 0 mm",
    ]
    assert len(list(gathered(odd[:3], full=False))) == 3
    assert len(list(gathered(odd, full=True))) == 5


def test_what_has_no_name_is_listed_by_its_place():
    """Keys without a reference are listed by their places, under their title."""
    keys = [
        {"kind": "key/added", "subject": "key", "message": "key added", "x_mm": x, "y_mm": 2.0}
        for x in (1.0, 3.5)
    ]

    assert list(sections(keys, full=False)) == [
        ("keys", ["2 added: one at 1, 2 mm, one at 3.5, 2 mm"])
    ]


def test_a_finding_that_says_the_same_more_often_is_not_repeated():
    """Where only the number of places differs, both numbers are given and not the words again."""
    before = {"id": "a/b", "consequence": "know", "message": "a mark is lost", "count": 2}
    after = before | {"count": 3}
    findings = {"new": [], "gone": [], "changed": [{"before": before, "after": after}], "same": 0}

    assert next(finding_lines(findings)) == (
        "changed note: a mark is lost  [a/b]; was 2 times, now 3"
    )
    before |= {"consequence": "decide", "count": 1}
    findings["changed"] = [{"before": before, "after": after}]
    assert next(finding_lines(findings)).endswith("was a decision, now a note, 1 time, now 3")
