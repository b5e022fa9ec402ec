"""Green-Ampt: published examples, independent programs, and what must always hold."""

import tomllib
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.special import lambertw

from geoirrig.physics.green_ampt import (
    cumulative_infiltration_mm,
    cumulative_infiltration_ponded_mm,
    event_runoff_green_ampt,
    infiltration_capacity_mm_h,
    minutes_to_ponding,
    minutes_to_runoff_green_ampt,
    ponding_depth_mm,
    suction_deficit_mm,
)
from geoirrig.physics.soil_properties import GREEN_AMPT_SOILS

EXAMPLES = tomllib.loads(
    (Path(__file__).parents[1] / "data" / "green_ampt_examples.toml").read_text("utf-8")
)

# Minutes to runoff at 0.4, 0.6, 1.0 and 1.5 in/h, half saturated, with storages of 0, 2.5 and
# 5 mm; worked independently with the tabulated soils (clay loam with its printed porosity 0.309).
MINUTES_TO_RUNOFF = {
    "sandy_loam": [(np.inf, 224.3, 40.3, 14.3), (np.inf, 375.6, 78.1, 31.9),
                   (np.inf, 454.4, 99.0, 42.1)],
    "loam": [(57.3, 21.8, 7.0, 3.0), (127.6, 57.1, 23.4, 12.2), (168.4, 78.6, 34.0, 18.5)],
    "silt_loam": [(425.1, 118.7, 32.9, 13.1), (644.4, 197.3, 63.1, 28.8),
                  (754.7, 238.6, 79.8, 37.9)],
    "clay_loam": [(20.8, 8.9, 3.1, 1.4), (62.7, 32.9, 15.4, 8.7), (89.4, 48.9, 24.0, 14.1)],
    "silty_clay": [(18.9, 8.3, 2.9, 1.3), (58.4, 31.3, 14.9, 8.5), (83.7, 46.7, 23.3, 13.8)],
    "clay": [(10.9, 4.8, 1.7, 0.8), (44.2, 24.6, 12.2, 7.2), (66.9, 38.7, 20.0, 12.2)],
}  # fmt: skip


def half_saturated_deficit_mm(texture):
    soil = GREEN_AMPT_SOILS[texture]
    porosity = 0.309 if texture == "clay_loam" else soil.effective_porosity
    return suction_deficit_mm(soil.suction_mm, porosity, initial_saturation_fraction=0.5)


def mm(example, name):
    """A length or rate of the data file, cm to mm."""
    return 10.0 * example[name]


# --- published examples --------------------------------------------------------------------------


def test_examples_are_all_there():
    counts = {name: len(EXAMPLES[name]) for name in ("ponded", "ponding", "steady", "blocks")}
    assert counts == {"ponded": 2, "ponding": 2, "steady": 1, "blocks": 3}


@pytest.mark.parametrize("example", EXAMPLES["ponded"], ids=lambda e: e["source"][:40])
def test_cumulative_infiltration_ponded_matches_the_examples(example):
    soil = mm(example, "conductivity_cm_h"), mm(example, "suction_deficit_cm")
    depth = cumulative_infiltration_ponded_mm(60 * example["hours"], *soil)
    digits = 13 if example["published"]["infiltrated_cm"] == 3.625109868482312 else 2
    assert depth / 10 == pytest.approx(
        example["published"]["infiltrated_cm"], abs=0.51 / 10**digits
    )
    assert depth / 10 == pytest.approx(example["recomputed"]["infiltrated_cm"], abs=5.1e-5)
    if "capacity_cm_h" in example["published"]:
        capacity = infiltration_capacity_mm_h(depth, *soil) / 10
        assert capacity == pytest.approx(example["recomputed"]["capacity_cm_h"], abs=5.1e-5)
        # 1.8156 is printed as 1.81
        assert capacity == pytest.approx(example["published"]["capacity_cm_h"], abs=0.0057)


@pytest.mark.parametrize("example", EXAMPLES["ponding"], ids=lambda e: e["source"][-25:])
def test_minutes_to_ponding_matches_the_examples(example):
    rain = (
        mm(example, "rate_cm_h"),
        mm(example, "conductivity_cm_h"),
        mm(example, "suction_deficit_cm"),
    )
    hours = minutes_to_ponding(*rain) / 60
    assert hours == pytest.approx(example["recomputed"]["hours"], abs=5.1e-4)
    assert hours == pytest.approx(example["published"]["hours"], abs=0.051)
    if "depth_cm" in example["published"]:
        depth = ponding_depth_mm(*rain) / 10
        assert depth == pytest.approx(example["recomputed"]["depth_cm"], abs=5.1e-6)
        assert depth == pytest.approx(example["published"]["depth_cm"], abs=0.0051)


