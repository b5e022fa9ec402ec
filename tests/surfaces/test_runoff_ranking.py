"""Runoff of slopes on drawn soils: compiled sums against the plain equations, cell by cell."""

import dataclasses

import numpy as np
import pytest

from geoirrig import processors
from geoirrig.physics.green_ampt import event_runoff_green_ampt
from geoirrig.physics.soil_properties import (
    GREEN_AMPT_SOILS,
    allowable_surface_accumulation_mm,
    basic_intake_rate_mm_h,
    depression_storage_mm,
)
from geoirrig.physics.soil_realisations import SoilRealisations
from geoirrig.physics.soil_spread import dry_suction_deficit_mm
from geoirrig.physics.surface_storage import event_runoff_surface_storage
from geoirrig.records import AnalysisSettings, EventPlan, ZoneSchedule
from geoirrig.surfaces import runoff_ranking
from geoirrig.surfaces.annual_runoff import annual_runoff_l
from geoirrig.surfaces.runoff_ranking import (
    central_runoff_l,
    lawn_realisations,
    ranking_ground,
    realised_runoff_l,
    slope_unit_measures,
)
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface
from geoirrig.surfaces.slope_units import SlopeUnits
from tests.surfaces.one_row_site import event_plan, site

MODELS = ("surface_storage", "green_ampt")
SETTINGS = AnalysisSettings()


def slope_units(cells, turf_number, unit_index=None):
    """Slopes of the one-row site, without outlines."""
    n_units = len(turf_number)
    index = cells.turf_index if unit_index is None else np.asarray(unit_index)[np.newaxis]
    return SlopeUnits(
        slope_unit=np.array([f"U{number}" for number in range(n_units)], dtype=object),
        turf_number=np.asarray(turf_number, dtype=np.int64),
        geometry=np.full(n_units, None),
        area_m2=np.bincount(index[index >= 0], minlength=n_units).astype(float),
        unit_index=index.astype(np.int32),
    )


def prepared(inputs, units=None, settings=SETTINGS):
    precipitation, terrain, cells, turf = inputs
    units = slope_units(cells, range(len(turf.turf_id))) if units is None else units
    return ranking_ground(precipitation, terrain, cells, turf, units, settings=settings)


def intervals(rates, event):
    """Pulses and soaks of one cell: rates and minutes."""
    sequence, clock = [], 0.0
    for zone, rate in enumerate(rates):
        if rate <= 0.0:
            continue
        sequence.append((0.0, event.start_minute[zone] - clock))
        clock = event.start_minute[zone]
        for pulse in range(event.cycles[zone]):
            if pulse:
                sequence.append((0.0, event.soak_minutes[zone]))
                clock += event.soak_minutes[zone]
            sequence.append((float(np.float32(rate)), event.cycle_minutes[zone]))
            clock += event.cycle_minutes[zone]
    return [rate for rate, _ in sequence], [minutes for _, minutes in sequence]


RATES = [[0.0, 18.0, 25.0, 6.0, 40.0, 9.0], [0.0, 9.0, 0.0, 22.0, 12.0, 1.0]]
SLOPES = [2.0, 2.0, 9.0, 9.0, 20.0, 5.0]
LAWN_OF_CELL = [0, 0, 0, 1, 1, 2]
TEXTURES = ["clay_loam", "silty_clay", "sand"]
COMPACTION = ["none", "typical", "none"]
MIXED_EVENT = event_plan([24.0, 40.0], [3, 2], [12.0, 9.0])


def mixed_site():
    """Six cells on three lawns, wetted by two zones with cycles and soaks."""
    return site(RATES, SLOPES, TEXTURES, COMPACTION, LAWN_OF_CELL)


# --- against the plain equations -----------------------------------------------------------------


