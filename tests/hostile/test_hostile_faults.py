"""Faults of the machine and odd names: outputs are whole or not there, inputs are untouched."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import time
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest
from apart import begin, end, run_apart
from click.testing import CliRunner
from fuzz.tiny_board import FILES
from ordeals import run_command, run_on_a_full_disk

from fabkit import build_board, open_package, order
from fabkit.base.errors import FabkitError
from fabkit.cli.group import cli


@pytest.fixture
def tiny(tmp_path: Path) -> Path:
    """Folder with the tiny package."""
    folder = tmp_path / "tiny"
    folder.mkdir()
    for name, data in FILES.items():
        (folder / name).write_bytes(data)
    return folder


@dataclass(frozen=True)
class Ordered:
    """One order of the tiny package that went well."""

    tiny: Path
    out: Path
    seconds: float
    before: dict[str, tuple[str, int]]
    """State of ``tiny`` in front of the order."""


@pytest.fixture(scope="module")
def ordered(tmp_path_factory: pytest.TempPathFactory) -> Ordered:
    """Made once by a process of its own; tests work on copies of it."""
    folder = tmp_path_factory.mktemp("ordered")
    tiny, out = folder / "tiny", folder / "out"
    tiny.mkdir()
    for name, data in FILES.items():
        (tiny / name).write_bytes(data)
    before = state(tiny)
    began = time.monotonic()
    done = run_apart(run_command, "order", str(tiny), "--out", str(out))
    assert "manifest.json" in contents(out), done
    return Ordered(tiny, out, time.monotonic() - began, before)


def state(folder: Path) -> dict[str, tuple[str, int]]:
    """Digest and time of change of every file."""
    return {
        path.relative_to(folder).as_posix(): (
            hashlib.sha256(path.read_bytes()).hexdigest(),
            path.stat().st_mtime_ns,
        )
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def contents(folder: Path) -> dict[str, str]:
    """Digest of every file."""
    return {name: digest for name, (digest, _) in state(folder).items()}


def test_inputs_are_never_written_to(ordered: Ordered, tmp_path: Path) -> None:
    """Every command leaves bytes and times of its inputs as they were."""
    tiny = str(ordered.tiny)
    for command in ("check", "parts", "quote"):
        CliRunner().invoke(cli, [command, tiny])
    for command in ("preview", "pack"):
        CliRunner().invoke(cli, [command, tiny, "--out", str(tmp_path / command)])

    assert state(ordered.tiny) == ordered.before


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_killed_at_any_moment_old_outputs_stay_whole(ordered: Ordered, tmp_path: Path) -> None:
    """An order killed anywhere leaves the old folder, or the new one, whole."""
    out = tmp_path / "out"
    shutil.copytree(ordered.out, out)
    old = contents(out)

    chance = random.Random(7)
    for _ in range(2):
        running, pipe = begin(run_command, "order", str(ordered.tiny), "--out", str(out))
        time.sleep(ordered.seconds * chance.uniform(0.3, 1.0))
        running.kill()
        running.join(60)
        pipe.close()
        whole = [p for p in (out, *tmp_path.glob(".out.*.old")) if p.is_dir()]
        assert old in [contents(p) for p in whole]


def test_two_runs_into_one_folder(ordered: Ordered, tmp_path: Path) -> None:
    """Two orders at once: the folder is whole, whoever was last; a loser says so in words."""
    out = tmp_path / "out"
    call = ("order", str(ordered.tiny), "--out", str(out))
    both = [begin(run_command, *call) for _ in range(2)]
    ended = [end(*run).result for run in both]
    assert any(status in (0, 1) for status, _, _ in ended), ended
    for status, _, said in ended:
        assert status in (0, 1) or said.startswith("error: "), said
        assert "Traceback" not in said
    assert {"manifest.json", "findings.txt"} <= contents(out).keys()
    assert not list(tmp_path.glob(".out.*.part"))


@pytest.mark.parametrize(
    "name",
    ["with space", "ünï-日本", "-dash", "--out", "con", "aux.gbr", "a" * 120, "dots...", "%s{0}"],
)
def test_odd_names(name: str, tiny: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A package of any name is read and packed; the names inside the zip are safe anywhere."""
    odd = tiny.rename(tmp_path / name)
    (odd / f"{name}.txt").write_text("a note")
    (odd / "tiny-copper-top.gbr").rename(odd / f"{name} copper top.gbr")
    out = tmp_path / "o.zip"
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(cli, ["pack", "--out", str(out), "--", name])

    assert done.exit_code in (0, 1), done.output
    assert "broke" not in done.output
    if done.exit_code == 0:
        with zipfile.ZipFile(out) as archive:
            for inside in archive.namelist():
                stem = inside.rpartition("/")[2].split(".")[0].lower()
                assert not inside.startswith(("/", "-"))
                assert stem not in {"con", "aux", "nul", "prn"}