@pytest.mark.parametrize("example", EXAMPLES["steady"], ids=lambda e: e["source"][-25:])
def test_cumulative_infiltration_matches_the_example(example):
    soil = mm(example, "conductivity_cm_h"), mm(example, "suction_deficit_cm")
    depth = cumulative_infiltration_mm(60 * example["hours"], mm(example, "rate_cm_h"), *soil)
    assert depth / 10 == pytest.approx(example["recomputed"]["infiltrated_cm"], abs=5.1e-6)
    assert depth / 10 == pytest.approx(example["published"]["infiltrated_cm"], abs=0.0051)
    capacity = infiltration_capacity_mm_h(depth, *soil) / 10
    assert capacity == pytest.approx(example["recomputed"]["capacity_cm_h"], abs=5.1e-6)
    assert capacity == pytest.approx(example["published"]["capacity_cm_h"], abs=0.0051)


def hyetograph_mm_h(example):
    return np.diff(example["cumulative_rain_cm"]) * 10 * 60 / example["step_minutes"]


def test_event_runoff_follows_the_hyetograph_exactly():
    example = EXAMPLES["hyetograph"]
    rates, step = hyetograph_mm_h(example), example["step_minutes"]
    deficit = mm(example, "suction_cm") * example["moisture_deficit"]
    for minute, infiltrated, excess in zip(
        example["recomputed_minutes"],
        example["recomputed_infiltrated_cm"],
        example["recomputed_excess_cm"],
        strict=True,
    ):
        steps = minute // step
        balance = event_runoff_green_ampt(
            rates[:steps], [step] * steps, mm(example, "conductivity_cm_h"), deficit, 0.0
        )
        assert balance.infiltrated_mm / 10 == pytest.approx(infiltrated, abs=5.1e-4)
        assert balance.runoff_mm / 10 == pytest.approx(excess, abs=5.1e-4)
    # nothing ponds in the first 60 minutes
    dry = event_runoff_green_ampt(rates[:6], [step] * 6, 10.9, deficit, 0.0)
    assert dry.runoff_mm == 0.0
    # The published excess is that of an explicit scheme, 1.2 % short of the exact one.
    assert balance.runoff_mm / 10 / example["published_excess_cm"] == pytest.approx(
        1.0124, abs=5.1e-4
    )


def test_published_hyetograph_answer_is_that_of_an_explicit_scheme():
    # Shows that the 1.2 % above is the scheme and not the soil.
    example = EXAMPLES["hyetograph"]
    deficit = example["suction_cm"] * 0.2472  # 0.412 × 0.6
    infiltrated, capacities = 0.0, []
    for rate in hyetograph_mm_h(example) / 10:
        capacity = np.inf
        if infiltrated > 0.0:
            capacity = float(infiltration_capacity_mm_h(infiltrated, 1.09, deficit))
            capacities.append(capacity)
        infiltrated += min(rate, capacity) / 6
    assert infiltrated == pytest.approx(example["published_infiltrated_cm"], abs=5.1e-5)
    excess = example["cumulative_rain_cm"][-1] - infiltrated
    assert excess == pytest.approx(example["published_excess_cm"], abs=5.1e-5)
    np.testing.assert_allclose(capacities[:6], example["published_capacity_cm_h"], atol=5.1e-4)


@pytest.mark.parametrize("example", EXAMPLES["blocks"], ids=lambda e: e["source"][17:28])
def test_event_runoff_of_block_rain_matches_the_problems(example):
    rates, minutes = example["rate_mm_h"], example["block_minutes"]
    soil = example["conductivity_mm_h"], example["suction_deficit_mm"]
    total = [
        float(
            event_runoff_green_ampt(
                rates[:n], [minutes] * n, *soil, example["storage_mm"]
            ).runoff_mm
        )
        for n in range(len(rates) + 1)
    ]
    runoff = np.diff(total) / example["unit_mm"]
    np.testing.assert_allclose(
        runoff, example["recomputed_runoff"], atol=example["recomputed_tolerance"]
    )
    np.testing.assert_allclose(
        runoff, example["published_runoff"], atol=example["published_tolerance"]
    )


