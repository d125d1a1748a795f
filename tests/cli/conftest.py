"""A small package of our own for the commands, and ways to run them."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from apart import PATIENCE_S
from click.testing import CliRunner
from small_package import SMALL

from fabkit.cli.group import cli


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
def start(copied):
    """Run a command in a process of its own, a fresh one if asked; gives the finished process."""

    def call(*arguments, status=0, fresh=False, **environment):
        command = [sys.executable, "-m", "fabkit"] if fresh else [copied]
        done = subprocess.run(
            [*command, *(str(a) for a in arguments)],
            capture_output=True,
            text=True,
            encoding="utf-8",
            timeout=PATIENCE_S,
            env={**os.environ, "PYTHONIOENCODING": "utf-8", **environment},
        )
        assert done.returncode == status, (done.stdout, done.stderr)
        return done

    return call
