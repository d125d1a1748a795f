"""The small package of our own that the commands are tried on, and where the demo lies."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "fabkit" / "demo" / "rev-b"


def layer(function, body, polarity="Positive"):
    """A layer file in mm with 6 decimals."""
    return (
        f"%TF.FileFunction,{function}*%\n%TF.FilePolarity,{polarity}*%\n"
        "%FSLAX46Y46*%\n%MOMM*%\nG01*\n" + body + "M02*\n"
    )


def pads(diameter):
    """Two round pads at (5, 5) and (25, 15)."""
    return f"%ADD10C,{diameter}*%\nD10*\nX5000000Y5000000D03*\nX25000000Y15000000D03*\n"


OUTLINE = (
    "%ADD10C,0.1*%\nD10*\nX0Y0D02*\nX30000000Y0D01*\nX30000000Y20000000D01*\n"
    "X0Y20000000D01*\nX0Y0D01*\n"
)
DRILL = (
    "M48\n; #@! TF.FileFunction,Plated,1,2,PTH\nMETRIC\nT1C1.000\n%\nG05\nT1\n"
    "X5.0Y5.0\nX25.0Y15.0\nM30\n"
)
SMALL = {
    "small-copper-top.gbr": layer("Copper,L1,Top", pads(2)),
    "small-copper-bottom.gbr": layer("Copper,L2,Bot", pads(2)),
    "small-mask-top.gbr": layer("Soldermask,Top", pads(2.1), "Negative"),
    "small-mask-bottom.gbr": layer("Soldermask,Bot", pads(2.1), "Negative"),
    "small-profile.gbr": layer("Profile,NP", OUTLINE),
    "small-plated.drl": DRILL,
}
