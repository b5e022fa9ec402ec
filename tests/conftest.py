"""Settings of all tests."""

from __future__ import annotations

from hypothesis import settings

# No time limit per example: the first call of a compiled kernel takes seconds.
settings.register_profile("geoirrig", deadline=None)
settings.load_profile("geoirrig")
