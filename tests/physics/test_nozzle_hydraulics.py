"""Nozzle flow and radius against orifice theory, published tables and hand-worked cases."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.physics.nozzle_hydraulics import (
    NozzleTests,
    flow_and_radius,
    flow_at_pressure,
    orifice_flow,
    radius_at_pressure,
    throw_of_heads,
    value_at_arc,
)
from geoirrig.units import KPA_PER_PSI, LITRES_PER_US_GALLON, MM_PER_INCH

DATA = Path(__file__).parents[1] / "data" / "nozzle_discharge.csv"


def discharge(table: str) -> dict[float, dict[float, float]]:
    """Flow [US gal/min] by diameter [in] and pressure [psi]; see the table's own citation."""
    flows: dict[float, dict[float, float]] = {}
    with DATA.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["table"] == table:
                column = flows.setdefault(float(row["diameter_in"]), {})
                column[float(row["pressure_psi"])] = float(row["flow_us_gpm"])
    return flows


LEAFLET, DATA_BOOK = discharge("extension_leaflet"), discharge("data_book")


def us_orifice_flow(diameter_in: float, pressure_psi: float, coefficient: float = 1.0) -> float:
    flow = orifice_flow(diameter_in * MM_PER_INCH, pressure_psi * KPA_PER_PSI, coefficient)
    return float(flow) / LITRES_PER_US_GALLON


def test_discharge_tables_are_whole() -> None:
    assert sum(len(column) for column in LEAFLET.values()) == 20
    assert sum(len(column) for column in DATA_BOOK.values()) == 4


def test_orifice_flow_quarter_inch_20_psi_is_8_34_gpm() -> None:
    # v = √(2 × 137,895 Pa/998.2) = 16.622 m/s; A = π/4 × (6.35 mm)² = 31.669 mm²;
    # 0.52640 L/s = 8.344 US gal/min.
    assert us_orifice_flow(0.25, 20.0) == pytest.approx(8.344, abs=0.001)
    assert us_orifice_flow(0.25, 20.0) == pytest.approx(8.34, rel=5e-3)


def test_orifice_flow_data_book_agrees() -> None:
    for diameter, column in DATA_BOOK.items():
        for pressure, flow in column.items():
            # Half a unit of the printed digit, and the print's own constant is within 0.2 %.
            assert us_orifice_flow(diameter, pressure) == pytest.approx(
                flow, abs=0.05 + 0.002 * flow
            )


def test_orifice_flow_extension_leaflet_has_real_coefficients() -> None:
    # Stated of the same table: coefficients 0.963 to 0.982 (the last digit printed moves them by
    # 0.0015 in the smallest column).
    for diameter, column in LEAFLET.items():
        for pressure, flow in column.items():
            coefficient = flow / us_orifice_flow(diameter, pressure)
            assert 0.963 - 0.0015 <= coefficient <= 0.982 + 0.0015, (diameter, pressure)


def test_flow_at_pressure_extension_leaflet_follows_the_square_root() -> None:
    # From the one test at 45 psi alone. The table's coefficients lie between 0.963 and 0.982, so
    # two of its rows may differ by 0.982/0.963 − 1 = 2.0 % from a perfect square root.
    for column in LEAFLET.values():
        pressures, flows = np.array(list(column)), np.array(list(column.values()))
        computed = flow_at_pressure(pressures, [45.0], [column[45.0]])
        assert computed == pytest.approx(flows, rel=0.982 / 0.963 - 1.0)


def test_flow_at_pressure_between_tests_reproduces_the_leaflet() -> None:
    # From the tests at 35 and 55 psi; the three rows between come back within half of that band.
    # The printed rows themselves scatter: from 35 to 45 psi the 7/32 in column rises with exponent
    # ln(9.41/8.26)/ln(45/35) = 0.519, from there to 55 psi with ln(10.30/9.41)/ln(55/45) = 0.450.
    for column in LEAFLET.values():
        pressures = np.array([40.0, 45.0, 50.0])
        computed = flow_at_pressure(pressures, [35.0, 55.0], [column[35.0], column[55.0]])
        printed = np.array([column[pressure] for pressure in pressures])
        assert computed == pytest.approx(printed, rel=(0.982 / 0.963 - 1.0) / 2.0)


def test_flow_at_pressure_hand_worked_constant_is_linear_between_tests() -> None:
    # K: 10/√100 = 1.0 and 12/√225 = 0.8. At 144 kPa: 1.0 − 0.2 × 44/125 = 0.9296; × 12 = 11.1552.
    # Beside the tests the nearest constant holds: 64 kPa 1.0 × 8 = 8; 400 kPa 0.8 × 20 = 16.
    flows = flow_at_pressure([144.0, 64.0, 400.0, 100.0, 225.0], [100.0, 225.0], [10.0, 12.0])
    assert flows == pytest.approx([11.1552, 8.0, 16.0, 10.0, 12.0], rel=1e-12)


