"""What is done in processes of their own: readers, checks and orders of hostile input."""

from __future__ import annotations

import signal
from pathlib import Path

from click.testing import CliRunner

from fabkit import build_board, check, open_package
from fabkit.base.errors import FabkitError, UnreadableInput
from fabkit.base.limits import DEFAULT_LIMITS, changed_limits
from fabkit.base.steps import SIZE, begin_bounded, bound_memory, bound_seconds, step
from fabkit.cli.group import cli
from fabkit.formats.drill.reader import read as read_drill
from fabkit.formats.gerber.reader import read as read_layer
from fabkit.formats.sidecars.jobfile import read_job
from fabkit.formats.sidecars.netlist import read_netlist
from fabkit.formats.sidecars.tables import read_parts, read_placement
from fabkit.outputs.judged import Settings, check_given, read_given
from fabkit.package.opening import open_input
from fabkit.sheets.house import load_house

READERS = {
    "layer": read_layer,
    "drill": read_drill,
    "job": read_job,
    "placement": read_placement,
    "parts": read_parts,
    "netlist": read_netlist,
}


def read_one(kind: str, path: Path) -> list[str]:
    """Read a file of a kind: what its reader reports."""
    if kind == "house":
        try:
            load_house(path)
        except FabkitError as error:
            return [error.message]
        return []
    return [p.id for p in READERS[kind](path.read_bytes(), name="x").problems]


def run_command(*words: str) -> tuple[int, str, str]:
    """Run a command: its status, standard output and standard error."""
    done = CliRunner().invoke(cli, words, prog_name="fabkit")
    return done.exit_code, done.stdout, done.stderr


def run_on_a_full_disk(*words: str) -> tuple[int, str, str]:
    """Run a command where no file may be larger than 3000 bytes."""
    import resource

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (3000, 3000))
    return run_command(*words)


def memory_to_check(package: Path, stated: int | None) -> int:
    """Check a package in a process that is bounded: the memory that it may take then."""
    import resource

    begin_bounded(bytearray(SIZE), {})
    limits = DEFAULT_LIMITS if stated is None else changed_limits({"memory_bytes": stated})
    bound_memory(limits.memory_bytes)
    check_given(read_given(package), Settings(limits=limits), source=package.name)
    return resource.getrlimit(resource.RLIMIT_DATA)[0]


def time_of_steps() -> tuple[float, float]:
    """Processor time that a step may take in a bounded process, before and after it is bounded."""
    begin_bounded(bytearray(SIZE), {})
    with step("serving"):
        before = signal.getitimer(signal.ITIMER_PROF)[0]
    bound_seconds(50)
    with step("drawing"):
        return before, signal.getitimer(signal.ITIMER_PROF)[0]


def check_within(gigabytes: int, package: Path) -> tuple[list[str], list[str]]:
    """Check a package within a bound on memory: checks that broke, and limits that were met."""
    import resource

    resource.setrlimit(resource.RLIMIT_AS, (gigabytes << 30, gigabytes << 30))
    result = check(build_board(open_package(package)))
    broken = [o.check.id for o in result.outcomes if o.state.value == "broken"]
    return broken, [f.message for f in result.findings if f.rule.id == "gerber/limit"]


def refused_within(gigabytes: int, path: Path) -> str:
    """Open a package within a bound on memory: why it is refused."""
    import resource

    resource.setrlimit(resource.RLIMIT_DATA, (gigabytes << 30, gigabytes << 30))
    try:
        open_input(path)
    except UnreadableInput as error:
        return error.message
    return ""
