"""Soil tables: what the rows must satisfy among themselves, and the published inches."""

import math

import numpy as np
import pytest

from geoirrig.physics.soil_properties import (
    ALLOWABLE_SURFACE_ACCUMULATION_MM,
    BASIC_INTAKE_RATE_MM_H,
    COMPACTION_FACTOR,
    GREEN_AMPT_SOILS,
    SOIL_TEXTURES,
    allowable_surface_accumulation_mm,
    basic_intake_rate_mm_h,
    depression_storage_mm,
    slope_class,
    texture_index,
)

# Rossman & Huber 2016, EPA/600/R-15/162A, Table 4-7 (quoting Rawls, Brakensiek & Miller 1983):
# K [in/h] and ψ [in]. For the K of sand 4.74 is printed; 11.78 cm/h is 4.64.
PRINTED_INCHES = {
    "sand": (4.64, 1.95),
    "loamy_sand": (1.18, 2.41),
    "sandy_loam": (0.43, 4.33),
    "loam": (0.13, 3.50),
    "silt_loam": (0.26, 6.57),
    "sandy_clay_loam": (0.06, 8.60),
    "clay_loam": (0.04, 8.22),
    "silty_clay_loam": (0.04, 10.75),
    "sandy_clay": (0.02, 9.41),
    "silty_clay": (0.02, 11.50),
    "clay": (0.01, 12.45),
}


def test_soil_tables_cover_the_twelve_classes():
    assert len(SOIL_TEXTURES) == len(set(SOIL_TEXTURES)) == 12
    for table in (GREEN_AMPT_SOILS, BASIC_INTAKE_RATE_MM_H, ALLOWABLE_SURFACE_ACCUMULATION_MM):
        assert set(table) == set(SOIL_TEXTURES)


def test_green_ampt_soils_match_the_printed_inches():
    assert len(PRINTED_INCHES) == 11  # silt is not in the source
    for texture, (conductivity_in_h, suction_in) in PRINTED_INCHES.items():
        soil = GREEN_AMPT_SOILS[texture]
        # both were rounded, the inches to two places
        assert soil.conductivity_mm_h / 25.4 == pytest.approx(conductivity_in_h, abs=0.0051)
        assert soil.suction_mm / 25.4 == pytest.approx(suction_in, abs=0.0051)


@pytest.mark.parametrize("texture", SOIL_TEXTURES)
def test_suction_is_the_geometric_mean_of_its_range(texture):
    soil = GREEN_AMPT_SOILS[texture]
    mean = math.sqrt(soil.suction_low_mm * soil.suction_high_mm)
    assert soil.suction_mm == pytest.approx(mean, rel=0.005)  # ranges have three digits


@pytest.mark.parametrize("texture", SOIL_TEXTURES)
def test_effective_porosity_is_the_middle_of_its_range(texture):
    soil = GREEN_AMPT_SOILS[texture]
    middle = 0.5 * (soil.effective_porosity_low + soil.effective_porosity_high)
    assert soil.effective_porosity == pytest.approx(middle, abs=0.00051)


def test_clay_loam_porosity_as_printed_is_not_the_middle_of_its_range():
    # 0.309 stands in the table; its range 0.279 to 0.501 has the middle 0.390.
    soil = GREEN_AMPT_SOILS["clay_loam"]
    assert 0.5 * (soil.effective_porosity_low + soil.effective_porosity_high) == pytest.approx(
        0.390
    )
    assert abs(0.309 - 0.390) > 0.05


def test_silt_is_treated_as_silt_loam():
    assert GREEN_AMPT_SOILS["silt"] == GREEN_AMPT_SOILS["silt_loam"]


def test_intake_rate_is_about_ten_times_the_conductivity_of_clay():
    # 0.10 in/h against 0.03 cm/h: the reason why the two models share no rate
    ratio = BASIC_INTAKE_RATE_MM_H["clay"] / GREEN_AMPT_SOILS["clay"].conductivity_mm_h
    assert ratio == pytest.approx(2.54 / 0.3)


def test_basic_intake_rate_of_substituted_classes_is_that_of_their_stand_in():
    rates = basic_intake_rate_mm_h(
        ["silt_loam", "silt", "sandy_clay_loam", "silty_clay_loam", "sandy_clay"]
    )
    # 0.35, 0.35, 0.20, 0.15 and 0.15 in/h
    assert rates.tolist() == pytest.approx([8.89, 8.89, 5.08, 3.81, 3.81])


def test_basic_intake_rate_with_compaction_is_multiplied():
    rates = basic_intake_rate_mm_h("sand", compaction_factor=[1.0, 0.5, 0.2])
    assert rates.tolist() == pytest.approx([15.24, 7.62, 3.048])  # 0.60 in/h
    assert COMPACTION_FACTOR == {"none": 1.0, "typical": 0.5, "trafficked": 0.2}


def test_slope_class_at_the_bounds_belongs_to_the_steeper_class():
    slopes = [0.0, np.nextafter(3.5, 0), 3.5, np.nextafter(6.5, 0), 6.5, 12.4999, 12.5, 300.0]
    assert slope_class(slopes).tolist() == [0, 0, 1, 1, 2, 2, 3, 3]


def test_slope_class_of_nan_is_minus_one():
    assert slope_class(np.array([[np.nan, 1.0]])).tolist() == [[-1, 0]]


def test_allowable_surface_accumulation_broadcasts_texture_against_slope():
    depth = allowable_surface_accumulation_mm(
        np.array([["silty_clay"], ["loam"]]), [2.0, 5.0, 10.0, 20.0]
    )
    # inches: .23 .19 .16 .13 and .30 .25 .21 .17
    expected = np.array([[0.23, 0.19, 0.16, 0.13], [0.30, 0.25, 0.21, 0.17]]) * 25.4
    np.testing.assert_allclose(depth, expected, rtol=1e-12)


def test_allowable_surface_accumulation_without_slope_is_nan():
    assert np.isnan(allowable_surface_accumulation_mm("clay", np.nan))


def test_storage_tables_never_grow_with_slope():
    for texture in SOIL_TEXTURES:
        assert np.all(np.diff(ALLOWABLE_SURFACE_ACCUMULATION_MM[texture]) <= 0.0)


def test_depression_storage_follows_the_accumulation_ratio():
    # silty clay 0.16 in of 0.23 in on 7-12 %: 2.5·16/23 mm
    depth = depression_storage_mm("silty_clay", [1.0, 8.0], flat_storage_mm=2.5)
    assert depth.tolist() == pytest.approx([2.5, 2.5 * 16 / 23])


def test_texture_index_of_an_unknown_class_names_it():
    with pytest.raises(ValueError, match=r"soil_texture must be one of sand, .*; got peat\."):
        texture_index(["loam", "peat"])