def test_flow_at_pressure_regulated_head_stays_flat_between_tests() -> None:
    # A regulated body tested at 200 and 400 kPa with the same flow: K falls from 0.7071 to 0.5.
    # At 300 kPa: (0.70711 + 0.5)/2 × 17.3205 = 10.4539, 4.5 % above flat (the cost of linear K).
    assert float(flow_at_pressure(300.0, [200.0, 400.0], [10.0, 10.0])) == pytest.approx(
        10.4539, abs=1e-4
    )


def test_flow_at_pressure_row_order_does_not_matter() -> None:
    at = np.linspace(50.0, 500.0, 19)
    rising = flow_at_pressure(at, [100.0, 200.0, 300.0], [5.0, 7.0, 8.4])
    shuffled = flow_at_pressure(at, [300.0, 100.0, 200.0], [8.4, 5.0, 7.0])
    assert np.array_equal(rising, shuffled)


def test_flow_at_pressure_nan_gives_nan() -> None:
    assert np.isnan(flow_at_pressure(np.nan, [100.0], [5.0]))
    assert np.isnan(radius_at_pressure(np.nan, [100.0], [5.0], pressure_max_kpa=200.0))


@given(st.floats(10.0, 1000.0), st.floats(10.0, 1000.0), st.floats(0.1, 100.0))
def test_flow_at_pressure_four_times_pressure_doubles_flow(
    p: float, tested: float, q: float
) -> None:
    once = float(flow_at_pressure(p, [tested], [q]))
    assert float(flow_at_pressure(4.0 * p, [tested], [q])) == pytest.approx(2.0 * once, rel=1e-12)


def test_radius_at_pressure_hand_worked_three_ranges() -> None:
    # One test, 6 m at 200 kPa, rated from 160 to 256 kPa.
    # Inside: 256 kPa: 6 × 1.28^¼ = 6 × 1.063659 = 6.381956. Above: 500 kPa gives the same.
    # Below: R(160) = 6 × 0.8^¼ = 5.674450; at 40 kPa × (40/160)^½ = 2.837225.
    radii = radius_at_pressure(
        [200.0, 256.0, 500.0, 160.0, 40.0],
        [200.0],
        [6.0],
        pressure_min_kpa=160.0,
        pressure_max_kpa=256.0,
    )
    assert radii == pytest.approx([6.0, 6.381956, 6.381956, 5.674450, 2.837225], abs=1e-5)


def test_radius_at_pressure_without_limits_is_a_fourth_root_everywhere() -> None:
    # 16 times the pressure, twice the radius, both ways.
    radii = radius_at_pressure([3200.0, 12.5], [200.0], [6.0])
    assert radii == pytest.approx([12.0, 3.0], rel=1e-12)


def test_radius_at_pressure_one_limit_per_head_acts_alone() -> None:
    # Arrays of limits, NaN where not stated: head 1 has only an upper one, head 2 only a lower.
    radii = radius_at_pressure(
        [3200.0, 12.5],
        [200.0],
        [6.0],
        pressure_min_kpa=[np.nan, 50.0],
        pressure_max_kpa=[200.0, np.nan],
    )
    # Head 1: that at 200 kPa, 6 m. Head 2: R(50) = 6 × 0.25^¼ = 4.242641; × √(12.5/50) = 2.121320.
    assert radii == pytest.approx([6.0, 2.121320], abs=1e-6)


@given(
    st.lists(
        st.tuples(st.floats(100.0, 400.0), st.floats(1.0, 20.0)),
        min_size=1,
        max_size=6,
        unique_by=lambda test: round(test[0]),
    )
)
def test_radius_and_flow_at_pressure_tested_rows_come_back(
    tests: list[tuple[float, float]],
) -> None:
    pressure, value = (np.array(column) for column in zip(*tests, strict=True))
    radius = radius_at_pressure(
        pressure, pressure, value, pressure_min_kpa=100.0, pressure_max_kpa=400.0
    )
    assert radius == pytest.approx(value, rel=1e-12)
    assert flow_at_pressure(pressure, pressure, value) == pytest.approx(value, rel=1e-12)


@given(st.floats(20.0, 900.0))
def test_radius_at_pressure_is_continuous_at_the_ends_of_the_range(end: float) -> None:
    step = 1e-9 * end
    for name in ("pressure_min_kpa", "pressure_max_kpa"):
        low, high = radius_at_pressure([end - step, end + step], [200.0], [6.0], **{name: end})
        assert low == pytest.approx(high, rel=1e-8)


def test_value_at_arc_flow_beside_tests_keeps_the_rate_matched() -> None:
    # Tested 90° 2 L/min, 180° 3.6 L/min. 45°: 2 × 45/90 = 1. 120°: 2 + 1.6/3 = 2.533333.
    # 360°: 3.6 × 2 = 7.2.
    flows = value_at_arc(
        [45.0, 90.0, 120.0, 180.0, 360.0], [90, 180], [2.0, 3.6], proportional=True
    )
    assert flows == pytest.approx([1.0, 2.0, 2.533333, 3.6, 7.2], abs=1e-6)


