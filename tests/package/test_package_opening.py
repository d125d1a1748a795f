"""Opening folders and zips: what is read, what is left out, what is refused."""

from __future__ import annotations

import contextlib
import io
import os
import stat
import struct
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

from fabkit.base.errors import LimitExceeded, UnreadableInput
from fabkit.base.limits import DEFAULT_LIMITS
from fabkit.package.opening import open_input


def write_zip(path: Path, *members: tuple[str | zipfile.ZipInfo, bytes]) -> Path:
    """A zip with these members, deflated."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members:
            archive.writestr(name, data, zipfile.ZIP_DEFLATED)
    return path


def names(path: Path) -> list[str]:
    """Member names of what opens."""
    return [member.name for member in open_input(path).members]


def test_folder_is_read_in_name_order(tmp_path: Path) -> None:
    """A folder gives its files and those of sub-folders, sorted, with / separators."""
    (tmp_path / "sub").mkdir()
    for name in ("b.gtl", "a.gbl", "sub/c.drl"):
        (tmp_path / name).write_bytes(name.encode())

    intake = open_input(tmp_path)

    assert [m.name for m in intake.members] == ["a.gbl", "b.gtl", "sub/c.drl"]
    assert intake.members[2].data == b"sub/c.drl"
    assert intake.name == tmp_path.name


def test_zip_gives_what_the_folder_gives(tmp_path: Path) -> None:
    """Zipping a folder, in any member order, changes nothing."""
    folder = tmp_path / "set"
    folder.mkdir()
    (folder / "a.gtl").write_bytes(b"A")
    (folder / "b.gbl").write_bytes(b"B")
    archive = write_zip(tmp_path / "set.zip", ("b.gbl", b"B"), ("a.gtl", b"A"))

    assert open_input(archive).members == open_input(folder).members
    assert open_input(archive).name == "set"


@pytest.mark.parametrize(
    "litter",
    ["__MACOSX/._a.gtl", "._a.gtl", ".DS_Store", "Thumbs.db", "desktop.ini", ".git/config", "a~"],
)
def test_litter_is_left_out_with_a_reason(tmp_path: Path, litter: str) -> None:
    """Files of operating systems and editors are named with the reason, from zip and folder."""
    archive = write_zip(tmp_path / "x.zip", ("a.gtl", b"A"), (litter, b"junk"))
    folder = tmp_path / "x"
    (folder / litter).parent.mkdir(parents=True, exist_ok=True)
    (folder / litter).write_bytes(b"junk")
    (folder / "a.gtl").write_bytes(b"A")

    for path in (archive, folder):
        intake = open_input(path)

        assert [m.name for m in intake.members] == ["a.gtl"]
        assert len(intake.left_out) == 1
        assert intake.left_out[0].reason


@pytest.mark.parametrize("name", ["../out.gtl", "a/../../out.gtl", "/etc/x", "C:\\x", "..\\out"])
def test_names_that_lead_out_are_refused(tmp_path: Path, name: str) -> None:
    """A zip with a name that leaves it is refused, naming it."""
    archive = write_zip(tmp_path / "x.zip", ("a.gtl", b"A"), (name, b"B"))

    with pytest.raises(UnreadableInput, match=r"leads out|absolute"):
        open_input(archive)


def test_links_in_a_zip_are_refused(tmp_path: Path) -> None:
    """A symbolic link stored in a zip is not followed but refused."""
    info = zipfile.ZipInfo("link.gtl")
    info.create_system = 3
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    archive = write_zip(tmp_path / "x.zip", ("a.gtl", b"A"), (info, b"/etc/passwd"))

    with pytest.raises(UnreadableInput, match="symbolic link"):
        open_input(archive)


def test_links_out_of_a_folder_are_refused(tmp_path: Path) -> None:
    """A link out of the folder is refused; one inside is read; one to nowhere is left out."""
    (tmp_path / "secret").write_bytes(b"S")
    folder = tmp_path / "set"
    folder.mkdir()
    (folder / "a.gtl").write_bytes(b"A")
    (folder / "b.gtl").symlink_to(folder / "a.gtl")
    (folder / "c.gtl").symlink_to(folder / "nothing")

    intake = open_input(folder)

    assert [m.name for m in intake.members] == ["a.gtl", "b.gtl"]
    assert [item.name for item in intake.left_out] == ["c.gtl"]
    (folder / "d.gtl").symlink_to(tmp_path / "secret")
    with pytest.raises(UnreadableInput, match="leads out"):
        open_input(folder)


def test_encrypted_member_is_refused(tmp_path: Path) -> None:
    """The encryption flag of a member is enough to refuse, with its name."""
    archive = write_zip(tmp_path / "x.zip", ("a.gtl", b"A"))
    data = bytearray(archive.read_bytes())
    # APPNOTE.TXT of the zip format, section 4.4.4: bit 0 of the general purpose flag.
    local, central = data.index(b"PK\x03\x04"), data.index(b"PK\x01\x02")
    struct.pack_into("<H", data, local + 6, 1)
    struct.pack_into("<H", data, central + 8, 1)
    archive.write_bytes(bytes(data))

    with pytest.raises(UnreadableInput, match=r"a\.gtl .*encrypted"):
        open_input(archive)


@pytest.mark.parametrize("cut", [10, 40, 120])
def test_truncated_zip_is_refused(tmp_path: Path, cut: int) -> None:
    """A zip that lacks its end is refused as damaged, wherever it was cut."""
    archive = write_zip(tmp_path / "x.zip", ("a.gtl", os.urandom(200)))
    archive.write_bytes(archive.read_bytes()[:-cut])

    with pytest.raises(UnreadableInput, match="damaged or truncated"):
        open_input(archive)


def test_damaged_member_is_refused(tmp_path: Path) -> None:
    """A member whose bytes do not match its checksum is refused."""
    archive = tmp_path / "x.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_STORED) as made:
        made.writestr("a.gtl", b"GERBER DATA")
    archive.write_bytes(archive.read_bytes().replace(b"GERBER DATA", b"GERBER DATB"))

    with pytest.raises(UnreadableInput, match="damaged"):
        open_input(archive)


def test_bomb_is_refused_before_unpacking(tmp_path: Path) -> None:
    """A member that would grow a thousandfold is refused; the same bytes random are not."""
    bomb = write_zip(tmp_path / "x.zip", ("a.gtl", bytes(4 * 2**20)))
    fine = write_zip(tmp_path / "y.zip", ("a.gtl", os.urandom(4 * 2**20)))

    with pytest.raises(LimitExceeded, match="times its size"):
        open_input(bomb)
    assert len(open_input(fine).members) == 1


@pytest.mark.parametrize(
    ("limits", "allowed"),
    [
        (replace(DEFAULT_LIMITS, members=3), True),
        (replace(DEFAULT_LIMITS, members=2), False),
        (replace(DEFAULT_LIMITS, file_bytes=10), True),
        (replace(DEFAULT_LIMITS, file_bytes=9), False),
        (replace(DEFAULT_LIMITS, package_bytes=30), True),
        (replace(DEFAULT_LIMITS, package_bytes=29), False),
    ],
)
def test_limits_hold_on_both_sides(tmp_path: Path, limits: object, allowed: bool) -> None:
    """Three files of ten bytes pass at each limit and fail one below it, folder and zip alike."""
    files = [(f"{i}.gtl", b"0123456789") for i in range(3)]
    folder = tmp_path / "set"
    folder.mkdir()
    for name, data in files:
        (folder / name).write_bytes(data)
    # The archive itself is a file as well; only its members are counted here.
    archive = write_zip(tmp_path / "set.zip", *files)

    for path in (folder, archive):
        if path is archive and limits.file_bytes < 100:  # type: ignore[attr-defined]
            continue
        if path is archive and limits.package_bytes < 100:  # type: ignore[attr-defined]
            continue
        if allowed:
            assert len(open_input(path, limits=limits).members) == 3  # type: ignore[arg-type]
        else:
            with pytest.raises(LimitExceeded):
                open_input(path, limits=limits)  # type: ignore[arg-type]


def test_depth_is_limited(tmp_path: Path) -> None:
    """Names too many folders deep are refused."""
    deep = "/".join("d" * 1 for _ in range(DEFAULT_LIMITS.path_depth + 1)) + "/a.gtl"
    archive = write_zip(tmp_path / "x.zip", (deep, b"A"))

    with pytest.raises(LimitExceeded, match="folders deep"):
        open_input(archive)


def test_names_equal_but_for_case(tmp_path: Path) -> None:
    """Two names differing in case: refused with different bytes, one left out with equal ones."""
    clash = write_zip(tmp_path / "x.zip", ("a.gtl", b"A"), ("A.GTL", b"B"))
    same = write_zip(tmp_path / "y.zip", ("a.gtl", b"A"), ("A.GTL", b"A"))

    with pytest.raises(UnreadableInput, match="two different files"):
        open_input(clash)
    intake = open_input(same)
    assert len(intake.members) == 1
    assert len(intake.left_out) == 1


@pytest.mark.parametrize(
    ("start", "kind"),
    [(b"Rar!\x1a\x07\x00", "rar"), (b"7z\xbc\xaf\x27\x1c", "7z"), (b"\x1f\x8b\x08", "gzip")],
)
def test_other_archives_are_refused_by_name(tmp_path: Path, start: bytes, kind: str) -> None:
    """Archives other than zip are told by their first bytes, whatever their name."""
    path = tmp_path / "boards.zip"
    path.write_bytes(start + bytes(100))

    with pytest.raises(UnreadableInput, match=f"{kind} archive"):
        open_input(path)


def test_missing_and_empty_inputs_are_refused(tmp_path: Path) -> None:
    """Nothing there, an empty folder, an empty zip, an empty file: each is refused."""
    empty_zip = tmp_path / "e.zip"
    with zipfile.ZipFile(empty_zip, "w"):
        pass
    (tmp_path / "empty").mkdir()
    (tmp_path / "file.gtl").write_bytes(b"")

    for name in ("nothing", "empty", "e.zip", "file.gtl"):
        with pytest.raises(UnreadableInput):
            open_input(tmp_path / name)


def test_single_file_is_a_package_of_one(tmp_path: Path) -> None:
    """One layer file opens under its own name."""
    (tmp_path / "a.gtl").write_bytes(b"A")

    assert names(tmp_path / "a.gtl") == ["a.gtl"]


def test_opening_writes_nothing(tmp_path: Path) -> None:
    """Opening leaves folder and archive as they were."""
    archive = write_zip(tmp_path / "x.zip", ("a.gtl", b"A"))
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}

    open_input(archive)
    open_input(tmp_path)

    assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before


def test_random_damage_never_escapes(tmp_path: Path) -> None:
    """Flipping any byte of a zip either still opens or is refused, never anything else."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.gtl", b"%FSLAX36Y36*%" * 5)
        archive.writestr("b/c.drl", b"M48")
    data = made.getvalue()
    path = tmp_path / "x.zip"
    for place in range(len(data)):
        for value in (0, 255, data[place] ^ 1):
            path.write_bytes(data[:place] + bytes([value]) + data[place + 1 :])
            with contextlib.suppress(UnreadableInput):
                assert open_input(path).source == str(path)