def test_realised_runoff_surface_storage_equals_the_plain_monte_carlo():
    inputs = mixed_site()
    drawn = lawn_realisations(inputs[3], 60, seed=4, settings=SETTINGS)
    factor = np.array([1.0, 0.5, 0.2])[[0, 1, 0]]  # none, typical, none
    expected = np.zeros((3, 60))
    for cell, lawn in enumerate(LAWN_OF_CELL):
        rates, minutes = intervals([row[cell] for row in RATES], MIXED_EVENT)
        intake = basic_intake_rate_mm_h(TEXTURES[lawn], compaction_factor=factor[lawn])
        storage = allowable_surface_accumulation_mm(TEXTURES[lawn], SLOPES[cell])
        balance = event_runoff_surface_storage(
            np.array(rates)[:, np.newaxis] if rates else np.zeros((1, 1)),
            np.array(minutes)[:, np.newaxis] if rates else np.zeros((1, 1)),
            intake * drawn.intake_factor[lawn],
            storage * drawn.storage_factor[lawn],
        )
        expected[lawn] += balance.runoff_mm
    found = realised_runoff_l(prepared(inputs), MIXED_EVENT, drawn)
    assert np.count_nonzero(expected > 0.0) > 60
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-9)


def test_realised_runoff_green_ampt_equals_the_plain_monte_carlo():
    options = AnalysisSettings(runoff_model="green_ampt")
    inputs = mixed_site()
    drawn = lawn_realisations(inputs[3], 25, seed=4, settings=options)
    expected = np.zeros((3, 25))
    for cell, lawn in enumerate(LAWN_OF_CELL):
        rates, minutes = intervals([row[cell] for row in RATES], MIXED_EVENT)
        if not rates:
            continue
        soil = GREEN_AMPT_SOILS[TEXTURES[lawn]]
        conductivity = soil.conductivity_mm_h * (0.5 if lawn == 1 else 1.0)
        storage = depression_storage_mm(TEXTURES[lawn], SLOPES[cell], flat_storage_mm=2.5)
        balance = event_runoff_green_ampt(
            np.array(rates)[:, np.newaxis],
            np.array(minutes)[:, np.newaxis],
            conductivity * drawn.intake_factor[lawn],
            0.5 * dry_suction_deficit_mm(soil, drawn.deficit_rank[lawn]),
            storage * drawn.storage_factor[lawn],
        )
        expected[lawn] += balance.runoff_mm
    found = realised_runoff_l(prepared(inputs, settings=options), MIXED_EVENT, drawn)
    assert np.count_nonzero(expected > 0.0) > 25
    np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("model", MODELS)
def test_central_runoff_is_that_of_the_risk_surface(model):
    options = AnalysisSettings(runoff_model=model)
    inputs = mixed_site()
    runoff = runoff_risk_surface(*inputs, MIXED_EVENT, settings=options)
    units = slope_units(inputs[2], range(3))
    measures = slope_unit_measures(units, inputs[1], runoff)
    ground = prepared(inputs, units, options)
    # the surface is float32
    np.testing.assert_allclose(
        central_runoff_l(ground, MIXED_EVENT), measures["runoff_l"], rtol=1e-6, atol=1e-9
    )


@pytest.mark.parametrize("model", MODELS)
def test_realised_runoff_of_soils_without_spread_is_the_central_one(model):
    options = AnalysisSettings(runoff_model=model)
    ground = prepared(mixed_site(), settings=options)
    ones = np.ones((3, 4))
    tabulated = SoilRealisations(intake_factor=ones, storage_factor=ones, deficit_rank=0.5 * ones)
    found = realised_runoff_l(ground, MIXED_EVENT, tabulated)
    assert np.ptp(found, axis=1) == pytest.approx(0.0, abs=1e-12)
    if model == "surface_storage":  # the median deficit of a class is not the tabulated one
        np.testing.assert_allclose(found[:, 0], central_runoff_l(ground, MIXED_EVENT), rtol=1e-12)


# --- by hand -------------------------------------------------------------------------------------


