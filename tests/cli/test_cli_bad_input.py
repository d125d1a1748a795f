"""Bad input: a message that says what, where and what to do; status 2; nothing written."""

from __future__ import annotations

import os
import random
import stat
import zipfile

import pytest

COMMANDS_THAT_READ = {
    "check": [],
    "preview": ["--out", "OUT"],
    "sheet drills": ["--out", "OUT.svg"],
    "paper": ["--out", "OUT"],
    "parts": [],
    "quote": [],
    "pack": ["--out", "OUT"],
    "panel": ["--out", "OUT.zip"],
    "order": ["--out", "OUT"],
    "order new": ["--out", "OUT"],
}


def bad_inputs(folder):
    """Name to path of everything a user might give by mistake."""
    made = {
        "missing": folder / "missing.zip",
        "empty-file": folder / "empty.zip",
        "empty-folder": folder / "empty",
        "binary": folder / "binary.zip",
        "not-a-zip": folder / "text.zip",
        "cut-zip": folder / "cut.zip",
        "encrypted": folder / "locked.zip",
        "slip": folder / "slip.zip",
        "no-layers": folder / "letters",
    }
    made["empty-file"].write_bytes(b"")
    made["empty-folder"].mkdir()
    made["binary"].write_bytes(random.Random(1).randbytes(5000))
    made["not-a-zip"].write_text("Dear Sir or Madam,\n")
    whole = folder / "whole.zip"
    with zipfile.ZipFile(whole, "w") as archive:
        archive.writestr("a.gbr", "%MOMM*%\n" * 500)
    data = whole.read_bytes()
    made["cut-zip"].write_bytes(data[: len(data) // 2])
    # Flag bit 0 of both headers says encrypted (zip APPNOTE 4.4.4).
    locked = bytearray(data)
    locked[6] |= 1
    locked[data.index(b"PK\x01\x02") + 8] |= 1
    made["encrypted"].write_bytes(bytes(locked))
    with zipfile.ZipFile(made["slip"], "w") as archive:
        archive.writestr("../../escaped.gbr", "M02*\n")
    made["no-layers"].mkdir()
    (made["no-layers"] / "letter.txt").write_text("Dear Sir or Madam,\n")
    return made


NAMES = (
    "missing",
    "empty-file",
    "empty-folder",
    "binary",
    "not-a-zip",
    "cut-zip",
    "encrypted",
    "slip",
    "no-layers",
)


def tree(folder):
    """Every path below a folder."""
    return sorted(str(p) for p in folder.rglob("*"))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("command", COMMANDS_THAT_READ)
def test_bad_input_is_refused_in_words(run, tmp_path, command, name):
    """Status 2 (or 1: judged unfit), a message naming the input, a hint, nothing written."""
    (tmp_path / "in").mkdir()
    path = bad_inputs(tmp_path / "in")[name]
    before = tree(tmp_path)
    extra = [a.replace("OUT", str(tmp_path / "out")) for a in COMMANDS_THAT_READ[command]]
    text = run(*command.split(), path, *extra, status=2).output

    assert text.startswith("error: ")
    assert path.name in text
    assert "Traceback" not in text
    assert tree(tmp_path) == before


def test_wrong_values_are_refused_in_words(run, small, tmp_path):
    """A number, its bounds and a day are explained without words of the code."""
    for arguments, words in (
        (["quote", small, "--keyboards", "1e9"], "'1e9' is not a whole number from 1 to 100000"),
        (["quote", small, "--quantity", "0"], "'0' is not a whole number from 1 to 100000"),
        (["quote", small, "--date", "2025-02-30"], "'2025-02-30' is not a day, such as"),
        (["check", small, "--seconds", "0"], "'0' is not a whole number of at least 1"),
        (["preview", small, "--out", tmp_path / "x", "--scale", "big"], "'big' is not a number"),
    ):
        assert words in run(*arguments, status=2).output


def test_a_name_that_would_be_taken_for_another_is_refused(run, small, tmp_path, monkeypatch):
    """Empty names, addresses, folders where a zip is written, and more names than are taken."""
    monkeypatch.chdir(tmp_path)
    before = tree(tmp_path)
    for arguments, words in (
        (["check", ""], "empty"),
        (["preview", small, "--out", ""], "empty"),
        (["check", "https://example.org/board.zip"], "download it"),
        (["panel", small, "--out", "."], "is a folder"),
        (["panel", small, "--out", "/"], "is a folder"),
        (["preview", small, small, "--out", "x"], "too many names"),
    ):
        assert words in run(*arguments, status=2).output
    assert tree(tmp_path) == before


@pytest.mark.parametrize("command", ["mend", "pack", "panel", "check", "parts"])
def test_what_is_read_is_not_written_over(run, small, tmp_path, command):
    """``--replace`` allows an older result to be overwritten, not the files that are given."""
    given = tmp_path / "given.zip"
    with zipfile.ZipFile(given, "w") as archive:
        for path in small.iterdir():
            archive.write(path, path.name)
    before = given.read_bytes()
    other = tmp_path / "." / "other" / ".." / "given.zip"
    (tmp_path / "other").mkdir()
    text = run(command, given, "--out", other, "--replace", status=2).output

    assert "is read by this command" in text
    assert given.read_bytes() == before


def test_files_of_a_folder_that_is_read_are_not_written_over(run, small, tmp_path):
    """Its layers and tables are kept; an older result that lies among them is replaced."""
    (tmp_path / "link").symlink_to(small, target_is_directory=True)
    for folder in (small, tmp_path / "link"):
        victim = folder / "small-profile.gbr"
        before = victim.read_bytes()
        for words in (("mend",), ("order", "new"), ("parts",), ("panel",)):
            text = run(*words, small, "--out", victim, "--replace", status=2).output
            assert "is read by this command" in text
        assert victim.read_bytes() == before
    for _ in range(2):
        run("order", "new", small, "--out", small / "order.toml", "--replace")


def test_no_traceback_in_a_fresh_process(start, tmp_path):
    """From the shell the message goes to standard error, standard output stays empty."""
    done = start("check", tmp_path / "missing.zip", status=2, fresh=True)

    assert done.stdout == ""
    assert done.stderr.startswith("error: ")
    assert "hint: " in done.stderr
    assert "Traceback" not in done.stderr


def test_debugging_shows_the_traceback(start, tmp_path):
    """With FABKIT_DEBUG set, the traceback is shown."""
    done = start("check", tmp_path / "missing.zip", status=1, FABKIT_DEBUG="1")

    assert "Traceback" in done.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ["--thickness", "thick"],
        ["--thickness", "-1"],
        ["--thickness", "0"],
        ["--thickness", "nan"],
        ["--thickness", "inf"],
        ["--only", "nothing/such"],
        ["--fail-on", "sometimes"],
        ["--house", "no-such.toml"],
    ],
)
def test_wrong_options_are_refused(run, small, arguments):
    """An option that makes no sense is status 2 with a message."""
    text = run("check", small, *arguments, status=2).output

    assert "rror" in text
    assert "Traceback" not in text


