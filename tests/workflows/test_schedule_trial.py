"""A schedule tried on a row of cells on which two zones overlap, all by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from geoirrig.records import AnalysisSettings, ZoneSchedule
from geoirrig.workflows.schedule_trial import ScheduleTrial, try_schedule
from geoirrig.workflows.schedule_warnings import schedule_warnings
from tests.surfaces.one_row_site import site as one_row_site

# Clay on 2 %: it takes in 0.10 in/h (2.54 mm/h) and stores 0.20 in (5.08 mm). Zone A gives its
# twenty cells 25.4 mm/h, and 12.7 to the first four of the twenty cells that zone B gives 25.4.
# A cycle lasts at most 60·5.08/22.86 = 13.33 minutes, and 120 minutes clear the surface.
LONGEST, SOAK = 60.0 * 5.08 / 22.86, 120.0
RATES = [[25.4] * 20 + [12.7] * 4 + [0.0] * 16, [0.0] * 20 + [25.4] * 20]
APRIL, JULY = 4, 7


def schedule(cycle_minutes: Any, cycles: Any) -> ZoneSchedule:
    """Both zones alike; (12,) from January to December."""
    cycle, count = (np.broadcast_to(values, (2, 12)) for values in (cycle_minutes, cycles))
    runs = count > 0
    return ZoneSchedule(
        zone=("A", "B"),
        events=np.where(runs, 10.0, 0.0),
        interval_days=np.full((2, 12), 3.0),
        net_depth_mm=np.zeros((2, 12)),
        gross_depth_mm=np.zeros((2, 12)),
        run_minutes=np.where(runs, cycle * count, np.nan),
        cycles=count,
        cycle_minutes=np.where(runs, cycle, np.nan),
        soak_minutes=np.where(runs, np.where(count > 1, SOAK, 0.0), np.nan),
        water_m3=np.ones((2, 12)),
    )


def tried(plan: ZoneSchedule, *, peak_month: int) -> ScheduleTrial:
    precipitation, terrain, cells, turf = one_row_site(RATES, 2.0, "clay")
    site: Any = SimpleNamespace(
        terrain=terrain,
        cells=cells,
        settings=AnalysisSettings(),
        inputs=SimpleNamespace(turf=turf),
    )
    water: Any = SimpleNamespace(precipitation=precipitation)
    return try_schedule(site, water, plan, peak_month=peak_month)


def told(plan: ZoneSchedule, trial: ScheduleTrial) -> str:
    sentences = schedule_warnings(plan, trial, window_minutes=1e6, readily_available_mm=np.ones(2))
    return " ".join(sentences)


def test_event_that_is_longer_than_that_of_the_peak_month_is_tried_too() -> None:
    # April: 6 minutes of A leave (12.7 − 2.54)/10 = 1.02 mm, B adds 2.29: it fits. July: A's second
    # cycle leaves 2.26 mm where B then fills the surface: four of twenty cells run off.
    month = np.arange(1, 13)
    plan = schedule(np.where(month == JULY, LONGEST, 6.0), np.where(month == JULY, 2, 1))
    assert tried(plan, peak_month=JULY).months == (JULY,)
    trial = tried(plan, peak_month=APRIL)
    assert trial.months == (APRIL, JULY)
    assert trial.runoff_fraction.tolist() == [0.0, 0.2]
    # after one more soak of 120 minutes nothing of A's water stands any longer
    assert trial.rests_help
    sentence = told(plan, trial)
    assert "In the event of April or July, more than 5 % of the turf of zone 'B'" in sentence
    assert "(zone 'B': 20 %)" in sentence
    assert "soak once more after its last cycle" in sentence


def test_warnings_name_several_zones_in_the_plural() -> None:
    plan = schedule(LONGEST, 1)
    trial = replace(
        tried(plan, peak_month=APRIL), runoff_fraction=np.array([0.1, 0.2]),
        extra_share=np.array([0.2, 0.3]),
    )  # fmt: skip
    sentences = told(plan, trial)
    assert "of the turf of zones 'A' and 'B' still runs off (zone 'B': 20 %)" in sentences
    assert "Other zones bring more water onto the turf of zones 'A' and 'B': over" in sentences
    assert "schedule:" not in sentences


def test_without_soaks_there_is_no_rest_to_help() -> None:
    plan = schedule(LONGEST, 1)
    trial = tried(plan, peak_month=APRIL)
    assert trial.runoff_fraction.tolist() == [0.0, 0.2]
    assert not trial.rests_help
    assert "Leave a longer pause between zones that overlap." in told(plan, trial)


def test_water_from_other_zones_over_the_own_by_hand() -> None:
    # B: four of twenty cells get 12.7 mm/h of A, 2.54 in the mean, over 25.4 of its own, for the
    # same minutes: a tenth, which is not told. Where A runs twice as long it is a fifth.
    plan = schedule(6.0, 1)
    trial = tried(plan, peak_month=APRIL)
    np.testing.assert_allclose(trial.extra_share, [0.0, 0.10], rtol=1e-6)
    assert trial.runoff_fraction.tolist() == [0.0, 0.0]
    twice = schedule(np.array([[9.0], [4.5]]), 1)
    trial = tried(twice, peak_month=APRIL)
    assert trial.extra_share[1] == pytest.approx(0.20, rel=1e-6)
    assert "over the year 20 % of its own in zone 'B'" in told(twice, trial)


def test_nothing_scheduled_is_not_tried() -> None:
    plan = schedule(0.0, 0)
    trial = tried(plan, peak_month=0)
    assert trial.months == ()
    assert np.isnan(trial.runoff_fraction).all()
    assert np.isnan(trial.extra_share).all()
    assert told(plan, trial) == ""
