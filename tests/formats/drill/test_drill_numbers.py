"""Coordinate texts against the published and computed examples of the part-programming manual."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fabkit.formats.drill.formats import DigitSurvey, value_of, values_of
from fabkit.formats.drill.model import NumberFormat

FORMATS = {
    "2.4 LZ": NumberFormat(unit="inch", zeros="leading", integers=2, decimals=4),
    "2.4 TZ": NumberFormat(unit="inch", zeros="trailing", integers=2, decimals=4),
    "3.3 LZ": NumberFormat(unit="mm", zeros="leading", integers=3, decimals=3),
    "3.3 TZ": NumberFormat(unit="mm", zeros="trailing", integers=3, decimals=3),
    "3.2 TZ": NumberFormat(unit="mm", zeros="trailing", integers=3, decimals=2),
    "4.2 LZ": NumberFormat(unit="mm", zeros="leading", integers=4, decimals=2),
    "4.2 TZ": NumberFormat(unit="mm", zeros="trailing", integers=4, decimals=2),
    "4.3 LZ": NumberFormat(unit="mm", zeros="leading", integers=4, decimals=3),
    "4.3 TZ": NumberFormat(unit="mm", zeros="trailing", integers=4, decimals=3),
    "4.4 TZ": NumberFormat(unit="mm", zeros="trailing", integers=4, decimals=4),
}

# Rows: the text, then its value in every format above; None where the digits do not fit.
# In 2.4 the values of 0075, 007500, 014, 00093 (LZ) and 7500, 75 (TZ) and .075 are printed in the
# Excellon part programming reference (CNC-7), zero suppression and decimal places; the others
# follow from its padding rule.
TABLE = {
    "0075": (0.75, 0.0075, 7.5, 0.075, 0.75, 75, 0.75, 75, 0.075, 0.0075),
    "007500": (0.75, 0.75, 7.5, 7.5, None, 75, 75, 75, 7.5, 0.75),
    "014": (1.4, 0.0014, 14, 0.014, 0.14, 140, 0.14, 140, 0.014, 0.0014),
    "7500": (75, 0.75, 750, 7.5, 75, 7500, 75, 7500, 7.5, 0.75),
    "75": (75, 0.0075, 750, 0.075, 0.75, 7500, 0.75, 7500, 0.075, 0.0075),
    "00093": (0.093, 0.0093, 0.93, 0.093, 0.93, 9.3, 0.93, 9.3, 0.093, 0.0093),
    "0105": (1.05, 0.0105, 10.5, 0.105, 1.05, 105, 1.05, 105, 0.105, 0.0105),
    "-0012": (-0.12, -0.0012, -1.2, -0.012, -0.12, -12, -0.12, -12, -0.012, -0.0012),
    "123": (12.3, 0.0123, 123, 0.123, 1.23, 1230, 1.23, 1230, 0.123, 0.0123),
    "1.45": (1.45,) * 10,
    ".075": (0.075,) * 10,
}

CASES = [
    pytest.param(text, name, value, id=f"{text} in {name}")
    for text, row in TABLE.items()
    for name, value in zip(FORMATS, row, strict=True)
    if value is not None
]


@pytest.mark.parametrize(("text", "name", "value"), CASES)
def test_worked_numbers(text: str, name: str, value: float) -> None:
    """Every worked number has its value, one by one and in a column."""
    raw = text.encode()
    assert value_of(raw, FORMATS[name]) == pytest.approx(value, abs=1e-12)
    assert values_of([raw], FORMATS[name])[0] == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize("text", [b"", b"+", b"-", b"0", b"."])
def test_empty_is_zero(text: bytes) -> None:
    """An axis letter without digits means zero (Excellon CNC-7 writes XY for program zero)."""
    assert value_of(text, FORMATS["2.4 LZ"]) == 0.0


@pytest.mark.parametrize("text", [b"1.2.3", b"--1", b"1-2", b"abc", b"1e5"])
def test_not_a_number(text: bytes) -> None:
    """What is no number is refused, not read in part."""
    with pytest.raises(ValueError, match="not a number"):
        value_of(text, FORMATS["2.4 LZ"])


@given(
    st.lists(st.from_regex(rb"\A[+-]?[0-9]{1,6}(\.[0-9]{0,6})?\Z"), min_size=1, max_size=30),
    st.sampled_from(sorted(FORMATS)),
)
def test_column_equals_single(texts: list[bytes], name: str) -> None:
    """A column of texts reads exactly as the texts one by one."""
    fmt = FORMATS[name]
    assert values_of(texts, fmt).tolist() == [value_of(t, fmt) for t in texts]


@pytest.mark.parametrize(
    ("body", "zeros", "sure"),
    [
        ("X0105Y01\nX015Y0235\n", "leading", True),  # short ones begin with zero
        ("X10500Y500\nX1000Y23500\n", "trailing", True),  # short ones end with zero
        ("X010500Y000500\nX001000Y023500\n", "leading", True),  # all six digits written
    ],
)
def test_zero_rule_evidence(body: str, zeros: str, sure: bool) -> None:
    """Which zeros are written is told from the shape of the numbers (common practice)."""
    survey = DigitSurvey.of(body.encode())
    assert survey.zeros(6)[:2] == (zeros, sure)


def test_survey_leaves_out_comments() -> None:
    """Coordinates in comments say nothing about the numbers of the file."""
    survey = DigitSurvey.of(b";X1.5Y2.5\nX100Y200\n")
    assert (survey.total, survey.pointed, survey.longest) == (2, 0, 3)
