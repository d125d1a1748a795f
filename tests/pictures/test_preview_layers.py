"""Pictures of single layers, laid over each other, are the whole picture."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from boards import board_at
from PIL import Image
from scipy import ndimage

from fabkit.package.model import Side
from fabkit.pictures.finished import finished_face
from fabkit.pictures.looks import PreviewOptions
from fabkit.pictures.paint_layers import layers_svg
from fabkit.pictures.paint_png import paint
from fabkit.pictures.scene import Coat, Group, Node, Scene

CARD = Path(__file__).parents[2] / "fixtures" / "card"
WIDE = 900
SVG = "{http://www.w3.org/2000/svg}"


def _titles(nodes: tuple[Node, ...]) -> Iterator[str]:
    for node in nodes:
        yield node.title
        if isinstance(node, Group):
            yield from _titles(node.children)


def _laid_over(svg: str) -> Image.Image | None:
    """The pictures of an element over each other, as another library does it."""
    whole = None

    def walk(group: ET.Element, opacity: float) -> None:
        nonlocal whole
        opacity *= float(group.get("opacity", "1"))
        for child in group:
            if child.tag == f"{SVG}g" and child.get("class") != "off":
                walk(child, opacity)
            elif child.tag == f"{SVG}image":
                data = base64.b64decode(child.get("href", "").partition(",")[2])
                one = Image.open(io.BytesIO(data)).convert("RGBA")
                one.putalpha(one.getchannel("A").point(lambda a: round(a * opacity)))
                whole = one if whole is None else Image.alpha_composite(whole, one)

    walk(ET.fromstring(svg), 1.0)  # noqa: S314 -- our own text
    return whole


@pytest.mark.parametrize("side", ["top", "bottom"])
def test_layers_over_each_other_are_the_picture(side: Side) -> None:
    """Away from edges every pixel has the colour of the picture that is painted at once."""
    scene = finished_face(board_at(CARD), side, PreviewOptions())
    made = _laid_over(layers_svg(scene, WIDE))
    assert made is not None
    apart = np.asarray(made, dtype=float)
    whole = paint(scene, WIDE / max(scene.size_mm)).astype(float)
    seen = whole[..., 3:] / 255
    differ = np.abs(apart[..., :3] * (apart[..., 3:] / 255) - whole[..., :3] * seen).max(axis=2)

    around = (3, 3, 1)
    spread = ndimage.maximum_filter(whole, around) - ndimage.minimum_filter(whole, around)
    flat = spread.max(axis=2) == 0

    assert apart.shape == whole.shape
    assert flat.mean() > 0.8
    assert differ[flat].max() <= 1
    assert differ.mean() < 1


def test_each_layer_has_its_title_and_what_is_hidden_stays_so() -> None:
    """A page switches layers by their titles; one that is off at first is there, and not seen."""
    square = finished_face(board_at(CARD), "top", PreviewOptions())
    extra = Coat(title="paste", rgb=(1, 2, 3), inside=("copper",), hidden=True)
    scene = Scene("x", square.frame, False, square.stencils, (*square.nodes, extra))
    svg = layers_svg(scene, WIDE)

    assert re.findall(r"<title>([^<]*)</title>", svg) == list(_titles(scene.nodes))
    assert '<g class="off"><title>paste</title><image ' in svg
