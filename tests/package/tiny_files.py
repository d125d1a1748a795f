"""Tiny invented layer and drill files as text, for tests of roles and sets."""

from __future__ import annotations

from collections.abc import Sequence

from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member, Package

Points = Sequence[tuple[float, float]]

PADS: Points = ((5, 5), (15, 5), (5, 12), (15, 12), (10, 8))
FRAME: Points = ((0, 0), (20, 0), (20, 15), (0, 15), (0, 0))


def gerber(
    *,
    pads: Points = (),
    pad_mm: float = 1.0,
    lines: Sequence[Points] = (),
    function: str = "",
    polarity: str = "",
) -> bytes:
    """A millimetre layer with round flashes and polylines of a 0.1 mm pen."""
    out = [f"%TF.FileFunction,{function}*%"] if function else []
    out += [f"%TF.FilePolarity,{polarity}*%"] if polarity else []
    out += ["%FSLAX46Y46*%", "%MOMM*%", f"%ADD10C,{pad_mm}*%", "%ADD11C,0.1*%", "G01*"]
    if pads:
        out += ["D10*", *(f"X{x * 1e6:.0f}Y{y * 1e6:.0f}D03*" for x, y in pads)]
    for line in lines:
        (x, y), *rest = line
        out += ["D11*", f"X{x * 1e6:.0f}Y{y * 1e6:.0f}D02*"]
        out += [f"X{a * 1e6:.0f}Y{b * 1e6:.0f}D01*" for a, b in rest]
    return "\n".join([*out, "M02*"]).encode() + b"\n"


def drill(holes: Points = PADS, *, size_mm: float = 0.6) -> bytes:
    """A drill file that states everything: METRIC with decimal points."""
    spots = "".join(f"X{x:.3f}Y{y:.3f}\n" for x, y in holes)
    return f"M48\nMETRIC,TZ\nT1C{size_mm}\n%\nG90\nT1\n{spots}M30\n".encode()


def package(**files: bytes) -> Package:
    """A package of files; ``__`` in a keyword stands for the dot before the extension."""
    return read_set({name.replace("__", "."): data for name, data in files.items()})


def read_set(files: dict[str, bytes]) -> Package:
    """A package of named files, as a folder would give it."""
    members = tuple(Member(name, files[name]) for name in sorted(files))
    return read_package(Intake(name="set", source="set", members=members, left_out=()))


def roles(made: Package) -> dict[str, str]:
    """File name to role in words."""
    return {file.name: str(file.role) for file in made.files}


def ids(made: Package) -> list[str]:
    """Ids of what was found on the package as a set."""
    return [p.id for p in made.problems if p.id.startswith(("package/", "job/"))]
