"""Many packages at once: one record each, whatever becomes of them, and runs that go on."""

from __future__ import annotations

import json
import multiprocessing
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from small_package import SMALL

from fabkit.base.errors import OutputRefused
from fabkit.outputs.judged import Settings, check_given, judge_given, read_given
from fabkit.outputs.ledger import done_before, line_of, read_ledger
from fabkit.outputs.pool import judge_paths
from fabkit.package.gathering import gather
from fabkit.schemas import load_schema

DEFECTS = Path(__file__).parents[2] / "fixtures" / "defects"


def records(path):
    """The records of a file, by package."""
    lines = path.read_text(encoding="utf-8").splitlines()
    found = {Path(one["package"]).name: one for one in map(json.loads, lines)}
    assert len(found) == len(lines), "nothing twice"
    return found


@pytest.fixture
def shelf(tmp_path, small):
    """A folder of packages: two zips, one of them damaged, a folder, and a file that is none."""
    folder = tmp_path / "shelf"
    folder.mkdir()
    shutil.move(small, folder / "small")
    shutil.make_archive(str(folder / "zipped"), "zip", DEFECTS / "gap-small")
    (folder / "damaged.zip").write_bytes((folder / "zipped.zip").read_bytes()[:400])
    (folder / "notes.txt").write_text("not a package\n")
    return folder


@pytest.fixture
def heavy(shelf):
    """A package that takes many times as long as any other: 60,000 discs on one spot."""
    folder = shelf / "heavy"
    shutil.copytree(shelf / "small", folder)
    (copper,) = folder.glob("*copper-top*")
    text = copper.read_text()
    copper.write_text(text.replace("M02*", "D10*\n" + "X5000000Y5000000D03*\n" * 60_000 + "M02*"))
    return folder


def test_each_package_of_a_folder_is_one_record(shelf, run, tmp_path, monkeypatch):
    """Records say what `check` alone says; the summary keeps the order; the worst sets status."""
    out = tmp_path / "out.jsonl"
    monkeypatch.chdir(shelf.parent)
    told = run("check", "shelf", "--jobs", "2", "--jsonl", out, status=2).output
    found = records(out)
    alone = json.loads(run("check", shelf / "zipped.zip", "--json", status=1).output)

    assert {name: one["state"] for name, one in found.items()} == {
        "zipped.zip": "stop",
        "damaged.zip": "unreadable",
        "small": found["small"]["state"],
    }
    assert found["zipped.zip"]["check"] == alone
    assert "damaged" in found["damaged.zip"]["error"]["message"]
    assert "shelf: 3 packages in it" in told
    assert re.findall(r"^ shelf/(\S+)", told, re.MULTILINE) == [
        "damaged.zip",
        "small",
        "zipped.zip",
    ]
    assert "3 packages: " in told
    for one in found.values():
        Draft202012Validator(load_schema("judged")).validate(one)


def test_the_unit_is_pure(shelf):
    """Bytes and settings decide alone: no clock, no path of this machine."""
    data = (shelf / "zipped.zip").read_bytes()
    first, again = (judge_given(data, Settings(), source="a.zip") for _ in range(2))

    assert line_of(first) == line_of(again)
    assert first["check"]["findings"]
    assert check_given(data, Settings(), source="a.zip").status == first["status"] == 1
    assert str(shelf) not in line_of(first).decode()


def test_a_death_is_a_record(heavy, shelf):
    """A process that the system ends loses its own package only (signal numbers: POSIX)."""
    running = judge_paths([shelf / "small", heavy], Settings(), jobs=2, seconds=60)
    first = next(running)
    for child in multiprocessing.active_children():
        child.kill()
    (second,) = running

    assert Path(first["package"]).name == "small"
    assert first["error"] is None
    assert second["state"] == "unreadable"
    assert "SIGKILL" in second["error"]["message"]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="processes of POSIX")
def test_a_killed_run_goes_on(heavy, shelf, run, tmp_path):
    """After kill -9 and half a line: what is done stays, what hangs gets its time and a record."""
    out = tmp_path / "out.jsonl"
    call = ("check", shelf / "small", heavy, "--jobs", "2", "--jsonl", out)
    command = [sys.executable, "-m", "fabkit", *map(str, call)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        late = time.monotonic() + 30
        while not (out.exists() and out.read_bytes().endswith(b"\n")):
            assert time.monotonic() < late
            time.sleep(0.02)
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait()
    before = out.read_bytes()
    out.write_bytes(before + before[:100])
    run(*call, "--resume", "--seconds", "1", status=2)

    assert out.read_bytes().startswith(before)
    assert set(records(out)) == {"small", "heavy"}
    assert "not judged within" in records(out)["heavy"]["error"]["message"]


def test_what_is_done_is_known_by_bytes_settings_and_version(shelf):
    """Any of them changed, the package is judged again."""
    path = shelf / "zipped.zip"
    done = [judge_given(read_given(path), Settings(), source=str(path))]

    assert done_before(done, [path], Settings()) == {path}
    assert done_before(done, [path], Settings(thicknesses=True)) == set()
    assert done_before([{**done[0], "version": "0"}], [path], Settings()) == set()
    path.write_bytes((shelf / "damaged.zip").read_bytes())
    assert done_before(done, [path], Settings()) == set()


def test_a_foreign_file_is_never_cut(tmp_path):
    """What is no file of records is refused and stays as it was, its last line too."""
    for text in ("some\nnotes", '{"format": "other/1"}\n{"for'):
        path = tmp_path / "notes.jsonl"
        path.write_text(text)
        with pytest.raises(OutputRefused, match="line 1 is no result"):
            read_ledger(path)
        assert path.read_text() == text


def test_records_are_not_overwritten(shelf, run, tmp_path):
    """A file that exists is refused before any work; so is a package that stands in its place."""
    out = tmp_path / "out.jsonl"
    out.write_text("mine\n")
    assert "exists already" in run("check", shelf, "--jsonl", out, status=2).output
    zipped = shelf / "zipped.zip"
    before = zipped.read_bytes()
    run("check", "--jsonl", zipped, shelf / "small", status=2)

    assert out.read_text() == "mine\n"
    assert zipped.read_bytes() == before


def test_options_of_one_package_are_refused(shelf, run):
    """A form that only one package has is named, with what to use instead."""
    for option in (("--json",), ("--format", "sarif"), ("--right", "x"), ("--resume",)):
        told = run("check", shelf, shelf, *option, status=2).output
        assert "hint: " in told or '"hint"' in told


def test_names_cannot_command_the_terminal(shelf, run):
    """Escape sequences in the name of a package are dots in the summary (ECMA-48, 5.4)."""
    (shelf / "zipped.zip").rename(shelf / "\x1b[31mred.zip")

    assert "\x1b" not in run("check", shelf, "--jobs", "1", status=2).output


def test_a_folder_is_a_package_or_holds_packages(shelf, tmp_path):
    """Layers in sub-folders are one package; layers named one by one are that of their folder."""
    split = tmp_path / "split"
    for name, text in SMALL.items():
        part = split / ("drills" if "drill" in name else "layers")
        part.mkdir(parents=True, exist_ok=True)
        (part / name).write_text(text)
    layers = sorted((shelf / "small").iterdir())

    assert gather([split]).packages == (split,)
    assert gather([shelf / "small"]).packages == (shelf / "small",)
    assert gather(layers).packages == (shelf / "small",)
    assert [p.name for p in gather([shelf]).packages] == ["damaged.zip", "small", "zipped.zip"]
