"""Scenes too dense for vectors, as a stack of pixel pictures: one of each coat, to be switched.

A picture holds one colour and how far it covers, in four steps, which compresses well.  Edges that
several coats share are mixed by each of them anew, so that half a pixel is a little darker there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from fabkit.base.units import format_number
from fabkit.pictures.paint_png import Bytes, paint_apart, png_uri
from fabkit.pictures.paint_svg import titled
from fabkit.pictures.scene import Coat, Node, Scene

STEPS: Final = 4
"""Steps of coverage: as many as two bits a pixel hold.  On four dense boards sixteen took half
as many bytes again, and looked the same."""


def layers_svg(scene: Scene, longest_px: int) -> str:
    """Write a scene as an SVG element of pictures, its longest side so many pixels."""
    width, height = (format_number(v, digits=6) for v in scene.size_mm)
    coats = list(_coats(scene.nodes))
    covered = paint_apart(scene, coats, longest_px / max(scene.size_mm))
    pictures = map(_picture_uri, coats, covered)

    def element(node: Node) -> str:
        if isinstance(node, Coat):
            uri = next(pictures)
            body = f'<image width="{width}" height="{height}" href="{uri}"/>' if uri else ""
        else:
            body = "".join(map(element, node.children))
        return titled(node, body)

    body = "".join(map(element, scene.nodes))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}"'
        f' preserveAspectRatio="none">{body}</svg>'
    )


def _coats(nodes: tuple[Node, ...], cut: Node | None = None) -> Iterator[Coat]:
    """Give all coats, bottom first, each with the cuts of the groups that hold it."""
    for node in nodes:
        whole = node
        if cut is not None:
            inside, outside = cut.inside + node.inside, cut.outside + node.outside
            whole = replace(node, inside=inside, outside=outside)
        if isinstance(whole, Coat):
            yield whole
        else:
            yield from _coats(whole.children, whole)


def _picture_uri(coat: Coat, covered: Bytes) -> str:
    """PNG of a colour in steps of its coverage, as data URI; empty where nothing is covered."""
    from PIL import Image

    if not covered.any():
        return ""
    image = Image.fromarray(((covered.astype("u2") * (STEPS - 1) + 127) // 255).astype("u1"), "P")
    image.putpalette(bytes(coat.rgb) * STEPS)
    steps = bytes(255 * k // (STEPS - 1) for k in range(STEPS))
    return png_uri(image, transparency=steps, bits=2)
