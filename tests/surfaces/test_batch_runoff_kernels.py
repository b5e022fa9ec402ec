"""A run over one cell, and the event in gardens, against the model worked interval by interval."""

from __future__ import annotations

from dataclasses import replace

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from geoirrig.block_instructions import BLOCK
from geoirrig.cell_blocks import run_over_surfaces
from geoirrig.physics.surface_storage import event_runoff_surface_storage
from geoirrig.records import AnalysisSettings, EventPlan, PrecipitationSurface
from geoirrig.surfaces import batch_runoff_kernels as kernels
from geoirrig.surfaces.batch_measures import BatchGroups
from geoirrig.surfaces.precipitation_surface import (
    event_plan,
    precipitation_surface,
    served_rates,
)
from geoirrig.surfaces.terrain_surface import terrain_surface
from geoirrig.surfaces.turf_cells import site_grid, turf_cells
from geoirrig.surfaces.turf_soil import (
    intake_log_sd,
    intake_rates_mm_h,
    storage_log_sd,
    turf_soil,
)
from geoirrig.units import FloatArray
from tests.surfaces.many_lawns import Gardens, many_lawns, one_garden
from tests.surfaces.test_batch_measures import CLOSE, assert_same, measured, one_by_one

OUTER_DEVIATE = 1.6448536269514722  # 95 % quantile of the standard normal, by the tables


# --- one run -------------------------------------------------------------------------------------


@numba.njit
def _run_over(
    rates: NDArray[np.float32],
    surface: tuple[FloatArray, FloatArray],
    lanes: int,
    run: tuple[float, float, float, float, float],
    soils: tuple[float, float],
) -> tuple[float, float]:
    return run_over_surfaces(rates, 0, surface, (0, lanes), run, soils)  # type: ignore[no-any-return]


def run_over(
    stored_mm: float, rate_mm_h: float, run: tuple[float, float, float], soil: tuple[float, float]
) -> tuple[float, float]:
    """What a run of (hours of a cycle, soaks, hours of a soak) sheds of one cell, and leaves."""
    rates = np.full(BLOCK, rate_mm_h, dtype=np.float32)
    clock, stored = np.zeros(BLOCK), np.full(BLOCK, stored_mm)
    lane = 2
    found = _run_over(rates, (clock, stored), 1 << lane, (0.0, 1.0, *run), soil)
    return float(found[1]), float(stored[lane])


@pytest.mark.parametrize(
    ("stored", "rise", "soaked", "soaks", "limit", "shed", "left"),
    [
        (0.0, 15.0, 2.5, 1.0, 5.0, 22.5, 5.0),  # 10, then 2.5 + 15 − 5
        (0.0, 4.0, 3.0, 3.0, 6.0, 1.0, 6.0),  # at the end of the cycles 4, 5, 6, 7
        (0.0, 4.0, 9.0, 3.0, 6.0, 0.0, 4.0),  # every soak empties the surface
        (5.0, 4.0, 5.0, 3.0, 6.0, 3.0, 4.0),  # 9 − 6; then 1 + 4, 0 + 4, 0 + 4
        (5.0, -2.0, 1.0, 1.0, 6.0, 0.0, 0.0),  # 3, then 2, then 0
        (1.0, 8.0, 9.0, 2.0, 6.0, 7.0, 6.0),  # 9 − 6, then 8 − 6 twice
        (0.0, 8.0, 9.0, 2.0, np.inf, 0.0, 8.0),
    ],
)
def test_run_over_surface_is_worked_by_hand(
    stored: float, rise: float, soaked: float, soaks: float, limit: float, shed: float, left: float
) -> None:
    intake = 4.0
    run = (1.0, soaks, soaked / intake)
    assert run_over(stored, rise + intake, run, (intake, limit)) == (shed, left)


_HOURS = st.floats(0.0, 2.0)
_RATES = st.floats(0.0, 90.0, width=32)