@pytest.mark.parametrize("name", ["tiny-copper-top.gbr", "tiny-plated.drl"])
def test_inputs_that_vanish(name: str, tiny: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that goes away between listing and reading is refused, naming it."""
    usual = Path.open

    def gone(self: Path, *args: str, **more: str) -> object:
        if self.name == name:
            raise FileNotFoundError(2, "No such file or directory", str(self))
        return usual(self, *args, **more)

    monkeypatch.setattr(Path, "open", gone)
    with pytest.raises(FabkitError, match=name) as caught:
        open_package(tiny)
    assert caught.value.hint


def test_a_package_without_any_one_file_still_ends_well(tiny: Path) -> None:
    """Each file taken away in turn: a board with findings, or a refusal."""
    for path in sorted(tiny.iterdir()):
        data = path.read_bytes()
        path.unlink()
        board = build_board(open_package(tiny))
        assert board.package.files
        path.write_bytes(data)


def test_a_full_disk_leaves_the_old_order(ordered: Ordered, tmp_path: Path) -> None:
    """A limit on file size, as a full disk: status 2, words, the old folder as it was."""
    pytest.importorskip("resource")
    out = tmp_path / "out"
    shutil.copytree(ordered.out, out)
    old = state(out)
    call = ("order", str(ordered.tiny), "--out", str(out))
    status, _, said = run_apart(run_on_a_full_disk, *call).result

    assert status == 2, said
    assert "cannot write" in said
    assert state(out) == old
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out"]


def test_outputs_never_hold_where_they_were_made(ordered: Ordered) -> None:
    """No text of an order folder holds the path of package or folder, however it was typed."""
    place = ordered.tiny.parent.as_posix().encode()
    for path in ordered.out.rglob("*"):
        assert not path.is_file() or place not in path.read_bytes(), path.name


def test_an_order_file_edited_while_the_order_runs_is_said(tiny: Path, tmp_path: Path) -> None:
    """The manifest has the digest of the file that was read, and the edit is told."""
    file = tmp_path / "order.toml"
    text = 'format = 1\nname = "x"\n[[board]]\nname = "x"\npackage = "tiny"\n'
    file.write_text(text)
    told: list[str] = []

    def edit(_: str) -> None:
        file.write_text(text + "[want]\nkeyboards = 7\n")

    manifest = order(file, tmp_path / "out", tell=edit, note=told.append).manifest
    record = next(row for row in manifest["inputs"] if row["name"] == file.name)
    assert record["sha256"] == hashlib.sha256(text.encode()).hexdigest()
    assert manifest["options"]["keyboards"] == 1
    assert any("order.toml was changed" in words for words in told)


@pytest.mark.parametrize("name", ["red\x1b[31m", "bell\x07", "line\nbreak", "turned\u202egbr"])
def test_errors_hold_no_control_characters(name: str, tmp_path: Path) -> None:
    """What a name holds never reaches the terminal as a command (ECMA-48)."""
    for command in (["check"], ["order", "--out", str(tmp_path / "out")]):
        done = CliRunner().invoke(cli, [*command, str(tmp_path / name)])
        assert done.exit_code == 2
        assert all(c.isprintable() for line in done.output.splitlines() for c in line)
        assert len(done.output.splitlines()) <= 2
