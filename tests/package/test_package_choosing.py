"""One set or several: folders, archives beside layers, two boards in one folder."""

from __future__ import annotations

import io
import zipfile

import pytest
from tiny_files import FRAME, PADS, drill, gerber, read_set, roles

from fabkit.base.errors import UnreadableInput
from fabkit.package.build import read_package
from fabkit.package.reading import open_package, open_set

LAYERS = {
    "x.gtl": gerber(pads=PADS, lines=[PADS]),
    "x.gbl": gerber(pads=PADS),
    "x.gko": gerber(lines=[FRAME]),
}


def zipped(files: dict[str, bytes]) -> bytes:
    """The files in a zip."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return made.getvalue()


def test_parts_of_one_set_in_folders() -> None:
    """Layers here, drills there and tables elsewhere are one package."""
    files = {f"layers/{name}": data for name, data in LAYERS.items()}
    made = read_set({**files, "holes/x.drl": drill()})

    assert roles(made)["holes/x.drl"] == "drill"
    assert roles(made)["layers/x.gtl"] == "top copper (layer 1)"


def test_layers_spread_over_folders() -> None:
    """Folders that share no role are parts of one set."""
    made = read_set({f"{name[-3:]}/{name}": data for name, data in LAYERS.items()})

    assert len(made.files) == 3


def test_one_archive_among_tables_is_opened() -> None:
    """A zip beside tables is the package; its members stand under its name."""
    made = read_set({"gerbers.zip": zipped(LAYERS), "bom.csv": b"Designator,Value,Qty\nR1,1k,1\n"})

    assert roles(made)["gerbers.zip/x.gtl"] == "top copper (layer 1)"
    assert roles(made)["bom.csv"] == "parts table"


def test_archive_beside_layers_is_left_out() -> None:
    """A zip beside the same loose files is not opened, and that is said."""
    made = read_set({**LAYERS, "all.zip": zipped(LAYERS)})

    assert [item.name for item in made.left_out] == ["all.zip"]
    assert "package/archive-beside" in [p.id for p in made.problems]


@pytest.mark.parametrize(
    "files",
    [
        {"a.zip": zipped(LAYERS), "b.zip": zipped(LAYERS)},
        {f"{d}/{n}": data for d in ("a", "b") for n, data in LAYERS.items()},
        {**{f"a/{n}": data for n, data in LAYERS.items()}, "b/b.zip": zipped(LAYERS)},
        {n.replace("x", d): data for d in ("a", "b") for n, data in LAYERS.items()},
        {"t.zip": zipped({f"{d}/{n}": x for d in ("a", "b") for n, x in LAYERS.items()})},
    ],
    ids=["zips", "folders", "folder and zip", "names", "folders in a zip"],
)
def test_several_sets_are_refused_by_name(files: dict[str, bytes]) -> None:
    """Two boards in one input are refused, naming both."""
    with pytest.raises(UnreadableInput, match=r"2 packages.*a.*b"):
        read_set(files)


def test_old_copy_of_one_layer_is_no_second_board() -> None:
    """One more file with another name is a doubled role, not a second design."""
    made = read_set({**LAYERS, "old.gtl": gerber(pads=PADS[:1])})

    assert "package/doubled-role" in [p.id for p in made.problems]


def test_nothing_to_make_is_refused() -> None:
    """A folder of texts, or a zip of them, is refused with a hint."""
    for files in ({"a.txt": b"hello"}, {"a.zip": zipped({"b.txt": b"hello"})}):
        with pytest.raises(UnreadableInput, match="no Gerber or drill file"):
            read_set(files)


def test_what_stands_in_the_place_of_a_layer_is_named(tmp_path) -> None:
    """What a download or a copy left: the first file that is called a layer, and what it is."""
    page, pointer = b"<!DOCTYPE html>\n<html>", b"version 1\nsize 12345\n"
    for name, data, words in (
        ("board.zip", page, "is a web page, and holds no Gerber"),
        ("order.toml", b"format = 1\n", "is a TOML file"),
    ):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(UnreadableInput, match=words):
            open_package(tmp_path / name)
    inner = zipped({"in.zip": zipped(LAYERS)})
    for files, words in (
        ({"a.txt": b"see b", "b.gtl": pointer, "c.gbl": pointer}, "b.gtl is text without Gerber"),
        ({"in.zip": inner}, "the archives in in.zip are not opened"),
    ):
        with pytest.raises(UnreadableInput, match=words):
            read_set(files)


def test_broken_archive_inside_is_refused() -> None:
    """A truncated zip that would be the package is refused."""
    with pytest.raises(UnreadableInput, match="damaged"):
        read_set({"a.zip": zipped(LAYERS)[:-30], "notes.txt": b"x"})


def test_one_file_names_its_set(tmp_path) -> None:
    """Naming a file gives the set it is of: same words in the name, other designs left out."""
    for design in ("a", "b"):
        for name, data in LAYERS.items():
            (tmp_path / name.replace("x", design)).write_bytes(data)
        (tmp_path / f"{design}-through.drl").write_bytes(drill())
    made = read_package(open_set(tmp_path / "b.gko"))

    assert made.name == "b"
    assert [f.name for f in made.files] == ["b-through.drl", "b.gbl", "b.gko", "b.gtl"]
    assert {f.name for f in made.left_out} == {"a-through.drl", "a.gbl", "a.gko", "a.gtl"}


def test_one_file_of_a_folder_with_one_set(tmp_path) -> None:
    """Naming a file of a folder with one set is naming the folder; sub-folders stay out."""
    for name, data in LAYERS.items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "x.gtl").write_bytes(LAYERS["x.gtl"])
    made = read_package(open_set(tmp_path / "x.gko"))

    assert [f.name for f in made.files] == sorted(LAYERS)


def test_differently_named_sets_come_with_the_way_out() -> None:
    """The refusal of two sets in one folder says that one file names its set."""
    files = {n.replace("x", d): data for d in ("a", "b") for n, data in LAYERS.items()}
    with pytest.raises(UnreadableInput) as refused:
        read_set(files)

    assert "Name one file of the set you mean, such as a.gbl" in refused.value.hint


def test_sets_in_folders_are_named_by_their_folders() -> None:
    """Designs that lie in folders of their own are told by the folders, not by a file in them."""
    files = {f"{d}/{n.replace('x', d)}": data for d in ("a", "b") for n, data in LAYERS.items()}
    with pytest.raises(UnreadableInput, match=r"as folders: a, b\n"):
        read_set(files)