@given(
    rates=st.tuples(_RATES, _RATES, _RATES),
    hours=_HOURS,
    cycles=st.tuples(st.integers(1, 6), st.integers(1, 6), st.integers(1, 6)),
    soak_hours=_HOURS,
    gap_hours=_HOURS,
    intake=st.floats(0.0, 60.0),
    storage=st.floats(0.0, 12.0) | st.just(np.inf),
)
@settings(max_examples=400, deadline=None)
def test_run_over_surface_equals_the_intervals_one_by_one(
    rates: tuple[float, float, float],
    hours: float,
    cycles: tuple[int, int, int],
    soak_hours: float,
    gap_hours: float,
    intake: float,
    storage: float,
) -> None:
    rate_of: list[float] = []
    minutes: list[float] = []
    total = stored = 0.0
    for rate, count in zip(rates, cycles, strict=True):
        rate_of += [*[rate, 0.0] * (count - 1), rate, 0.0]
        minutes += [*[60.0 * hours, 60.0 * soak_hours] * (count - 1), 60.0 * hours]
        minutes += [60.0 * gap_hours]
        shed, stored = run_over(stored, rate, (hours, count - 1.0, soak_hours), (intake, storage))
        total, stored = total + shed, max(0.0, stored - intake * gap_hours)
    wanted = event_runoff_surface_storage(rate_of, minutes, intake, storage)
    assert total == pytest.approx(float(wanted.runoff_mm), rel=1e-9, abs=1e-9)


@given(
    rate=st.floats(0.0, 90.0),
    hours=_HOURS,
    cycles=st.integers(1, 6),
    soak_hours=_HOURS,
    intake=st.floats(0.0, 60.0),
    storage=st.floats(0.0, 12.0),
)
@settings(max_examples=400, deadline=None)
def test_most_taken_in_of_a_run_runs_off_beyond_it(
    rate: float, hours: float, cycles: int, soak_hours: float, intake: float, storage: float
) -> None:
    taken_in = kernels.most_taken_in((intake, storage), (hours, cycles, soak_hours))
    rates = [*[rate, 0.0] * (cycles - 1), rate]
    minutes = [*[60.0 * hours / cycles, 60.0 * soak_hours] * (cycles - 1), 60.0 * hours / cycles]
    wanted = event_runoff_surface_storage(rates, minutes, intake, storage).runoff_mm
    assert max(0.0, rate * hours - taken_in) == pytest.approx(float(wanted), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("soak_hours", "taken_in"),
    [(0.25, 10 * 0.5 + 5 + 2 * 2.5), (2.0, 10 * 0.5 + 5 + 2 * 5)],  # a soak in part, and in full
)
def test_most_taken_in_is_worked_by_hand(soak_hours: float, taken_in: float) -> None:
    assert kernels.most_taken_in((10.0, 5.0), (0.5, 3, soak_hours)) == taken_in


# --- the event in a garden -----------------------------------------------------------------------


def three_zones_on_every_lawn() -> Gardens:
    """A garden whose three zones all wet both lawns, so that most cells have several."""
    garden = one_garden(many_lawns(3), 1)
    n_heads = len(garden.layout.x_m)
    plan = replace(
        garden.plan,
        run_minutes=np.array([25.0, np.nan, 18.0]),
        cycles=np.array([3, 1, 2]),
        soak_minutes=np.array([12.0, 0.0, 35.0]),
    )
    layout = replace(garden.layout, zone_index=np.arange(n_heads) % 3)
    return replace(garden, layout=layout, plan=plan)


