"""Compiled Green-Ampt against the plain NumPy version."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.physics import green_ampt_kernels as kernels
from geoirrig.physics.green_ampt import (
    cumulative_infiltration_ponded_mm,
    event_runoff_green_ampt,
    minutes_to_runoff_green_ampt,
)

N_CASES = 3000


@pytest.fixture(scope="module")
def cases():
    """Soils from sand to clay, rains from drizzle to cloudburst, wet and dry starts."""
    random = np.random.default_rng(20)
    return {
        "start": np.where(random.random(N_CASES) < 0.2, 0.0, random.exponential(15.0, N_CASES)),
        "hours": random.exponential(0.7, N_CASES),
        "rate": np.exp(random.normal(2.5, 1.2, N_CASES)),
        "conductivity": np.exp(random.normal(1.0, 1.5, N_CASES)),
        "deficit": np.exp(random.normal(3.5, 1.3, N_CASES)),
        "storage": random.exponential(3.0, N_CASES),
    }


def test_ponded_gain_equals_the_closed_form(cases):
    soil = cases["conductivity"], cases["deficit"]
    gain = [
        kernels.ponded_gain_mm(*case)
        for case in zip(cases["start"], cases["hours"], *soil, strict=True)
    ]
    closed = cumulative_infiltration_ponded_mm(
        60 * cases["hours"], *soil, initial_mm=cases["start"]
    )
    np.testing.assert_allclose(cases["start"] + gain, closed, rtol=1e-10)


@pytest.mark.parametrize("hours", [0.0, 1e-12, 1e-6, 1e4])
def test_ponded_gain_at_the_ends_of_time_satisfies_its_equation(hours):
    gain = kernels.ponded_gain_mm(0.0, hours, 2.0, 50.0)
    again = kernels.reduced_hours_mm(0.0, gain, 50.0) / 2.0
    assert again == pytest.approx(hours, rel=1e-9)


def test_minutes_to_runoff_equals_the_plain_version(cases):
    arguments = [cases[name] for name in ("rate", "conductivity", "deficit", "storage")]
    minutes = [kernels.minutes_to_runoff(*case, 1440.0) for case in zip(*arguments, strict=True)]
    plain = np.minimum(minutes_to_runoff_green_ampt(*arguments), 1440.0)
    np.testing.assert_allclose(minutes, plain, rtol=1e-9)
    assert 0.2 < np.mean(plain < 1440.0) < 0.99  # both kinds are there


def test_minutes_to_runoff_without_storage_is_the_time_to_ponding():
    # Fp = 10·20/40 = 5 mm at 50 mm/h
    assert kernels.minutes_to_runoff(50.0, 10.0, 20.0, 0.0, 1440.0) == pytest.approx(6.0)


@given(
    event=st.lists(
        st.tuples(st.one_of(st.just(0.0), st.floats(0.5, 80.0)), st.floats(0.0, 1.5)),
        min_size=1,
        max_size=6,
    ),
    conductivity=st.floats(0.1, 60.0),
    deficit=st.floats(0.5, 300.0),
)
def test_after_interval_follows_the_plain_event(event, conductivity, deficit):
    infiltrated, stored, peak = 0.0, 0.0, 0.0
    for rate, hours in event:
        infiltrated, stored = kernels.after_interval(
            infiltrated, stored, rate, hours, conductivity, deficit
        )
        peak = max(peak, stored)
    rates, hours = np.array(event).T
    plain = event_runoff_green_ampt(rates, 60 * hours, conductivity, deficit, np.inf)
    assert infiltrated == pytest.approx(float(plain.infiltrated_mm), rel=1e-8, abs=1e-8)
    assert stored == pytest.approx(float(plain.stored_mm), abs=1e-8)
    assert peak == pytest.approx(float(plain.peak_storage_mm), abs=1e-8)


def test_after_interval_touching_the_ground_at_its_lowest_stays_whole():
    # Standing water that just vanishes as the capacity reaches the rate: the double root.
    conductivity, deficit, rate, start = 2.0, 40.0, 12.0, 4.0
    lowest = conductivity * deficit / (rate - conductivity) - start  # 8 − 4 = 4
    hours = kernels.reduced_hours_mm(start, lowest, deficit) / conductivity
    just_enough = lowest - rate * hours
    for stored in (just_enough * (1 - 1e-12), just_enough, just_enough * (1 + 1e-12)):
        infiltrated, left = kernels.after_interval(
            start, stored, rate, 2 * hours, conductivity, deficit
        )
        assert infiltrated + left == pytest.approx(start + stored + rate * 2 * hours, abs=1e-9)
        assert infiltrated > start + lowest
