"""Runs what the README's test command does not: other Pythons, lowest versions, the built package.

The built package is installed with its runtime dependencies alone: `order demo` and `check demo`
work there without any test package.

The other Pythons and the lowest versions run a part of the tests, chosen by what they alone can
break: `SEAMS` names, for each library and for the interpreter, the tests that go through it to the
other side. Tests of what our own code decides (rules, prices, words, wiring, comparison) say the
same on every Python and run once, by the README's command.

Called by `.ci/run` with the default Python and a new folder: first with `prepare`, to make
environments while the README's command runs (that is mostly waiting), then to run all.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import time
import tomllib
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOWEST = ROOT / ".ci" / "lowest.txt"
SUPPORTED = ("3.11", "3.12", "3.13")
NEWER = tuple(f"3.{minor}" for minor in range(14, 20))
SEAMS = {
    # Language and standard library: archives, TOML, decimals, weak references, text of any kind.
    "Python": (
        *("tests/base", "tests/sheets", "tests/package/test_package_opening.py"),
        "tests/outputs/test_outputs_archive.py",
    ),
    # Columns of numbers, and a property test for each reader.
    "numpy": ("tests/formats",),
    # Shapes, nearest neighbours, boards built of them, rules that measure them.
    "shapely, manifold3d and scipy": (
        *("tests/geometry", "tests/board"),
        *("tests/checks/test_geometry_rules.py", "tests/checks/test_framework_running.py"),
    ),
    "matplotlib and pillow": ("tests/pictures/test_preview_coverage.py",),
    "openpyxl": ("tests/costs/test_costs_outputs.py",),
    "click": ("tests/cli/test_cli_bad_input.py",),
    "rich": ("tests/outputs/test_outputs_text.py",),
    "platformdirs": ("tests/cli/test_cli_settings.py",),
    "watchfiles": (
        "tests/cli/test_cli_order_again.py::test_a_change_is_noticed",
        "tests/cli/test_cli_order_again.py::test_a_change_while_working_is_not_lost",
    ),
    "starlette": ("tests/desk/test_desk_guard.py", "tests/desk/test_desk_uploads.py"),
    "tomlkit": ("tests/desk/test_desk_wanted.py",),
    "uvicorn": ("tests/desk/test_desk_command.py",),
    # One order from files to the last output: its page is written by jinja2.
    "all": ("tests/cli/test_cli_order_folder.py",),
}
"""What another version can break, and the tests that would show it."""
TOOLS = ("pytest", "hypothesis", "networkx", "pypdf", "markdown-it-py", "httpx")
"""What those tests import."""
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


class Failed(Exception):
    """A command that ended badly or a result that is wrong: what it said."""


def run(*command: object, cwd: Path = ROOT, **variables: str) -> str:
    """Run a command; give what it said, or raise `Failed` with it."""
    done = subprocess.run(
        [str(c) for c in command],
        cwd=cwd,
        env={**os.environ, **variables},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    if done.returncode:
        words = " ".join(map(str, command))
        raise Failed(f"{done.stdout}\nended with status {done.returncode}: {words}")
    return done.stdout


def find_interpreters() -> dict[str, Path]:
    """Interpreters on PATH and in pyenv by version, as 3.12."""
    versions = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
    found = {}
    for version in (*SUPPORTED, *NEWER):
        places = [*sorted(versions.glob(f"{version}.*/bin/python3"))]
        places += [Path(p) for p in [shutil.which(f"python{version}")] if p]
        if sys.version_info[:2] == tuple(map(int, version.split("."))):
            places.append(Path(sys.executable))
        for place in places:
            # A shim of a version that is not chosen is on PATH and does not run.
            asked = [place, "-c", "import ensurepip, sys; print('%d.%d' % sys.version_info[:2])"]
            said = subprocess.run(asked, capture_output=True, text=True, check=False).stdout
            if said.strip() == version:
                found[version] = place
                break
    return found


def make_environment(python: Path, folder: Path, *wanted: object) -> Path:
    """Make an environment, unless it is made, and install into it; give its folder of commands."""
    whole = folder / "whole"
    if not whole.exists():
        run(python, "-m", "venv", "--clear", "--without-pip", folder)
        # What is never imported need not be compiled.
        install = (sys.executable, "-m", "pip", "--python", folder / "bin/python", "install", "-q")
        run(*install, "--no-compile", *wanted)
        whole.touch()
    return folder / "bin"


def testing_environment(python: Path, folder: Path, *, lowest: bool) -> Path:
    """Make an environment of that interpreter for the part of the tests."""
    project = PROJECT["project"]
    newest = [*project["dependencies"], *project["optional-dependencies"]["desk"]]
    needed = ["-r", LOWEST] if lowest else newest
    return make_environment(python, folder, *TOOLS, *needed)


def building_environment(python: Path, folder: Path) -> Path:
    """Make an environment that can build the package."""
    return make_environment(
        python, folder / "builder", "build", *PROJECT["build-system"]["requires"]
    )


def run_tests(python: Path, folder: Path, *, lowest: bool) -> str:
    """Run the part of the tests in a new environment of that interpreter; give its last line."""
    tools = testing_environment(python, folder, lowest=lowest)
    # Old libraries use what newer ones have deprecated since: that is theirs to mend.
    warnings = ["-W", "default::DeprecationWarning"] if lowest else []
    said = run(
        *(tools / "python", "-m", "pytest", "-q", "-p", "no:cacheprovider", *warnings),
        # What another version breaks shows soon: other examples are drawn by the README's command.
        "--hypothesis-profile=seams",
        *(path for paths in SEAMS.values() for path in paths),
        PATH=f"{tools}{os.pathsep}{os.environ['PATH']}",
        PYTHONPATH=str(ROOT),
    )
    return said.strip().splitlines()[-1]


def build_package(python: Path, folder: Path) -> Path:
    """Build source archive and, from it, the wheel; give the wheel."""
    tools = building_environment(python, folder)
    run(tools / "python", "-m", "build", "--no-isolation", "--outdir", folder / "dist", ROOT)
    (source,) = (folder / "dist").glob("*.tar.gz")
    with tarfile.open(source) as archive:
        held = {name.partition("/")[2] for name in archive.getnames()}
    tracked = run("git", "ls-files").split("\n") if (ROOT / ".git").exists() else []
    left_out = {n for n in tracked if n and n != ".gitignore"} - held
    if left_out:
        raise Failed(f"not in the source archive: {', '.join(sorted(left_out))}")
    (wheel,) = (folder / "dist").glob("*.whl")
    return wheel


def order_from(python: Path, folder: Path) -> str:
    """Run the wheel with what it needs at run time and nothing else; the tree must agree.

    No test package is installed there, so a dependency that pyproject.toml does not name, or a file
    that the wheel does not hold, ends `order demo` or `check demo`.
    """
    wheel = build_package(python, folder)
    tools = make_environment(python, folder / "bare", wheel)
    away = folder / "away"
    away.mkdir()
    job = ("order", "demo", "--date", "2025-02-01", "--out")
    run(tools / "fabkit", *job, "wheel", cwd=away)
    run(sys.executable, "-m", "fabkit", *job, "tree", cwd=away)
    verdict = (away / "wheel/findings.txt").read_text(encoding="utf-8")
    checked = run(tools / "fabkit", "check", "demo", cwd=away)
    if "fit to order" not in checked:
        raise Failed(f"the wheel does not check the demo:\n{checked}")
    if "fit to order" not in verdict or not (away / "wheel/wheatear.zip").stat().st_size:
        raise Failed(f"the wheel does not do the whole job:\n{verdict}")
    for name in ("findings.txt", "costs.json", "costs.md", "parts.json"):
        if (away / "wheel" / name).read_bytes() != (away / "tree" / name).read_bytes():
            raise Failed(f"{name} differs between the wheel and the tree")
    return f"wheel of {wheel.stat().st_size:,} bytes: verdict and prices are those of the tree"


def versions() -> list[tuple[str, bool]]:
    """Pythons to run a part of the tests with, and whether with the lowest libraries."""
    own = f"{sys.version_info.major}.{sys.version_info.minor}"
    found = find_interpreters()
    newest = [v for v in (*SUPPORTED, *NEWER) if v != own and (v in found or v in SUPPORTED)]
    return [*((version, False) for version in newest), (SUPPORTED[0], True)]


def place_of(folder: Path, version: str, *, lowest: bool) -> Path:
    """Where the environment of a Python is."""
    return folder / f"{version}{'-low' * lowest}"


def prepare(folder: Path) -> None:
    """Make environments, one after the other; what fails is tried again when it is needed."""
    found = find_interpreters()
    building_environment(Path(sys.executable), folder)
    for version, lowest in versions():
        if version in found:
            place = place_of(folder, version, lowest=lowest)
            testing_environment(found[version], place, lowest=lowest)


def run_all(folder: Path) -> int:
    """Run all of it, two at a time; say what cannot be run and what fails; give how many failed."""
    found = find_interpreters()
    failed = 0
    with ThreadPoolExecutor(2) as two:
        begun = time.monotonic()
        jobs = {two.submit(order_from, Path(sys.executable), folder): "the built package"}
        for version, lowest in versions():
            title = f"Python {version}, {'lowest' if lowest else 'newest'} libraries"
            if version not in found:
                print(f"{title}: NOT RUN, there is no such Python here", flush=True)
                continue
            place = place_of(folder, version, lowest=lowest)
            jobs[two.submit(run_tests, found[version], place, lowest=lowest)] = title
        for job in as_completed(jobs):
            fault = job.exception()
            failed += fault is not None
            said = f"FAILED\n{fault}" if fault else job.result()
            print(f"{jobs[job]} (after {time.monotonic() - begun:.0f} s): {said}", flush=True)
    return failed


if __name__ == "__main__":
    *asked, folder = sys.argv[1:]
    if asked == ["prepare"]:
        prepare(Path(folder))
    else:
        sys.exit(run_all(Path(folder)))
