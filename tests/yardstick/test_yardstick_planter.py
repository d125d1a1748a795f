"""The planter changes what a kind says and nothing else, seen by plain patterns on the text.

The patterns here read words of the file formats (the Gerber layer format, operations and apertures;
the NC drill format, tool table and hits) and share nothing with the planter's own readers.
"""

from __future__ import annotations

import re
from collections import Counter
from math import hypot

import pytest

from yardstick import measure
from yardstick.gerber_text import Unfit, macro_box, read_gerber
from yardstick.kind import HARMLESS, KINDS
from yardstick.parcel import Parcel
from yardstick.tiny import KEYS, tiny

TINY = tiny()
NEEDS_MORE = {
    *("drill/all-one-size", "mask/neighbour-bared", "paste/prints-turned", "size/tenfold"),
    *(name for name in KINDS if name.startswith("tables/")),
}
"""Kinds that this board has nothing for, or that it would hide."""

TOP, BOTTOM, PROFILE = "tiny-top.gbr", "tiny-bottom.gbr", "tiny-profile.gbr"
PLATED, BARE = "tiny-plated.drl", "tiny-bare.drl"
MASK, PASTE, LEGEND = "tiny-mask-bottom.gbr", "tiny-paste-bottom.gbr", "tiny-legend-bottom.gbr"

DELTAS: dict[str, dict[str, tuple[int, int, int]]] = {
    # file: how many flashes, draws and apertures more
    "copper/track-cut": {"*": (0, -1, 0)},
    "copper/track-loose": {"*": (0, 1, 0)},
    "copper/track-thin": {"*": (0, 0, 1)},
    "copper/all-tracks-thin": {"*": (0, 0, 0)},
    "copper/bridge": {"*": (0, 1, 1)},
    "copper/gap-small": {"*": (1, 0, 1)},
    "copper/near-edge": {"*": (0, 1, 1)},
    "copper/on-edge": {"*": (0, 1, 1)},
    "copper/pad-lost": {"*": (-1, 0, 0)},
    "copper/pads-lost-both": {TOP: (-1, 0, 0), BOTTOM: (-1, 0, 0)},
    "copper/surface-pad-lost": {"*": (-1, 0, 0)},
    "copper/ring-thin": {"*": (0, 0, 1)},
    "copper/pad-shifted": {"*": (0, 0, 0)},
    "copper/pour-lost": {BOTTOM: (0, -4, 0)},
    "copper/pour-over-pad": {BOTTOM: (0, 1, 1)},
    "copper/outline-drawn": {"*": (0, 5, 1)},
    "copper/line-across": {"*": (0, 1, 1)},
    "copper/aperture-undefined": {"*": (0, 0, -1)},
    "mask/opening-lost": {"*": (-1, 0, 0)},
    "mask/hole-opening-lost": {"*": (-1, 0, 0)},
    "mask/opening-small": {"*": (0, 0, 1)},
    "mask/joined": {"*": (0, 1, 1)},
    "mask/web-lost": {"*": (0, 0, 2)},
    "mask/track-bared": {"*": (1, 0, 1)},
    "mask/inverted": {MASK: (0, 4, 0)},
    "mask/empty-image": {MASK: (-24, 0, 0)},
    "paste/print-lost": {"*": (-1, 0, 0)},
    "paste/wider-than-pad": {"*": (0, 0, 1)},
    "legend/over-pad": {"*": (0, 3, 1)},
    "legend/off-board": {LEGEND: (0, 2, 1)},
    "profile/segment-lost": {PROFILE: (0, -1, 0)},
    "profile/gap": {PROFILE: (0, 0, 0)},
    "profile/line-across": {PROFILE: (0, 2, 1)},
    "profile/narrow-cut": {PROFILE: (0, 4, 1)},
    "profile/crossing": {PROFILE: (0, 4, 0)},
    "profile/frame": {PROFILE: (0, 4, 1)},
    "profile/empty-image": {PROFILE: (0, -5, 0)},
    "profile/second-outline": {PROFILE: (0, 5, 1)},
    "keyboard/key-pad-lost": {"*": (-1, 0, 0), "mask": (-1, 0, 0)},
    "keyboard/key-opening-lost": {"*": (-1, 0, 0)},
}
HITS: dict[str, tuple[str, int, int]] = {
    # file, hits more, tools more
    "holes/component-hole-lost": (PLATED, -1, 0),
    "holes/via-lost": (PLATED, -1, 0),
    "holes/bare-hole-lost": (BARE, -1, 0),
    "holes/all-plated-lost": (PLATED, -7, 0),
    "holes/all-bare-lost": (BARE, -8, 0),
    "holes/half-of-file-lost": (BARE, -4, 0),
    "holes/tool-lost": (PLATED, -4, 0),
    "holes/off-its-pad": (PLATED, 0, 0),
    "holes/plated-too-small": (PLATED, 0, 0),
    "holes/larger-than-pad": (PLATED, 0, 0),
    "holes/outside-board": (BARE, 1, 1),
    "holes/across-the-edge": (BARE, 1, 1),
    "holes/wall-thin": (BARE, 1, 1),
    "holes/overlapping": (BARE, 1, 1),
    "holes/through-track": (BARE, 1, 1),
    "holes/beside-track": (BARE, 1, 1),
    "holes/without-copper": (PLATED, 1, 1),
    "holes/plated-and-bare": (BARE, 1, 1),
    "holes/slot-lost": (PLATED, -1, 0),
    "holes/slot-narrow": (PLATED, 0, 0),
    "holes/slot-off": (PLATED, 0, 0),
    "holes/narrow-slot-added": (BARE, 1, 1),
    "holes/pair-moved": (PLATED, 0, 0),
    "drill/shifted": (BARE, 0, 0),
    "drill/mirrored": (BARE, 0, 0),
    "drill/tool-undefined": (BARE, 0, -1),
    "drill/unit-missing": (BARE, 0, 0),
    "keyboard/key-hole-lost": (BARE, -1, 0),
    "keyboard/key-hole-moved": (BARE, 0, 0),
    "keyboard/stray-key-hole": (BARE, 1, 0),
}


