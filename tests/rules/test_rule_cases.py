"""Every rule that can be found fires on its smallest case and is silent on the next one."""

from __future__ import annotations

import drill_cases
import gerber_cases
import pytest

from fabkit.drill.reader import read as read_drill
from fabkit.gerber.conformance import examine
from fabkit.gerber.reader import read as read_gerber


def in_layer(data: bytes) -> set[str]:
    """Rules that one layer file breaks."""
    file = read_gerber(data, name="layer.gbr")
    return {p.id for p in (*file.problems, *examine(file, data))}


def in_drill(data: bytes) -> set[str]:
    """Rules that one drill file breaks."""
    return {p.id for p in read_drill(data, name="holes.drl").problems}


@pytest.mark.parametrize("name", sorted(gerber_cases.CASES))
def test_layer_rules(name):
    """Gerber Layer Format Specification 2021.02: one fault, one rule."""
    fails, passes = gerber_cases.CASES[name]

    assert f"gerber/{name}" in in_layer(fails)
    assert f"gerber/{name}" not in in_layer(passes)


@pytest.mark.parametrize("name", sorted(drill_cases.CASES))
def test_drill_rules(name):
    """Published NC command sets and common practice: one fault, one rule."""
    fails, passes = drill_cases.CASES[name]

    assert f"drill/{name}" in in_drill(fails)
    assert f"drill/{name}" not in in_drill(passes)
