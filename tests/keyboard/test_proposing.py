"""What `order new` proposes of a folder with several packages; all boards are invented."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import fabkit
from fabkit.base.errors import SeveralPackages, UsageError
from fabkit.keyboard.ordered import settle_uses
from fabkit.package.reading import find_packages
from fabkit.sheets.order import load_order
from fabkit.sheets.order_template import order_template

FIXTURES = Path(__file__).parents[2] / "fixtures"
KINDS = FIXTURES / "kinds"


def folder_of(root: Path, **packages: Path) -> Path:
    """A folder that holds copies of some packages; ``__`` in a name stands for a sub-folder."""
    for name, source in packages.items():
        shutil.copytree(source, root / name.replace("__", "/"))
    return root


def zipped(root: Path, name: str, source: Path) -> None:
    """A package as a zip in the folder."""
    root.mkdir(parents=True, exist_ok=True)
    shutil.make_archive(str(root / name), "zip", source)


def test_every_package_of_a_folder_is_found(tmp_path: Path) -> None:
    """Zips and folders, also further down."""
    root = folder_of(tmp_path / "redwing", both=KINDS / "both-equal")
    zipped(root / "plates", "switch", KINDS / "plate")
    zipped(root / "plates", "bottom", FIXTURES / "defects" / "clean")

    found = {p.relative_to(root).as_posix() for p in find_packages(root)}
    assert found == {"both", "plates/switch.zip", "plates/bottom.zip"}


def test_several_packages_name_the_way_to_an_order(tmp_path: Path) -> None:
    """A command for one package says how several are ordered."""
    root = folder_of(tmp_path / "redwing", both=KINDS / "both-equal", plate=KINDS / "plate")

    with pytest.raises(SeveralPackages) as caught:
        fabkit.open_package(root)
    assert f"fabkit order new {root}" in caught.value.hint


def test_halves_and_plate_are_distinguished_and_named(tmp_path: Path) -> None:
    """A pair in folders whose names say nothing."""
    pair = FIXTURES / "pair"
    root = folder_of(tmp_path / "siskin", a=pair / "right", b=pair / "left", c=KINDS / "plate")
    proposal = fabkit.propose_order(root)

    said = {b.package.rsplit("/", 1)[-1]: (b.use, b.name, b.chosen) for b in proposal.boards}
    assert said == {
        "a": ("right", "siskin-right", True),
        "b": ("left", "siskin-left", True),
        "c": ("plate", "siskin-plate", True),
    }


def test_packages_named_one_by_one_are_the_folder_of_them(tmp_path: Path) -> None:
    """Both halves and a plate, wherever they lie; the keyboard has the name of what holds them."""
    pair = FIXTURES / "pair"
    root = folder_of(tmp_path / "siskin", a=pair / "right", b=pair / "left", c=KINDS / "plate")
    named = fabkit.propose_order(root / "c", root / "a", root / "b")

    assert named.name == "siskin"
    assert {(b.package, b.use, b.name) for b in named.boards} == {
        (b.package, b.use, b.name) for b in fabkit.propose_order(root).boards
    }
    with pytest.raises(UsageError, match="2 packages named and a right half"):
        fabkit.propose_order(root / "a", root / "b", right=root / "c")
    with pytest.raises(UsageError, match="0 packages named"):
        fabkit.propose_order()


def test_a_plate_counts_by_the_halves_it_serves(tmp_path: Path) -> None:
    """By the fixtures' plans: 22 openings are both halves of 11 keys; 18 keys are one half."""
    both = folder_of(tmp_path / "redwing", both=KINDS / "both-equal", plate=KINDS / "plate")
    assert [b.per_keyboard for b in fabkit.propose_order(both).boards] == [None, 1]


def test_revisions_and_alternatives_stand_as_comments(tmp_path: Path) -> None:
    """One board gives the halves, the last by name; one plate holds the switches."""
    root = folder_of(
        tmp_path / "redwing",
        rev2__board=KINDS / "both-equal",
        rev10__board=KINDS / "both-equal",
        rev2__plate=KINDS / "plate",
        rev10__plate=KINDS / "plate",
    )
    proposal = fabkit.propose_order(root)
    chosen = {Path(b.package).relative_to(root).as_posix() for b in proposal.boards if b.chosen}
    assert chosen == {"rev10/board", "rev10/plate"}

    file = tmp_path / "order.toml"
    file.write_text(order_template(name=proposal.name, boards=proposal.boards), encoding="utf-8")
    text = file.read_text(encoding="utf-8")
    order = load_order(file)
    assert text.count("\n# [[board]]") == 2
    assert "# left out: the halves of this order are those of board" in text
    boards = [fabkit.build_board(fabkit.open_package(b.package)) for b in order.boards]
    assert [b.per_keyboard for b in settle_uses(order, boards).boards] == [1, 1]


def test_a_lone_half_leaves_its_word_to_the_files(tmp_path: Path) -> None:
    """Stated, the other half would be missing; found, it is counted with an equal one."""
    proposal = fabkit.propose_order(FIXTURES / "pair" / "left", name="Siskin")
    file = tmp_path / "order.toml"
    file.write_text(order_template(name="Siskin", boards=proposal.boards), encoding="utf-8")

    assert '# is = "left"' in file.read_text(encoding="utf-8")
    assert load_order(file).boards[0].stated is None
    assert load_order(file).boards[0].name == "Siskin"


def test_a_folder_named_gerbers_lends_no_name(tmp_path: Path) -> None:
    """The keyboard is called what its files state, not what the folders around them are."""
    root = folder_of(tmp_path / "some folder", gerbers=KINDS / "both-equal")

    assert fabkit.propose_order(root / "gerbers").name == "Redwing"


def test_a_word_for_one_board_is_refused_for_several(tmp_path: Path) -> None:
    """--board and --role are for a single package."""
    root = folder_of(tmp_path / "redwing", both=KINDS / "both-equal", plate=KINDS / "plate")
    with pytest.raises(UsageError, match="there are 2 packages"):
        fabkit.propose_order(root, use="both")
