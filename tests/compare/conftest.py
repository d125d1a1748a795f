"""The demonstration's two revisions."""

from __future__ import annotations

import pytest
from compare_boards import ROOT, WHEATEAR, read

import fabkit


@pytest.fixture(scope="session")
def rev_a():
    """Revision A of the demonstration."""
    return read(WHEATEAR / "rev-a")


@pytest.fixture(scope="session")
def rev_b():
    """Revision B of the demonstration."""
    return read(WHEATEAR / "rev-b")


@pytest.fixture(scope="session")
def revised(rev_a, rev_b):
    """The demonstration's revisions compared."""
    return fabkit.compare_boards(rev_a, rev_b)


@pytest.fixture(scope="session")
def half():
    """A half of six keys, compared in a third of the time."""
    return read(ROOT / "fixtures" / "pair" / "left")
