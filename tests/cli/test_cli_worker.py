"""A command whose native code dies: what is said, what is delivered, and with which status."""

from __future__ import annotations

import json
import os
import signal
from dataclasses import dataclass
from pathlib import Path

import pytest
from apart import PATIENCE_S, begin, run_apart
from deadly import die, stand_still
from held import Hold, until

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes of POSIX")

DRAWING = ("fabkit.formats.gerber.model", "compose")
READING = ("fabkit.package.build", "_read_member")


@dataclass(frozen=True)
class Ended:
    """What is left of a command."""

    returncode: int
    stdout: str
    stderr: str


@pytest.fixture
def died(tmp_path_factory):
    """Run a command whose process is killed when a function comes to a file."""

    def call(place, victim, number, *arguments):
        folder = tmp_path_factory.mktemp("streams")
        status = run_apart(die, place, victim, int(number), [*map(str, arguments)], folder).result
        return Ended(status, *((folder / name).read_text("utf-8") for name in ("out", "err")))

    return call


def test_a_check_that_dies_is_not_judged(died, small):
    """The step and the file are named; all other checks are judged; the status is 2."""
    done = died(DRAWING, "small-mask-top.gbr", signal.SIGSEGV, "check", small, "--json")
    told = json.loads(done.stdout)
    states = {check["id"]: check["state"] for check in told["checks"]}

    assert done.returncode == 2
    assert done.stderr.startswith("error: drawing small-mask-top.gbr (")
    assert "SIGSEGV" in done.stderr
    assert done.stderr.count("\n") == 1
    assert "package/too-heavy" in {finding["id"] for finding in told["findings"]}
    assert states["mask/web"] == "not judged"
    assert states["hole/spacing"] == "passed"


def test_an_order_that_dies_delivers_all_else(died, small, tmp_path):
    """Killed by the system while a layer is drawn: the folder is there, status 2."""
    done = died(
        *(DRAWING, "small-copper-top.gbr", signal.SIGKILL),
        *("order", small, "--out", tmp_path / "out"),
    )
    manifest = json.loads((tmp_path / "out" / "manifest.json").read_text())
    names = {output["name"] for output in manifest["outputs"]}

    assert done.returncode == 2, done.stderr
    # Layers are drawn two at a time: the other of the pair may be given up first.
    assert done.stderr.startswith("error: drawing small-copper-")
    assert "error: drawing small-copper-top.gbr (" in done.stderr
    assert {"front.png", "costs.xlsx", "small.zip", "findings.txt"} <= names
    assert not list(tmp_path.glob(".out.*"))


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_a_death_that_nothing_can_do_without_is_an_error(died, form, small):
    """A file cannot be read: one error in the form of all others, status 2."""
    done = died(READING, "small-mask-top.gbr", signal.SIGABRT, "check", small, *form)
    said = json.loads(done.stdout)["message"] if form else done.stderr.splitlines()[0]

    assert done.returncode == 2
    assert "reading small-mask-top.gbr" in said
    assert "SIGABRT" in said


def test_a_drawing_without_an_end_is_left_out(died, small):
    """It ends with the time of a step; all other checks are judged, and the status is 2."""
    limit = ("--limit", "seconds=1")
    done = died(DRAWING, "small-mask-top.gbr", 0, "check", small, "--json", *limit)
    states = {check["id"]: check["state"] for check in json.loads(done.stdout)["checks"]}

    assert done.returncode == 2
    assert done.stderr.startswith("error: drawing small-mask-top.gbr (")
    assert "limit seconds" in done.stderr
    assert states["mask/web"] == "not judged"
    assert states["hole/spacing"] == "passed"


def test_a_file_that_is_read_without_an_end_is_an_error(died, small):
    """The file and the limit are named."""
    done = died(READING, "small-mask-top.gbr", 0, "check", small, "--limit", "seconds=1")

    assert done.returncode == 2
    assert "reading small-mask-top.gbr" in done.stderr
    assert "--limit seconds=NUMBER" in done.stderr


def test_memory_is_bounded(start, small):
    """Below the limit it ends with status 2 and words, above it goes well."""
    for bound, status in (("20MiB", 2), ("2GiB", 0)):
        done = start("check", small, "--limit", f"memory_bytes={bound}", status=status)
        assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, -15), (signal.SIGKILL, -9)]
)
def test_signals_reach_the_work(number, status, small, tmp_path):
    """Sent to the first process alone: Ctrl-C is one line, a kill leaves no worker behind."""
    hold = Hold(tmp_path / "order.hold")
    hold.at("writing the report")
    words = ["order", str(small), "--out", str(tmp_path / "out")]
    streams = tmp_path / "streams"
    streams.mkdir()
    run, pipe = begin(stand_still, hold.file, words, streams)
    worker = hold.held()
    assert worker != run.pid
    assert list(tmp_path.glob(".out.*"))
    os.kill(run.pid, number)
    run.join(PATIENCE_S)
    pipe.close()
    until(lambda: not Path(f"/proc/{worker}").exists(), "the worker ended")
    said = (streams / "err").read_text("utf-8")

    assert run.exitcode == status
    assert not (tmp_path / "out").exists()
    assert said.count("\n") == (number == signal.SIGINT)
    assert bool(list(tmp_path.glob(".out.*"))) == (number != signal.SIGINT)
