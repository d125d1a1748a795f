"""The order of references: numbers in names count as numbers."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from fabkit.base.units import natural


def test_numbers_count_as_numbers():
    """SW2 comes before SW10, and letters sort alike in either case."""
    assert sorted(["SW10", "sw2", "R3", "SW1", "SW2A"], key=natural) == [
        *("R3", "SW1", "sw2", "SW2A", "SW10"),
    ]


@given(st.integers(0, 10**40), st.integers(0, 10**40))
def test_any_two_numbers_stand_in_their_order(one, other):
    """However many digits a number has, it sorts by its value."""
    assert (natural(f"C{one}") < natural(f"C{other}")) == (one < other)


@given(st.text(max_size=20), st.text(max_size=20))
def test_two_names_never_share_a_place(one, other):
    """Any text has a key, and only equal texts have equal keys."""
    assert (natural(one) == natural(other)) == (one == other)
