"""Advice on cycles and soaks: worked plans, the rule of the most sensitive 5 %, and no plan."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.physics.green_ampt import event_runoff_green_ampt, suction_deficit_mm
from geoirrig.physics.soil_properties import GREEN_AMPT_SOILS, SOIL_TEXTURES
from geoirrig.records import AnalysisSettings
from geoirrig.surfaces.cycle_advice import cycle_advice
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface
from geoirrig.surfaces.turf_soil import turf_soil
from tests.surfaces.one_row_site import event_plan, site

MODELS = ("surface_storage", "green_ampt")


def advice_for(inputs, event, options):
    return cycle_advice(*inputs, settings=options).for_run_minutes(event.run_minutes)


# Depth [in], rate [in/h], texture, slope [%]; cycles, cycle and soak minutes, worked by hand as in
# tests/physics/test_surface_storage.py.
WORKED_CYCLES = [
    (0.50, 1.5, "clay_loam", 1.0, 2, 10.0, 65.0),
    (0.50, 1.5, "clay_loam", 20.0, 3, 6.67, 43.3),
    (0.50, 0.6, "silty_clay", 10.0, 3, 16.67, 50.0),
    (0.50, 1.0, "silty_clay", 10.0, 3, 10.0, 56.7),
    (0.75, 1.7, "loam", 5.0, 3, 8.82, 34.0),
    (0.50, 0.4, "silty_clay", 10.0, 2, 37.5, 62.5),
]


@pytest.mark.parametrize("case", WORKED_CYCLES)
def test_cycle_advice_reproduce_the_worked_plans(case):
    depth_in, rate_in_h, texture, slope, cycles, cycle, soak = case
    inputs = site([[rate_in_h * 25.4] * 7], slope, texture)
    event = event_plan(60.0 * depth_in / rate_in_h)
    options = AnalysisSettings()
    advice = advice_for(inputs, event, options)
    assert advice.cycles.tolist() == [cycles]
    assert advice.cycle_minutes[0] == pytest.approx(cycle, abs=0.0051)
    assert advice.soak_minutes[0] == pytest.approx(soak, abs=0.051)


@pytest.mark.parametrize("model", MODELS)
def test_cycle_advice_of_turf_that_never_runs_off_are_one(model):
    inputs = site([[5.0] * 4], 1.0, "sand")
    options = AnalysisSettings(runoff_model=model)
    event = event_plan(60.0)
    advice = advice_for(inputs, event, options)
    assert advice.cycles.tolist() == [1]
    assert advice.cycle_minutes.tolist() == [60.0]
    assert advice.soak_minutes.tolist() == [0.0]


def test_cycle_advice_of_a_whole_number_of_allowed_runs_gain_none():
    # clay, flat, 0.6 in/h: 24 min without runoff; 48 min are two cycles, not three
    inputs = site([[0.6 * 25.4]], 1.0, "clay")
    event = event_plan(48.0)
    advice = advice_for(inputs, event, AnalysisSettings())
    assert advice.cycles.tolist() == [2]


@pytest.mark.parametrize("model", MODELS)
def test_cycle_advice_of_a_run_beyond_the_cap_on_thirsty_soil_are_one(model):
    inputs = site([[2.0]], 1.0, "sand")
    options = AnalysisSettings(runoff_model=model)
    event = event_plan(2000.0)
    assert advice_for(inputs, event, options).cycles.tolist() == [1]


@pytest.mark.parametrize("model", MODELS)
def test_cycle_advice_leave_the_most_sensitive_twentieth_aside(model):
    # 41 cells: two of 60 mm/h are ⌊0.05·41⌋ = 2 and may fail; with a third they govern
    options = AnalysisSettings(runoff_model=model)
    event = event_plan(30.0)
    cycles = []
    for wet in (0, 2, 3):
        inputs = site([[60.0] * wet + [20.0] * (41 - wet)], 1.0, "clay_loam")
        cycles.append(int(advice_for(inputs, event, options).cycles[0]))
    assert cycles[0] == cycles[1] < cycles[2]


@pytest.mark.parametrize("model", MODELS)
def test_cycle_advice_keep_a_mixed_zone_from_running_off(model):
    random = np.random.default_rng(11)
    n_cells = 600
    inputs = site(
        [random.uniform(8.0, 45.0, n_cells)],
        random.uniform(0.0, 25.0, n_cells),
        ["loam", "clay_loam", "sandy_loam", "silty_clay"],
        ["none", "typical", "none", "none"],
        random.integers(0, 4, n_cells),
    )
    options = AnalysisSettings(runoff_model=model)
    event = event_plan(30.0)
    risk = runoff_risk_surface(*inputs, event, settings=options)
    assert np.mean(risk.runoff_depth_mm > 1e-4) > 0.3
    advice = advice_for(inputs, event, options)
    planned = event_plan(30.0, advice.cycles, advice.soak_minutes)
    after = runoff_risk_surface(*inputs, planned, settings=options)
    assert np.mean(after.runoff_depth_mm > 1e-4) <= 0.05
    # one cycle fewer fails, however long it soaks
    fewer = event_plan(30.0, advice.cycles - 1, 1e4)
    before = runoff_risk_surface(*inputs, fewer, settings=options)
    assert np.mean(before.runoff_depth_mm > 1e-4) > 0.05
    assert advice.soak_minutes[0] > 0.0


@pytest.mark.parametrize("model", MODELS)
def test_cycle_advice_where_there_is_no_plan_are_zero(model):
    # zone 0 serves no cell, zone 1 does not run, zone 2 would need more than 30 cycles
    rates = [[2.0, 2.0, 2.0], [30.0, 30.0, 0.0], [0.0, 0.0, 200.0]]
    inputs = site(rates, 20.0, "clay", ["trafficked"])
    event = event_plan([10.0, 0.0, 300.0])
    options = AnalysisSettings(runoff_model=model)
    advice = advice_for(inputs, event, options)
    assert advice.cycles.tolist() == [0, 0, 0]
    assert np.isnan(advice.cycle_minutes).all()
    assert np.isnan(advice.soak_minutes).all()


def test_cycle_advice_of_green_ampt_clears_the_last_soak_by_hand():
    # The advised soak is the time in which ponded soil takes in what the last pulse but one left.
    inputs = site([[25.0]], 1.0, "clay_loam")
    options = AnalysisSettings(runoff_model="green_ampt")
    event = event_plan(30.0)
    advice = advice_for(inputs, event, options)
    cycles, cycle = int(advice.cycles[0]), advice.cycle_minutes[0]
    soil = GREEN_AMPT_SOILS["clay_loam"]
    deficit = suction_deficit_mm(soil.suction_mm, 0.39, initial_saturation_fraction=0.5)
    soak = advice.soak_minutes[0]
    for factor, stands in ((0.999, True), (1.001, False)):
        pulses = [25.0, 0.0] * (cycles - 1)
        lengths = [cycle, soak] * (cycles - 2) + [cycle, factor * soak]
        balance = event_runoff_green_ampt(pulses, lengths, soil.conductivity_mm_h, deficit, 2.5)
        assert (balance.stored_mm > 0.0) == stands
        assert balance.runoff_mm == 0.0


@pytest.mark.parametrize("model", MODELS)
def test_cycle_advice_without_turf_is_none(model):
    inputs = site([[20.0, 20.0]], 1.0, "clay", turf_index=[-1, -1])
    advice = advice_for(inputs, event_plan(20.0), AnalysisSettings(runoff_model=model))
    assert advice.cycles.tolist() == [0]
    assert np.isnan(advice.cycle_minutes).all()


def test_cycle_advice_ignores_turf_whose_slope_is_not_known():
    known = site([[40.0]], [20.0], "clay")
    half = site([[40.0, 60.0]], [20.0, np.nan], "clay")
    event, options = event_plan(10.0), AnalysisSettings()
    found, expected = advice_for(half, event, options), advice_for(known, event, options)
    assert found.cycles.tolist() == expected.cycles.tolist()
    assert found.soak_minutes.tolist() == expected.soak_minutes.tolist()


@pytest.mark.parametrize("model", MODELS)
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), run=st.floats(5.0, 120.0), n_cells=st.integers(1, 300))
def test_cycle_advice_is_that_of_all_cells_and_keeps_the_rule(model, seed, run, n_cells):
    # Cells that enough others outdo are not kept: all cells must give the same answer.
    random = np.random.default_rng(seed)
    inputs = site(
        [random.uniform(5.0, 50.0, n_cells).round(0)],
        random.uniform(0.0, 25.0, n_cells),
        random.choice(SOIL_TEXTURES, 3),
        ["none", "typical", "none"],
        random.integers(0, 3, n_cells),
    )
    options = AnalysisSettings(runoff_model=model)
    prepared = cycle_advice(*inputs, settings=options)
    cells = prepared.zone_cells[0]
    assert len(cells.rate_mm_h) <= n_cells
    assert cells.left_out == n_cells // 20
    advice = prepared.for_run_minutes([run])
    ground = turf_soil(inputs[1], inputs[2], inputs[3], options)
    every = dataclasses.replace(
        cells,
        rate_mm_h=inputs[0].precipitation_rate_mm_h.ravel(),
        soil=ground.soil,
        storage_mm=ground.storage_mm,
    )
    whole = dataclasses.replace(prepared, zone_cells=(every,)).for_run_minutes([run])
    assert advice.cycles.tolist() == whole.cycles.tolist()
    np.testing.assert_allclose(advice.soak_minutes, whole.soak_minutes, rtol=1e-6)
    if advice.cycles[0] == 0:
        return
    planned = event_plan(run, advice.cycles, advice.soak_minutes)
    after = runoff_risk_surface(*inputs, planned, settings=options)
    assert np.count_nonzero(after.runoff_depth_mm > 1e-3) <= cells.left_out
    if advice.cycles[0] > 1:
        fewer = event_plan(run, advice.cycles - 1, 1e5)
        before = runoff_risk_surface(*inputs, fewer, settings=options)
        assert np.count_nonzero(before.runoff_depth_mm > 0.0) > cells.left_out
