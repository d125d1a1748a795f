"""Standard output under every encoding, with a closed pipe and on a full device."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from fabkit.cli.process import SIGNS

FABKIT = [sys.executable, "-m", "fabkit"]


@pytest.fixture
def launch(copied):
    """Start the command in a process of its own under an encoding of the terminal."""

    def call(*arguments, stdout=subprocess.PIPE, encoding="utf-8", command=(copied,), **more):
        return subprocess.Popen(
            [*command, *(str(a) for a in arguments)],
            stdout=stdout,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"},
            **more,
        )

    return call


@pytest.mark.parametrize("encoding", ["cp932", "cp437", "ascii", "utf-8"])
def test_text_is_printed_under_every_encoding(launch, copied, small, encoding):
    """Text falls back to ASCII signs, JSON is UTF-8 whatever the terminal."""
    (small / "small-copper-top.gbr").rename(small / "small-µ×.gbr")
    fresh = FABKIT if encoding == "ascii" else [copied]  # one as Python itself opens the streams
    job = launch("check", small, "--files", encoding=encoding, command=fresh)
    text, complaint = job.communicate()
    assert job.returncode in (0, 1), complaint
    assert "fit to order" in text.decode(encoding) or "do not order" in text.decode(encoding)

    raw, _ = launch("check", small, "--json", encoding=encoding).communicate()
    names = [f["name"] for f in json.loads(raw.decode("utf-8"))["package"]["files"]]
    assert "small-µ×.gbr" in names


@pytest.mark.parametrize("sign", SIGNS)
def test_replacements_are_plain(sign):
    """What stands for a sign can be written anywhere (ASCII, ISO/IEC 646)."""
    assert sign.encode("ascii", "fabkit-signs").isascii()
    assert "?" not in sign.encode("ascii", "fabkit-signs").decode()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full device here")
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_a_full_device_ends_with_status_2(launch, small, form):
    """POSIX /dev/full: every write fails with ENOSPC."""
    with open("/dev/full", "wb") as full:  # noqa: PTH123 -- a device, unbuffered by the child
        job = launch("check", small, *form, stdout=full)
        _, complaint = job.communicate()
    assert job.returncode == 2
    assert complaint.decode().startswith("error: cannot write to standard output: no space left")
    assert complaint.count(b"\n") == 1


@pytest.mark.skipif(os.name != "posix", reason="pipes of POSIX")
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_a_closed_pipe_does_not_change_the_status(launch, form):
    """A reader that has seen enough gets no complaint, and the status is the command's own."""
    read_end, write_end = os.pipe()
    os.close(read_end)
    job = launch("checks", *form, stdout=write_end)
    os.close(write_end)
    _, complaint = job.communicate()
    assert (job.returncode, complaint) == (0, b"")


@pytest.mark.skipif(os.name != "posix", reason="descriptors of POSIX")
def test_a_closed_standard_output_is_said(launch):
    """Output that goes nowhere is an output that cannot be written: status 2."""
    job = launch("checks", stdout=None, command=FABKIT, preexec_fn=lambda: os.close(1))
    _, complaint = job.communicate()
    assert job.returncode == 2
    assert b"cannot write to standard output: it is closed" in complaint


@pytest.mark.parametrize(
    "call",
    [
        ["check", "nowhere"],
        ["check", "nowhere", "--bad-option"],
        ["check", "nowhere", "--fail-on", "sometimes"],
        ["nothing-of-this-name"],
        ["house", "missing.toml"],
    ],
)
def test_errors_under_json_are_json(run, call):
    """One document on standard output says what is wrong; standard error stays empty."""
    result = run(*call, "--json", status=2)
    told = json.loads(result.stdout)
    assert (told["format"], told["status"], result.stderr) == ("fabkit/error/1", 2, "")
    assert told["message"]


def test_errors_under_json_say_where(run, tmp_path):
    """A wrong key of a sheet comes with file, line, key and the nearest right one."""
    sheet = tmp_path / "house.toml"
    sheet.write_text('format = 1\nnmae = "Mine"\n')
    where = json.loads(run("house", sheet, "--json", status=2).stdout)["where"]
    assert (where["file"], where["line"], where["key"]) == (str(sheet), 2, "nmae")
    assert where["nearest"] == "name"


@pytest.mark.parametrize(
    "call", [["check", "PACKAGE", "--format", "sarif"], ["compare", "A", "B", "--format=markdown"]]
)
def test_json_beside_another_form_is_refused(run, call):
    """--json and another --format contradict each other."""
    told = json.loads(run(*call, "--json", status=2).stdout)
    assert "choose one of --json and --format" in told["message"]


@pytest.fixture
def piped(launch):
    """Run a command with bytes on standard input; gives its output as bytes."""

    def call(*arguments, data=b"", status=0):
        job = launch(*arguments, stdin=subprocess.PIPE)
        out, told = job.communicate(data)
        assert job.returncode == status, told.decode()
        return out, told.decode()

    return call


@pytest.fixture
def zipped(small, tmp_path):
    """Bytes of a zip with the small package."""
    return Path(shutil.make_archive(str(tmp_path / "up"), "zip", small)).read_bytes()


def test_a_package_on_standard_input(run, piped, small, zipped):
    """A zip in a pipe is judged as the folder it was made from."""
    out, _ = piped("check", "-", "--json", "--fail-on", "never", data=zipped)
    piped_in, opened = json.loads(out), json.loads(run("check", small, "--json").stdout)
    assert piped_in["findings"] == opened["findings"]
    assert [f["sha256"] for f in piped_in["package"]["files"]] == [
        f["sha256"] for f in opened["package"]["files"]
    ]


def test_a_zip_on_standard_output(piped, small, zipped, tmp_path):
    """Packed from pipe to pipe: a whole zip, the same as in a file; words go to standard error."""
    piped_out, told = piped("pack", "-", "--out", "-", data=zipped)
    with zipfile.ZipFile(io.BytesIO(piped_out)) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
    assert "small-profile.gbr" in names
    assert " files" in told
    _, told = piped("pack", "-", "--out", "-", "--json", data=zipped)
    assert json.loads(told)["zips"][0]["path"] == "-"


def test_sheets_through_pipes(piped):
    """A house sheet is written to standard output and read from standard input."""
    sheet, told = piped("house", "new", "--out", "-", "--name", "Piped house")
    assert b'name = "Piped house"' in sheet
    assert "fill it in" in told
    shown, _ = piped("house", "-", data=sheet)
    assert shown.decode().startswith("Piped house")


def test_an_empty_pipe_is_said(piped, small):
    """Nothing on standard input, or a second `-`, is an input that cannot be used."""
    _, told = piped("check", "-", status=2)
    assert "standard input is empty" in told
    _, told = piped("check", small, "--house", "-", data=b"nonsense", status=2)
    assert told.startswith("error: standard input:1: ")