def test_a_wrong_sheet_names_file_line_and_key(run, small, tmp_path):
    """A slip in a house sheet is told with file, line, key and the nearest valid key."""
    sheet = tmp_path / "h.toml"
    sheet.write_text('format = 1\nname = "x"\n[limits.standard]\ntrak_mm = 0.2\n')
    text = run("check", small, "--house", sheet, status=2).output

    assert "h.toml:4" in text
    assert "trak_mm" in text
    assert "track_mm" in text


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may write anywhere"
)
def test_a_read_only_place_is_refused(run, small, tmp_path):
    """A folder that may not be written is told in words."""
    closed = tmp_path / "closed"
    closed.mkdir()
    closed.chmod(stat.S_IRUSR | stat.S_IXUSR)

    assert "cannot write" in run("pack", small, "--out", closed / "a.zip", status=2).output


def test_a_full_disk_leaves_nothing(run, small, tmp_path):
    """When the disk is full while the zip is written, no part stays (limit on file size)."""
    resource = pytest.importorskip("resource")
    out = tmp_path / "up"
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (500, before[1]))
    try:
        said = run("pack", small, "--out", out / "a.zip", status=2).stderr
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)

    assert "cannot write" in said
    assert list(out.iterdir()) == []


def test_hostile_names_reach_the_terminal_harmless(run, small):
    """Escape sequences in file names are never printed."""
    try:
        (small / "a\x1b[31mred.gbr").write_text("M02*\n")
    except OSError:
        pytest.skip("this file system has no such names")

    assert "\x1b" not in run("check", small, "--files", "--fail-on", "never").output


def test_a_sheet_cannot_name_what_is_no_text(run, small, tmp_path):
    """TOML is UTF-8: an order file of a folder whose name is not is refused, in words."""
    try:
        odd = small.rename(tmp_path / os.fsdecode(b"odd-\xff"))
    except OSError:
        pytest.skip("this file system has no such names")
    text = run("order", "new", odd, "--out", tmp_path / "order.toml", status=2).output

    assert "not UTF-8" in text
    assert not (tmp_path / "order.toml").exists()


def test_names_that_are_no_text_still_work(run, small, tmp_path):
    """A file name whose bytes are no UTF-8 is read, shown and packed under a name that is."""
    try:
        (small / "small-plated.drl").rename(small / os.fsdecode(b"plated-\xff.drl"))
    except OSError:
        pytest.skip("this file system has no such names")
    out = tmp_path / "out"
    run("order", small, "--out", out)

    with zipfile.ZipFile(out / "small.zip") as archive:
        (name,) = [n for n in archive.namelist() if n.endswith(".drl")]
    assert name.isprintable()
    assert name in (out / "findings.txt").read_text(encoding="utf-8")
