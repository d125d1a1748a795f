"""Close-ups: gaps between discs against the distance of their centres."""

from __future__ import annotations

import numpy as np
import pytest

from fabkit.checks import copper_facts as closeup
from fabkit.checks.copper_facts import CloseUp
from fabkit.formats.gerber.reader import read

HEAD = b"%FSLAX36Y36*%%MOMM*%%ADD10C,1*%D10*"


@pytest.mark.parametrize("at_once", [closeup._MOST_AT_ONCE, 3])
def test_gaps_of_discs_are_exact(at_once, monkeypatch):
    """Pairs of discs 0.1, 0.12 ... mm apart, in one portion or in several."""
    monkeypatch.setattr(closeup, "_MOST_AT_ONCE", at_once)
    gaps = 0.1 + 0.02 * np.arange(6)
    flashes = "".join(
        f"X{5_000_000 * k}Y0D03*X{round(5e6 * k + 1e6 + gap * 1e6)}Y0D03*"
        for k, gap in enumerate(gaps)
    )
    layer = CloseUp(read(HEAD + flashes.encode() + b"M02*", name="x"))
    middle = 5.0 * np.arange(6) + 0.5 + gaps / 2
    found = layer.facings(middle, np.zeros(6), gaps + 0.001, inside=False)
    np.testing.assert_allclose(found, gaps, atol=1e-6)