def test_minutes_to_ponding_of_the_first_problem():
    example = EXAMPLES["blocks"][0]
    soil = example["conductivity_mm_h"], example["suction_deficit_mm"]
    minutes = minutes_to_ponding(example["rate_mm_h"][0], *soil)
    assert minutes == pytest.approx(example["recomputed_ponding_minutes"], abs=0.0051)
    assert minutes == pytest.approx(example["published_ponding_minutes"], abs=0.31)  # 0.01 h


def test_ponding_after_a_pause_of_the_third_problem():
    # 0.25 in fell in the first block and stays in the account: runoff starts in block 4 when
    # F = K·S/(i − K).
    example = EXAMPLES["blocks"][2]
    conductivity, deficit = example["conductivity_mm_h"], example["suction_deficit_mm"]
    depth = ponding_depth_mm(114.3, conductivity, deficit)
    minutes = 90 + 60 * (depth - 6.35) / 114.3
    assert minutes == pytest.approx(example["recomputed_ponding_minutes"], abs=0.0051)
    assert minutes == pytest.approx(example["published_ponding_minutes"], abs=0.2)
    event = [12.7, 0, 0, 114.3], [30, 30, 30, float(minutes) - 90], conductivity, deficit
    assert event_runoff_green_ampt(*event, 0.0).runoff_mm == pytest.approx(0.0, abs=1e-9)


def test_minutes_to_runoff_matches_the_table():
    rates = np.array([0.4, 0.6, 1.0, 1.5]) * 25.4
    counted = 0
    for texture, rows in MINUTES_TO_RUNOFF.items():
        soil = GREEN_AMPT_SOILS[texture].conductivity_mm_h, half_saturated_deficit_mm(texture)
        for storage, expected in zip((0.0, 2.5, 5.0), rows, strict=True):
            minutes = minutes_to_runoff_green_ampt(rates, *soil, storage)
            np.testing.assert_allclose(minutes, expected, atol=0.051)
            counted += len(expected)
    assert counted == 72


def test_minutes_to_runoff_of_the_trade_observation():
    # Common practice, no source: silty clay incline, none at 0.4 in/h in a full cycle, after about
    # 22 min at 0.6 in/h, sooner at 1. Ponding alone comes far too early (8.3 min); the default
    # storage of 2.5 mm is 42 % late; 1.19 mm would fit, and is not used for one anecdote.
    soil = GREEN_AMPT_SOILS["silty_clay"].conductivity_mm_h, half_saturated_deficit_mm("silty_clay")
    at_06 = minutes_to_runoff_green_ampt(0.6 * 25.4, *soil, [0.0, 1.19, 2.5])
    assert at_06[0] < 22.0 < at_06[2]
    assert at_06[1] == pytest.approx(22.0, abs=0.051)
    assert at_06[2] / 22.0 == pytest.approx(1.42, abs=0.006)


def test_loam_ponds_before_silt_loam():
    # The conductivities of the source have this order (3.4 and 6.5 mm/h); the accumulation tables
    # of the other model do not know it.
    minutes = [
        minutes_to_ponding(
            25.4, GREEN_AMPT_SOILS[name].conductivity_mm_h, half_saturated_deficit_mm(name)
        )
        for name in ("loam", "silt_loam")
    ]
    assert minutes[0] < minutes[1]


# --- independent references ----------------------------------------------------------------------


def test_cumulative_infiltration_ponded_equals_the_lambert_function():
    minutes = np.geomspace(1.0, 3000.0, 40)
    conductivity, deficit = 6.5, 56.78
    branch = lambertw(-np.exp(-1.0 - conductivity * minutes / 60 / deficit), -1).real
    depth = cumulative_infiltration_ponded_mm(minutes, conductivity, deficit)
    np.testing.assert_allclose(depth, -deficit * (1.0 + branch), rtol=1e-9)


@pytest.mark.parametrize("reduced_time", [1e-14, 1e-9, 9.9e-7, 1.1e-6, 1.0, 699.0, 701.0, 1e6])
def test_cumulative_infiltration_ponded_satisfies_its_equation_at_any_time(reduced_time):
    # K = 1 mm/h, S = 1 mm: F − ln(1 + F) = t, also where the closed form fails
    depth = float(cumulative_infiltration_ponded_mm(60.0 * reduced_time, 1.0, 1.0))
    if depth < 1e-2:
        terms = [(-1) ** n * depth**n / n for n in range(2, 9)]
        assert sum(terms) == pytest.approx(reduced_time, rel=1e-9)
    else:
        assert depth - np.log1p(depth) == pytest.approx(reduced_time, rel=1e-10)


