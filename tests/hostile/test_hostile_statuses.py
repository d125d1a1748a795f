"""Plain faults of an input are errors of the input: status 2, one line and a hint, at once."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
import shapely
from apart import run_apart
from click.testing import CliRunner
from fuzz.tiny_board import FILES
from ordeals import refused_within

from fabkit import CheckOptions, build_board, check, open_package
from fabkit.base.errors import FabkitError, LimitExceeded, SheetError, UnreadableInput
from fabkit.cli.group import cli
from fabkit.demo import FOLDER
from fabkit.package.opening import open_input
from fabkit.sheets.house import load_house
from fabkit.sheets.order import load_order

ORDER = f'format = 1\nname = "x"\n[[board]]\npackage = "{FOLDER.as_posix()}/rev-b"\n'


@pytest.mark.parametrize(
    "text",
    [
        "[want]\nkeyboards = 1e15\n",
        "[want]\nkeyboards = 1000000000000000\n",
        "[want]\nspare_halves = 1000000000000000\n",
        "[want]\nquantities = [1e999999]\n",
        "[want]\nquantities = [100001]\n",
        "[options]\nthickness_mm = 1e999999\n",
        "[options]\nthickness_mm = 1e-999999\n",
        f"[options]\nthickness_mm = 1.{'6' * 3000}\n",
        "[options]\nthickness_mm = inf\n",
    ],
)
def test_numbers_nobody_orders(text: str, tmp_path: Path) -> None:
    """They are refused with their line before anything is computed with them."""
    (tmp_path / "o.toml").write_text(ORDER + text)
    with pytest.raises(SheetError) as caught:
        load_order(tmp_path / "o.toml")
    assert caught.value.line == 6
    assert len(caught.value.hint) < 200


@pytest.mark.parametrize("method", [zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_corrupt_members(method: int, tmp_path: Path) -> None:
    """A packed member whose bytes are damaged is a damaged zip, by every way of packing."""
    path = tmp_path / "x.zip"
    with zipfile.ZipFile(path, "w", method) as archive:
        archive.writestr("a.gbr", b"%FSLAX46Y46*%%MOMM*%M02*" * 500)
    data = bytearray(path.read_bytes())
    for at in range(40, 60):
        data[at] ^= 0xFF
    path.write_bytes(data)
    with pytest.raises(UnreadableInput) as caught:
        open_input(path)
    assert caught.value.hint


def test_a_member_that_asks_for_gigabytes_to_be_unpacked(tmp_path: Path) -> None:
    """Five bytes in the head of an LZMA member state its dictionary (APPNOTE 5.8.8): 4 GiB here."""
    pytest.importorskip("resource")
    path = tmp_path / "x.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("a.gbr", b"%FSLAX46Y46*%%MOMM*%M02*" * 500)
    data = path.read_bytes()
    head = 30 + len("a.gbr")
    path.write_bytes(data[: head + 5] + b"\xff" * 4 + data[head + 9 :])
    assert "damaged" in run_apart(refused_within, 2, path).result


def test_a_directory_of_millions_of_members(tmp_path: Path) -> None:
    """The number is looked at before the directory is read (APPNOTE 4.3.12, 4.3.16).

    A million entries of the least size, 46 bytes each: reading them would take seconds, and
    hundreds of megabytes.
    """
    count = 1_000_000
    entry = b"PK\x01\x02" + bytes(42)
    end = struct.pack("<4sHHHHIIH", b"PK\x05\x06", 0, 0, 7, 7, 46 * count, 4, 0)
    path = tmp_path / "x.zip"
    path.write_bytes(b"PK\x03\x04" + entry * count + end)
    with pytest.raises(LimitExceeded, match="more than 2000 files"):
        open_input(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes")
def test_sheets_that_are_no_files(tmp_path: Path) -> None:
    """A pipe or a device is no sheet: nothing waits for it, nothing reads it without end."""
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", Path("/dev/zero"), tmp_path, Path("a\x00b")):
        with pytest.raises(FabkitError) as caught:
            load_house(path)
        assert caught.value.exit_code == 2
        assert caught.value.hint


@pytest.mark.parametrize(
    "error",
    [
        MemoryError(),
        RuntimeError("could not allocate numpy array"),
        shapely.errors.GEOSException("std::bad_alloc"),
    ],
)
def test_no_memory_is_no_fault_of_ours(error: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    """What asks for more memory than there is ends with status 2 and what to do."""

    def out_of_memory(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("fabkit.outputs.judged.load_house", out_of_memory)
    done = CliRunner().invoke(cli, ["check", "demo"])
    assert done.exit_code == 2
    assert "memory" in done.output


def test_without_docstrings(tmp_path: Path) -> None:
    """``python -OO`` throws docstrings and assertions away; the commands still work."""
    done = subprocess.run(
        [sys.executable, "-B", "-OO", "-m", "fabkit", "checks", "--json"],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr


def test_holes_upon_each_other_by_the_thousand(tmp_path: Path) -> None:
    """Their pairs are counted before they are listed: the check is too heavy, at once."""
    for name, data in FILES.items():
        (tmp_path / name).write_bytes(data)
    hits = "".join(f"X5.{n:04d}Y5.0\n" for n in range(5000))
    (tmp_path / "tiny-plated.drl").write_text(f"M48\nMETRIC\nT1C0.300\n%\nG05\nT1\n{hits}M30\n")
    options = CheckOptions(only=("hole/spacing",))
    result = check(build_board(open_package(tmp_path)), options=options)
    assert "5,000 holes" in result.outcomes[0].reason
    assert result.exit_status(None) == 2
