"""Plants and soil water of turf and zones."""

from __future__ import annotations

import numpy as np
import pytest

from geoirrig.physics.plant_water_use import monthly_coefficients
from geoirrig.records import TurfAreas
from geoirrig.surfaces.root_zones import (
    turf_root_zones,
    zone_root_zones,
)


def turf(
    texture: list[str],
    plant_type: list[str] | None = None,
    root_depth_mm: float | list[float] = 150.0,
) -> TurfAreas:
    n = len(texture)
    return TurfAreas(
        turf_id=np.array([f"T{k}" for k in range(n)], dtype=object),
        geometry=np.full(n, None),
        soil_texture=np.array(texture, dtype=object),
        compaction=np.full(n, "none", dtype=object),
        slope_pct=np.full(n, np.nan),
        plant_type=np.array(plant_type or ["cool_season_turf"] * n, dtype=object),
        root_depth_mm=np.broadcast_to(np.asarray(root_depth_mm, dtype=np.float64), n),
        attributes={},
    )


def test_turf_root_zones_of_defaults_by_hand() -> None:
    # loam 1.8 in/ft is 150 mm/m; 150 mm of it hold 22.5 mm, of which 0.4 may go
    found = turf_root_zones(turf(["loam"]), allowable_depletion=0.4)
    assert found.plant_type == ("cool_season_turf",)
    assert found.root_depth_mm.tolist() == [150.0]
    assert found.readily_available_mm.tolist() == pytest.approx([9.0])


def test_zone_root_zones_by_hand() -> None:
    # zone 0: 3/4 cool turf on loam, 1/4 warm turf on clay; zone 1 a sliver of sand; zone 2 nothing
    areas = turf(
        ["loam", "clay", "sand"],
        plant_type=["cool_season_turf", "warm_season_turf", "cool_season_turf"],
        root_depth_mm=[100.0, 200.0, 100.0],
    )
    of_turf = turf_root_zones(areas, allowable_depletion=0.5)
    served = np.array([[75.0, 25.0, 0.0], [96.0, 0.0, 4.0], [0.0, 0.0, 0.0]])
    found = zone_root_zones(of_turf, served)
    cool, warm = (monthly_coefficients(f"{kind}_season_turf") for kind in ("cool", "warm"))
    np.testing.assert_allclose(found.plant_coefficient[0], 0.75 * cool + 0.25 * warm)
    np.testing.assert_allclose(found.plant_coefficient[1], cool)
    assert found.root_depth_mm[:2].tolist() == pytest.approx([125.0, 100.0])
    # the smaller of 7.5 and 18.75; 4 % of sand, which lends less, do not count
    assert found.readily_available_mm[:2].tolist() == pytest.approx([7.5, 7.5])
    assert np.isnan(found.plant_coefficient[2]).all()
    assert np.isnan([found.root_depth_mm[2], found.readily_available_mm[2]]).all()


def test_zone_root_zones_of_many_slivers_still_have_water() -> None:
    areas = turf(["loam"] * 30)
    of_turf = turf_root_zones(areas, allowable_depletion=0.5)
    found = zone_root_zones(of_turf, np.ones((1, 30)))  # each 3.3 % of the area
    assert found.readily_available_mm.tolist() == pytest.approx([11.25])