def test_value_at_arc_full_circle_row_scales_down() -> None:
    # A row for the full circle, 12 L/min: a quarter gives 3.
    assert float(value_at_arc(90.0, [360.0], [12.0], proportional=True)) == pytest.approx(3.0)


def test_value_at_arc_radius_beside_tests_keeps_the_nearest() -> None:
    radii = value_at_arc([45.0, 135.0, 360.0], [180.0, 90.0], [5.0, 4.0], proportional=False)
    assert radii == pytest.approx([4.0, 4.5, 5.0], rel=1e-12)


def test_orifice_flow_metric_and_us_constants_agree() -> None:
    # L/min = 0.06670·d²·√P with mm and kPa; gal/min = 29.85·d²·√P with inch and psi.
    assert float(orifice_flow(1.0, 1.0)) == pytest.approx(0.06670, abs=5e-6)
    assert us_orifice_flow(1.0, 1.0) == pytest.approx(29.85, abs=5e-3)
    # Hydraulic Institute data book: 19.636·d²·√h, h in feet of water (2.3067 ft of water per psi
    # at 62.43 lb/ft³): 19.636 × √2.3067 = 29.823, 0.1 % less.
    assert us_orifice_flow(1.0, 1.0) == pytest.approx(19.636 * math.sqrt(2.3067), rel=2e-3)


def one_nozzle() -> NozzleTests:
    """A quarter and a half circle, each at 100 and at 400 kPa; rated from 100 to 400 kPa."""
    return NozzleTests(
        arc_deg=np.array([90.0, 90.0, 180.0, 180.0]),
        pressure_kpa=np.array([100.0, 400.0, 100.0, 400.0]),
        flow_lpm=np.array([2.0, 4.0, 4.0, 8.0]),
        radius_m=np.array([3.0, 3.0, 4.0, 4.0]),
        pressure_min_kpa=100.0,
        pressure_max_kpa=400.0,
    )


def test_flow_and_radius_hand_worked_between_arcs_and_pressures() -> None:
    # K is 0.2 at 90° and 0.4 at 180° at both pressures, so 0.3 at 135°: 0.3·√225 = 4.5 L/min.
    # R at 400 kPa is 3 m and 4 m, the mean of them 3.5 m.
    flow, _ = flow_and_radius(np.array([225.0]), np.array([135.0]), one_nozzle())
    assert flow.tolist() == pytest.approx([4.5])
    at_test = flow_and_radius(np.array([400.0, 400.0]), np.array([135.0, 45.0]), one_nozzle())
    assert at_test[0].tolist() == pytest.approx([6.0, 2.0])  # beside the tests it goes with the arc
    assert at_test[1].tolist() == pytest.approx([3.5, 3.0])


def test_throw_of_heads_what_is_stated_stands_and_the_rest_is_looked_up() -> None:
    nan = np.nan
    flow, radius = throw_of_heads(
        np.array([1, 0, 1, 1, 0]),
        [None, one_nozzle()],
        np.array([100.0, 100.0, 400.0, nan, 400.0]),
        np.array([90.0, 90.0, 180.0, 90.0, 360.0]),
        (np.array([nan, nan, nan, nan, 9.0]), np.array([nan, nan, 2.5, nan, 5.0])),
    )
    np.testing.assert_allclose(flow, [2.0, nan, 8.0, nan, 9.0])
    np.testing.assert_allclose(radius, [3.0, nan, 2.5, nan, 5.0])


def test_throw_of_heads_many_nozzles_each_as_by_itself() -> None:
    n_nozzles, n_heads = 300, 900  # more nozzles than a byte counts
    rng = np.random.default_rng(3)
    nozzle = rng.integers(0, n_nozzles, n_heads).astype(np.int32)
    tests = [replace(one_nozzle(), flow_lpm=rng.uniform(1.0, 9.0, 4)) for _ in range(n_nozzles)]
    pressure, arc = rng.uniform(80.0, 500.0, n_heads), rng.uniform(45.0, 360.0, n_heads)
    stated = np.where(rng.random((2, n_heads)) < 0.5, np.nan, 7.0)
    found = throw_of_heads(nozzle, tests, pressure, arc, (stated[0], stated[1]))
    for head in range(n_heads):
        own = flow_and_radius(
            pressure[head : head + 1], arc[head : head + 1], tests[int(nozzle[head])]
        )
        for values, own_stated, looked_up in zip(found, stated, own, strict=True):
            expected = looked_up[0] if np.isnan(own_stated[head]) else own_stated[head]
            assert values[head] == pytest.approx(expected, rel=1e-14)


def test_throw_of_heads_no_heads() -> None:
    nothing = np.empty(0)
    flow, radius = throw_of_heads(
        np.empty(0, dtype=np.int32), [one_nozzle()], nothing, nothing, (nothing, nothing)
    )
    assert flow.shape == radius.shape == (0,)
