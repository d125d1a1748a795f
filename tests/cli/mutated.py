"""Zips of the small package, each damaged in its own way: the same ones at every call."""

from __future__ import annotations

import io
import random
import zipfile
from pathlib import Path

from small_package import SMALL


def mutated(number: int) -> bytes:
    """Zip of the small package with one to three faults; every ninth zip is cut off."""
    chance = random.Random(number)
    files = dict(SMALL)
    for _ in range(chance.randint(1, 3)):
        name = chance.choice(sorted(files))
        lines = files[name].splitlines(keepends=True)
        at = chance.randrange(len(lines))
        kind = chance.choice(("drop", "repeat", "digit", "cut", "remove"))
        if kind == "drop":
            del lines[at]
        elif kind == "repeat":
            lines.insert(at, lines[at])
        elif kind == "digit":
            lines[at] = lines[at].replace(chance.choice("0125"), chance.choice("3479"), 1)
        elif kind == "cut":
            lines[at:] = lines[at][: len(lines[at]) // 2]
        if kind == "remove" and len(files) > 1:
            del files[name]
        else:
            files[name] = "".join(lines)
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        for name, text in files.items():
            # The time of day would make other bytes at each call.
            archive.writestr(zipfile.ZipInfo(name), text)
    data = target.getvalue()
    return data[: len(data) // 2] if number % 9 == 8 else data


def mutated_packages(folder: Path, count: int) -> list[Path]:
    """Write so many of them into a folder."""
    folder.mkdir(parents=True)
    paths = [folder / f"board-{number:03}.zip" for number in range(count)]
    for number, path in enumerate(paths):
        path.write_bytes(mutated(number))
    return paths
