"""Long files are read piece by piece: where a piece ends must not show."""

from pathlib import Path

import numpy as np
import pytest

from fabkit.formats.gerber import reader
from fabkit.formats.gerber.model import GerberFile

FIXTURES = Path(__file__).parents[3] / "fixtures"
DEMO = Path(__file__).parents[3] / "fabkit" / "demo"
LAYERS = [
    DEMO / "rev-b" / "wheatear-copper-bottom.gbr",
    *sorted((FIXTURES / "dialects" / "macros-and-repeat").glob("*copper*"))[:1],
    *sorted((FIXTURES / "dialects" / "trailing-zeros-incremental").glob("*copper*"))[:1],
]
STAR = b"""%FSLAX46Y46*%
%MOMM*%
G75*
G36*
X0Y0D02*
G01*
X5000000D01*
G03X5000000Y4000000I0J2000000D01*
G01X0Y4000000D01*
Y0D01*
X9000000Y0D02*
X12000000Y0D01*
X12000000Y3000000D01*
X9000000Y0D01*
G37*
G36*
X20000000Y0D02*
X21000000Y0D01*
X21000000Y1000000D01*
X20000000Y0D01*
G37*
M02*
"""


def columns_of(file: GerberFile) -> list[np.ndarray]:
    """Every column of a file: attributes by content, contour numbers by their changes alone."""
    changes = np.flatnonzero(np.diff(file.segments.contour))
    tables = [getattr(file.objects, n) for n in file.objects.DTYPES if n != "attributes"]
    sets = np.array([repr(sorted(s.items())) for s in file.attribute_sets])
    tables.append(sets[file.objects.attributes])
    names = [n for n in file.segments.DTYPES if n != "contour"]
    return [*tables, *(getattr(file.segments, n) for n in names), changes]


@pytest.mark.parametrize("piece", [40, 150, 1000, 5001])
@pytest.mark.parametrize(
    "data", [STAR, *(p.read_bytes() for p in LAYERS)], ids=["star", *(p.stem for p in LAYERS)]
)
def test_pieces_do_not_show(data: bytes, piece: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Objects, contours, problems and offsets are the same however long the pieces are."""
    whole = reader.read(data, name="layer.gbr")
    monkeypatch.setattr(reader, "_CHUNK", piece)
    parts = reader.read(data, name="layer.gbr")

    assert [p.id for p in parts.problems] == [p.id for p in whole.problems]
    for one, other in zip(columns_of(parts), columns_of(whole), strict=True):
        np.testing.assert_array_equal(one, other)
