"""Every row of what the formats ask is judged by rules that exist, or says why not."""

from __future__ import annotations

import tomllib
from pathlib import Path

from fabkit.checks.catalogue import all_rules

DOCS = Path(__file__).parents[2] / "docs"
PARTS = tomllib.loads((DOCS / "conformance.toml").read_text(encoding="utf-8"))["part"]
ROWS = [(part["title"], row) for part in PARTS for row in part["rows"]]


def test_every_row_is_judged_or_explained():
    """A row names known rules, or one reason and no rule."""
    known = {rule.id for rule in all_rules()}
    for place in ROWS:
        row = place[1]
        assert set(row) <= {"at", "says", "rules", "why", "note"}, place
        assert bool(row.get("rules")) != bool(row.get("why")), place
        assert set(row.get("rules", ())) <= known, place


def test_rows_are_distinct():
    """No row is told twice."""
    assert len({(title, row["says"]) for title, row in ROWS}) == len(ROWS)


def test_every_error_of_the_layer_reader_has_its_row():
    """What is an error in a layer file rests on a row of the standard, syntax apart."""
    rowed = {name for _, row in ROWS for name in row.get("rules", ())}
    lexical = {
        "gerber/limit",
        "gerber/number-wrong",
        "gerber/coordinate-decimal",
        "gerber/aperture-wrong",
        "gerber/load-wrong",
        "gerber/macro-empty",
        "gerber/macro-expression",
        "gerber/region-unbalanced",
    }
    errors = {
        r.id for r in all_rules() if r.id.startswith("gerber/") and r.severity.name == "ERROR"
    }

    assert errors - rowed == lexical
