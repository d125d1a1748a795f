"""Generated input shared by the rooms' tests: valid programs, and ways to spoil them."""

from __future__ import annotations

from hypothesis import strategies as st

# Layers -----------------------------------------------------------------------------------

Operation = tuple[str, int, int]
"""``"move"``, ``"draw"`` or ``"flash"`` with a point in micrometres."""

COORDINATE_UM = st.integers(-20_000, 20_000)

operations: st.SearchStrategy[list[Operation]] = st.lists(
    st.tuples(st.sampled_from(["move", "draw", "flash"]), COORDINATE_UM, COORDINATE_UM),
    min_size=1,
    max_size=12,
)

APERTURES = {
    10: "C,0.5",
    11: "R,0.8X0.3",
    12: "O,0.4X0.9",
    13: "P,0.7X5X20",
    14: "C,0.9X0.4",
    15: "BAR,0.3X0.6",
}
"""Shapes in millimetres; only the first may draw lines."""

MACRO = "%AMBAR*21,1,$1,$2,0.1,0.2,30*1,0,$1/2,0.1,0.2,0*%"

_CODES = {"move": "D02", "draw": "D01", "flash": "D03"}


@st.composite
def layer_programs(draw: st.DrawFn) -> list[tuple[int, bool, list[Operation]]]:
    """Groups of operations, each with an aperture and a polarity (True adds)."""
    groups = []
    for _ in range(draw(st.integers(1, 4))):
        code = draw(st.sampled_from(sorted(APERTURES)))
        dark = draw(st.booleans())
        steps = [
            (name if code == 10 or name != "draw" else "flash", x, y)
            for name, x, y in draw(operations)
        ]
        groups.append((code, dark, steps))
    return groups


def write_layer(
    groups: list[tuple[int, bool, list[Operation]]],
    *,
    shift_um: tuple[int, int] = (0, 0),
    decimals: int = 6,
    combined: bool = False,
    omit: bool = False,
    line_end: str = "\n",
) -> bytes:
    """A millimetre layer in one of several dialects with the same image."""
    words = [f"%FSLAX4{decimals}Y4{decimals}*%", "%MOMM*%", MACRO]
    words += [f"%ADD{code}{call}*%" for code, call in APERTURES.items()]
    scale = 10 ** (decimals - 3)
    last = (shift_um[0] * scale, shift_um[1] * scale)
    words += ["G01*", f"X{last[0]}Y{last[1]}D02*"]
    for code, dark, steps in groups:
        words += [f"%LP{'D' if dark else 'C'}*%", f"D{code}*"]
        for name, x, y in steps:
            point = ((x + shift_um[0]) * scale, (y + shift_um[1]) * scale)
            text = "G01" if combined else ""
            text += "" if omit and point[0] == last[0] else f"X{point[0]}"
            text += "" if omit and point[1] == last[1] else f"Y{point[1]}"
            words.append(f"{text}{_CODES[name]}*")
            last = point
    return line_end.join([*words, "M02*", ""]).encode()


@st.composite
def spoiled(draw: st.DrawFn, data: bytes) -> bytes:
    """``data`` with a few bytes cut out, put in or changed."""
    out = bytearray(data)
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, len(out)))
        how = draw(st.sampled_from(["cut", "put", "change", "end"]))
        if how == "cut":
            del out[at : at + draw(st.integers(1, 12))]
        elif how == "put":
            out[at:at] = draw(
                st.sampled_from(
                    [b"%", b"*", b"G36*", b"G37*", b"%AB*%", b"%SRX9Y9I1J1*%", b"D10*", b"X", b"-",
                     b"G91*", b"G74*", b"G02*", b"%ABD20*%", b"99999999999999999999", b"M02*"]
                )
            )  # fmt: skip
        elif how == "change":
            out[at : at + 1] = draw(st.binary(min_size=1, max_size=1))
        else:
            del out[at:]
    return bytes(out)
