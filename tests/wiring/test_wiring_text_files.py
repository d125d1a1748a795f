"""Pin tables and templates are read as sheets are: plain, small text files, or refused at once."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from fabkit.base.errors import UnreadableInput
from fabkit.outputs.wiring import load_template
from fabkit.wiring.pins import load_pins

READERS = {"pins.csv": load_pins, "table.j2": load_template}


def _pipe(path: Path) -> None:
    os.mkfifo(path)


def _folder(path: Path) -> None:
    path.mkdir()


def _large(path: Path) -> None:
    with path.open("wb") as stream:
        stream.truncate(3 << 30)  # sparse: takes no room on the disk


def _latin(path: Path) -> None:
    path.write_bytes("name,ref,pad\nGrün,J1,1\n".encode("latin-1"))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
@pytest.mark.parametrize("name", READERS)
@pytest.mark.parametrize(
    ("make", "words"),
    [
        (_pipe, "is a device or a pipe"),
        (_folder, "is a folder"),
        (_large, "3221225472 bytes is too large"),
        (_latin, "not UTF-8 text (byte 15)"),
    ],
)
def test_what_is_no_small_text_file_is_refused(
    make: Callable[[Path], None], words: str, name: str, tmp_path: Path
) -> None:
    """Nothing waits for a pipe or reads gigabytes; the error names the file and a way out."""
    path = tmp_path / name
    make(path)

    with pytest.raises(UnreadableInput) as caught:
        READERS[name](path)

    assert name in caught.value.message
    assert words in caught.value.message
    assert caught.value.hint