def landlab_infiltration_mm(rates_mm_h, minutes, conductivity_mm_h, suction_mm, deficit):
    """Infiltrated and standing depth by landlab's component, steps of one second, no runoff."""
    landlab = pytest.importorskip("landlab")
    components = pytest.importorskip("landlab.components")
    grid = landlab.RasterModelGrid((3, 3))
    water = grid.add_zeros("surface_water__depth", at="node")
    # started at nothing it would divide by zero; its own example starts with 0.2 m of past water
    infiltrated = grid.add_full("soil_water_infiltration__depth", 1e-6, at="node")
    component = components.SoilInfiltrationGreenAmpt(
        grid,
        hydraulic_conductivity=conductivity_mm_h / 3.6e6,
        soil_bulk_density=1000.0,
        rock_density=1000.0 / (1.0 - deficit),  # leaves the pore space we want
        initial_soil_moisture_content=0.0,
        wetting_front_capillary_pressure_head=suction_mm / 1000.0,
        surface_water_minimum_depth=1e-12,
    )
    # It adds the depth on the ground to the suction head, which the equations tested here do not:
    # standing water is therefore kept aside, and offered in sips a little above what one second
    # takes in once there is any (0.0139 mm).
    standing = 0.0
    for rate, length in zip(rates_mm_h, minutes, strict=True):
        for _ in range(60 * length):
            standing += rate / 3.6e6
            sip = min(standing, 1.5e-5)
            water[:] = sip
            component.run_one_step(1.0)
            standing -= sip - float(water[4])
    return float(infiltrated[4]) * 1000.0, standing * 1000.0


def test_cumulative_infiltration_agrees_with_landlab():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # whatever its imports warn about
        reference, _ = landlab_infiltration_mm([50.0], [60], 6.5, 167.0, 0.34)
    depth = cumulative_infiltration_mm(60.0, 50.0, 6.5, 167.0 * 0.34)
    assert depth == pytest.approx(reference, rel=2e-4)  # its steps of 1 s cost 1e-4


def test_event_runoff_with_soaks_agrees_with_landlab():
    # Two zones and two soaks on a silty clay. The first soak clears the surface; in the weak
    # fourth interval the standing water sinks.
    soil = GREEN_AMPT_SOILS["silty_clay"]
    rates, minutes = [38.0, 0.0, 38.0, 3.0, 0.0], [6, 40, 8, 20, 10]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference, standing = landlab_infiltration_mm(
            rates, minutes, soil.conductivity_mm_h, soil.suction_mm, 0.2115
        )
    balance = event_runoff_green_ampt(
        rates, minutes, soil.conductivity_mm_h, soil.suction_mm * 0.2115, np.inf
    )
    assert balance.infiltrated_mm == pytest.approx(reference, rel=2e-3)
    assert balance.stored_mm == pytest.approx(standing, rel=4e-3)


def test_event_runoff_agrees_with_stepping_through_time():
    # dF/dt = min(supply, capacity) integrated with small tolerances, storage 2 mm
    conductivity, deficit, storage = 3.4, 19.3, 2.0
    rates, minutes = [40.0, 0.0, 25.0, 5.0, 60.0], [12, 6, 15, 20, 4]

    def slopes(_, state, rate):
        infiltrated, stored, _ = state
        capacity = conductivity * (1.0 + deficit / max(infiltrated, 1e-9))
        taken = capacity if stored > 1e-9 else min(rate, capacity)
        change = rate - taken
        if stored >= storage and change > 0.0:
            return [taken, 0.0, change]
        return [taken, change, 0.0]

    state = np.array([0.0, 0.0, 0.0])
    for rate, length in zip(rates, minutes, strict=True):
        run = solve_ivp(slopes, (0, length / 60), state, args=(rate,), max_step=2e-4, rtol=1e-6)
        state = np.clip(run.y[:, -1], 0.0, [np.inf, storage, np.inf])
    balance = event_runoff_green_ampt(rates, minutes, conductivity, deficit, storage)
    assert balance.infiltrated_mm == pytest.approx(state[0], abs=0.02)
    assert balance.runoff_mm == pytest.approx(state[2], abs=0.02)


# --- by hand -------------------------------------------------------------------------------------


def test_event_runoff_on_soil_that_never_ponds_takes_everything_in():
    balance = event_runoff_green_ampt([9.0, 0.0, 9.0], [60, 30, 60], 10.0, 50.0, 0.0)
    assert balance.infiltrated_mm == pytest.approx(18.0)
    assert balance.runoff_mm == 0.0
    assert balance.peak_storage_mm == 0.0


