"""What a board is called, by its folder or by its files."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fabkit.package.model import PackageFile, Role, RoleKind
from fabkit.package.naming import UNNAMED, name_board


def files(*names):
    """Layer files of these names, without contents that state a project."""
    return [
        PackageFile(
            name=name,
            data=b"",
            role=Role(kind=RoleKind.COPPER, side="top"),
            confidence=1.0,
            reason="",
            content=None,
        )
        for name in names
    ]


WIDGET = files("widget-copper-top.gbr", "widget-mask-top.gbr", "widget-profile.gbr", "x.drl")
TAIL = files("widget_v3-F.gbr", "widget_v3-B.gbr", "widget_v3-E.gbr")


@pytest.mark.parametrize(
    ("own", "made", "name"),
    [
        ("gerbers", WIDGET, "widget"),
        ("gerber_v2", WIDGET, "widget"),
        ("v2.2", WIDGET, "widget v2.2"),
        ("rev-b", WIDGET, "widget rev-b"),
        ("v2", TAIL, "widget_v3"),
        ("2025-01-15", WIDGET, "widget 2025-01-15"),
        ("finch", WIDGET, "finch"),
        ("finch-v2", WIDGET, "finch-v2"),
        ("v3", files("a.gtl", "a.gbl", "a.gko"), "v3"),
        ("pcb", files("top.gbr", "bottom.gbr", "outline.gbr"), UNNAMED),
        ("mini", files("widget-mini.gtl", "widget-mini.gbl", "widget-mini.gko"), "widget-mini"),
        ("plate-bottom-gerber", files(*(f"plate-bottom.g{k}" for k in "abc")), "plate-bottom"),
        ("fab", files("widget-top-mask.gbr", "widget-top-cu.gbr", "widget-top-silk.gbr"), "widget"),
    ],
)
def test_a_board_has_a_name_that_says_which_it_is(own, made, name):
    """Words that any export bears are no name; what the files share is; a revision is kept."""
    assert name_board(own, made) == name


def test_an_image_name_that_most_files_share_is_the_boards():
    """IN (Gerber Layer Format Specification 2021.02, section 8.1.3) names the image; one file's
    alone is its layer."""
    bare = files("art01.pho", "art02.pho", "mask1.pho", "outline.pho")
    named = [replace(f, data=b'%IN "widget-b.pcb"*%\n%FSLAX46Y46*%') for f in bare[:3]]
    alone = [replace(bare[0], data=b"%INWidget*%"), *bare[1:]]

    assert name_board("cam", [*named, bare[3]]) == "widget-b"
    assert name_board("cam", alone) == UNNAMED