def outer_runoff_l(garden: Gardens, options: AnalysisSettings, deviate: float) -> FloatArray:
    """Runoff by polygon on the outer soils: every cell by itself, interval by interval."""
    layout, turf = garden.layout, garden.turf
    cells = turf_cells(turf, site_grid(turf, layout, cell_size_m=options.cell_size_m))
    on_turf = cells.turf_index >= 0
    water = precipitation_surface(layout, 3, cells.grid, on_turf=on_turf)
    event = event_plan(
        garden.plan, served_rates(water, on_turf), event_depth_mm=options.event_depth_mm
    )
    ground = turf_soil(terrain_surface(None, turf, cells), cells, turf, options)
    intake, storage = intake_rates_mm_h(ground)[ground.soil], ground.storage_mm.copy()
    main = water.main_zone.ravel()[ground.cell]
    spreads = (intake_log_sd(options), storage_log_sd(options))
    for zone in range(3):
        run = (event.run_minutes[zone] / 60.0, int(event.cycles[zone]),
               event.soak_minutes[zone] / 60.0)  # fmt: skip
        for soil in set(zip(intake[main == zone], storage[main == zone], strict=True)):
            factors = kernels.design_factors(soil, run, spreads, deviate)
            own = (main == zone) & (intake == soil[0]) & (storage == soil[1])
            intake[own], storage[own] = np.multiply(soil, factors)
    rates, minutes = intervals(water, event, cells.grid.n_rows * cells.grid.n_cols)
    shed = event_runoff_surface_storage(rates[:, ground.cell], minutes, intake, storage).runoff_mm
    polygon = cells.turf_index.ravel()[ground.cell]
    return np.asarray(cells.grid.cell_area_m2 * np.bincount(polygon, weights=shed, minlength=2))


def intervals(
    water: PrecipitationSurface, event: EventPlan, n_cells: int
) -> tuple[FloatArray, FloatArray]:
    """Rates, (n_intervals, n_cells), and minutes of pulses and soaks."""
    rates, minutes = [], []
    for zone, rate in enumerate(water.zone_rates):
        wet = np.zeros(n_cells)
        wet[rate.cell] = rate.rate_mm_h
        for cycle in range(int(event.cycles[zone])):
            if cycle:
                rates.append(np.zeros(n_cells))
                minutes.append(event.soak_minutes[zone])
            rates.append(wet)
            minutes.append(event.cycle_minutes[zone])
    return np.array(rates), np.array(minutes)


def test_batch_runoff_of_cells_with_three_zones_equals_the_surfaces() -> None:
    garden = three_zones_on_every_lawn()
    wanted = one_by_one(garden, AnalysisSettings())
    assert wanted["runoff_l"].min() > 10.0
    assert_same(measured(garden), wanted)


@pytest.mark.parametrize(
    "garden", [one_garden(many_lawns(3), 2), three_zones_on_every_lawn()],
    ids=["mostly one zone", "mostly several"],
)  # fmt: skip
def test_batch_runoff_on_outer_soils_equals_every_cell_by_itself(garden: Gardens) -> None:
    options, found = AnalysisSettings(), measured(garden)
    tight = outer_runoff_l(garden, options, -OUTER_DEVIATE)
    open_soil = outer_runoff_l(garden, options, OUTER_DEVIATE)
    assert tight.min() > 10.0
    assert found.turf_runoff_high_l == pytest.approx(tight, rel=CLOSE)
    assert found.turf_runoff_low_l == pytest.approx(open_soil, rel=CLOSE, abs=1e-9)


def test_batch_runoff_zone_that_does_not_run_sheds_nothing() -> None:
    garden = three_zones_on_every_lawn()
    idle = replace(garden, plan=replace(garden.plan, run_minutes=np.array([25.0, 0.0, 0.0])))
    found = measured(idle)
    assert_same(found, one_by_one(idle, AnalysisSettings()))
    alone = replace(
        garden.layout,
        **{
            name: getattr(garden.layout, name)[garden.layout.zone_index == 0]
            for name in ("zone_index", "x_m", "y_m", "flow_lpm", "radius_m", "arc_deg",
                         "start_bearing_deg", "profile_index", "trajectory_deg")
        },
    )  # fmt: skip
    groups = BatchGroups(of_zone=np.zeros(3, np.int64), of_turf=np.zeros(2, np.int64))
    first = measured(replace(idle, layout=alone, groups=groups))
    assert found.turf_mean_depth_mm == pytest.approx(first.turf_mean_depth_mm, rel=1e-12)
