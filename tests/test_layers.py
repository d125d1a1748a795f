"""The layer table of DEVELOPERS.md is what the code does."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import networkx as nx
import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "fabkit"
MODULES = sorted(PACKAGE.rglob("*.py"))
BANNED_NAMES = {"utils", "helpers", "common", "manager", "misc"}
LONGEST = 800
BY_NAME = {
    "fabkit",
    "fabkit.cli.group",
    "fabkit.checks.model",
    "fabkit.board.model",
}
"""Modules that import by name: public names and commands are loaded when used, checks are pickled
by their name, a board shows itself in notebooks."""


def _table() -> dict[str, int]:
    """Room (or rank-0 module) to rank, as DEVELOPERS.md prints it."""
    ranks = {}
    for line in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines():
        found = re.match(r"\| (\d+) \| (.+) \|$", line)
        if found:
            for room in re.findall(r"`([a-z_]+)(?:/|\.py)?`", found[2]):
                ranks[room] = int(found[1])
    return ranks


RANKS = _table()


def _room(module: str) -> str | None:
    """Room of a dotted module of ours; None for the package itself."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else None


@cache
def _imports(path: Path) -> set[str]:
    """Dotted modules of ours that a file imports anywhere, also inside functions."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names if a.name.split(".")[0] == "fabkit"}
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "fabkit":
            assert node.module
            for alias in node.names:
                inner = f"{node.module}.{alias.name}".replace(".", "/")
                is_module = (ROOT / f"{inner}.py").exists() or (ROOT / inner).is_dir()
                found.add(inner.replace("/", ".") if is_module else node.module)
    return found


def _own(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def offences(own: str, imported: set[str]) -> list[str]:
    """Imports that go upwards or sideways."""
    room = _room(own)
    if room is None or room == "__main__":
        return []
    bad = []
    for other in sorted(imported):
        target = _room(other)
        if target is None or target == room:
            continue
        if target not in RANKS:
            bad.append(f"{own} imports {other}, which has no rank")
        elif RANKS[target] > RANKS[room]:
            bad.append(f"{own} (rank {RANKS[room]}) imports {other} (rank {RANKS[target]})")
        elif RANKS[target] == RANKS[room] and other != f"fabkit.{target}.model":
            bad.append(f"{own} imports {other}: rooms of one rank share only model.py")
    return bad


def test_every_room_has_a_rank():
    """DEVELOPERS.md ranks every room and top-level module, and nothing else."""
    rooms = {p.name for p in PACKAGE.iterdir() if (p / "__init__.py").exists()}
    single = {p.stem for p in PACKAGE.glob("*.py")} - {"__init__", "__main__"}

    assert rooms | single == set(RANKS)


def test_imports_go_down():
    """Nothing imports a higher rank, nor a room of its own rank except through model.py."""
    assert [bad for path in MODULES for bad in offences(_own(path), _imports(path))] == []


@pytest.mark.parametrize(
    ("own", "imported", "bad"),
    [
        ("fabkit.board.build", "fabkit.checks.model", True),
        ("fabkit.costs.quote", "fabkit.parts.model", False),
        ("fabkit.costs.quote", "fabkit.parts.bill", True),
        ("fabkit.base.limits", "fabkit.sheets.house", True),
        ("fabkit.sheets.house", "fabkit.base.limits", False),
        ("fabkit.cli.check", "fabkit.outputs.records", False),
    ],
)
def test_the_rule_can_fail(own, imported, bad):
    """The rule itself tells upward and sideways imports from allowed ones."""
    assert bool(offences(own, {imported})) is bad


def cycles(graph: dict[str, set[str]]) -> list[set[str]]:
    """Groups of modules that import each other in a circle (Tarjan 1972, without recursion)."""
    index: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    found = []
    for root in sorted(graph):
        walk = [] if root in index else [(root, iter(sorted(graph[root])))]
        while walk:
            here, rest = walk[-1]
            if here not in index:
                index[here] = low[here] = len(index)
                stack.append(here)
            following = next((n for n in rest if n in graph and n != here), None)
            if following is None:
                walk.pop()
                if walk:
                    above = walk[-1][0]
                    low[above] = min(low[above], low[here])
                if low[here] == index[here]:
                    start = stack.index(here)
                    group, stack[start:] = set(stack[start:]), []
                    found += [group] if len(group) > 1 else []
            elif following not in index:
                walk.append((following, iter(sorted(graph[following]))))
            elif following in stack:
                low[here] = min(low[here], index[following])
    return found


def test_no_module_imports_itself_in_a_circle():
    """Imports inside functions and for type checkers alone count, too: they tie rooms all the same.

    Imports by name (``import_module``) are not seen; a test below lists who uses them.
    """
    found = cycles({_own(path): _imports(path) for path in MODULES})

    assert found == []


@pytest.mark.parametrize(
    ("graph", "circles"),
    [
        ({"a": {"b"}, "b": {"c"}, "c": set()}, []),
        ({"a": {"b"}, "b": {"c"}, "c": {"a"}}, [{"a", "b", "c"}]),
        ({"a": {"b"}, "b": {"a", "c"}, "c": {"d"}, "d": {"c", "e"}, "e": set()}, None),
        ({"a": {"a"}}, []),
        ({"a": {"b", "c"}, "b": {"d"}, "c": {"d"}, "d": set()}, []),
    ],
)
def test_circles_are_the_strong_components(graph, circles):
    """Our search finds the strongly connected components that networkx finds."""
    found = sorted(map(sorted, cycles(graph)))
    edges = nx.DiGraph([(a, b) for a, to in graph.items() for b in to])
    theirs = [c for c in nx.strongly_connected_components(edges) if len(c) > 1]

    assert found == sorted(map(sorted, theirs))
    assert circles is None or found == sorted(map(sorted, circles))


def test_imports_by_name_are_few():
    """What imports by name escapes the tests above: only who must."""
    users = {_own(p) for p in MODULES if "import_module(" in p.read_text(encoding="utf-8")}

    assert users == BY_NAME


def test_modules_are_small_and_named():
    """A module is one concept: at most 800 lines, and no drawer for odds and ends."""
    lines = {_own(path): path.read_text(encoding="utf-8").count("\n") for path in MODULES}

    assert {name for name, count in lines.items() if count > LONGEST} == set()
    assert {name for name in lines if name.rpartition(".")[2] in BANNED_NAMES} == set()
