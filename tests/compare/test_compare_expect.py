"""The file of expected changes: written, read, met, not met, and wrong."""

from __future__ import annotations

import pytest

import fabkit
from fabkit.base.errors import SheetError
from fabkit.compare.judging import expectation_text, load_expected


@pytest.fixture
def comparison(revised):
    """The demonstration's revisions compared."""
    return revised


def _write(tmp_path, text):
    path = tmp_path / "meant.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_is_written_is_met(comparison, tmp_path):
    """A file written from a comparison expects all of it, and nothing is missing."""
    path = _write(tmp_path, expectation_text(comparison))
    judgement = fabkit.judge_changes(comparison, path)

    assert judgement.findings == ()
    assert all(judgement.expected)


def test_what_is_not_in_the_file_is_found(comparison, tmp_path):
    """Without its entry a change is an error, at its place."""
    text = expectation_text(comparison)
    entry = text[text.index("[[change]]", text.index('kind = "slot/added"') - 60) :]
    path = _write(tmp_path, text.replace(entry[: entry.index("\n\n")], ""))
    findings = fabkit.judge_changes(comparison, path).findings

    assert [f.id for f in findings] == ["compare/unexpected"]
    assert findings[0].places[0].x_mm == pytest.approx(109.5)


def test_what_is_expected_but_absent_is_found(comparison, tmp_path):
    """An entry that nothing fits is an error with the line it stands in."""
    text = expectation_text(comparison) + '\n[[change]]\nkind = "key/added"\nsubject = "key SW99"\n'
    findings = fabkit.judge_changes(comparison, _write(tmp_path, text)).findings

    assert [f.id for f in findings] == ["compare/missing"]
    assert findings[0].places[0].line == text.count("\n") - 1


def test_wide_entries_stand_for_many(comparison, tmp_path):
    """Patterns and boxes: the second column, the cell's corner and the legend are all there is."""
    text = """format = 1
[[change]]
kind = "*"
inside_mm = [17, 24, 70, 85]
[[change]]
kind = "*"
inside_mm = [100, 20, 122, 75]
"""
    judgement = fabkit.judge_changes(comparison, _write(tmp_path, text))

    assert judgement.findings == ()


def test_a_count_must_be_met(comparison, tmp_path):
    """Two keys expected where three moved: the third is reported."""
    text = 'format = 1\n[[change]]\nkind = "key/moved"\nmoved_mm = [0, 1]\ncount = 2\n'
    findings = fabkit.judge_changes(comparison, _write(tmp_path, text)).findings

    assert any("3 changes fit key/moved, 2 were expected" in f.message for f in findings)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('format = 1\n[[change]]\nkind = "key/flown"\n', "kind"),
        ('format = 1\n[[change]]\nkind = "key/moved"\nmoved = [0, 1]\n', "moved"),
        ('format = 1\n[[change]]\nkind = "key/moved"\nmoved_mm = [0]\n', "moved_mm"),
        ('format = 1\n[[change]]\nkind = "key/moved"\ncount = 0\n', "count"),
        ("format = 9\n", "format"),
        ('format = 1\n[[changes]]\nkind = "key/moved"\n', "changes"),
    ],
)
def test_a_wrong_key_is_named(tmp_path, text, key):
    """File, line and key of what is wrong."""
    with pytest.raises(SheetError) as raised:
        load_expected(_write(tmp_path, text))

    assert raised.value.key.split(".")[-1].split("[")[0] == key
    assert raised.value.line is not None