def text(parcel: Parcel, name: str) -> str:
    return parcel.files[name].decode("latin-1")


def drawn(content: str) -> tuple[int, int, int]:
    """Flashes, draws and aperture definitions, counted as words."""
    return (
        len(re.findall(r"D0?3\*", content)),
        len(re.findall(r"D0?1\*", content)),
        len(re.findall(r"%ADD\d+", content)),
    )


def bored(content: str) -> tuple[int, int]:
    """Hits and tools with a size, counted as lines."""
    return (
        len(re.findall(r"^X[-\d.]+Y[-\d.]+", content, re.MULTILINE)),
        len(re.findall(r"^T\d+C[\d.]+", content, re.MULTILINE)),
    )


def places(content: str) -> list[tuple[float, float]]:
    """Places of hits, in the order of the file."""
    found = re.findall(r"^X([-\d.]+)Y([-\d.]+)", content, re.MULTILINE)
    return [(float(x), float(y)) for x, y in found]


def changed_files(planted: Parcel) -> set[str]:
    names = set(planted.files) | set(TINY.files)
    return {n for n in names if planted.files.get(n) != TINY.files.get(n)}


def test_there_are_as_many_kinds_as_the_yardstick_promises() -> None:
    assert len(KINDS) >= 100
    assert len(HARMLESS) >= 20
    assert {k.group for k in KINDS.values()} >= {
        *("holes", "copper", "mask", "paste", "legend", "profile", "layers", "drill"),
        *("package", "nets", "keyboard", "size"),
    }


@pytest.mark.parametrize("kind_id", sorted(KINDS))
def test_a_kind_changes_the_files_it_names_always_the_same_way(kind_id: str) -> None:
    if kind_id in NEEDS_MORE - {"size/tenfold"}:
        with pytest.raises(Unfit):
            KINDS[kind_id].plant(TINY)
        return
    one, two = KINDS[kind_id].plant(TINY), KINDS[kind_id].plant(tiny())
    assert one.parcel.files == two.parcel.files
    assert one.place == two.place
    assert bool(one.hidden) == (kind_id in NEEDS_MORE)
    changed = changed_files(one.parcel)
    assert changed
    if kind_id.startswith(("size/ten", "keyboard/key-pad")):
        return  # these name one file of those they change
    assert changed & set(one.files)
    assert changed <= set(one.files)


