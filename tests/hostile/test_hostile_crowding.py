"""Small packages whose shapes lie on each other: checked whole, within a gigabyte.

Each is checked by a process of its own under a bound on its memory, so that a death of native code
would show as a signal.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

import pytest
from apart import run_apart
from ordeals import check_within

pytest.importorskip("resource")

HEAD = b"%FSLAX46Y46*%%MOMM*%%ADD10C,0.1*%%ADD11C,2*%"
TOP = b"%TF.FileFunction,Copper,L1,Top*%"
EDGE = b"%TF.FileFunction,Profile,NP*%D10*"
SQUARE = b"X0Y0D02*G01*X50000000D01*Y50000000D01*X0D01*Y0D01*"
MOST_MEGABYTES = 1000
MOST_SECONDS = 30
"""Of a processor: what grows with the square of equal shapes takes minutes."""


def near_apertures(count: int = 500) -> bytes:
    """Tools that differ by a nanometre, flashed a nanometre apart."""
    tools = b"".join(b"%%ADD%dC,%.6f*%%" % (20 + n, 1 + n * 1e-6) for n in range(count))
    flashes = b"".join(b"D%d*X%dY25000000D03*" % (20 + n, 25_000_000 + n) for n in range(count))
    return HEAD + TOP + tools + flashes + b"M02*"


def alternating_regions(count: int = 150) -> bytes:
    """Stars on each other, dark and clear in turn."""
    chance = random.Random(1)
    out = [HEAD, TOP]
    for n in range(count):
        x, y = chance.uniform(15, 35), chance.uniform(15, 35)
        star = [
            (x + 14 * math.cos(0.8 * k * math.pi), y + 14 * math.sin(0.8 * k * math.pi))
            for k in range(6)
        ]
        path = [b"X%dY%d" % (round(a * 1e6), round(b * 1e6)) for a, b in star]
        out += [b"%LPC*%" if n % 2 else b"%LPD*%", b"G36*", path[0], b"D02*G01*"]
        out += [b"%sD01*" % corner for corner in path[1:]] + [b"G37*"]
    return b"".join(out) + b"M02*"


def tangle(corners: int) -> bytes:
    """One contour through random corners: nearly a quarter of all pairs of its edges cross."""
    chance = random.Random(1)
    path = [
        b"X%dY%d" % (chance.randrange(5 * 10**7), chance.randrange(5 * 10**7))
        for _ in range(corners)
    ]
    lines = b"".join(b"%sD01*" % corner for corner in (*path[1:], path[0]))
    return HEAD + TOP + b"G36*G01*" + path[0] + b"D02*" + lines + b"G37*M02*"


def repeated(nx: int, ny: int) -> bytes:
    """A step and repeat of one flash."""
    return HEAD + TOP + b"D10*%%SRX%dY%dI0.2J0.2*%%X0Y0D03*%%SR*%%M02*" % (nx, ny)


TOOLS = b"".join(b"T%dC%.3f\n" % (n, 0.3 + n * 1e-5) for n in range(1, 30_001))
PACKAGES: dict[str, dict[str, bytes]] = {
    "flashes on one spot": {
        "top.gbr": HEAD + TOP + b"D11*" + b"X25000000Y25000000D03*" * 8_000 + b"M02*"
    },
    "flashes a hair apart": {
        "top.gbr": HEAD
        + TOP
        + b"D11*"
        + b"".join(b"X%dY25000000D03*" % (25_000_000 + 10 * n) for n in range(8_000))
        + b"M02*"
    },
    "tracks on one spot": {
        "top.gbr": HEAD
        + TOP
        + b"D11*X0Y25000000D03*D10*G75*"
        + b"X0Y25000000D02*G03*X0Y25000000I25000000J0D01*" * 6_000
        + b"M02*"
    },
    "circles as profile": {
        "edge.gbr": HEAD
        + EDGE
        + b"X0Y25000000D02*G75*G03*X0Y25000000I25000000J0D01*" * 1_000
        + b"M02*"
    },
    "apertures nearly alike": {"top.gbr": near_apertures()},
    "dark and clear in turn": {"top.gbr": alternating_regions()},
    "format without digits": {
        "top.gbr": (HEAD + TOP + b"D10*X5Y5D03*X9Y9D02*X7D01*M02*").replace(b"X46Y46", b"X00Y00")
    },
    "a contour tangled within the limit": {"top.gbr": tangle(250)},
    "a contour that crosses itself everywhere": {"top.gbr": tangle(1000)},
    "a flash repeated 90,000 times": {"top.gbr": repeated(300, 300)},
    "a flash repeated a million times": {"top.gbr": repeated(999, 999)},
    "drill tools": {"a.drl": b"M48\nMETRIC,TZ\n" + TOOLS + b"%\nT1\nX5.0Y5.0\nM30\n"},
}
BEYOND = {
    "a contour that crosses itself everywhere",
    "a flash repeated 90,000 times",
    "a flash repeated a million times",
}
"""What a limit leaves out, which is reported."""


@pytest.mark.parametrize("name", PACKAGES)
def test_crowded_packages_are_checked(name: str, tmp_path: Path) -> None:
    """Every check ends, none breaks, and memory stays bounded."""
    files = {
        "edge.gbr": HEAD + EDGE + SQUARE + b"M02*",
        "top.gbr": HEAD + TOP + b"D11*X25000000Y25000000D03*M02*",
        **PACKAGES[name],
    }
    for file, data in files.items():
        (tmp_path / file).write_bytes(data)
    done = run_apart(check_within, 3, tmp_path)
    broken, limits = done.result
    assert done.megabytes < MOST_MEGABYTES
    assert done.seconds < MOST_SECONDS
    assert not broken
    assert bool(limits) == (name in BEYOND)
