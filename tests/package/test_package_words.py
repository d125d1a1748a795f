"""What names say: generic words, common extensions, shared words."""

from __future__ import annotations

import pytest

from fabkit.package.model import RoleKind as K
from fabkit.package.words import kind_of_word, read_name, shared_words


@pytest.mark.parametrize(
    ("name", "kind", "side"),
    [
        ("x.gtl", K.COPPER, "top"),
        ("x.GBL", K.COPPER, "bottom"),
        ("x.gts", K.MASK, "top"),
        ("x.gbs", K.MASK, "bottom"),
        ("x.gto", K.LEGEND, "top"),
        ("x.gbp", K.PASTE, "bottom"),
        ("x.gko", K.PROFILE, None),
        ("x.gm1", K.PROFILE, None),
        ("x.oln", K.PROFILE, None),
        ("x.drl", K.DRILL, None),
        ("copper_top.gbr", K.COPPER, "top"),
        ("b-cu.gbr", K.COPPER, "bottom"),
        ("Top.gbr", K.COPPER, "top"),
        ("CuBottom.gbr", K.COPPER, "bottom"),
        ("board.bottommask.gbr", K.MASK, "bottom"),
        ("topSolderMask.ger", K.MASK, "top"),
        ("Bottom Paste Mask.gbr", K.PASTE, "bottom"),
        ("SOLDER_TOP.art", K.MASK, "top"),
        ("silkscreen f.gbr", K.LEGEND, "top"),
        ("x-SST.art", K.LEGEND, "top"),
        ("x-SMB.art", K.MASK, "bottom"),
        ("Board Outline.gbr", K.PROFILE, None),
        ("board edge.gbr", K.PROFILE, None),
        ("NPTH.gbr", K.DRILL, None),
        ("PTH-drl_map.gbr", K.DRAWING, None),
        ("drill ident drawing.gbr", K.DRAWING, None),
        ("fab front.gbr", K.DRAWING, "top"),
        ("Component Placement Bottom.gbr", K.DRAWING, "bottom"),
        ("x-VScore.gbr", K.SCORE, None),
        ("SP_TOP.gbr", K.PASTE, "top"),
        ("sp-top-copper.gbr", K.COPPER, "top"),
        ("smd top copper.gbr", K.COPPER, "top"),
        ("Component Side.pho", K.COPPER, "top"),
        ("Component Side Legend.pho", K.LEGEND, "top"),
        ("Solder Side Resist.pho", K.MASK, "bottom"),
        ("soldermask solder side.gbr", K.MASK, "bottom"),
        ("DRILL_LEGEND.gbr", K.DRAWING, None),
        ("Drill Symbols.pho", K.DRAWING, None),
    ],
)
def test_words_and_extensions(name: str, kind: K, side: str | None) -> None:
    """Each generic way of naming a layer is understood."""
    says = read_name(name)

    assert (says.kind, says.side) == (kind, side)
    assert says.confidence >= 0.5
    assert says.reason


@pytest.mark.parametrize(
    ("name", "kind", "side"),
    [
        ("Kupfer oben.gbr", K.COPPER, "top"),
        ("LötstoppmaskeUnten.gbr", K.MASK, "bottom"),
        ("Loetstopp_oben.gbr", K.MASK, "top"),
        ("Platinenumriss.gbr", K.PROFILE, None),
        ("vernis épargne dessus.gbr", K.MASK, "top"),
        ("serigrafía inferior.gbr", K.LEGEND, "bottom"),
        ("rame sopra.gbr", K.COPPER, "top"),
        ("Верх МАСКА.gbr", K.MASK, "top"),
        ("顶层阻焊.gbr", K.MASK, "top"),
        ("裏面シルク.gbr", K.LEGEND, "bottom"),
    ],
)
def test_words_of_other_languages(name: str, kind: K, side: str | None) -> None:
    """A layer named in another language is understood, and the reason says what it means."""
    says = read_name(name)

    assert (says.kind, says.side) == (kind, side)
    assert "meant by its name" in says.reason


@pytest.mark.parametrize("name", ["Bohrungen nicht metallisiert.drl", "非金属化钻孔.drl"])
def test_holes_without_plating_in_other_languages(name: str) -> None:
    """A word for plating with a no before it is not read as plating."""
    says = read_name(name)

    assert (says.kind, says.plated) == (K.DRILL, False)


