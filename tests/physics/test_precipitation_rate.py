"""Precipitation rate against hand-worked and published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.physics.precipitation_rate import (
    catch_can_depth,
    catch_can_rate,
    gross_precipitation_rate,
    head_precipitation_rate,
    wetted_sector_area,
)
from geoirrig.units import (
    LITRES_PER_US_GALLON,
    METRES_PER_FOOT,
    MM_PER_INCH,
    SQUARE_METRES_PER_SQUARE_FOOT,
)

CM2_PER_SQUARE_INCH = (MM_PER_INCH / 10.0) ** 2


def us_gross_rate(flow_gpm: float, area_ft2: float) -> float:
    """Inches per hour from US units, by way of the program's SI function."""
    rate = gross_precipitation_rate(
        flow_gpm * LITRES_PER_US_GALLON, area_ft2 * SQUARE_METRES_PER_SQUARE_FOOT
    )
    return float(rate) / MM_PER_INCH


def us_head_rate(flow_gpm: float, radius_ft: float, arc_deg: float) -> float:
    rate = head_precipitation_rate(
        flow_gpm * LITRES_PER_US_GALLON, radius_ft * METRES_PER_FOOT, arc_deg
    )
    return float(rate) / MM_PER_INCH


def test_gross_precipitation_rate_us_units_is_96_25() -> None:
    # 231 in³/gal ÷ 144 in²/ft² × 60 min/h = 96.25 in/h for 1 gal/min on 1 ft².
    assert us_gross_rate(1.0, 1.0) == pytest.approx(231.0 / 144.0 * 60.0, rel=1e-12)
    assert us_gross_rate(1.0, 1.0) == pytest.approx(96.25, rel=1e-12)


# (published answer, its rounding, recomputed by hand, flow [US gal/min], area [ft²], source)
PUBLISHED_GROSS_RATES = [
    # 6 half heads × 1.0 + 4 quarter heads × 0.5 = 8.0 gal/min on 60 × 15 ft.
    # 96.25 × 8/900 = 0.85556. S. Wil, "Sprinkler Precipitation Rates", slide 5.
    pytest.param(0.86, 0.005, 0.855556, 6 * 1.0 + 4 * 0.5, 60.0 * 15.0, id="whole zone"),
    # The same layout by head spacing, full-circle flow 2.0, 15 × 15 ft: 96.25 × 2/225.
    pytest.param(0.86, 0.005, 0.855556, 2.0, 15.0 * 15.0, id="same zone by spacing"),
    # Full circles on the corners of 40 × 50 ft, 4 gal/min: 96.25 × 4/2000 = 0.1925 (0.1926 with
    # 96.3). New Mexico State University, Soils 456, answer 5.8, prints 0.192: cut, not rounded.
    pytest.param(0.192, 0.001, 0.1925, 4.0, 40.0 * 50.0, id="full heads on four corners"),
    # One quarter, two half heads and one full head of 4 gal/min each, of which 100 % + 2 × 50 % +
    # 25 % falls inside: 9 gal/min (published); 0.9625 in/h if the cell is 30 × 30 ft (derived).
    pytest.param(0.963, 0.0006, 0.9625, 4.0 * (1.0 + 0.5 + 0.5 + 0.25), 900.0, id="arc split"),
]


@pytest.mark.parametrize(
    ("published", "rounding", "by_hand", "flow", "area"), PUBLISHED_GROSS_RATES
)
def test_gross_precipitation_rate_published_examples_agree(
    published: float, rounding: float, by_hand: float, flow: float, area: float
) -> None:
    assert us_gross_rate(flow, area) == pytest.approx(published, abs=rounding)
    assert us_gross_rate(flow, area) == pytest.approx(by_hand, abs=1e-6)


def test_gross_precipitation_rate_published_examples_are_all_there() -> None:
    assert len(PUBLISHED_GROSS_RATES) == 4


def test_gross_precipitation_rate_quarter_heads_published_answer_counts_one_head() -> None:
    # NMSU Soils 456, answer 5.9: quarter circles of 0.25 L/s at each corner of 12 × 15 m; printed
    # 0.51 cm/h. That is one head's flow. All four quarters land inside: 1.0 L/s on 180 m² is
    # 3600 × 1.0/180 = 20 mm/h. Both numbers:
    assert float(gross_precipitation_rate(0.25 * 60.0, 180.0)) == pytest.approx(5.0, rel=1e-12)
    assert float(gross_precipitation_rate(4 * 0.25 * 60.0, 180.0)) == pytest.approx(20.0, rel=1e-12)
    # 5.0 mm/h is 0.197 in/h; the print's 0.2 in/h was turned back into 0.51 cm/h after rounding.


def test_gross_precipitation_rate_triangular_published_answer_has_factor_twice() -> None:
    # S. Wil, "Sprinkler Precipitation Rates", slide 7: rows 25 ft apart, heads 30 ft, 6 gal/min,
    # printed 577.8/649.5 = 0.89 in/h, with 0.866 applied to a spacing that is already the row
    # distance. 96.25 × 6/750 = 0.770; with the slip 0.8891.
    assert us_gross_rate(6.0, 25.0 * 30.0) == pytest.approx(0.770, abs=1e-9)
    assert us_gross_rate(6.0, 25.0 * 30.0 * 0.866) == pytest.approx(0.89, abs=0.005)


def test_gross_precipitation_rate_closed_lot_methods_agree() -> None:
    # 60 × 30 ft on a 15 ft lattice: 4 quarter heads (1), 8 half (2), 3 full (4 gal/min) = 32;
    # 96.25 × 32/1800 = 1.7111; by spacing 96.25 × 4/225 = 1.7111.
    assert us_gross_rate(4 * 1.0 + 8 * 2.0 + 3 * 4.0, 1800.0) == pytest.approx(1.711111, abs=1e-6)
    assert us_gross_rate(4.0, 225.0) == pytest.approx(1.711111, abs=1e-6)


