"""Soils of the turf."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geoirrig.records import AnalysisSettings
from geoirrig.surfaces.turf_soil import soils_of_turf
from tests.surfaces.many_lawns import many_lawns


def test_soils_of_turf_compactions_of_one_factor_are_one_soil() -> None:
    turf = replace(
        many_lawns(2).turf,
        soil_texture=np.array(["loam", "clay_loam", "loam", "loam"], dtype=object),
        compaction=np.array(["trafficked", "none", "typical", "none"], dtype=object),
    )
    factors = {"none": 1.0, "typical": 0.5, "trafficked": 0.5}
    settings = replace(AnalysisSettings(), compaction_factor=factors)
    soil, textures, factor = soils_of_turf(turf, settings)
    assert textures == ("clay_loam", "loam", "loam")  # by texture, then by factor
    assert factor.tolist() == [1.0, 0.5, 1.0]
    assert soil.tolist() == [1, 0, 1, 2]
    assert soil.dtype == np.int32


def test_soils_of_turf_no_turf() -> None:
    turf = many_lawns(1).turf
    none = np.zeros(0, dtype=object)
    soil, textures, factor = soils_of_turf(
        replace(turf, soil_texture=none, compaction=none), AnalysisSettings()
    )
    assert len(soil) == len(textures) == len(factor) == 0
