"""The rulebook and the code name the same rules, and each rule stands once in either."""

from __future__ import annotations

import ast
import tomllib
from collections import Counter
from pathlib import Path

import pytest

import fabkit
from fabkit.checks.catalogue import find_rules, refuse_unknown
from fabkit.rules import current_id, load_rule, load_rules, retired_ids

PACKAGE = Path(fabkit.__file__).parent
NO_GROUPS = {PACKAGE / "rules" / name for name in ("retired.toml", "glossary.toml")}
FILES = sorted(set((PACKAGE / "rules").glob("*.toml")) - NO_GROUPS)
KEYS = {"severity", "title", "why", "advice", "source"}


def named() -> Counter[str]:
    """Ids that code asks the rulebook for, with how often."""
    found: Counter[str] = Counter()
    for path in PACKAGE.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(text)) if "load_rule" in text else ():
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "load_rule":
                (name,) = node.args
                assert isinstance(name, ast.Constant), path
                found[name.value] += 1
    return found


def test_code_names_every_rule_once():
    """No rule is without code that finds it, and none is declared in two places."""
    assert named() == Counter(rule.id for rule in load_rules())


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_rules_have_their_keys_and_no_other(path):
    """Each rule says how bad, what, why, what to do and after which source."""
    for name, entry in tomllib.loads(path.read_text(encoding="utf-8")).items():
        assert set(entry) - {"at_most", "explains"} == KEYS, name


def test_rules_on_layers_name_their_section():
    """Every rule on a layer file can be looked up in the published format."""
    layers = [rule for rule in load_rules() if rule.id.startswith("gerber/")]

    assert len(layers) > 100
    assert all(rule.source.section.startswith("section ") for rule in layers)


def test_an_id_that_is_no_rule_is_a_mistake():
    """A slip of the pen in code shows when its module is loaded."""
    with pytest.raises(KeyError):
        load_rule("mask/no-such-rule")


def test_a_retired_id_means_the_rule_that_took_its_place():
    """What silenced or looked up a rule under its former id still does; none is in both lists."""
    ids = {rule.id for rule in load_rules()}
    retired = tomllib.loads((PACKAGE / "rules/retired.toml").read_text(encoding="utf-8"))

    assert set(retired.values()) <= ids
    assert not set(retired) & ids
    for old, new in retired.items():
        assert current_id(old) == new
        assert old in retired_ids(new)
        assert refuse_unknown([old]) is None
        assert [rule.id for rule in find_rules(old)] == [new]
    assert current_id("mask/web") == "mask/web"
