"""The zip is the same each time, holds what is needed and reads back."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

import fabkit
from fabkit import CheckResult
from fabkit.base.errors import OutputRefused
from fabkit.outputs.atomic import contents_digest, digest, write_archive
from fabkit.outputs.pack import FOR_THE_HOUSE, doubtful_files, files_to_pack
from fabkit.outputs.zip_papers import PackOptions, readme_text
from fabkit.package.model import LeftOut, Package, PackageFile, Role, RoleKind

CARD = Path(__file__).parents[2] / "fixtures/card"
CONTENTS = {"b.gbr": b"two" * 1000, "a.drl": b"one", "ü.gbr": b"three"}


def ok(_path):
    """Accept any archive."""


def file_of(name, kind, side=None):
    """A file with a role and nothing in it."""
    return PackageFile(
        name=name,
        data=name.encode(),
        role=Role(kind=kind, side=side),
        confidence=1.0,
        reason="said so",
        content=None,
    )


def package_of(*files, left_out=()):
    """A package of files."""
    return Package("p", "p", tuple(files), tuple(left_out), ())


def test_members_are_uniform(tmp_path):
    """Sorted names, one date, one mode, one system, no extra fields (zip APPNOTE 4.4)."""
    write_archive(tmp_path / "a.zip", CONTENTS, verify=ok)
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        infos = archive.infolist()
        assert archive.testzip() is None

    assert [i.filename for i in infos] == sorted(CONTENTS)
    assert {i.date_time for i in infos} == {(1980, 1, 1, 0, 0, 0)}
    assert {i.external_attr >> 16 for i in infos} == {0o100644}
    assert {i.create_system for i in infos} == {3}
    assert {i.extra for i in infos} == {b""}


def test_two_processes_write_the_same_bytes(tmp_path):
    """Order of input, umask, time zone, hash seed and clock leave no trace."""
    code = (
        "import os, sys, pathlib\n"
        "os.umask(int(sys.argv[2], 8))\n"
        "from fabkit.outputs.atomic import write_archive\n"
        "names = ['b.gbr', 'a.drl', 'c/d.gbr']\n"
        "if sys.argv[3] == 'back': names.reverse()\n"
        "contents = {n: (n * 500).encode() for n in names}\n"
        "write_archive(pathlib.Path(sys.argv[1]), contents, verify=lambda p: None)\n"
    )
    runs = [("one.zip", "022", "on", "UTC", "1"), ("two.zip", "077", "back", "Asia/Tokyo", "2")]
    for name, umask, order, zone, seed in runs:
        subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / name), umask, order],
            check=True,
            env={**os.environ, "TZ": zone, "PYTHONHASHSEED": seed},
        )

    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()


def test_the_digest_is_that_of_the_file(tmp_path):
    """What is returned is the SHA-256 of what lies on the disk."""
    said = write_archive(tmp_path / "a.zip", CONTENTS, verify=ok).sha256

    assert said == hashlib.sha256((tmp_path / "a.zip").read_bytes()).hexdigest()


def test_contents_digest_is_what_checksum_tools_print():
    """The digest of the contents is SHA-256 over ``digest  name`` lines, sorted by name."""
    lines = "".join(f"{hashlib.sha256(CONTENTS[n]).hexdigest()}  {n}\n" for n in sorted(CONTENTS))

    said = contents_digest({n: digest(d) for n, d in CONTENTS.items()})

    assert said == hashlib.sha256(lines.encode()).hexdigest()


def test_a_bad_read_back_leaves_nothing(tmp_path):
    """An archive that does not verify never gets its name, and no part stays."""

    def refuse(path):
        assert zipfile.is_zipfile(path)
        raise OutputRefused("differs")

    with pytest.raises(OutputRefused, match="differs"):
        write_archive(tmp_path / "a.zip", CONTENTS, verify=refuse)
    assert list(tmp_path.iterdir()) == []


def test_damage_on_the_disk_is_noticed(tmp_path, monkeypatch):
    """An archive whose bytes changed on the way to the disk is refused."""
    read = zipfile.ZipFile.read
    monkeypatch.setattr(zipfile.ZipFile, "read", lambda *a, **k: read(*a, **k)[:-1])

    with pytest.raises(OutputRefused, match="did not read back"):
        write_archive(tmp_path / "a.zip", CONTENTS, verify=ok)
    assert list(tmp_path.iterdir()) == []


def test_only_what_the_house_needs_goes_in():
    """Each role goes in or is left out with a reason; nothing vanishes."""
    files = [file_of(f"{kind.name}.x", kind) for kind in RoleKind]
    stray = LeftOut(name="thumbs", reason="system litter")
    chosen, left = files_to_pack(package_of(*files, left_out=[stray]))

    assert {f.role.kind for f in chosen.values()} == FOR_THE_HOUSE
    assert len(chosen) + len(left) == len(files) + 1
    assert ("thumbs", "system litter") in left


def test_the_netlist_goes_in_when_asked():
    """With the option the netlist is packed for electrical test."""
    package = package_of(file_of("a.ipc", RoleKind.NETLIST))

    assert files_to_pack(package)[0] == {}
    assert set(files_to_pack(package, with_netlist=True)[0]) == {"a.ipc"}


@pytest.mark.parametrize(
    ("names", "packed"),
    [
        (["out/a.gbr", "out/b.drl"], ["a.gbr", "b.drl"]),
        (["top/a.gbr", "bottom/a.gbr"], ["bottom/a.gbr", "top/a.gbr"]),
        (["x/a.gbr", "y/A.gbr"], ["x/a.gbr", "y/A.gbr"]),
        (["x/ReadMe.txt", "a.gbr"], ["a.gbr", "x/ReadMe.txt"]),
    ],
)
def test_names_lose_folders_only_when_they_stay_apart(names, packed):
    """Plain names, unless two would meet where case does not count, or one is the readme."""
    package = package_of(*(file_of(name, RoleKind.COPPER) for name in names))

    assert list(files_to_pack(package)[0]) == packed


def test_the_readme_orders_no_copper_finish_of_a_bare_plate() -> None:
    """A plate has a mask and no copper; a board names its finish as the quote does."""
    root = Path(__file__).parents[2] / "fixtures"
    options = PackOptions(
        colour="green", copper_oz=1.0, finish="hasl-lead-free", finish_title="HASL lead-free"
    )
    plate, card = (
        readme_text(fabkit.build_board(fabkit.open_package(root / path)), {}, options, {})
        for path in ("kinds/plate", "card")
    )

    assert "Surface finish:     none" in plate
    assert "Outer copper:       none" in plate
    assert "Solder mask:        green" in plate
    assert "Surface finish:     HASL lead-free" in card
    assert "Solder mask:        green" in card
    assert "Lead time" not in card
    assert card.count("see the order") == 1


def test_the_readme_names_what_a_house_asks_about() -> None:
    """A panel, its score lines, half holes and what the job file states; by the fixtures' plans."""
    fixtures = Path(__file__).parents[2] / "fixtures"
    board = fabkit.build_board(fabkit.open_package(fixtures / "kinds/panel-scored"))
    text = readme_text(board, files_to_pack(board.package)[0], PackOptions(), {})
    assert "Panel:              6 equal boards of 66 x 24 mm; 132 x 82 mm in all, 4 rails" in text
    assert "Score lines:        goldcrest-score.gbr" in text

    card = fabkit.build_board(fabkit.open_package(CARD))
    plain = readme_text(card, files_to_pack(card.package)[0], PackOptions(), {})
    for word in ("Panel", "Score lines", "Castellated", "Class"):
        assert word not in plain
    assert "Class:              fine\n" in readme_text(card, {}, PackOptions(), {}, fine=True)
    # The same drills, called castellated: their functions stand in a table of the board.
    functions = tuple(("Plated", "1", "2", "CastellatedDrill") for _ in card.hole_functions)
    halved = replace(card, hole_functions=functions)
    text = readme_text(halved, {}, PackOptions(), {})
    assert f"Castellated holes:  {np.count_nonzero(card.holes.function >= 0)}" in text


