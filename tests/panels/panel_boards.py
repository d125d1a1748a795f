"""Boards that are put on panels, and the proof that a panel gives them back."""

from __future__ import annotations

from pathlib import Path

import shapely
from boards import board_at

from fabkit.outputs.panel import cut_apart
from fabkit.package.model import RoleKind

FIXTURES = Path(__file__).parents[2] / "fixtures"


def read(name):
    return board_at(FIXTURES / name)


def assert_given_back(made, boards):
    for (copy, again), given in zip(cut_apart(made.plan, made.board), boards, strict=True):
        assert copy.board is given
        for mine, other in ((given.holes, again.holes), (given.slots, again.slots)):
            assert len(mine) == len(other)
        for layer in given.layers:
            if layer.kind in (RoleKind.PROFILE, RoleKind.COMPONENTS):
                continue
            back = next(a for a in again.layers if (a.kind, a.side) == (layer.kind, layer.side))
            images = [shapely.intersection(one.file.image, given.profile) for one in (layer, back)]
            assert images[0].symmetric_difference(images[1]).area < 1e-6 * given.profile.area
        assert {part.ref for part in again.components} == {part.ref for part in given.components}
        assert _nets(again) == _nets(given)


def _nets(board):
    """Pins by net, of every component."""
    nets = {}
    for part in board.components:
        for pin, net in part.pins:
            nets.setdefault(net, set()).add((part.ref, pin))
    return nets
