"""Layers are drawn side by side."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from threading import Barrier

import shapely
from apart import PATIENCE_S
from draftsman import Draftsman

from fabkit.formats.gerber.model import GerberFile


def test_two_layers_are_drawn_at_the_same_time() -> None:
    """Each layer's aperture waits for the other layer's: one lock for both would break this."""
    both = Barrier(2)

    def build(chord_error_mm: float) -> shapely.Polygon:
        both.wait(timeout=PATIENCE_S)
        return shapely.box(-1, -1, 1, 1)

    def layer(name: str) -> GerberFile:
        draft = Draftsman(name)
        draft.flash(draft.aperture("R", 2.0, 2.0), 5, 5)
        file = draft.file()
        return replace(file, apertures=(replace(file.apertures[0], builder=build),))

    layers = [layer("front"), layer("back")]
    with ThreadPoolExecutor(2) as pool:
        images = list(pool.map(lambda file: file.image, layers))
    assert [image.area for image in images] == [4.0, 4.0]
    # Asked again, the image is there already: nobody would come to the second meeting.
    assert layers[0].image is images[0]
