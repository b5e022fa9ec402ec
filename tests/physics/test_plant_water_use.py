"""Turf coefficients and plant factors."""

from __future__ import annotations

import numpy as np
import pytest

from geoirrig.physics.irrigation_interval import gross_depth_mm
from geoirrig.physics.plant_water_use import (
    DEFAULT_PLANT_TYPE,
    PLANT_FACTOR_RANGES,
    PLANT_TYPES,
    annual_coefficient,
    known_plant_type,
    landscape_coefficient,
    monthly_coefficients,
    plant_evapotranspiration_mm,
)
from geoirrig.units import MM_PER_INCH


def test_turf_coefficients_against_the_printed_annual_ones() -> None:
    # Meyer, Gibeault & Youngner 1985. Sums of the printed months, by hand: 9.45 and 7.81.
    cool = monthly_coefficients("cool_season_turf")
    warm = monthly_coefficients("warm_season_turf")
    assert cool.shape == warm.shape == (12,)
    assert float(np.sum(cool)) == pytest.approx(9.45)
    assert float(np.sum(warm)) == pytest.approx(7.81)
    assert annual_coefficient("cool_season_turf") == pytest.approx(9.45 / 12.0, abs=0.02)
    # The printed 0.60 is not the mean of the printed months, 0.651: kept as printed.
    assert annual_coefficient("warm_season_turf") == 0.60
    assert float(np.mean(warm)) == pytest.approx(0.651, abs=5e-4)


def test_classes_of_water_use_are_the_middle_of_their_range() -> None:
    for name, middle in (("very_low", 0.05), ("low", 0.2), ("moderate", 0.5), ("high", 0.8)):
        assert monthly_coefficients(f"{name}_water_use").tolist() == [middle] * 12
        assert annual_coefficient(f"{name}_water_use") == middle
        factors = PLANT_FACTOR_RANGES[name]
        assert factors.species_low <= middle <= factors.species_high
        assert factors.rule_low <= middle <= factors.rule_high


@pytest.mark.parametrize(
    ("word", "plant_type"),
    [
        ("", DEFAULT_PLANT_TYPE),
        ("cool_season", "cool_season_turf"),
        ("Warm-Season Turf", "warm_season_turf"),
        ("  medium ", "moderate_water_use"),
        ("low_water_use", "low_water_use"),
        ("roses", None),
    ],
)
def test_known_plant_type(word: str, plant_type: str | None) -> None:
    assert known_plant_type(word) == plant_type


def test_every_plant_type_is_known_and_sourced() -> None:
    for name, use in PLANT_TYPES.items():
        assert known_plant_type(name) == name
        assert len(use.monthly) == 12
        assert use.source


def test_landscape_coefficient_and_water_of_a_published_planting() -> None:
    # University of California Cooperative Extension & California Department of Water Resources
    # 2000: ETL 3.72 in over an efficiency of 0.30, 0.60, 0.90 is 12.4, 6.2, 4.1 in.
    efficiency = np.array([0.30, 0.60, 0.90])
    applied = gross_depth_mm(3.72 * MM_PER_INCH, 1.0 / efficiency) / MM_PER_INCH
    assert applied.round(1).tolist() == [12.4, 6.2, 4.1]
    coefficient = landscape_coefficient(0.5, 1.0, [0.5, 1.0, 1.4])
    np.testing.assert_allclose(coefficient, [0.25, 0.5, 0.7])
    np.testing.assert_allclose(plant_evapotranspiration_mm(100.0, coefficient), [25.0, 50.0, 70.0])
