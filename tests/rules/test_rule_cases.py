"""Every rule that can be found fires on its smallest case and is silent on the next one."""

from __future__ import annotations

import ast
import re
import sys
from functools import cache
from pathlib import Path

import drill_cases
import gerber_cases
import pytest
import set_cases
import tested_elsewhere

import fabkit
from fabkit.board.model import Board
from fabkit.checks.catalogue import all_checks, all_rules
from fabkit.checks.model import Case, CheckOptions
from fabkit.checks.runner import gather, run_checks
from fabkit.formats.drill.reader import read as read_drill
from fabkit.formats.gerber.conformance import examine
from fabkit.formats.gerber.reader import read as read_gerber
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member

TESTS = Path(__file__).parents[1]
sys.path.insert(0, str(TESTS / "checks"))
from test_planted_defects import FOUND_AS  # noqa: E402 -- rules that planted defects fire


def in_layer(data: bytes) -> set[str]:
    """Rules that one layer file breaks."""
    file = read_gerber(data, name="layer.gbr")
    return {p.id for p in (*file.problems, *examine(file, data))}


def in_drill(data: bytes) -> set[str]:
    """Rules that one drill file breaks."""
    return {p.id for p in read_drill(data, name="holes.drl").problems}


@cache
def _board(changes: frozenset[tuple[str, str | None]]) -> Board:
    # Most cases pass on one and the same package.
    files = {**set_cases.SOUND, **dict(changes)}
    members = tuple(Member(n, t.encode()) for n, t in sorted(files.items()) if t is not None)
    return fabkit.build_board(
        read_package(Intake(name="p", source="p", members=members, left_out=()))
    )


def in_set(changes: set_cases.Files, rule: str | None = None, **options: float) -> set[str]:
    """Rules that the sound package breaks after some changes.

    If one of them alone is asked for, only the checks that find it are run.
    """
    case = Case(_board(frozenset(changes.items())), fabkit.load_house(), CheckOptions(**options))
    asked = [c for c in all_checks() if rule is None or rule in {r.id for r in c.rules}]
    return {finding.id for finding in gather(case, run_checks(asked, case))}


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


def test_messages_of_readers_say_what_they_mean():
    """No message is a bare command code or number: each has three plain words at least."""
    said: set[str] = set()
    for fails, _ in gerber_cases.CASES.values():
        file = read_gerber(fails, name="layer.gbr")
        said |= {p.message for p in (*file.problems, *examine(file, fails))}
    for fails, _ in drill_cases.CASES.values():
        said |= {p.message for p in read_drill(fails, name="holes.drl").problems}

    assert len(said) > 150
    assert {m for m in said if len(re.findall(r"\b[a-z]{2,}\b", m)) < 3} == set()


@pytest.mark.parametrize("rule", sorted(set_cases.CASES))
def test_set_rules(rule):
    """Sets, sidecars and boards: one change, one rule."""
    fails, passes = set_cases.CASES[rule]
    options = set_cases.OPTIONS.get(rule, {})

    assert rule in in_set(fails, rule, **options)
    assert rule not in in_set(passes, rule, **options)


def test_the_sound_package_is_sound():
    """What every case is changed from has no fault but that nothing names its nets."""
    assert in_set({}) == {"package/no-nets"}


def cased() -> set[str]:
    """Rules with a failing and a passing case of their own in this folder."""
    return {
        *(f"gerber/{name}" for name in gerber_cases.CASES),
        *(f"drill/{name}" for name in drill_cases.CASES),
        *set_cases.CASES,
    }


def test_no_rule_lacks_a_case():
    """Every rule of the catalogue has its cases here, a planted defect, or a named test."""
    every = {rule.id for rule in all_rules()}
    planted = set(FOUND_AS.values())
    known = cased() | planted | set(tested_elsewhere.TESTS)

    assert every - known == set()
    assert cased() | set(tested_elsewhere.TESTS) <= every


@cache
def functions_of(path: Path) -> tuple[str, list[ast.FunctionDef]]:
    """Text of a module, and its functions."""
    source = path.read_text(encoding="utf-8")
    return source, [node for node in ast.parse(source).body if isinstance(node, ast.FunctionDef)]


def test_named_tests_are_there():
    """A test named for a rule is there and speaks of it."""
    for rule, place in tested_elsewhere.TESTS.items():
        path, _, name = place.partition("::")
        source, functions = functions_of(TESTS / path)
        (found,) = [node for node in functions if node.name == name]
        first = min([found.lineno, *(d.lineno for d in found.decorator_list)])
        text = "\n".join(source.splitlines()[first - 1 : found.end_lineno])

        assert any(f'"{word}"' in text for word in (rule, rule.split("/")[1])), (rule, place)


def test_every_rule_explains_itself():
    """Id, title, why, source, severity and remedy are all there; the id is group/kebab-case."""
    for rule in all_rules():
        assert re.fullmatch(r"[a-z]+/[a-z0-9]+(-[a-z0-9]+)*", rule.id), rule.id
        assert "\n" not in rule.title, rule.id
        assert len(rule.title) <= 90, rule.id
        assert rule.why.endswith("."), rule.id
        assert rule.advice.endswith("."), rule.id
        assert rule.source.document, rule.id
