"""Column tables: types come from the annotations, whatever numpy makes of ``NDArray``."""

from dataclasses import fields

import numpy as np
import pytest
from numpy.typing import NDArray

from fabkit.base.columns import Columns
from fabkit.board.model import BoardSlots, Holes


def test_types_are_those_of_the_annotations():
    assert Holes.DTYPES["x"] == np.float64
    assert Holes.DTYPES["plated"] == np.int8
    assert list(BoardSlots.DTYPES) == [f.name for f in fields(BoardSlots)]


def test_an_annotation_that_names_no_scalar_type_is_refused():
    with pytest.raises(TypeError, match="NDArray"):

        class Wrong(Columns):
            name: str


def test_every_column_has_the_same_length_and_is_read_only():
    table = Holes.empty()
    with pytest.raises(ValueError, match="rows"):
        table.with_columns(x=np.zeros(2))
    assert not table.x.flags.writeable
    hole: NDArray[np.float64] = np.zeros(1)
    assert len(Holes(**{n: hole.astype(t) for n, t in Holes.DTYPES.items()})) == 1
