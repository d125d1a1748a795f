"""A small package of our own for the commands, and ways to run them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from fabkit.cli.group import cli

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
"""A board of 30 x 20 mm with two plated holes of 1 mm."""


@pytest.fixture
def small(tmp_path):
    """Folder with the small package."""
    folder = tmp_path / "small"
    folder.mkdir()
    for name, text in SMALL.items():
        (folder / name).write_text(text)
    return folder


@pytest.fixture
def run():
    """Run a command in this process; gives click's result."""

    def call(*arguments, status=0):
        result = CliRunner().invoke(cli, [str(a) for a in arguments], prog_name="fabkit")
        assert result.exit_code == status, (result.output, result.exception)
        return result

    return call


@pytest.fixture
def start():
    """Run a command in a fresh process; gives the finished process."""

    def call(*arguments, status=0, **environment):
        done = subprocess.run(
            [sys.executable, "-m", "fabkit", *(str(a) for a in arguments)],
            capture_output=True,
            text=True,
            encoding="utf-8",
            timeout=120,
            env={**os.environ, "PYTHONIOENCODING": "utf-8", **environment},
        )
        assert done.returncode == status, (done.stdout, done.stderr)
        return done

    return call