def test_holes_of_a_bare_plate_are_not_plated() -> None:
    """Where no layer draws copper nothing can be plated, and no house needs to ask."""
    card = fabkit.build_board(fabkit.open_package(CARD))
    holes = card.holes.with_columns(plated=np.full_like(card.holes.plated, -1))
    unknown = replace(card, holes=holes)

    assert "not known" in readme_text(unknown, {}, PackOptions(), {})
    layers = tuple(layer for layer in card.layers if layer.kind is not RoleKind.COPPER)
    plate = readme_text(replace(unknown, layers=layers), {}, PackOptions(), {})
    assert "not known" not in plate
    assert "non-plated" in plate


@pytest.fixture(scope="module")
def bare() -> CheckResult:
    """A verdict that forbids nothing, so that packing alone is tried."""
    card = fabkit.build_board(fabkit.open_package(CARD))
    return fabkit.check(card, options=fabkit.CheckOptions(only=("package/nets",)))


def test_an_outline_of_a_drawing_is_packed_as_a_profile(tmp_path, bare) -> None:
    """The zip holds a profile with its function (Gerber Layer Format 2021.02, section 5.6.3).

    Its corners are counted with shapely, whatever our reader makes of the file.
    """
    package = fabkit.open_package(CARD, roles={"dunnock-profile.gbr": "drawing"})
    board = fabkit.build_board(package)

    packed = fabkit.pack(board, tmp_path / "up.zip", result=bare)

    with zipfile.ZipFile(packed.path) as archive:
        (name,) = (n for n in archive.namelist() if n.endswith("-profile.gbr"))
        text, readme = (archive.read(n).decode() for n in (name, "readme.txt"))
    assert "%TF.FileFunction,Profile,NP*%" in text
    points = [tuple(map(int, p)) for p in re.findall(r"X(-?\d+)Y(-?\d+)D0[12]\*", text)]
    drawn = shapely.Polygon(np.array(points) / 1e6)
    assert board.profile is not None
    solid = shapely.union_all([shapely.Polygon(p.exterior) for p in board.profile.geoms])
    assert shapely.symmetric_difference(drawn, solid).area < 1e-3
    assert "made by fabkit" in readme


