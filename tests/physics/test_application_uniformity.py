"""Uniformity measures against published readings, hand-worked tables and provable properties."""

from __future__ import annotations

import csv
import math
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from geoirrig.physics.application_uniformity import (
    christiansen_uniformity,
    heermann_hein_uniformity,
    low_half_uniformity,
    low_quarter_uniformity,
    run_time_multiplier_low_half,
    run_time_multiplier_low_quarter,
    scheduling_coefficient,
)
from geoirrig.physics.precipitation_rate import catch_can_depth

PIVOT = Path(__file__).parents[1] / "data" / "pivot_transects.csv"

readings = st.lists(st.floats(0.0, 1e3).map(lambda x: round(x, 3)), min_size=1, max_size=60).filter(
    lambda x: sum(x) > 0.0
)
weights = st.floats(0.01, 10.0)


def pivot_transect(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Distance [m] and depth [mm] of one line of collectors; citation in tests/data."""
    with PIVOT.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["transect"] == name]
    distance = np.array([float(row["distance_m"]) for row in rows])
    volume = np.array([float(row["volume_ml"]) for row in rows])
    return distance, catch_can_depth(volume, math.pi * 4.0**2)  # 80 mm opening: π × (4 cm)²


# --- published readings --------------------------------------------------------------------------


def test_pivot_transects_are_whole() -> None:
    for name, first, last_volume in (("A", 4.83, 12.5), ("B", 4.58, 10.5)):
        distance, depth = pivot_transect(name)
        assert distance.size == depth.size == 157
        assert distance[0] == first
        assert distance[104] - distance[103] == pytest.approx(1.5)  # collectors 104 to 105
        assert depth[-1] == pytest.approx(10.0 * last_volume / 50.2655, rel=1e-5)


# Brito Oliveira 2025, doi 10.5281/zenodo.18495332: published mean depth and CU to 4 decimals.
@pytest.mark.parametrize(
    ("name", "mean_mm", "cu_pct"), [("A", 2.7741, 90.9838), ("B", 2.7889, 89.5251)]
)
def test_heermann_hein_uniformity_published_pivot_transects_agree(
    name: str, mean_mm: float, cu_pct: float
) -> None:
    distance, depth = pivot_transect(name)
    assert np.average(depth, weights=distance) == pytest.approx(mean_mm, abs=5e-5)
    assert 100.0 * heermann_hein_uniformity(depth, distance) == pytest.approx(cu_pct, abs=5e-5)


# The same readings unweighted: computed for this project by separate code, not published.
@pytest.mark.parametrize(
    ("name", "cu_pct", "du_lq_pct"), [("A", 88.78, 82.63), ("B", 86.93, 77.21)]
)
def test_unweighted_uniformity_pivot_transects_agree(
    name: str, cu_pct: float, du_lq_pct: float
) -> None:
    _, depth = pivot_transect(name)
    assert 100.0 * christiansen_uniformity(depth) == pytest.approx(cu_pct, abs=0.005)
    assert 100.0 * low_quarter_uniformity(depth) == pytest.approx(du_lq_pct, abs=0.005)


def test_uniformity_four_published_readings_agree() -> None:
    # New Mexico State University, Soils 456, answers 5.6 and 5.10: 1.0, 0.9, 0.7, 1.2 in. Mean
    # 0.95; CU = 1 − (0.05 + 0.05 + 0.25 + 0.25)/3.8 = 0.84211; low quarter 0.7/0.95 = 0.73684;
    # mean over driest 0.95/0.7 = 1.35714 (printed 1.35: cut, not rounded).
    depth = np.array([1.0, 0.9, 0.7, 1.2])
    assert christiansen_uniformity(depth) == pytest.approx(0.84211, abs=1e-5)
    assert low_quarter_uniformity(depth) == pytest.approx(0.73684, abs=1e-5)
    assert scheduling_coefficient(depth[None, :]) == pytest.approx(1.35714, abs=1e-5)
    assert math.floor(100.0 * scheduling_coefficient(depth[None, :])) / 100.0 == 1.35


def test_scheduling_coefficient_published_run_times_agree() -> None:
    # Horticulture course notes, "Design considerations", item 4: mean 12, driest 7 mm/h, 9 mm
    # needed: 12/7 = 1.714 (printed 1.7), 1.714 × 9/12 = 1.286 h (printed 1.3).
    coefficient = scheduling_coefficient(np.array([[7.0, 12.0, 17.0]]))
    assert coefficient == pytest.approx(1.7, abs=0.05)
    assert coefficient * 9.0 / 12.0 == pytest.approx(1.3, abs=0.05)
    # California State University Fresno, Irrigation Notes 880802: 30 min at the mean rate and a
    # coefficient of 1.8 make 54 min. Mean 9, driest 5.
    assert 30.0 * scheduling_coefficient(np.array([[5.0, 9.0, 13.0]])) == pytest.approx(54.0)


def test_low_quarter_uniformity_published_requirement_agrees() -> None:
    # Encyclopaedia entry: uniformity 75 % and a need of 1 in make 1.33 in. 3 over a mean of 4.
    du_lq = low_quarter_uniformity([4.0, 3.0, 5.0, 4.0])
    assert 1.0 / du_lq == pytest.approx(1.33, abs=0.005)


def test_run_time_multipliers_published_pair_agree() -> None:
    # von Bernuth and Mecham, "Defining the run time multiplier": low half 0.810, low quarter 0.772.
    # 1/0.810 = 1.2346; 1/(0.4 + 0.6 × 0.772) = 1/0.8632 = 1.1585: the estimate from the quarter
    # falls short of the half by 5 points here.
    assert float(run_time_multiplier_low_half(0.810)) == pytest.approx(1.235, abs=5e-4)
    assert float(run_time_multiplier_low_quarter(0.772)) == pytest.approx(1.158, abs=6e-4)


def test_run_time_multipliers_worked_table_agrees() -> None:
    # 1/(0.4 + 0.6·DU) and 1/DU, worked by hand: 0.4 + 0.6 × 0.40 = 0.64, 1/0.64 = 1.5625; and on.
    du = np.array([40, 50, 55, 60, 65, 70, 75, 80, 85, 90]) / 100.0
    low_quarter = [1.5625, 1.4286, 1.3699, 1.3158, 1.2658, 1.2195, 1.1765, 1.1364, 1.0989, 1.0638]
    low_half = [2.5, 2.0, 1.8182, 1.6667, 1.5385, 1.4286, 1.3333, 1.25, 1.1765, 1.1111]
    assert run_time_multiplier_low_quarter(du) == pytest.approx(low_quarter, abs=5e-5)
    assert run_time_multiplier_low_half(du) == pytest.approx(low_half, abs=5e-5)


# --- hand-worked ---------------------------------------------------------------------------------


# Readings 1 … n, so mean m = (n + 1)/2. Low quarter with exactly n/4 readings, in percent: n = 5:
# (1 + 0.25 × 2)/1.25 = 1.2 over 3 = 40.00; n = 6: (1 + 0.5 × 2)/1.5 over 3.5 = 38.10; n = 13:
# (1 + 2 + 3 + 0.25 × 4)/3.25 over 7 = 30.77. CU: n = 5: 1 − (2 + 1 + 0 + 1 + 2)/15 = 60.00.
# No standard read fixes the rule for such counts; rounding n/4 down would give 33.33 for n = 5 and
# rounding up 50.00.
RISING_READINGS = [
    (5, 40.00, 60.00, 3.0),
    (6, 38.10, 57.14, 3.5),
    (7, 35.71, 57.14, 4.0),
    (9, 33.33, 55.56, 5.0),
    (10, 32.73, 54.55, 5.5),
    (13, 30.77, 53.85, 7.0),
    (15, 30.00, 53.33, 8.0),
]


@pytest.mark.parametrize(("n", "du_lq_pct", "cu_pct", "mean_over_least"), RISING_READINGS)
def test_uniformity_count_not_divisible_by_four_takes_exact_quarter(
    n: int, du_lq_pct: float, cu_pct: float, mean_over_least: float
) -> None:
    depth = np.arange(1.0, n + 1.0)
    assert 100.0 * low_quarter_uniformity(depth) == pytest.approx(du_lq_pct, abs=0.005)
    assert 100.0 * low_quarter_uniformity(depth, np.full(n, 3.0)) == pytest.approx(
        du_lq_pct, abs=0.005
    )
    assert 100.0 * christiansen_uniformity(depth) == pytest.approx(cu_pct, abs=0.005)
    assert scheduling_coefficient(depth[None, :]) == pytest.approx(mean_over_least, rel=1e-12)


def test_low_uniformity_unequal_areas_hand_worked() -> None:
    # Depths 2, 4, 6 on 1, 2, 5 m²: total 8, mean (2 + 8 + 30)/8 = 5. Quarter, 2 m²: 1 m² of 2 and
    # 1 m² of 4: 3 → 0.6. Half, 4 m²: 1 of 2, 2 of 4, 1 of 6: 16/4 = 4 → 0.8.
    # CU: 1 − (3 × 1 + 1 × 2 + 1 × 5)/40 = 0.75.
    depth, area = [6.0, 2.0, 4.0], [5.0, 1.0, 2.0]
    assert low_quarter_uniformity(depth, area) == pytest.approx(0.6, rel=1e-12)
    assert low_half_uniformity(depth, area) == pytest.approx(0.8, rel=1e-12)
    assert christiansen_uniformity(depth, area) == pytest.approx(0.75, rel=1e-12)


def test_low_half_uniformity_odd_count_takes_half_of_the_middle() -> None:
    # 1, 2, 6: half is 1.5 readings: (1 + 0.5 × 2)/1.5 = 1.3333 over a mean of 3.
    assert low_half_uniformity([6.0, 1.0, 2.0]) == pytest.approx(4.0 / 9.0, rel=1e-12)


def test_christiansen_uniformity_one_wet_cell_in_ten_is_negative() -> None:
    # Mean 1, deviations 9 × 1 + 9 = 18; 1 − 18/10 = −0.8.
    assert christiansen_uniformity([10.0] + [0.0] * 9) == pytest.approx(-0.8, rel=1e-12)


def test_heermann_hein_uniformity_hand_worked() -> None:
    # Depths 1, 2 at 1, 3 m: m = 7/4; deviations 1 × 0.75 + 3 × 0.25 = 1.5; 1 − 1.5/7 = 0.785714.
    assert heermann_hein_uniformity([1.0, 2.0], [1.0, 3.0]) == pytest.approx(11.0 / 14.0, rel=1e-12)


def test_uniformity_normal_law_has_its_constants() -> None:
    # For a normal law: CU = 1 − √(2/π)·CV and DUlh the same; DUlq = 1 − 1.27111·CV, from the
    # density at the lower quartile over 0.25: 0.317777/0.25 = 1.27111.
    cv, n = 0.1, 200_000
    depth = 1.0 + cv * stats.norm.ppf((np.arange(n) + 0.5) / n)
    at_quartile = float(stats.norm.pdf(stats.norm.ppf(0.25))) / 0.25
    assert at_quartile == pytest.approx(1.27111, abs=1e-5)
    assert low_quarter_uniformity(depth) == pytest.approx(1.0 - at_quartile * cv, abs=1e-5)
    assert low_half_uniformity(depth) == pytest.approx(1.0 - math.sqrt(2 / math.pi) * cv, abs=1e-5)
    assert christiansen_uniformity(depth) == pytest.approx(
        1.0 - math.sqrt(2 / math.pi) * cv, abs=1e-5
    )


# --- properties ----------------------------------------------------------------------------------


@given(readings, st.floats(0.01, 100.0), st.randoms(use_true_random=False))
def test_uniformity_scaled_and_reordered_does_not_change(
    depth: list[float], factor: float, random: object
) -> None:
    shuffled = list(depth)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    for measure in (christiansen_uniformity, low_quarter_uniformity, low_half_uniformity):
        once = measure(depth)
        assert measure(np.array(shuffled) * factor) == pytest.approx(once, rel=1e-9, abs=1e-9)


@given(readings)
def test_uniformity_measures_keep_their_order(depth: list[float]) -> None:
    cu, low_quarter = christiansen_uniformity(depth), low_quarter_uniformity(depth)
    low_half = low_half_uniformity(depth)
    assert cu <= low_half + 1e-9
    assert 2.0 * cu - 1.0 <= low_quarter + 1e-9
    assert -1e-9 <= low_quarter <= low_half + 1e-9
    assert low_half <= 1.0 + 1e-9


@given(st.data())
def test_uniformity_weighted_measures_keep_their_order(data: st.DataObject) -> None:
    depth = data.draw(readings)
    area = data.draw(st.lists(weights, min_size=len(depth), max_size=len(depth)))
    cu, low_quarter = christiansen_uniformity(depth, area), low_quarter_uniformity(depth, area)
    low_half = low_half_uniformity(depth, area)
    assert cu <= low_half + 1e-9
    assert 2.0 * cu - 1.0 <= low_quarter + 1e-9
    assert -1e-9 <= low_quarter <= low_half + 1e-9
    assert low_half <= 1.0 + 1e-9


@given(st.lists(st.tuples(st.floats(0.0, 50.0), st.integers(1, 5)), min_size=1, max_size=30))
def test_uniformity_whole_weights_are_repeated_readings(cells: list[tuple[float, int]]) -> None:
    depth, repeats = np.array([c[0] for c in cells]) + 0.1, np.array([c[1] for c in cells])
    for measure in (christiansen_uniformity, low_quarter_uniformity, low_half_uniformity):
        assert measure(depth, repeats) == pytest.approx(
            measure(np.repeat(depth, repeats)), rel=1e-9, abs=1e-9
        )


@given(st.lists(st.floats(0.1, 9.0), min_size=1, max_size=20))
def test_uniformity_symmetric_field_has_cu_equal_to_low_half(deviations: list[float]) -> None:
    depth = np.concatenate([10.0 - np.array(deviations), 10.0 + np.array(deviations)])
    assert christiansen_uniformity(depth) == pytest.approx(low_half_uniformity(depth), rel=1e-9)


@given(st.floats(0.01, 100.0), st.integers(1, 200))
def test_uniformity_equal_readings_are_perfect(depth: float, n: int) -> None:
    field = np.full(n, depth)
    assert christiansen_uniformity(field) == pytest.approx(1.0, abs=1e-12)
    assert low_quarter_uniformity(field) == pytest.approx(1.0, rel=1e-12)
    assert low_half_uniformity(field) == pytest.approx(1.0, rel=1e-12)
    assert scheduling_coefficient(field[None, :], window_fraction=1e-4) == pytest.approx(1.0)


def test_low_quarter_uniformity_more_than_a_quarter_dry_is_zero() -> None:
    assert low_quarter_uniformity([0.0, 0.0, 0.0] + [5.0] * 7) == 0.0
    assert low_quarter_uniformity([0.0] + [5.0] * 3) == 0.0
    assert low_quarter_uniformity([0.0] + [5.0] * 4) > 0.0  # a fifth is dry


# --- edges ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "measure", [low_quarter_uniformity, low_half_uniformity, christiansen_uniformity]
)
def test_uniformity_nothing_to_measure_is_nan(measure: object) -> None:
    for arguments in (([],), ([], []), ([0.0, 0.0],), ([1.0, 2.0], [0.0, 0.0]), ([1.0, np.nan],)):
        assert math.isnan(measure(*arguments))  # type: ignore[operator]
    assert math.isnan(measure([1.0, np.nan], [1.0, 1.0]))  # type: ignore[operator]


@pytest.mark.parametrize("n", [1, 2, 3, 4])
def test_low_quarter_uniformity_few_readings_take_the_least(n: int) -> None:
    # With at most four readings a quarter is at most one reading: least over mean.
    depth = np.arange(2.0, 2.0 + n)
    assert low_quarter_uniformity(depth) == pytest.approx(2.0 / depth.mean(), rel=1e-12)


def test_uniformity_leaves_its_argument_alone_and_takes_single_precision() -> None:
    depth = np.array([3, 1, 2, 5, 4], dtype=np.float32)
    before = depth.copy()
    assert low_quarter_uniformity(depth) == pytest.approx(1.2 / 3.0, rel=1e-12)
    assert np.array_equal(depth, before)


# --- the driest window ---------------------------------------------------------------------------


def driest_window_by_loops(depth: np.ndarray, window_fraction: float) -> float:
    """The definition, window by window."""
    on = ~np.isnan(depth)
    side = max(1, round(math.sqrt(window_fraction * on.sum())))
    rows, cols = depth.shape
    means = []
    for row in range(-side + 1, rows):
        for col in range(-side + 1, cols):
            window = depth[max(row, 0) : row + side, max(col, 0) : col + side]
            inside = window[~np.isnan(window)]
            if 2 * inside.size >= side**2:
                means.append(inside.mean())
    if not means or depth[on].mean() == 0.0:
        return math.nan
    return math.inf if min(means) == 0.0 else float(depth[on].mean() / min(means))


@given(
    rows=st.integers(1, 14),
    cols=st.integers(1, 14),
    off=st.floats(0.0, 0.7),
    fraction=st.sampled_from([0.01, 0.05, 0.2, 0.5]),
    seed=st.integers(0, 10_000),
)
def test_scheduling_coefficient_any_field_agrees_with_its_definition(
    rows: int, cols: int, off: float, fraction: float, seed: int
) -> None:
    random = np.random.default_rng(seed)
    depth = random.integers(0, 4, size=(rows, cols)) * 0.7
    depth[random.random(depth.shape) < off] = np.nan
    if np.isnan(depth).all():
        return
    assert scheduling_coefficient(depth, window_fraction=fraction) == pytest.approx(
        driest_window_by_loops(depth, fraction), rel=1e-9, nan_ok=True
    )


def test_scheduling_coefficient_hand_worked_window_of_four_cells() -> None:
    # 8 × 10 cells of 2, one block of 2 × 2 at 1: 5 % of 80 is 4 cells, a window of 2 × 2.
    # Mean (76 × 2 + 4)/80 = 1.95; lowest window 1.
    depth = np.full((8, 10), 2.0)
    depth[3:5, 6:8] = 1.0
    assert scheduling_coefficient(depth) == pytest.approx(1.95, rel=1e-12)


def test_scheduling_coefficient_window_half_on_the_area_counts() -> None:
    # A dry corner cell: 2 × 2 windows that stick out see 2 of 4 cells at the edge (counts) but only
    # 1 of 4 in the corner (skipped). Lowest: the corner cell 0 with one edge neighbour 2: mean 1.
    # Mean of all (79 × 2)/80 = 1.975.
    depth = np.full((8, 10), 2.0)
    depth[0, 0] = 0.0
    assert scheduling_coefficient(depth) == pytest.approx(1.975, rel=1e-12)


def test_scheduling_coefficient_cells_off_the_area_do_not_count() -> None:
    # The same block in a field with NaN round it: nothing changes.
    depth = np.full((30, 30), np.nan)
    depth[10:18, 15:25] = 2.0
    depth[13:15, 20:22] = 1.0
    assert scheduling_coefficient(depth) == pytest.approx(1.95, rel=1e-12)


def test_scheduling_coefficient_dry_window_is_infinite() -> None:
    # Awkward decimals, so that running sums leave rounding behind where the ground is dry.
    depth = np.full((40, 40), 0.1) + np.arange(40) * 0.07
    depth[12:24, 20:32] = 0.0
    assert scheduling_coefficient(depth) == math.inf


def test_scheduling_coefficient_nothing_to_measure_is_nan() -> None:
    assert math.isnan(scheduling_coefficient(np.full((3, 3), np.nan)))
    assert math.isnan(scheduling_coefficient(np.zeros((9, 9))))
    # A strip one cell wide and 2,000 long: the window would be 10 × 10, never half full.
    assert math.isnan(scheduling_coefficient(np.ones((1, 2000))))


@pytest.mark.parametrize("shape", [(1500, 1500), (1, 2_000_000)])
def test_scheduling_coefficient_work_goes_with_the_cells(shape: tuple[int, int]) -> None:
    # Seconds would be needed if the work grew with the window too (5 % of 2 million cells).
    start = time.perf_counter()
    scheduling_coefficient(np.ones(shape))
    assert time.perf_counter() - start < 3.0
