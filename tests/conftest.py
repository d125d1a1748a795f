"""Settings of all tests."""

from __future__ import annotations

from hypothesis import settings

# A machine that is busy is no failure: time is bounded where it is the subject of a test.
settings.register_profile("fabkit", deadline=None)
settings.load_profile("fabkit")
