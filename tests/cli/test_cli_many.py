"""Many packages at once: one record each, whatever becomes of them, and runs that go on."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import sys
from multiprocessing import resource_tracker
from pathlib import Path

import pytest
from apart import PATIENCE_S, begin
from deadly import judge_standing_still
from held import Hold, die, judge_held, until
from jsonschema import Draft202012Validator
from small_package import SMALL

from fabkit.base.errors import OutputRefused, RunStopped
from fabkit.outputs import many, pool
from fabkit.outputs.judged import Settings, check_given, judge_given, read_given
from fabkit.outputs.many import find_done, is_settled, judge_many, line_of, read_ledger
from fabkit.outputs.pool import judge_apart, largest_first
from fabkit.package.reading import gather
from fabkit.schemas import load_schema

DEFECTS = Path(__file__).parents[2] / "fixtures" / "defects"


MILD = Settings()


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
def held(shelf, monkeypatch):
    """A package whose judging stands still at one of its checks, and what holds it."""
    folder = shelf / "held"
    shutil.copytree(shelf / "small", folder)
    (folder / "notes.txt").write_text("the larger one is begun first\n")
    hold = Hold(shelf / "held.hold")
    hold.at("check hole/spacing of held")
    monkeypatch.setattr(pool, "_work", judge_held)
    return folder, hold


def test_each_package_of_a_folder_is_one_record(shelf, run, tmp_path, monkeypatch):
    """Records say what `check` alone says; the summary begins with the worst, which sets status."""
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
    assert re.findall(r"^ ?([a-z.]+) +[A-Z0-9]", told, re.MULTILINE) == ["zipped.zip"]
    assert told.index("damaged.zip") < told.index("zipped.zip") < told.index("fit to order: 1")
    assert "3 packages in shelf/: " in told
    assert "1 package: Gap between two conductors" in told
    assert "(copper/gap-small)" in told
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


def test_what_dies_is_begun_again_without_the_step(held, shelf):
    """A killed process loses the step it was at; what else can be judged is, as by `check` alone.

    Signal numbers: POSIX.
    """
    folder, hold = held
    running = judge_apart(
        largest_first([shelf / "small", folder]), MILD, jobs=2, seconds=PATIENCE_S
    )
    first = next(running)
    os.kill(hold.held(), signal.SIGKILL)
    (second,) = running

    assert [Path(one["package"]).name for one in (first, second)] == ["small", "held"]
    assert [first["status"], second["status"]] == [0, 2]
    reasons = {check["id"]: check["reason"] for check in second["check"]["checks"]}
    (heavy,) = (check for check, reason in reasons.items() if "too heavy" in reason)
    assert heavy == "hole/spacing"
    assert "SIGKILL" in reasons[heavy]


def test_a_death_is_a_record(shelf, monkeypatch):
    """What dies at a step that nothing can do without is a record with its reason."""
    monkeypatch.setattr(pool, "_work", die)
    (record,) = judge_apart(largest_first([shelf / "small"]), MILD, jobs=1, seconds=PATIENCE_S)

    assert record["state"] == "unreadable"
    assert "SIGKILL" in record["error"]["message"]
    assert record["unfinished"]["cause"] == "death"
    assert not is_settled(record, MILD, 60)
    Draft202012Validator(load_schema("judged")).validate(record)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="processes of POSIX")
def test_a_killed_run_goes_on(held, shelf, run, tmp_path):
    """After kill -9 and half a line: what is done stays, what hangs gets its time and a record."""
    out = tmp_path / "out.jsonl"
    folder, hold = held
    call = ("check", shelf / "small", folder, "--jobs", "2", "--jsonl", out)
    first, pipe = begin(judge_standing_still, [*map(str, call)])
    worker = hold.held()
    until(lambda: out.exists() and out.read_bytes().endswith(b"\n"), "a record")
    first.kill()
    first.join(PATIENCE_S)
    pipe.close()
    until(lambda: not Path(f"/proc/{worker}").exists(), "ended with who waits for it")
    before = out.read_bytes()
    out.write_bytes(before + before[:100])
    run(*call, "--resume", "--seconds", "1", status=2)

    assert out.read_bytes().startswith(before)
    assert set(records(out)) == {"small", "held"}
    late = records(out)["held"]
    assert "not judged within 1 s" in late["error"]["message"]
    assert is_settled(late, MILD, seconds=1)
    assert not is_settled(late, MILD, seconds=2), "with more time it is judged again"
    Draft202012Validator(load_schema("judged")).validate(late)


def test_what_is_done_is_known_by_bytes_settings_and_version(shelf):
    """Any of them changed, the package is judged again."""
    path = shelf / "zipped.zip"
    record = judge_given(read_given(path), MILD, source=str(path))
    known = {(record["package"], record["sha256"]): "known"}

    assert find_done(known, [path, shelf / "small"], MILD) == {path: "known"}
    assert is_settled(record, MILD, seconds=1)
    assert not is_settled(record, Settings(thicknesses=True), seconds=1)
    assert not is_settled({**record, "version": "0"}, MILD, seconds=1)
    path.write_bytes((shelf / "damaged.zip").read_bytes())
    assert find_done(known, [path], MILD) == {}


def a_few(paths, settings, _seconds):
    """Judge in this process; stand in for an engine."""
    for path in paths:
        yield judge_given(read_given(path), settings, source=str(path))


def stopped(paths, settings, seconds):
    """Stand in for an engine whose user presses Ctrl-C after one package."""
    yield next(a_few(paths, settings, seconds))
    raise KeyboardInterrupt


def test_ctrl_c_says_how_far_and_how_to_go_on(shelf, run, tmp_path, monkeypatch):
    """Status 130 as shells give it; what is done is in the file, and --resume goes on with it."""
    out = tmp_path / "out.jsonl"
    with monkeypatch.context() as patched:
        patched.setattr(many, "in_processes", lambda _jobs: stopped)
        told = run("check", shelf, "--jsonl", out, status=130).output
    assert f"stopped: 1 of 3 packages is judged and recorded in {out}" in told
    assert "--resume" in told
    assert len(records(out)) == 1
    with pytest.raises(RunStopped, match=r"--jsonl FILE"):
        judge_many(sorted(shelf.glob("*.zip")), MILD, engine=stopped, seconds=9)
    monkeypatch.setattr(many, "in_processes", lambda _jobs: a_few)
    run("check", shelf, "--jsonl", out, "--resume", status=2)

    assert set(records(out)) == {"damaged.zip", "small", "zipped.zip"}


def test_a_full_disk_keeps_whole_lines(shelf, tmp_path):
    """What does not fit is taken off again; the error says how far the run came (RLIMIT_FSIZE)."""
    resource = pytest.importorskip("resource")
    out = tmp_path / "out.jsonl"
    paths = [shelf / "damaged.zip", shelf / "zipped.zip"]
    (small,) = a_few(paths[:1], MILD, 0)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (len(line_of(small)) + 100, before[1]))
    try:
        with pytest.raises(OutputRefused, match=r"file too large; 1 of 2 packages is judged") as no:
            judge_many(paths, MILD, engine=a_few, seconds=9, ledger=out)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)

    assert out.read_bytes() == line_of(small)
    assert "--resume" in no.value.hint


def test_a_foreign_file_is_never_cut(tmp_path):
    """What is no file of records is refused and stays as it was, its last line too."""
    ours = line_of({"format": "fabkit/judged/1", "package": "a.zip"}).decode()
    for text in ("some\nnotes", '{"format": "other/1"}\n{"for', ours, ours[:-3] + "\n"):
        path = tmp_path / "notes.jsonl"
        path.write_text(text)
        with pytest.raises(OutputRefused, match="line 1 is no result"):
            list(read_ledger(path))
        assert path.read_text() == text


def test_only_records_are_overwritten(shelf, run, tmp_path):
    """A file that exists is refused before any work; one that holds no records, with --replace too.

    `--jsonl A.zip B.zip` takes A.zip for the file to write.
    """
    out = tmp_path / "out.jsonl"
    run("check", shelf / "small", "--jsonl", out)
    once = out.read_bytes()
    assert "--resume" in run("check", shelf, "--jsonl", out, status=2).output
    assert out.read_bytes() == once
    zipped = shelf / "zipped.zip"
    before = zipped.read_bytes()
    for more in ((), ("--replace",), ("--resume",)):
        told = run("check", "--jsonl", zipped, shelf / "small", *more, status=2).output
        assert "line 1 is no result of check --jsonl" in told
        assert zipped.read_bytes() == before
    run("check", shelf / "small", "--jsonl", out, "--replace")

    assert len(records(out)) == 1


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


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_ctrl_c_stays_blocked_where_the_first_process_is_started(monkeypatch):
    """The tracker of the library, which the first start begins, unblocks it otherwise."""
    tracker = resource_tracker.ResourceTracker()
    monkeypatch.setattr(resource_tracker, "ensure_running", tracker.ensure_running)
    try:
        with pool.undisturbed():
            resource_tracker.ensure_running()  # as the start of a process does
            assert signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ())
    finally:
        tracker._stop()