def test_realised_runoff_by_hand_on_two_soils():
    # Loam, flat: intake 0.35 in/h = 8.89 mm/h (reference table), storage read from the table.
    intake = float(basic_intake_rate_mm_h("loam"))
    storage = float(allowable_surface_accumulation_mm("loam", 1.0))
    inputs = site([[intake + 30.0] * 2], 1.0, "loam")
    ground = prepared(inputs)
    drawn = SoilRealisations(
        intake_factor=np.array([[1.0, 0.5]]),
        storage_factor=np.array([[2.0, 1.0]]),
        deficit_rank=np.full((1, 2), 0.5),
    )
    # one hour: 30 mm stand on the first soil, 30 mm and half the intake on the second
    expected = 2.0 * np.array([30.0 - 2.0 * storage, 30.0 + 0.5 * intake - storage])
    found = realised_runoff_l(ground, event_plan(60.0), drawn)[0]
    np.testing.assert_allclose(found, expected, rtol=1e-6)


def test_slope_unit_measures_by_hand():
    inputs = mixed_site()
    runoff = runoff_risk_surface(*inputs, MIXED_EVENT, settings=SETTINGS)
    units = slope_units(inputs[2], [0, 0, 1, 2], [0, 0, 1, 2, 2, -1])
    found = slope_unit_measures(units, inputs[1], runoff)
    depth = runoff.runoff_depth_mm[0].astype(float)
    assert found["mean_slope_pct"][:3].tolist() == [2.0, 9.0, 14.5]
    assert found["runoff_l"].tolist() == [depth[0] + depth[1], depth[2], depth[3] + depth[4], 0.0]
    assert found["runoff_depth_mm"][2] == 0.5 * (depth[3] + depth[4])
    minutes = runoff.minutes_to_runoff[0].astype(float)
    low, high = sorted(minutes[3:5])
    assert found["minutes_to_runoff"][2] == pytest.approx(low + 0.05 * (high - low))
    # no cell, no measure; but nothing runs off
    assert np.isnan([found[name][3] for name in found if name != "runoff_l"]).all()


# --- invariants ----------------------------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS)
def test_realised_runoff_of_parts_sums_to_that_of_their_lawn(model):
    options = AnalysisSettings(runoff_model=model)
    inputs = mixed_site()
    drawn = lawn_realisations(inputs[3], 20, seed=1, settings=options)
    whole = realised_runoff_l(prepared(inputs, settings=options), MIXED_EVENT, drawn)
    units = slope_units(inputs[2], [0, 0, 1, 1, 2], [0, 1, 1, 2, 3, 4])
    parts = realised_runoff_l(prepared(inputs, units, options), MIXED_EVENT, drawn)
    np.testing.assert_allclose(parts[0] + parts[1], whole[0], rtol=1e-12)
    np.testing.assert_allclose(parts[2] + parts[3], whole[1], rtol=1e-12)
    np.testing.assert_allclose(parts[4], whole[2], rtol=1e-12)


def test_realised_runoff_is_the_same_bytes_on_any_number_of_processors(monkeypatch):
    random = np.random.default_rng(8)
    n_cells = 9000
    monkeypatch.setattr(runoff_ranking, "CELLS_IN_A_BLOCK", 256)
    inputs = site(
        [random.uniform(5.0, 50.0, n_cells), random.uniform(0.0, 20.0, n_cells)],
        random.uniform(0.0, 25.0, n_cells),
        ["loam", "clay", "silty_clay"],
        turf_index=random.integers(0, 3, n_cells),
    )
    drawn = lawn_realisations(inputs[3], 50, seed=1, settings=SETTINGS)
    event = event_plan([20.0, 30.0], [2, 1], [15.0, 0.0])
    found = []
    for count in (1, 2, 7):
        monkeypatch.setattr(processors, "processor_count", lambda count=count: count)
        found.append(realised_runoff_l(prepared(inputs), event, drawn).tobytes())
    assert found[0] == found[1] == found[2]


def test_lawn_realisations_go_with_the_id_when_rows_are_shuffled():
    _, _, _, turf = mixed_site()
    turf = dataclasses.replace(turf, turf_id=np.array(["b", "c", "a"], dtype=object))
    turned = dataclasses.replace(turf, turf_id=turf.turf_id[::-1])
    first = lawn_realisations(turf, 10, seed=1, settings=SETTINGS)
    second = lawn_realisations(turned, 10, seed=1, settings=SETTINGS)
    assert np.array_equal(first.intake_factor, second.intake_factor[::-1])


