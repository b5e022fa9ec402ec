"""Surface-storage model: cells and cycles worked by hand in inches, and what must always hold."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.physics.soil_properties import (
    allowable_surface_accumulation_mm,
    basic_intake_rate_mm_h,
)
from geoirrig.physics.surface_storage import (
    cycle_count,
    event_runoff_surface_storage,
    minutes_to_runoff,
    runoff_depth_mm,
    soak_minutes,
)

SLOPES_PCT = [1.0, 5.0, 10.0, 20.0]  # one in each class

# Minutes to runoff worked by hand, 60·A/(P − I) in inches: for each rate [in/h], the texture and
# its four slope classes. E.g. clay at 0.4 in/h, flattest class: 60·0.20/(0.4 − 0.10) = 40.
WORKED_MINUTES = {
    0.4: {
        "clay": (40, 30, 20, 20),
        "silty_clay": (55.2, 45.6, 38.4, 31.2),
        "clay_loam": (78, 66, 54, 45),
        "loam": (360, 300, 252, 204),
        "sandy_loam": (np.inf,) * 4,
    },
    0.6: {
        "clay": (24, 18, 12, 12),
        "silty_clay": (30.7, 25.3, 21.3, 17.3),
        "clay_loam": (39, 33, 27, 22.5),
        "loam": (72, 60, 50.4, 40.8),
        "sandy_loam": (99, 87, 72, 60),
    },
    1.0: {
        "clay": (13.3, 10, 6.7, 6.7),
        "silty_clay": (16.2, 13.4, 11.3, 9.2),
        "clay_loam": (19.5, 16.5, 13.5, 11.3),
        "loam": (27.7, 23.1, 19.4, 15.7),
        "sandy_loam": (33, 29, 24, 20),
    },
    1.5: {
        "clay": (8.6, 6.4, 4.3, 4.3),
        "silty_clay": (10.2, 8.4, 7.1, 5.8),
        "clay_loam": (12, 10.2, 8.3, 6.9),
        "loam": (15.7, 13, 11, 8.9),
        "sandy_loam": (18, 15.8, 13.1, 10.9),
    },
}

# Depth [in], rate [in/h], texture, slope [%]; minutes to runoff, total minutes, cycles, minutes of
# a cycle, soak. E.g. the first: 60·.26/1.3 = 12; 60·.5/1.5 = 20; 2; 10; 60·1.3·(10/60)/.20 = 65.
WORKED_CYCLES = [
    (0.50, 1.5, "clay_loam", 1.0, 12.0, 20.0, 2, 10.0, 65.0),
    (0.50, 1.5, "clay_loam", 20.0, 6.92, 20.0, 3, 6.67, 43.3),
    (0.50, 0.6, "silty_clay", 10.0, 21.33, 50.0, 3, 16.67, 50.0),
    (0.50, 1.0, "silty_clay", 10.0, 11.29, 30.0, 3, 10.0, 56.7),
    (0.75, 1.7, "loam", 5.0, 11.11, 26.47, 3, 8.82, 34.0),
    (0.50, 0.4, "silty_clay", 10.0, 38.4, 75.0, 2, 37.5, 62.5),
]


def test_minutes_to_runoff_reproduces_the_worked_cells():
    counted = 0
    for rate_in_h, soils in WORKED_MINUTES.items():
        for texture, expected in soils.items():
            minutes = minutes_to_runoff(
                rate_in_h * 25.4,
                basic_intake_rate_mm_h(texture),
                allowable_surface_accumulation_mm(texture, SLOPES_PCT),
            )
            np.testing.assert_allclose(minutes, expected, atol=0.051)  # one decimal is printed
            counted += len(expected)
    assert counted == 80


@pytest.mark.parametrize("case", WORKED_CYCLES)
def test_cycle_count_and_soak_reproduce_the_worked_plans(case):
    depth_in, rate_in_h, texture, slope, longest, total, cycles, run, soak = case
    rate, intake = rate_in_h * 25.4, basic_intake_rate_mm_h(texture)
    storage = allowable_surface_accumulation_mm(texture, slope)
    minutes = minutes_to_runoff(rate, intake, storage)
    total_minutes = 60 * depth_in * 25.4 / rate
    n = cycle_count(total_minutes, minutes)
    cycle = total_minutes / n
    assert minutes == pytest.approx(longest, abs=0.0051)
    assert total_minutes == pytest.approx(total, abs=0.0051)
    assert n == cycles
    assert cycle == pytest.approx(run, abs=0.0051)
    assert soak_minutes((rate - intake) * cycle / 60, intake) == pytest.approx(soak, abs=0.051)
    # and followed pulse by pulse the plan sheds nothing, while one run does
    plan = ([rate, 0.0] * cycles, [cycle, soak_minutes((rate - intake) * cycle / 60, intake)])
    balance = event_runoff_surface_storage(plan[0], plan[1] * cycles, intake, storage)
    assert balance.runoff_mm == pytest.approx(0.0, abs=1e-9)
    assert runoff_depth_mm(rate, total_minutes, intake, storage) > 0.0


def test_minutes_to_runoff_of_the_trade_observation():
    # Common practice, no source: on a silty clay incline about 0.4 in/h did not run off in a full
    # cycle, 0.6 in/h did after about 22 min, 1 in/h sooner. The slope is not told. The 7-12 % class
    # gives 60·.16/.45 = 21.3 min, 3 % less; the classes beside it 25.3 and 17.3. One anecdote does
    # not validate a model.
    minutes = minutes_to_runoff(
        np.array([0.4, 0.6, 1.0]) * 25.4,
        basic_intake_rate_mm_h("silty_clay"),
        allowable_surface_accumulation_mm("silty_clay", 10.0),
    )
    assert minutes[1] == pytest.approx(22.0, rel=0.031)
    assert minutes[0] == pytest.approx(38.4)  # "full cycle" is then at most this
    assert minutes[2] < minutes[1] < minutes[0]


def test_minutes_to_runoff_at_the_intake_rate_is_infinite():
    assert minutes_to_runoff([9.9, 10.0, 0.0], 10.0, 5.0).tolist() == [np.inf] * 3


def test_minutes_to_runoff_with_nan_is_nan():
    assert np.isnan(minutes_to_runoff([np.nan, 20.0], 10.0, [5.0, np.nan])).all()


def test_event_runoff_of_two_pulses_with_a_short_soak_by_hand():
    # rate 30, intake 6, storage 4. Pulse 10 min: +24/6 = 4, just full. Soak 20 min: −2, so 2.
    # Pulse 10 min: 2 + 4 = 6, 2 run off. Taken in: 1 + 2 + 1 = 4 of the 10 applied.
    balance = event_runoff_surface_storage([30.0, 0.0, 30.0], [10.0, 20.0, 10.0], 6.0, 4.0)
    assert balance.runoff_mm == pytest.approx(2.0)
    assert balance.stored_mm == pytest.approx(4.0)
    assert balance.infiltrated_mm == pytest.approx(4.0)
    assert balance.peak_storage_mm == pytest.approx(4.0)


def test_event_runoff_with_unlimited_storage_peaks_at_the_demand():
    # the same event: 6 mm would have to be held
    balance = event_runoff_surface_storage([30.0, 0.0, 30.0], [10.0, 20.0, 10.0], 6.0, np.inf)
    assert balance.peak_storage_mm == pytest.approx(6.0)
    assert balance.runoff_mm == 0.0


def test_event_runoff_under_a_weak_second_zone_drains_more_slowly():
    # 4 mm stand; a zone of 2 mm/h falls on soil of 6 mm/h for 30 min: 4 − 0.5·4 = 2 stand
    balance = event_runoff_surface_storage([30.0, 2.0], [10.0, 30.0], 6.0, 9.0)
    assert balance.stored_mm == pytest.approx(2.0)


EVENTS = st.lists(
    st.tuples(st.one_of(st.just(0.0), st.floats(0.5, 80.0)), st.floats(0.0, 90.0)),
    min_size=1,
    max_size=8,
)
INTAKES, STORAGES = st.floats(0.2, 40.0), st.floats(0.0, 12.0)


@given(event=EVENTS, intake=INTAKES, storage=STORAGES)
def test_event_runoff_closes_the_water_balance(event, intake, storage):
    rate, minutes = np.array(event).T
    balance = event_runoff_surface_storage(rate, minutes, intake, storage)
    applied = float(rate @ minutes) / 60
    total = balance.infiltrated_mm + balance.stored_mm + balance.runoff_mm
    assert total == pytest.approx(applied, abs=1e-9)
    assert balance.infiltrated_mm <= intake * minutes.sum() / 60 + 1e-9
    assert 0.0 <= balance.stored_mm <= balance.peak_storage_mm <= storage + 1e-12


@given(event=EVENTS, intake=INTAKES, storage=STORAGES)
def test_event_runoff_happens_exactly_when_the_demand_exceeds_the_storage(event, intake, storage):
    rate, minutes = np.array(event).T
    runoff = event_runoff_surface_storage(rate, minutes, intake, storage).runoff_mm
    demand = event_runoff_surface_storage(rate, minutes, intake, np.inf).peak_storage_mm
    assert (runoff > 1e-9) == (demand > storage + 1e-9) or abs(demand - storage) < 1e-6


@given(rate=st.floats(1.0, 80.0), minutes=st.floats(1.0, 300.0), intake=INTAKES, storage=STORAGES)
def test_event_runoff_of_one_run_matches_the_single_run_formula(rate, minutes, intake, storage):
    balance = event_runoff_surface_storage([rate], [minutes], intake, storage)
    single = runoff_depth_mm(rate, minutes, intake, storage)
    assert balance.runoff_mm == pytest.approx(float(single), abs=1e-9)
    # it starts at the time to runoff
    start = float(minutes_to_runoff(rate, intake, storage))
    assert (balance.runoff_mm > 1e-9) == (minutes > start) or abs(minutes - start) < 1e-6


@settings(max_examples=50)
@given(
    rate=st.floats(1.0, 80.0),
    minutes=st.floats(1.0, 300.0),
    intake=INTAKES,
    storage=STORAGES,
    cycles=st.integers(2, 6),
    soak=st.floats(0.0, 120.0),
)
def test_event_runoff_split_into_cycles_is_never_more(rate, minutes, intake, storage, cycles, soak):
    one = event_runoff_surface_storage([rate], [minutes], intake, storage).runoff_mm
    split = event_runoff_surface_storage(
        [rate, 0.0] * cycles, [minutes / cycles, soak] * cycles, intake, storage
    ).runoff_mm
    assert split <= one + 1e-9


@given(rate=st.floats(1.0, 80.0), intake=INTAKES, storage=STORAGES)
def test_minutes_to_runoff_of_a_doubled_rate_is_never_later(rate, intake, storage):
    once, twice = minutes_to_runoff([rate, 2.0 * rate], intake, storage)
    assert twice <= once


def test_event_runoff_over_many_cells_equals_cell_by_cell():
    rates = np.array([[10.0, 40.0], [0.0, 5.0]])
    both = event_runoff_surface_storage(rates, [30.0, 20.0], [4.0, 8.0], 3.0)
    for cell, intake in enumerate([4.0, 8.0]):
        one = event_runoff_surface_storage(rates[:, cell], [30.0, 20.0], intake, 3.0)
        assert both.runoff_mm[cell] == pytest.approx(float(one.runoff_mm))
