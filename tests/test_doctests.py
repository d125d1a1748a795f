"""Examples in docstrings give what they say."""

from __future__ import annotations

import doctest
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
WITH_EXAMPLES = [
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for path in sorted((ROOT / "fabkit").rglob("*.py"))
    if ">>> " in path.read_text(encoding="utf-8")
]
"""Looked for in their text: to import and search all modules takes seconds in each process."""


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples_are_right(name):
    """Every example of a module gives the result below it."""
    outcome = doctest.testmod(import_module(name))

    assert outcome.attempted
    assert outcome.failed == 0