@pytest.mark.parametrize("kind_id", sorted(DELTAS))
def test_layers_gain_and_lose_what_the_kind_says(kind_id: str) -> None:
    planted = KINDS[kind_id].plant(TINY).parcel
    expected = DELTAS[kind_id]
    for name in sorted(changed_files(planted)):
        delta = expected["mask"] if "mask" in expected and "mask" in name else None
        delta = delta or expected.get(name) or expected["*"]
        before, after = drawn(text(TINY, name)), drawn(text(planted, name))
        assert tuple(a - b for a, b in zip(after, before, strict=True)) == delta


@pytest.mark.parametrize("kind_id", sorted(HITS))
def test_drill_files_gain_and_lose_what_the_kind_says(kind_id: str) -> None:
    name, hits, tools = HITS[kind_id]
    planted = KINDS[kind_id].plant(TINY).parcel
    assert changed_files(planted) == {name}
    before, after = bored(text(TINY, name)), bored(text(planted, name))
    assert (after[0] - before[0], after[1] - before[1]) == (hits, tools)


def test_a_shifted_drill_file_has_every_hit_5_mm_to_the_right() -> None:
    after = places(text(KINDS["drill/shifted"].plant(TINY).parcel, BARE))
    assert after == [(x + 5, y) for x, y in KEYS]


def test_a_mirrored_drill_file_keeps_its_heights() -> None:
    after = places(text(KINDS["drill/mirrored"].plant(TINY).parcel, BARE))
    assert after == [(60 - x, y) for x, y in KEYS]


def test_the_place_of_a_lost_hole_is_where_a_hit_was() -> None:
    plant = KINDS["holes/component-hole-lost"].plant(TINY)
    lost = set(places(text(TINY, PLATED))) - set(places(text(plant.parcel, PLATED)))
    assert plant.place is not None
    assert [hypot(x - plant.place[0], y - plant.place[1]) for x, y in lost] == [0.0]


def test_the_place_of_a_lost_pad_is_where_a_flash_was() -> None:
    plant = KINDS["copper/surface-pad-lost"].plant(TINY)
    assert plant.place is not None
    word = "X{:.0f}Y{:.0f}D03*".format(*(1e6 * v for v in plant.place))
    (name,) = plant.files
    assert text(TINY, name).count(word) == text(plant.parcel, name).count(word) + 1


def test_a_mirrored_legend_is_drawn_the_other_way_round() -> None:
    pattern = r"X(-?\d+)Y(-?\d+)D0[12]"
    name = "tiny-legend-top.gbr"
    plant = KINDS["legend/mirrored-top"].plant(TINY)
    before = re.findall(pattern, text(TINY, name))
    after = re.findall(pattern, text(plant.parcel, name))
    assert after == [(str(60_000_000 - int(x)), y) for x, y in before]


def test_exchanged_images_keep_the_functions_of_their_files() -> None:
    plant = KINDS["layers/coppers-exchanged"].plant(TINY).parcel
    function = r"%TF\.FileFunction,[^*]*\*%"
    for name, other in ((TOP, BOTTOM), (BOTTOM, TOP)):
        assert re.findall(function, text(plant, name)) == re.findall(function, text(TINY, name))
        assert drawn(text(plant, name)) == drawn(text(TINY, other))


def test_cut_files_are_beginnings_of_the_whole_ones() -> None:
    for kind_id in ("package/copper-cut-short", "package/mask-cut-short", "drill/cut-short"):
        plant = KINDS[kind_id].plant(TINY)
        (name,) = plant.files
        assert TINY.files[name].startswith(plant.parcel.files[name])
        assert len(plant.parcel.files[name]) < 0.9 * len(TINY.files[name])


def test_a_package_without_slots_refuses_plants_in_slots() -> None:
    slotless = TINY.with_text(PLATED, re.sub(r"X.*G85.*\n", "", text(TINY, PLATED)))
    with pytest.raises(Unfit, match="no slot"):
        KINDS["holes/slot-lost"].plant(slotless)


