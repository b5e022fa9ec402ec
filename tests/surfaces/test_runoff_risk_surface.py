"""Runoff risk surface: compiled walks against the plain equations, worked plans, and invariants."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.physics import soil_spread
from geoirrig.physics.green_ampt import (
    event_runoff_green_ampt,
    minutes_to_runoff_green_ampt,
    suction_deficit_mm,
)
from geoirrig.physics.soil_properties import (
    COMPACTION_FACTOR,
    GREEN_AMPT_SOILS,
    SOIL_TEXTURES,
    allowable_surface_accumulation_mm,
    basic_intake_rate_mm_h,
    depression_storage_mm,
)
from geoirrig.physics.surface_storage import event_runoff_surface_storage, minutes_to_runoff
from geoirrig.records import (
    AnalysisSettings,
    EventPlan,
)
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface
from tests.surfaces.one_row_site import event_plan, site

MODELS = ("surface_storage", "green_ampt")


def intervals(rates, event):
    """The event at one cell as a sequence of steady intervals: rates and minutes."""
    sequence, clock = [], 0.0
    for zone, rate in enumerate(rates):
        if rate <= 0:
            continue
        sequence.append((0.0, event.start_minute[zone] - clock))
        for pulse in range(event.cycles[zone]):
            if pulse:
                sequence.append((0.0, event.soak_minutes[zone]))
            sequence.append((float(rate), event.cycle_minutes[zone]))
        clock = (
            event.start_minute[zone]
            + event.run_minutes[zone]
            + (event.cycles[zone] - 1) * event.soak_minutes[zone]
        )
    return np.array(sequence).T


def random_site(n_cells, n_zones, seed):
    random = np.random.default_rng(seed)
    rates = random.uniform(3.0, 60.0, (n_zones, n_cells))
    rates[random.random((n_zones, n_cells)) < 0.5] = 0.0
    texture = list(SOIL_TEXTURES)
    compaction = [list(COMPACTION_FACTOR)[n % 3] for n in range(12)]
    turf_index = random.integers(-1, 12, n_cells)
    slope = random.uniform(0.0, 25.0, n_cells)
    return site(rates, slope, texture, compaction, turf_index), rates.astype(np.float32)


def plain_cell(texture, factor, slope, rates, event, options):
    """Minutes, depth and probability of one cell by the plain equations."""
    rate, minutes = intervals(rates, event)
    if options.runoff_model == "surface_storage":
        intake = float(basic_intake_rate_mm_h(texture, compaction_factor=factor))
        storage = float(allowable_surface_accumulation_mm(texture, slope))
        nodes = intake * soil_spread.intake_factors(log_sd=soil_spread.INTAKE_LOG_SD)
        return (
            min(1440.0, float(minutes_to_runoff(rates.max(), intake, storage))),
            float(event_runoff_surface_storage(rate, minutes, intake, storage).runoff_mm),
            soil_spread.runoff_probability_surface_storage(rate, minutes, nodes, storage),
        )
    soil = GREEN_AMPT_SOILS[texture]
    conductivity = soil.conductivity_mm_h * factor
    deficit = float(
        suction_deficit_mm(
            soil.suction_mm, soil.effective_porosity, initial_saturation_fraction=0.5
        )
    )
    storage = float(depression_storage_mm(texture, slope, flat_storage_mm=2.5))
    spread, deficits = soil_spread.green_ampt_nodes(
        texture, initial_saturation_fraction=0.5, conductivity_log_sd=soil_spread.INTAKE_LOG_SD
    )
    longest = minutes_to_runoff_green_ampt(rates.max(), conductivity, deficit, storage)
    event_balance = event_runoff_green_ampt(rate, minutes, conductivity, deficit, storage)
    return (
        min(1440.0, float(longest)),
        float(event_balance.runoff_mm),
        soil_spread.runoff_probability_green_ampt(
            rate, minutes, (conductivity * spread, deficits), storage
        ),
    )


# --- against the plain equations -----------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS)
def test_runoff_risk_surface_equals_the_plain_equations(model):
    n_cells = 150
    inputs, rates = random_site(n_cells, 3, seed=5)
    event = event_plan([30.0, 24.0, 40.0], [2, 3, 1], [20.0, 8.0, 0.0])
    event = dataclasses.replace(
        event, start_minute=event.start_minute + np.array([0.0, 10.0, 35.0])
    )
    options = AnalysisSettings(runoff_model=model)
    risk = runoff_risk_surface(*inputs, event, settings=options)
    turf_index, slope = inputs[2].turf_index[0], inputs[1].slope_pct[0]
    compared = 0
    for cell in np.flatnonzero((turf_index >= 0) & (rates.max(axis=0) > 0)):
        turf = turf_index[cell]
        factor = COMPACTION_FACTOR[inputs[3].compaction[turf]]
        expected = plain_cell(
            SOIL_TEXTURES[turf], factor, slope[cell], rates[:, cell], event, options
        )
        assert risk.minutes_to_runoff[0, cell] == pytest.approx(expected[0], rel=2e-6)
        assert risk.runoff_depth_mm[0, cell] == pytest.approx(expected[1], rel=2e-6, abs=1e-6)
        assert risk.runoff_probability[0, cell] == pytest.approx(expected[2], abs=1e-5)
        compared += 1
    assert compared > 100
    assert 0.1 < np.nanmean(risk.runoff_depth_mm > 0) < 0.9


@pytest.mark.parametrize("model", MODELS)
def test_runoff_risk_surface_in_pieces_equals_cell_by_cell(model):
    # enough cells for several threads
    inputs, _ = random_site(5000, 3, seed=6)
    event = event_plan([30.0, 24.0, 40.0], [2, 1, 1], 15.0)
    options = AnalysisSettings(runoff_model=model)
    whole = runoff_risk_surface(*inputs, event, settings=options)
    turf_index = inputs[2].turf_index[0]
    for cell in (0, 1249, 1250, 2500, 4999):
        only = np.where(np.arange(5000) == cell, turf_index, -1).astype(np.int32)
        one_cell = dataclasses.replace(inputs[2], turf_index=only[np.newaxis])
        one = runoff_risk_surface(
            inputs[0], inputs[1], one_cell, inputs[3], event, settings=options
        )
        for name in ("minutes_to_runoff", "runoff_depth_mm", "runoff_probability"):
            np.testing.assert_array_equal(
                getattr(one, name)[0, cell], getattr(whole, name)[0, cell]
            )


def test_runoff_risk_surface_is_the_same_for_turf_in_another_order():
    inputs, _ = random_site(400, 2, seed=7)
    event = event_plan([30.0, 30.0])
    order = np.random.default_rng(1).permutation(12)
    turf = inputs[3]
    shuffled = dataclasses.replace(
        turf,
        turf_id=turf.turf_id[order],
        soil_texture=turf.soil_texture[order],
        compaction=turf.compaction[order],
    )
    place = np.append(np.argsort(order), -1)  # index −1 stays
    cells = dataclasses.replace(inputs[2], turf_index=place[inputs[2].turf_index].astype(np.int32))
    options = AnalysisSettings()
    before = runoff_risk_surface(*inputs, event, settings=options)
    after = runoff_risk_surface(inputs[0], inputs[1], cells, shuffled, event, settings=options)
    np.testing.assert_array_equal(before.runoff_probability, after.runoff_probability)


# --- by hand -------------------------------------------------------------------------------------


def test_runoff_depth_of_two_zones_with_a_pause_by_hand():
    # Clay, flat: intake 2.54 mm/h, storage 5.08. Zone 1: 25.4 mm/h for 12 min: 0.2·22.86 = 4.572
    # stand. 60 min pause: 2.54 soak in, 2.032 stand. Zone 2: 12.7 mm/h for 30 min: 5.08 more,
    # 7.112: 2.032 run off.
    inputs = site([[25.4], [12.7]], 1.0, "clay")
    event = EventPlan(
        start_minute=np.array([0.0, 72.0]),
        cycles=np.array([1, 1]),
        cycle_minutes=np.array([12.0, 30.0]),
        soak_minutes=np.zeros(2),
    )
    risk = runoff_risk_surface(*inputs, event, settings=AnalysisSettings())
    assert risk.runoff_depth_mm[0, 0] == pytest.approx(2.032, rel=1e-6)
    # main zone without a break: 60·5.08/22.86
    assert risk.minutes_to_runoff[0, 0] == pytest.approx(60 * 5.08 / 22.86, rel=1e-6)


@pytest.mark.parametrize("model", MODELS)
def test_runoff_risk_surface_of_dry_turf_and_off_the_turf(model):
    inputs = site([[0.0, 20.0, 20.0, 20.0]], [1.0, 1.0, np.nan, 1.0], "clay",
                  turf_index=[0, -1, 0, 0])  # fmt: skip
    risk = runoff_risk_surface(
        *inputs, event_plan(20.0), settings=AnalysisSettings(runoff_model=model)
    )
    assert risk.minutes_to_runoff[0, 0] == 1440.0
    assert risk.runoff_depth_mm[0, 0] == risk.runoff_probability[0, 0] == 0.0
    for surface in (risk.minutes_to_runoff, risk.runoff_depth_mm, risk.runoff_probability):
        assert surface.dtype == np.float32
        assert np.isnan(surface[0, 1:3]).all()  # not turf; slope not known
        assert np.isfinite(surface[0, 3])


@pytest.mark.parametrize("model", MODELS)
def test_runoff_risk_surface_without_turf_is_all_nan(model):
    inputs = site([[20.0, 20.0]], 1.0, "clay", turf_index=[-1, -1])
    options = AnalysisSettings(runoff_model=model)
    risk = runoff_risk_surface(*inputs, event_plan(20.0), settings=options)
    assert np.isnan(risk.runoff_probability).all()


@pytest.mark.parametrize("model", MODELS)
def test_minutes_to_runoff_is_capped_at_a_day(model):
    # sand takes in 15 mm/h (and K is 118 mm/h): 5 mm/h never runs off
    inputs = site([[5.0]], 1.0, "sand")
    risk = runoff_risk_surface(
        *inputs, event_plan(60.0), settings=AnalysisSettings(runoff_model=model)
    )
    assert risk.minutes_to_runoff[0, 0] == 1440.0
    assert risk.runoff_depth_mm[0, 0] == 0.0


def test_runoff_probability_without_spread_is_the_tabulated_answer():
    # clay flat, 25.4 mm/h: full after 13.3 min
    inputs = site([[25.4, 25.4]], 1.0, "clay")
    options = AnalysisSettings(intake_log_sd=0.0, storage_cv=0.0)
    for minutes, expected in ((13.0, 0.0), (13.7, 1.0)):
        risk = runoff_risk_surface(*inputs, event_plan(minutes), settings=options)
        assert risk.runoff_probability[0].tolist() == [expected] * 2


def test_green_ampt_on_saturated_soil_takes_in_its_conductivity():
    # loam, K = 3.4 mm/h, no suction left: 20 mm/h for 30 min leave 8.3 mm, 2.5 are held
    inputs = site([[20.0]], 1.0, "loam")
    options = AnalysisSettings(runoff_model="green_ampt", initial_saturation_fraction=1.0)
    risk = runoff_risk_surface(*inputs, event_plan(30.0), settings=options)
    assert risk.runoff_depth_mm[0, 0] == pytest.approx(8.3 - 2.5, abs=1e-4)
    assert risk.minutes_to_runoff[0, 0] == pytest.approx(60 * 2.5 / 16.6, abs=1e-4)


def test_green_ampt_without_storage_runs_off_where_it_ponds():
    inputs = site([[20.0]], 1.0, "loam")
    options = AnalysisSettings(runoff_model="green_ampt", flat_storage_mm=0.0)
    longest = runoff_risk_surface(*inputs, event_plan(1.0), settings=options).minutes_to_runoff
    # tp = 60·K·S/(i·(i − K)), S = 88.9·0.217
    assert longest[0, 0] == pytest.approx(60 * 3.4 * 88.9 * 0.217 / (20.0 * 16.6), rel=1e-5)
    event = event_plan(float(longest[0, 0]) * 1.5)
    risk = runoff_risk_surface(*inputs, event, settings=options)
    assert risk.runoff_depth_mm[0, 0] > 0.0
    assert 0.5 < risk.runoff_probability[0, 0] < 1.0


# --- invariants ----------------------------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS)
@settings(max_examples=40, deadline=None)
@given(
    rate=st.floats(2.0, 60.0),
    run=st.floats(2.0, 120.0),
    cycles=st.integers(1, 4),
    soak=st.floats(0.0, 60.0),
    texture=st.sampled_from(SOIL_TEXTURES),
)
def test_risk_never_falls_with_slope_compaction_or_rate(model, rate, run, cycles, soak, texture):
    # cells: flat and ever steeper; then on compacted ground; then at twice the rate
    options = AnalysisSettings(runoff_model=model)
    inputs = site(
        [[rate] * 6 + [2.0 * rate]],
        [1.0, 5.0, 10.0, 20.0, 1.0, 1.0, 1.0],
        [texture] * 3,
        ["none", "typical", "trafficked"],
        [0, 0, 0, 0, 1, 2, 0],
    )
    event = event_plan(run, cycles, soak)
    risk = runoff_risk_surface(*inputs, event, settings=options)
    for surface, sign in (
        (risk.runoff_depth_mm[0], 1.0),
        (risk.runoff_probability[0], 1.0),
        (risk.minutes_to_runoff[0], -1.0),
    ):
        for milder, harsher in ((0, 1), (1, 2), (2, 3), (0, 4), (4, 5), (0, 6)):
            assert sign * (surface[harsher] - surface[milder]) >= -1e-5
    assert np.all(risk.runoff_depth_mm[0] <= 2.0 * rate * run / 60 + 1e-4)
    one_run = runoff_risk_surface(*inputs, event_plan(run), settings=options)
    assert np.all(risk.runoff_depth_mm <= one_run.runoff_depth_mm + 1e-5)
    assert np.all(risk.runoff_probability <= one_run.runoff_probability + 1e-5)