@pytest.mark.parametrize(
    ("word", "kind"),
    [
        ("adhesiv", K.GLUE),
        ("silksc", K.LEGEND),
        ("drwng", K.DRAWING),
        ("drwngs", K.DRAWING),
        ("asmbly", K.DRAWING),
        ("msk", K.MASK),
        ("otln", K.PROFILE),
    ],
)
def test_shortened_words(word: str, kind: K) -> None:
    """A word cut off late, or without its vowels, is still that word (common practice)."""
    assert kind_of_word(word) is kind


@pytest.mark.parametrize(
    "word", ["pcb", "kbd", "rgb", "usb", "mcu", "plt", "brd", "mx", "left", "board", "wren", "rev"]
)
def test_other_words_are_not_taken_for_shortened_ones(word: str) -> None:
    """Names of boards and their parts stay names."""
    assert kind_of_word(word) is None


@pytest.mark.parametrize(
    ("name", "kind", "side"),
    [
        ("x.smt", K.MASK, "top"),
        ("x.tsm", K.MASK, "top"),
        ("x.smc", K.MASK, "top"),
        ("x.sms", K.MASK, "bottom"),
        ("x.bss", K.LEGEND, "bottom"),
        ("x.plt", K.LEGEND, "top"),
        ("x.crb", K.PASTE, "bottom"),
        ("x.gta", K.DRAWING, "top"),
        ("x.gd1", K.DRAWING, None),
        ("x-sptop.gbr", K.PASTE, "top"),
        ("stop mask bottom.gbr", K.MASK, "bottom"),
    ],
)
def test_kind_and_side_in_one_short_word(name: str, kind: K, side: str | None) -> None:
    """Letters of kind and side stand together in either order (common practice)."""
    says = read_name(name)

    assert (says.kind, says.side) == (kind, side)


@pytest.mark.parametrize(
    ("name", "number", "counts_all"),
    [
        ("Layer 2 Copper.gbr", 2, True),
        ("x-L03.art", 3, True),
        ("cu in1.gbr", 1, False),
        ("x.g2", 2, False),
    ],
)
def test_inner_layers(name: str, number: int, counts_all: bool) -> None:
    """Layer numbers are read, and whether they count all layers or inner ones."""
    says = read_name(name)

    assert says.kind is K.COPPER
    assert (says.number, says.counts_all) == (number, counts_all)


@pytest.mark.parametrize(
    ("name", "plated"),
    [("x-NPTH.drl", False), ("x-PTH.drl", True), ("non-plated holes.drl", False), ("x.drl", None)],
)
def test_plating_words(name: str, plated: bool | None) -> None:
    """Plated and non-plated in all their spellings."""
    assert read_name(name).plated is plated


def test_the_boards_own_name_says_nothing() -> None:
    """Words that all names share are the board's: a plate called top has a bottom side too."""
    names = [f"plate-top-{what}.gbr" for what in ("CuTop", "CuBottom", "MaskTop", "Edge")]
    shared = shared_words(names)

    assert [read_name(n, shared).side for n in names] == ["top", "bottom", "top", None]


@pytest.mark.parametrize("name", ["x.gbr", "a.b.c", "", "...", "1234.pho"])
def test_names_that_say_nothing(name: str) -> None:
    """Nothing is read into a name without a word of the trade."""
    assert read_name(name).confidence == 0.0


def test_disagreeing_word_and_extension_lower_the_confidence() -> None:
    """Top in words and bottom in the extension: the extension, with doubt."""
    assert read_name("top copper.gbl").confidence < 0.6 < read_name("top copper.gtl").confidence


def test_one_extension_that_is_not_known_does_not_make_the_boards_name_speak() -> None:
    names = [f"paste-dispenser.{end}" for end in ("cmp", "sol", "stc", "sts", "plc", "pls", "xyz")]

    assert shared_words(names) == {"paste": 1, "dispenser": 1}


@pytest.mark.parametrize("board", ["paste-dispenser", "mask_tester"])
def test_a_board_named_by_words_of_layers_does_not_hide_them(board: str) -> None:
    """Names that tell more layers apart without the words they begin with."""
    ends = ("TOP", "BOT", "SMT", "SMB", "SST", "SSB", "SPT", "OUTLINE")
    names = [f"{board}_{end}.art" for end in ends]
    told = [read_name(name, shared_words(names)) for name in names]

    assert [(says.kind, says.side) for says in told] == [
        *((K.COPPER, "top"), (K.COPPER, "bottom"), (K.MASK, "top"), (K.MASK, "bottom")),
        *((K.LEGEND, "top"), (K.LEGEND, "bottom"), (K.PASTE, "top"), (K.PROFILE, None)),
    ]