def test_event_runoff_in_a_long_soak_takes_in_what_stands():
    # pond, then soak for a day: all that fell is in the soil
    balance = event_runoff_green_ampt([40.0, 0.0], [20, 1440], 2.0, 20.0, np.inf)
    assert balance.infiltrated_mm == pytest.approx(40.0 / 3)
    assert balance.stored_mm == pytest.approx(0.0, abs=1e-12)


def test_event_runoff_splits_an_interval_without_changing_anything():
    whole = event_runoff_green_ampt([40.0, 5.0, 30.0], [20, 30, 10], 3.0, 25.0, 2.0)
    parts = event_runoff_green_ampt(
        [40.0, 40.0, 5.0, 5.0, 30.0], [13, 7, 11, 19, 10], 3.0, 25.0, 2.0
    )
    assert parts.runoff_mm == pytest.approx(float(whole.runoff_mm), abs=1e-9)
    assert parts.infiltrated_mm == pytest.approx(float(whole.infiltrated_mm), abs=1e-9)


def test_minutes_to_runoff_with_nan_is_nan():
    assert np.isnan(minutes_to_runoff_green_ampt([np.nan, 20.0], 2.0, 20.0, [1.0, np.nan])).all()


# --- what must always hold -----------------------------------------------------------------------

EVENTS = st.lists(
    st.tuples(st.one_of(st.just(0.0), st.floats(0.5, 80.0)), st.floats(0.0, 90.0)),
    min_size=1,
    max_size=6,
)
CONDUCTIVITIES, DEFICITS = st.floats(0.1, 60.0), st.floats(0.5, 300.0)
STORAGES = st.floats(0.0, 10.0)


@settings(max_examples=60)
@given(event=EVENTS, conductivity=CONDUCTIVITIES, deficit=DEFICITS, storage=STORAGES)
def test_event_runoff_closes_the_water_balance(event, conductivity, deficit, storage):
    rate, minutes = np.array(event).T
    balance = event_runoff_green_ampt(rate, minutes, conductivity, deficit, storage)
    applied = float(rate @ minutes) / 60
    total = balance.infiltrated_mm + balance.stored_mm + balance.runoff_mm
    assert total == pytest.approx(applied, abs=1e-8)
    # never more than soil that is ponded all the time
    ponded = cumulative_infiltration_ponded_mm(minutes.sum(), conductivity, deficit)
    assert balance.infiltrated_mm <= ponded + 1e-8
    assert 0.0 <= balance.stored_mm <= balance.peak_storage_mm <= storage + 1e-12


@settings(max_examples=60)
@given(event=EVENTS, conductivity=CONDUCTIVITIES, deficit=DEFICITS, storage=STORAGES)
def test_event_runoff_on_tighter_soil_is_never_less(event, conductivity, deficit, storage):
    rate, minutes = np.array(event).T
    runoff = event_runoff_green_ampt(
        rate, minutes, [conductivity, 0.5 * conductivity], deficit, [storage, 0.7 * storage]
    ).runoff_mm
    assert runoff[1] >= runoff[0] - 1e-8


@settings(max_examples=60)
@given(
    rate=st.floats(1.0, 80.0),
    minutes=st.floats(1.0, 200.0),
    conductivity=CONDUCTIVITIES,
    deficit=DEFICITS,
    storage=STORAGES,
    cycles=st.integers(2, 6),
    soak=st.floats(0.0, 120.0),
)
def test_event_runoff_split_into_cycles_is_never_more(
    rate, minutes, conductivity, deficit, storage, cycles, soak
):
    soil = conductivity, deficit, storage
    one = event_runoff_green_ampt([rate], [minutes], *soil).runoff_mm
    split = event_runoff_green_ampt(
        [rate, 0.0] * cycles, [minutes / cycles, soak] * cycles, *soil
    ).runoff_mm
    assert split <= one + 1e-8


@settings(max_examples=60)
@given(rate=st.floats(1.0, 80.0), conductivity=CONDUCTIVITIES, deficit=DEFICITS, storage=STORAGES)
def test_minutes_to_runoff_is_when_the_event_starts_to_run_off(
    rate, conductivity, deficit, storage
):
    soil = conductivity, deficit, storage
    once, twice = minutes_to_runoff_green_ampt([rate, 2.0 * rate], *soil)
    assert twice <= once
    if once < 1e5:
        before, after = event_runoff_green_ampt(
            [[rate, rate]], [[0.999 * once, 1.001 * once]], *soil
        ).runoff_mm
        assert before == 0.0
        assert after > 0.0
