"""What a person sees while fabkit works, and how it stops."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
from contextlib import suppress

import pytest
from apart import PATIENCE_S
from rich.progress import Progress
from small_package import ROOT

from fabkit.cli.group import STOPPED
from fabkit.outputs.terminal import progress

PACKAGE = str(ROOT / "fixtures/defects/clean")
"""A sound package that is checked quickly."""
QUIET_ENDS = ("NO_COLOR", "FORCE_COLOR", "TERM")
"""What the environment may say of colours; set anew in each run here."""


def read_all(terminal):
    """What is shown at a terminal until its other side is closed."""
    shown = b""
    with suppress(OSError):  # Linux gives an error at the end of a terminal
        while piece := os.read(terminal, 65536):
            shown += piece
    return shown.decode()


def watched(fabkit, *arguments, **environment):
    """Run fabkit with a terminal as standard error: what was shown."""
    own = {k: v for k, v in os.environ.items() if k not in QUIET_ENDS}
    ours, theirs = pty.openpty()
    run = subprocess.Popen(
        [fabkit, *arguments],
        stdout=subprocess.DEVNULL,
        stderr=theirs,
        env={**own, "TERM": "xterm", "COLUMNS": "120", **environment},
    )
    os.close(theirs)
    shown = read_all(ours)
    os.close(ours)
    assert run.wait(PATIENCE_S) == 0
    return shown


@pytest.fixture(scope="module")
def coloured(copied):
    """A check watched at a terminal with colours."""
    return watched(copied, "check", PACKAGE)


def test_a_terminal_shows_stage_count_and_share(coloured):
    """Files and groups of checks are counted with their share."""
    assert "reading" in coloured
    assert "checking" in coloured
    assert re.search(r"\d+ of \d+ files, \d+%", coloured)
    assert re.search(r"\d+ of \d+ groups of checks, \d+%", coloured)


def test_a_step_that_takes_long_is_shown_again_and_again(monkeypatch):
    """A clock goes on at the terminal, several times a second, though nothing is told."""
    made = []

    class Seen(Progress):
        def __init__(self, *given, **more):
            super().__init__(*given, **more)
            made.append(self)

    monkeypatch.setattr("rich.progress.Progress", Seen)
    monkeypatch.setenv("TERM", "xterm")
    ours, theirs = pty.openpty()
    shown = ""
    with open(theirs, "w") as terminal:  # noqa: PTH123 -- a descriptor
        monkeypatch.setattr(sys, "stderr", terminal)
        with progress() as tell:
            tell("checking")
            while shown.count("checking") < 4:
                assert select.select([ours], [], [], PATIENCE_S)[0], shown
                shown += os.read(ours, 65536).decode()
    os.close(ours)

    assert re.search(r"\d:\d\d:\d\d", shown)
    assert made[0].live.auto_refresh
    assert made[0].live.refresh_per_second > 1


def test_colours_are_left_out_where_the_user_says_so(copied, coloured):
    """With NO_COLOR (no-color.org) the same is shown without any colour."""
    plain = watched(copied, "check", PACKAGE, NO_COLOR="1")
    # ECMA-48, 8.3.117: the sequence that selects a rendition ends in m; 3x is a colour.
    colour = re.compile(r"\x1b\[[0-9;]*\b3[0-9][0-9;]*m")

    assert "checks" in plain
    assert not colour.search(plain)
    assert colour.search(coloured)


def test_it_is_quiet_when_asked(copied):
    """With --quiet a terminal shows nothing."""
    assert watched(copied, "check", PACKAGE, "--quiet") == ""


STARTS = """
import os, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)  # tests may run in the background
class Stop:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Stop())
sys.argv = ["fabkit", "check", {package!r}]
from fabkit.__main__ import main
main()
"""


@pytest.mark.parametrize(
    "module", ["click", "fabkit.cli.options", "fabkit.cli.check", "fabkit.checks.mask", "rich.text"]
)
def test_a_stop_is_one_line_at_any_moment(module):
    """Ctrl-C while a module is being loaded, at the start or later: one line and status 130."""
    done = subprocess.run(
        [sys.executable, "-c", STARTS.format(module=module, package=PACKAGE)],
        capture_output=True,
        text=True,
    )

    assert done.returncode == STOPPED
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("stopped")
