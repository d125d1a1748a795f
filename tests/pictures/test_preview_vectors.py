"""The walk over a scene that all vector formats share, seen by a writer that only notes it."""

from __future__ import annotations

import numpy as np
import shapely

from fabkit.pictures.looks import Rgb
from fabkit.pictures.scene import Coat, Cut, Fill, Group, Scene, Stencil
from fabkit.pictures.vectors import Run, VectorWriter


class Notes(VectorWriter):
    """Writes down in brackets what a format is asked for."""

    WHITE, BLACK = "white", "black"

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene)
        self.kept: dict[str, str] = {}

    def tone(self, rgb: Rgb) -> str:
        return "-".join(map(str, rgb))

    def run(self, run: Run) -> str:
        return self.written(run)[0]

    def write(self, run: Run) -> tuple[str, str]:
        return f"{len(run.fills)} fills", ""

    def toned(self, tone: str, shapes: str) -> str:
        return f"{tone}({shapes})"

    def frame(self, tone: str, mask: str = "") -> str:
        return f"{tone} frame{mask and ' through ' + mask}"

    def define_shapes(self, key: str, runs: list[str]) -> None:
        self.kept[key] = ", ".join(runs)

    def use(self, key: str, tone: str) -> str:
        return f"{tone} {key}"

    def define_mask(self, key: str, content: list[str]) -> None:
        self.kept[key] = ", ".join(content)

    def masked(self, key: str, body: str) -> str:
        return f"{key}[{body}]"

    def coat(self, body: str) -> str:
        return body

    def titled(self, node: Cut, body: str) -> str:
        return f"<{node.title}: {body}>"


def _scene(*nodes: Coat | Group) -> Scene:
    square = Stencil((Fill(np.array([shapely.box(0, 0, 1, 1)], dtype=object)),))
    inverted = Stencil(square.parts, inverted=True)
    stencils = {"a": square, "b": square, "not": inverted}
    return Scene("scene", (0.0, 0.0, 2.0, 2.0), False, stencils, nodes)


def test_plain_shapes_are_filled_and_not_masked() -> None:
    """The first plain stencil of a coat becomes shapes; only the others become masks."""
    notes = Notes(_scene(Coat(title="ink", rgb=(1, 2, 3), inside=("a", "b"), outside=("a",))))
    said = notes.nodes(notes.scene.nodes)
    assert said == "<ink: i-b[o-a[1-2-3 s-a]]>"
    assert notes.kept == {
        "s-a": "1 fills",
        "o-a": "white frame, black s-a",
        "s-b": "1 fills",
        "i-b": "white s-b",
    }


def test_inverted_stencil_is_a_mask() -> None:
    """What is inverted cannot be filled: the frame is, through a mask that is white outside."""
    notes = Notes(_scene(Coat(title="mask", rgb=(0, 0, 0), inside=("not",))))
    assert notes.nodes(notes.scene.nodes) == "<mask: i-not[0-0-0 frame]>"
    assert notes.kept["i-not"] == "white frame, black(1 fills)"


def test_groups_are_cut_as_a_whole() -> None:
    """Children are put together first and cut once; a stencil is kept once however often used."""
    coats = tuple(Coat(title=t, rgb=(0, 0, 0), inside=("a",)) for t in "xy")
    notes = Notes(_scene(Group(title="both", children=coats, outside=("b",))))
    assert notes.nodes(notes.scene.nodes) == "<both: o-b[<x: 0-0-0 s-a>\n<y: 0-0-0 s-a>]>"
    assert list(notes.kept) == ["s-a", "s-b", "o-b"]
