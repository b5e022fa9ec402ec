"""Water a zone must apply in a year, and the causes of a saving."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.physics.application_uniformity import (
    depth_multiplier_low_quarter,
    run_time_multiplier_low_half,
    run_time_multiplier_low_quarter,
)
from geoirrig.physics.nozzle_hydraulics import flow_at_pressure
from geoirrig.physics.retrofit_saving import (
    SavingByCause,
    WateringState,
    annual_overspray_l,
    annual_run_minutes,
    annual_runoff_l,
    annual_water_l,
    clock_unchanged_saving_l,
    event_run_minutes,
    need_met_by_unchanged_clock,
    saving_by_cause,
    share_on_served_area,
)
from geoirrig.units import KPA_PER_PSI

EXAMPLES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "data" / "retrofit_economics.toml").read_text(encoding="utf-8")
)
PARTS = [field.name for field in dataclasses.fields(SavingByCause)]


def state(
    need: Any = 600.0, area: Any = 100.0, multiplier: Any = 1.25, on: Any = 0.8, runoff: Any = 0.0
) -> WateringState:
    values = (np.asarray(value, dtype=np.float64) for value in (need, area, multiplier, on, runoff))
    need_mm, area_m2, run_time_multiplier, on_target, runoff_fraction = values
    return WateringState(
        net_need_mm_year=need_mm,
        served_area_m2=area_m2,
        run_time_multiplier=run_time_multiplier,
        on_target_fraction=on_target,
        runoff_fraction=runoff_fraction,
    )


states = st.builds(
    state,
    need=st.floats(1.0, 2000.0),
    area=st.floats(1.0, 5000.0),
    multiplier=st.floats(1.0, 5.0),
    on=st.floats(0.2, 1.0),
    runoff=st.floats(0.0, 0.9),
)


def parts(saving: SavingByCause) -> np.ndarray[Any, Any]:
    return np.array([getattr(saving, name) for name in PARTS])


# --- hand-worked


def test_annual_water_hand_worked() -> None:
    # 600 mm on 100 m² are 60 000 L; DUlh 0.8: 75 000 L on the turf must stay; a quarter of what
    # lands there runs off: 100 000 L must land; a fifth is lost beside it: 125 000 L.
    zone = state(600.0, 100.0, run_time_multiplier_low_half(0.8), 0.8, 0.25)
    assert float(annual_water_l(zone)) == pytest.approx(125_000.0)
    assert float(annual_overspray_l(zone)) == pytest.approx(25_000.0)
    assert float(annual_runoff_l(zone)) == pytest.approx(25_000.0)


def test_event_run_minutes_hand_worked() -> None:
    # 10 mm net, 12.5 mm for the drier half, 16.67 mm with a quarter running off, at 40 mm/h
    assert float(event_run_minutes(10.0, 40.0, 1.25, 0.25)) == pytest.approx(25.0)


def test_saving_by_cause_hand_worked() -> None:
    # W falls from 64 to 16 by a factor 2 of evenness and a factor 2 of overspray: 24 each.
    before, after = state(64.0, 0.25, 2.0, 0.5), state(64.0, 0.25, 1.0, 1.0)
    saving = saving_by_cause(before, after)
    assert float(annual_water_l(before)) == 64.0
    assert float(annual_water_l(after)) == 16.0
    assert float(saving.evenness_l) == pytest.approx(24.0)
    assert float(saving.overspray_l) == pytest.approx(24.0)
    assert float(saving.runoff_l) == float(saving.need_l) == float(saving.pressure_l) == 0.0


def test_saving_by_cause_unequal_factors_follow_their_logarithms() -> None:
    # factors 4 and 2: of 64 − 8 = 56, two thirds and one third
    saving = saving_by_cause(state(64.0, 0.25, 4.0, 1.0, 0.5), state(64.0, 0.25, 1.0, 1.0, 0.0))
    assert float(saving.evenness_l) == pytest.approx(2.0 * float(saving.runoff_l))
    assert float(saving.total_l) == pytest.approx(128.0 - 16.0)


def test_share_on_served_area_closes_the_water() -> None:
    """Minutes of the year by volume and by depth are the same."""
    flow, rate, area, need = 62.5, 30.0, 100.0, 600.0
    on = share_on_served_area(rate, area, flow)
    assert float(on) == pytest.approx(0.8)
    zone = state(need, area, 1.4, on, 0.1)
    by_volume = annual_run_minutes(annual_water_l(zone), flow)
    assert float(by_volume) == pytest.approx(float(event_run_minutes(need, rate, 1.4, 0.1)))


@given(zone=states)
def test_water_goes_to_turf_runoff_and_overspray_and_nowhere_else(zone: WateringState) -> None:
    stays = zone.net_need_mm_year * zone.served_area_m2 * zone.run_time_multiplier
    everywhere = stays + annual_runoff_l(zone) + annual_overspray_l(zone)
    assert float(annual_water_l(zone)) == pytest.approx(float(everywhere), rel=1e-12)


# --- properties of the parts


@given(before=states, middle=states, after=states)
def test_parts_add_up_to_the_saving(
    before: WateringState, middle: WateringState, after: WateringState
) -> None:
    whole = float(annual_water_l(before) - annual_water_l(after))
    size = float(annual_water_l(before) + annual_water_l(middle) + annual_water_l(after))
    for pressure in (None, middle):
        saving = saving_by_cause(before, after, at_new_pressure=pressure)
        assert float(saving.total_l) == pytest.approx(whole, abs=1e-12 * size)
        assert float(np.sum(parts(saving))) == pytest.approx(whole, abs=1e-12 * size)


@given(before=states, after=states)
def test_parts_swap_sign_with_the_states(before: WateringState, after: WateringState) -> None:
    there, back = parts(saving_by_cause(before, after)), parts(saving_by_cause(after, before))
    size = float(annual_water_l(before) + annual_water_l(after))
    np.testing.assert_allclose(there, -back, atol=1e-12 * size)


@given(before=states, after=states, factor=st.floats(0.01, 100.0))
def test_parts_grow_with_the_area(
    before: WateringState, after: WateringState, factor: float
) -> None:
    larger = (
        dataclasses.replace(zone, served_area_m2=zone.served_area_m2 * factor)
        for zone in (before, after)
    )
    size = factor * float(annual_water_l(before) + annual_water_l(after))
    np.testing.assert_allclose(
        parts(saving_by_cause(*larger)),
        factor * parts(saving_by_cause(before, after)),
        atol=1e-10 * size,
    )


@given(before=states, after=states)
def test_each_part_has_the_sign_of_its_cause(before: WateringState, after: WateringState) -> None:
    saving = saving_by_cause(before, after)
    better = (
        (saving.evenness_l, before.run_time_multiplier - after.run_time_multiplier),
        (saving.overspray_l, after.on_target_fraction - before.on_target_fraction),
        (saving.runoff_l, before.runoff_fraction - after.runoff_fraction),
    )
    for part, change in better:
        # a change in the last digit may round to none
        assert float(part) * float(change) >= 0.0


@given(zone=states)
def test_same_state_saves_nothing(zone: WateringState) -> None:
    assert np.all(parts(saving_by_cause(zone, zone, at_new_pressure=zone)) == 0.0)


@given(before=states, tiny=st.floats(1e-15, 1e-9))
def test_nearly_the_same_state_saves_next_to_nothing(before: WateringState, tiny: float) -> None:
    multiplier = before.run_time_multiplier * (1.0 + tiny)
    saving = saving_by_cause(dataclasses.replace(before, run_time_multiplier=multiplier), before)
    water = float(annual_water_l(before))
    assert float(saving.evenness_l) == pytest.approx(water * tiny, abs=4e-16 * water, rel=1e-6)


def test_many_zones_at_once_equal_one_by_one() -> None:
    before = state([500.0, 600.0], [10.0, 20.0], [1.5, 1.3], [0.7, 0.9], [0.1, 0.0])
    after = state([500.0, 600.0], [10.0, 20.0], [1.2, 1.4], [0.8, 0.9], [0.0, 0.0])
    both = saving_by_cause(before, after, at_new_pressure=before)
    for zone in (0, 1):
        one = saving_by_cause(
            *(
                state(*(getattr(s, f.name)[zone] for f in dataclasses.fields(WateringState)))
                for s in (before, after)
            )
        )
        np.testing.assert_allclose(parts(both)[:, zone], parts(one), rtol=1e-13)


def test_need_that_falls_to_nothing_is_all_of_the_saving() -> None:
    saving = saving_by_cause(state(600.0, multiplier=1.5), state(0.0, multiplier=1.2))
    assert float(saving.need_l) == pytest.approx(600.0 * 100.0 * 1.5 / 0.8)
    assert float(saving.evenness_l) == 0.0
    back = saving_by_cause(state(600.0, 0.0), state(600.0, 100.0))
    assert float(back.need_l) == -float(annual_water_l(state()))
    nothing = saving_by_cause(state(0.0), state(0.0, multiplier=2.0))
    assert np.all(parts(nothing) == 0.0)


@pytest.mark.parametrize(
    "zone",
    [
        state(multiplier=math.inf),
        state(multiplier=math.nan),
        state(on=0.0),
        state(runoff=1.0),
        state(need=math.nan),
    ],
)
def test_turf_that_no_running_time_serves_has_no_water(zone: WateringState) -> None:
    assert math.isnan(annual_water_l(zone))
    assert math.isnan(saving_by_cause(zone, state()).total_l)
    assert math.isnan(saving_by_cause(state(), zone).pressure_l)
    assert math.isnan(saving_by_cause(state(), state(), at_new_pressure=zone).total_l)


def test_no_rate_no_flow_no_minutes() -> None:
    assert math.isnan(event_run_minutes(10.0, 0.0, 1.25))
    assert math.isnan(annual_run_minutes(10.0, 0.0))
    assert math.isnan(share_on_served_area(0.0, 10.0, 0.0))


# --- what is published


@pytest.mark.parametrize("example", EXAMPLES["evenness"])
def test_evenness_alone_saves_as_worked(example: dict[str, float]) -> None:
    uniformity = np.array([example["du_lq_before"], example["du_lq_after"]])
    for multiplier, key in (
        (depth_multiplier_low_quarter(uniformity), "recomputed_by_depth_pct"),
        (run_time_multiplier_low_quarter(uniformity), "recomputed_by_run_time_pct"),
    ):
        before, after = (state(multiplier=value) for value in multiplier)
        saving = saving_by_cause(before, after)
        share = float(saving.total_l / annual_water_l(before))
        assert 100.0 * share == pytest.approx(example[key], abs=0.05)
        assert float(saving.evenness_l) == pytest.approx(float(saving.total_l))


def test_evenness_examples_are_all_there() -> None:
    assert len(EXAMPLES["evenness"]) == 3
    assert len(EXAMPLES["pressure"]["step_psi"]) == 9


def flow(psi: float) -> float:
    """Flow of a nozzle of 10 L/min at 30 psi."""
    return float(flow_at_pressure(psi * KPA_PER_PSI, [30.0 * KPA_PER_PSI], [10.0]))


@pytest.mark.parametrize(
    ("step", "change_pct"),
    list(
        zip(
            EXAMPLES["pressure"]["step_psi"],
            EXAMPLES["pressure"]["recomputed_flow_change_pct"],
            strict=True,
        )
    ),
)
def test_flow_rises_with_the_root_of_pressure(step: list[float], change_pct: float) -> None:
    low, high = step
    assert 100.0 * (flow(high) / flow(low) - 1.0) == pytest.approx(change_pct, abs=0.05)


@pytest.mark.parametrize("back", EXAMPLES["pressure"]["back"])
def test_pressure_saves_by_the_orifice_law_only_at_an_unchanged_clock(
    back: dict[str, float],
) -> None:
    high, low = flow(back["from_psi"]), flow(back["to_psi"])
    share = float(clock_unchanged_saving_l(high, low, 1000.0)) / (high * 1000.0)
    assert 100.0 * share == pytest.approx(back["recomputed_saving_pct"], abs=0.05)
    # At equal evenness, overspray and runoff the turf needs as much, and nothing is saved; the
    # unchanged clock gives it so much less than it needs.
    saving = saving_by_cause(state(), state(), at_new_pressure=state())
    assert float(saving.total_l) == 0.0
    rate = 40.0
    minutes = event_run_minutes(10.0, [rate, rate * low / high], 1.25)
    met = need_met_by_unchanged_clock(minutes[0], minutes[1])
    assert 1.0 - float(met) == pytest.approx(share)


def test_published_saving_of_pressure_is_far_below_the_orifice_law() -> None:
    """A 60 psi system regulated to 30 psi: 11 % as published, 29 % by the law. Never mix them."""
    published = EXAMPLES["pressure"]["published"]
    share = 100.0 * published["saved_gal_year"] / published["water_gal_year"]
    assert share == pytest.approx(published["recomputed_saving_pct"], abs=0.05)
    by_law = 100.0 * (1.0 - flow(30.0) / flow(published["system_psi"]))
    assert by_law > 2.5 * share


def test_pressure_is_a_step_of_its_own() -> None:
    """What pressure mends with the old nozzles is not counted again for the new ones."""
    before = state(multiplier=1.6, on=0.7)
    regulated = state(multiplier=1.4, on=0.8)
    after = state(multiplier=1.2, on=0.85)
    saving = saving_by_cause(before, after, at_new_pressure=regulated)
    assert float(saving.pressure_l) == pytest.approx(
        float(annual_water_l(before) - annual_water_l(regulated))
    )
    nozzles = saving_by_cause(regulated, after)
    assert float(saving.evenness_l) == float(nozzles.evenness_l)
    assert float(saving.overspray_l) == float(nozzles.overspray_l)