def test_the_same_files_give_the_same_zip_wherever_they_lie(tmp_path, bare) -> None:
    """The name of the folder leaves no trace, and the title is what the files call the board."""
    made = []
    for folder in ("gerbers", "one/for the house rev-7"):
        shutil.copytree(CARD, tmp_path / folder)
        board = fabkit.build_board(fabkit.open_package(tmp_path / folder))
        options = PackOptions(rename=True, with_job=True)
        target = tmp_path / f"{len(made)}.zip"
        made.append(fabkit.pack(board, target, result=bare, options=options).sha256)

    assert made[0] == made[1]
    with zipfile.ZipFile(tmp_path / "0.zip") as archive:
        assert archive.read("readme.txt").decode().lower().startswith("dunnock")


@pytest.mark.parametrize(
    ("name", "role", "doubted"),
    [
        ("dunnock-milling.gbr", "drawing", True),
        ("dunnock-sheet.gbr", "drawing", False),
        ("dunnock-7.gbr", "unknown", True),
    ],
)
def test_files_that_may_cut_the_board_are_not_left_out_silently(name, role, doubted) -> None:
    """What was not recognised, and drawings of what is milled, are named apart."""
    card = fabkit.open_package(CARD)
    legend = next(f for f in card.files if f.role.kind is RoleKind.LEGEND)
    stray = replace(legend, name=name, role=Role(kind=RoleKind(role)))
    package = replace(card, files=(*card.files, stray))

    assert doubtful_files(package) == ((name,) if doubted else ())
    reason = dict(files_to_pack(package)[1])[name]
    assert ("not known" in reason) is doubted