def test_realised_runoff_where_no_water_falls_or_slope_is_unknown_is_zero():
    inputs = site([[0.0, 0.0, 90.0]], [1.0, 1.0, np.nan], ["clay", "clay"], turf_index=[0, 0, 1])
    drawn = lawn_realisations(inputs[3], 8, seed=1, settings=SETTINGS)
    assert np.all(realised_runoff_l(prepared(inputs), event_plan(60.0), drawn) == 0.0)


def test_ranking_ground_slope_without_cells_sheds_nothing():
    inputs = mixed_site()
    units = slope_units(inputs[2], [0, 1, 1, 2], [0, 0, 0, 1, 1, 3])
    assert central_runoff_l(prepared(inputs, units), MIXED_EVENT)[2] == 0.0


# --- the year ------------------------------------------------------------------------------------


def zone_schedule(events, run_minutes, cycles, soak_minutes):
    """The same in every month; (n_zones,) each."""
    shape = (len(events), 12)

    def all_year(values, dtype=float):
        return np.broadcast_to(np.asarray(values, dtype=dtype)[:, np.newaxis], shape)

    run, count = all_year(run_minutes), all_year(cycles, np.int64)
    return ZoneSchedule(
        zone=tuple(f"Z{number}" for number in range(shape[0])),
        events=all_year(events),
        interval_days=np.ones(shape),
        net_depth_mm=np.ones(shape),
        gross_depth_mm=np.ones(shape),
        run_minutes=run,
        cycles=count,
        cycle_minutes=np.where(count > 0, run / np.maximum(count, 1), np.nan),
        soak_minutes=np.where(count > 0, all_year(soak_minutes), np.nan),
        water_m3=np.ones(shape),
    )


def test_annual_runoff_of_one_zone_is_events_times_the_event():
    inputs = site([[30.0] * 3], 9.0, "clay_loam")
    ground = prepared(inputs)
    schedule = zone_schedule([5.0], [40.0], [4], [10.0])
    per_event = central_runoff_l(ground, event_plan(40.0, 4, 10.0))
    unbroken = central_runoff_l(ground, event_plan(40.0))
    assert unbroken[0] > per_event[0] > 0.0
    cycled = annual_runoff_l(ground, schedule, in_one_cycle=False)
    assert cycled[0] == pytest.approx(12 * 5 * per_event[0], rel=1e-12)
    in_one = annual_runoff_l(ground, schedule, in_one_cycle=True)
    assert in_one[0] == pytest.approx(12 * 5 * unbroken[0], rel=1e-12)


def test_annual_runoff_zones_share_the_days_that_they_can():
    # zone 0 on 4 days, zone 1 on 10: both on 4, zone 1 alone on 6
    inputs = site([[30.0, 30.0], [0.0, 25.0]], 9.0, "clay_loam")
    ground = prepared(inputs)
    schedule = zone_schedule([4.0, 10.0], [30.0, 30.0], [1, 1], [0.0, 0.0])
    both = central_runoff_l(ground, event_plan([30.0, 30.0]))[0]
    alone = central_runoff_l(
        ground,
        EventPlan(
            start_minute=np.zeros(2),
            cycles=np.ones(2, dtype=np.int64),
            cycle_minutes=np.array([0.0, 30.0]),
            soak_minutes=np.zeros(2),
        ),
    )[0]
    found = annual_runoff_l(ground, schedule, in_one_cycle=False)[0]
    assert found == pytest.approx(12 * (4 * both + 6 * alone), rel=1e-12)


def test_annual_runoff_zone_without_a_plan_runs_in_one_cycle_and_idle_months_shed_nothing():
    inputs = site([[60.0] * 2], 20.0, "clay")
    ground = prepared(inputs)
    schedule = zone_schedule([3.0], [45.0], [0], [0.0])
    months = schedule.events.copy()
    months[:, 6:] = 0.0
    schedule = dataclasses.replace(
        schedule, events=months, run_minutes=np.where(months > 0.0, 45.0, np.nan)
    )
    expected = 6 * 3 * central_runoff_l(ground, event_plan(45.0))[0]
    assert annual_runoff_l(ground, schedule, in_one_cycle=False)[0] == pytest.approx(expected)