def image(content: str) -> Counter[tuple[str, ...]]:
    """Every flash and draw with its aperture's shape: a reader of its own, of plain words only."""
    shapes: dict[str, str] = {}
    chosen = x = y = ""
    divide = 10 ** int((re.search(r"X\d(\d)Y", content) or ["", "6"])[1])
    inch = 25.4 if "MOIN" in content else 1.0
    found: Counter[tuple[str, ...]] = Counter()
    for word in re.split(r"[*%\s]+", re.sub(r"G04[^*]*\*", "", content)):
        if define := re.match(r"ADD(\d+)([CRO]),([\d.X]+)", word):
            sizes = [f"{float(v) * inch:.4f}" for v in define[3].split("X")]
            shapes[str(int(define[1]))] = "x".join([define[2], *sizes])
        elif select := re.fullmatch(r"(?:G54)?D0*([1-9]\d+)", word):
            chosen = shapes[select[1]]
        elif go := re.fullmatch(r"(?:X(-?\d+))?(?:Y(-?\d+))?D0?([123])", word):
            was = x, y
            x = f"{int(go[1]) / divide * inch:.3f}" if go[1] else x
            y = f"{int(go[2]) / divide * inch:.3f}" if go[2] else y
            if go[3] == "3":
                found["flash", chosen, x, y] = 1
            elif go[3] == "1":
                found["draw", chosen, *was, x, y] += 1
    return found


SAME_IMAGE = sorted(
    set(HARMLESS)
    - {"harmless/board-moved", "harmless/tracks-in-two", "harmless/line-ends-lf"}
    - {"harmless/coordinates-repeated"}
)


@pytest.mark.parametrize("kind_id", SAME_IMAGE)
def test_harmless_edits_leave_every_image_and_hole_as_it_is(kind_id: str) -> None:
    planted = HARMLESS[kind_id].plant(TINY).parcel
    assert changed_files(planted)

    def images(parcel: Parcel) -> list[tuple[str, list[tuple[tuple[str, ...], int]]]]:
        layers = [n for n in parcel.files if n.lower().endswith(".gbr")]
        return sorted(
            (re.sub(r".*/|final-", "", n).lower(), sorted(image(text(parcel, n)).items()))
            for n in layers
        )

    def holes(parcel: Parcel) -> list[list[tuple[float, float]]]:
        drills = sorted(n for n in parcel.files if re.search(r"(^|/)[^.]+\.(?i:drl)$", n))
        return [sorted(places(text(parcel, n))) for n in drills]

    assert images(planted) == images(TINY)
    assert holes(planted) == holes(TINY)


def test_a_moved_board_is_moved_as_one() -> None:
    planted = HARMLESS["harmless/board-moved"].plant(TINY).parcel
    assert places(text(planted, BARE)) == [(x + 37.5, y + 12.25) for x, y in KEYS]
    for name in (TOP, MASK, PROFILE):
        before, after = image(text(TINY, name)), image(text(planted, name))
        xs = [sorted(float(key[2]) for key in found) for found in (before, after)]
        assert xs[1] == pytest.approx([x + 37.5 for x in xs[0]])


def test_macros_are_as_large_as_their_parts_reach() -> None:
    # A body of 2 by 1 with discs of 0.5 at two corners reaches 1.25 and 0.75 from the middle.
    body = "0 rounded*21,1,$1,$2,0,0,0*$3=$2/2*1,1,0.5,$1/2,$3*1,1,0.5,0-$1/2,0-$3*"
    assert macro_box(body, (2.0, 1.0)) == pytest.approx((2.5, 1.5))


def test_places_of_marks_are_in_millimetres_whatever_the_unit() -> None:
    metric = read_gerber("%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,1*%\nD10*\nX25400000Y0D03*\nM02*\n")
    inch = read_gerber("%FSLAX24Y24*%\n%MOIN*%\n%ADD10C,.1*%\nD10*\nX10000Y0D03*\nM02*\n")
    trailing = read_gerber("%FSTAX24Y24*%\n%MOIN*%\n%ADD10C,.1*%\nD10*\nX01Y0D03*\nM02*\n")
    assert [g.marks[0].x for g in (metric, inch, trailing)] == pytest.approx([25.4] * 3)


def test_samples_are_the_same_every_time() -> None:
    some = measure.sampled(TINY, KINDS.values(), 7)
    assert some == measure.sampled(tiny(), reversed(list(KINDS.values())), 7)
    assert len(some) == 7
