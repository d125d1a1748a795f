"""Printed sequences of the layer format specification 2021.02 that give points, not areas."""

from __future__ import annotations

import pytest
from gerber_layers import counts, ids, read_layer

UNIT = 1e-6
"""One coordinate unit at six decimals in millimetres."""


def test_points_after_each_word() -> None:
    """Section 4.8.1: flashes, full circles and the arc whose J is left out end where printed."""
    file = read_layer(
        "%ADD10C,0.0001*%D10*X200Y200D02*Y-300D03*G03*I300J100D01*"
        "X200Y200I50J50D01*X200Y200I50J50D01*X100I-50D01*X100Y200D03*"
    )
    ends = [
        (round(x / UNIT), round(y / UNIT))
        for x, y in zip(file.objects.x1.tolist(), file.objects.y1.tolist(), strict=True)
    ]
    assert ends == [(200, -300), (200, -300), (200, 200), (200, 200), (100, 200), (100, 200)]
    assert "gerber/arc-half-centre" in ids(file)


def test_rotation_is_absolute() -> None:
    """Section 4.9.1: each flash takes the rotation last set, never a sum."""
    file = read_layer(
        "%ADD123R,2X1*%%ADD124R,1X3*%D123*X5000Y7000D03*%LR90*%X6000Y8000D03*"
        "D124*X6000Y8000D03*%LR0*%X7000Y9000D03*D123*X1000Y2000D03*"
    )
    turned = [
        (file.apertures[a].code, file.poses[p].rotation_deg)
        for a, p in zip(file.objects.aperture.tolist(), file.objects.pose.tolist(), strict=True)
    ]
    assert turned == [(123, 0.0), (123, 90.0), (124, 90.0), (124, 0.0), (123, 0.0)]
    assert counts(file) == {"F": 5}


def test_modal_draws() -> None:
    """Section 8.3.2 (deprecated): bare coordinates behind D01 are draws with the same tool."""
    file = read_layer(
        "%ADD10C,0.0001*%%ADD11C,0.0002*%D10*X0Y0D02*X700Y1000D01*X1200Y1000*X1200Y1300*"
        "D11*X1700Y2000D01*X2200Y2000*X2200Y2300*"
    )
    assert counts(file) == {"D": 6}
    assert file.objects.aperture.tolist() == [0, 0, 0, 1, 1, 1]
    assert [round(y / UNIT) for y in file.objects.y1] == [1000, 1000, 1300, 2000, 2000, 2300]


@pytest.mark.parametrize(
    "words",
    [
        "$4=$1x0.75*$5=($2+100)x1.75*1,1,$1,$2,$3*1,0,$4,$5,$2*",
        "$4=$1x0.75*$5=100+$3*$6=$4x0.5*1,1,$1,$2,$3*1,0,$4,$2,$5*1,0,$6,$2,$5*",
    ],
)
def test_variable_tables(words: str) -> None:
    """Section 4.5.4.3: variables made of variables; the holes miss a disc of diameter 1."""
    file = read_layer(f"%AMDONUTVAR*{words}%%ADD10DONUTVAR,1X0X0*%D10*X0Y0D03*")
    assert file.apertures[0].shape_at(1e-6).area == pytest.approx(0.78539816, rel=1e-6)


def test_netlist_entry() -> None:
    """Section 6.8: pin and net ride on the flash of the pad."""
    file = read_layer(
        "%TA.AperFunction,ComponentPad*%%ADD10C,1*%%TO.P,U1,4*%%TO.N,Clk3*%D10*X0Y0D03*"
    )
    attached = file.attribute_sets[int(file.objects.attributes[0])]
    assert attached == {".P": ("U1", "4"), ".N": ("Clk3",)}