# "Irrigation Notes: The Basics of Matched Precipitation", 2 pp., author not shown: radius 30 ft.
MATCHED_PRECIPITATION = [
    (4.0, 360.0, 0.136, 0.0005),
    (2.0, 180.0, 0.136, 0.0005),
    (1.0, 90.0, 0.136, 0.0005),
    (4.0, 180.0, 0.273, 0.001),  # 0.27234 (0.2725 with 96.3); printed 0.273, rounds to 0.272
    (4.0, 90.0, 0.545, 0.0005),  # 0.54469; one copy misplaces the point: ".0545"
]


@pytest.mark.parametrize(("flow", "arc", "published", "rounding"), MATCHED_PRECIPITATION)
def test_head_precipitation_rate_matched_precipitation_note_agrees(
    flow: float, arc: float, published: float, rounding: float
) -> None:
    assert us_head_rate(flow, 30.0, arc) == pytest.approx(published, abs=rounding)


def test_head_precipitation_rate_matched_precipitation_cases_are_all_there() -> None:
    assert len(MATCHED_PRECIPITATION) == 5


def test_head_precipitation_rate_quarter_of_equal_flow_is_four_times_full() -> None:
    # 30 ft, 4 gal/min: 96.25 × 4/(900π) = 0.13617 in/h; over a quarter of the circle 0.54469.
    assert us_head_rate(4.0, 30.0, 360.0) == pytest.approx(96.25 * 4 / (900 * math.pi), rel=1e-12)
    assert us_head_rate(4.0, 30.0, 360.0) == pytest.approx(0.1362, abs=1e-4)
    assert us_head_rate(4.0, 30.0, 90.0) == pytest.approx(0.5447, abs=1e-4)


def test_wetted_sector_area_thirty_feet_is_2827_square_feet() -> None:
    # The same note: 2,827 ft² for the full circle.
    area = float(wetted_sector_area(30.0 * METRES_PER_FOOT, 360.0))
    assert area / SQUARE_METRES_PER_SQUARE_FOOT == pytest.approx(2827.0, abs=0.5)


def test_catch_can_depth_pivot_collector_is_ten_volumes_over_throat() -> None:
    # 80 mm opening: π × 4² = 50.2655 cm²; 14 mL stand 140/50.2655 = 2.78521 mm deep.
    assert float(catch_can_depth(14.0, math.pi * 16.0)) == pytest.approx(2.78521, abs=1e-5)


def test_catch_can_depth_262_ml_per_inch_agrees() -> None:
    # PACE Turf, photo caption: 52 mL in a can with 262 mL to the inch is 0.2 in. The throat must
    # then be 262 cm³/2.54 cm = 103.15 cm² (15.99 in²); 52/262 = 0.198 in.
    depth_in = float(catch_can_depth(52.0, 262.0 / 2.54)) / MM_PER_INCH
    assert depth_in == pytest.approx(52.0 / 262.0, rel=1e-12)
    assert depth_in == pytest.approx(0.2, abs=0.005)


@pytest.mark.parametrize("throat_in2", [3.0, 16.0, 30.0])
def test_catch_can_depth_target_catch_is_one_depth_for_any_can(throat_in2: float) -> None:
    # Landscape Management, "How to do an irrigation audit": catch about 1.5 mL per in² of throat
    # (30 in²: 45 mL). That is 15/6.4516 = 2.32500 mm (0.0915 in) in any can.
    depth = float(catch_can_depth(1.5 * throat_in2, throat_in2 * CM2_PER_SQUARE_INCH))
    assert depth == pytest.approx(2.32500, abs=1e-5)


def test_catch_can_rate_five_cups_agrees() -> None:
    # Herriman City (Utah), sprinkler performance test: 0.1 in in each of five cups in 20 min is
    # 0.3 in/h: 0.1 × 60/20.
    rate = catch_can_rate(np.full(5, 0.1 * MM_PER_INCH), 20.0)
    assert rate / MM_PER_INCH == pytest.approx(np.full(5, 0.3), rel=1e-12)


def test_catch_can_rate_us_volume_form_agrees() -> None:
    # University of Maryland irrigation course 4.7: in/h = 3.66·mL/(min·in²); the factor is
    # 60/16.387064 = 3.66142 exactly. One mL, one minute, one square inch:
    depth = catch_can_depth(1.0, CM2_PER_SQUARE_INCH)
    assert float(catch_can_rate(depth, 1.0)) / MM_PER_INCH == pytest.approx(
        60.0 / 16.387064, rel=1e-12
    )
    assert float(catch_can_rate(depth, 1.0)) / MM_PER_INCH == pytest.approx(3.66, abs=0.005)


@given(
    flow=st.floats(1e-3, 1e3),
    radius=st.floats(0.1, 50.0),
    arc=st.floats(1.0, 360.0),
    factor=st.floats(0.01, 100.0),
)
def test_head_precipitation_rate_scaled_flow_scales(
    flow: float, radius: float, arc: float, factor: float
) -> None:
    once = float(head_precipitation_rate(flow, radius, arc))
    assert float(head_precipitation_rate(factor * flow, radius, arc)) == pytest.approx(
        factor * once
    )
    # Matched rate: flow in proportion to the arc leaves the rate as it was.
    assert float(head_precipitation_rate(flow * 0.5, radius, arc * 0.5)) == pytest.approx(once)


def test_head_precipitation_rate_nan_passes_through() -> None:
    rates = head_precipitation_rate([np.nan, 1.0], [3.0, np.nan], [360.0, 360.0])
    assert np.isnan(rates).all()
