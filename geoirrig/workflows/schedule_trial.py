"""A schedule tried on the ground, all zones in turn: what still runs off where zones overlap."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from geoirrig.records import EventPlan, ZoneSchedule
from geoirrig.surfaces.cycle_advice import SENSITIVE_FRACTION
from geoirrig.surfaces.precipitation_surface import event_in_turn
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface
from geoirrig.surfaces.zone_turf import rates_on_served_turf_mm_h, served_share_that_runs_off
from geoirrig.units import FloatArray
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.site_water import SiteWater

# Cell values are float32, and an advised cycle may end just when water is about to leave.
_NO_RUNOFF_MM = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleTrial:
    """What the advice of each zone, which counts its own water, leaves open where zones overlap.

    Attributes
    ----------
    months : tuple of int
        Months whose event was tried, 1 to 12: the one that takes most water and the one with the
        longest event. Empty where nothing is scheduled.
    runoff_fraction : ndarray, shape (n_zones,)
        Share of the served turf that runs off, the larger of the months; NaN where the zone runs
        in none of them. [1]
    rests_help : bool
        Whether the shares stay within what the advice allows if each zone soaks once more after
        its last cycle, before the next begins. Not tried, and False, where they do so anyway.
    extra_share : ndarray, shape (n_zones,)
        Water of a year that other zones bring onto the served turf, over the zone's own; NaN where
        the zone does not run. [1]
    """

    months: tuple[int, ...]
    runoff_fraction: FloatArray
    rests_help: bool
    extra_share: FloatArray


def try_schedule(
    site: LoadedSite, water: SiteWater, schedule: ZoneSchedule, *, peak_month: int
) -> ScheduleTrial:
    """Follow the events of the months that ask most of the ground, water of all zones counted.

    Parameters
    ----------
    site : LoadedSite
        The checked inputs on their grid.
    water : SiteWater
        Where the water of every zone lands.
    schedule : ZoneSchedule
        Of the same zones.
    peak_month : int
        Month in which the site takes most water, 1 to 12; 0 where it never takes any.

    Returns
    -------
    ScheduleTrial

    Notes
    -----
    The month that takes most water need not have the longest event: whole days between events
    round down, most where the plants use most.
    """
    months = () if peak_month == 0 else _months(schedule, peak_month)
    runoff = _runoff_fraction(site, water, schedule, months, rests=False)
    rests_help = False
    if np.any(runoff > SENSITIVE_FRACTION):
        rested = _runoff_fraction(site, water, schedule, months, rests=True)
        rests_help = not np.any(rested > SENSITIVE_FRACTION)
    return ScheduleTrial(
        months=months,
        runoff_fraction=runoff,
        rests_help=rests_help,
        extra_share=_extra_share(site, water, schedule),
    )


def _months(schedule: ZoneSchedule, peak_month: int) -> tuple[int, ...]:
    longest = int(np.argmax(np.sum(np.nan_to_num(schedule.run_minutes), axis=0))) + 1
    return tuple(sorted({peak_month, longest}))


def _runoff_fraction(
    site: LoadedSite,
    water: SiteWater,
    schedule: ZoneSchedule,
    months: tuple[int, ...],
    *,
    rests: bool,
) -> FloatArray:
    """Share of each zone's turf that runs off, the largest of the months."""
    largest = np.full(len(schedule.zone), np.nan)
    for month in months:
        cycles = schedule.cycles[:, month - 1]
        event = event_in_turn(
            cycles, schedule.cycle_minutes[:, month - 1], schedule.soak_minutes[:, month - 1]
        )
        runoff = runoff_risk_surface(
            water.precipitation,
            site.terrain,
            site.cells,
            site.inputs.turf,
            _with_rests(event) if rests else event,
            settings=site.settings,
        )
        share = served_share_that_runs_off(
            water.precipitation, site.cells, runoff.runoff_depth_mm, above_mm=_NO_RUNOFF_MM
        )
        largest = np.fmax(largest, np.where(cycles > 0, share, np.nan))
    return largest


def _with_rests(event: EventPlan) -> EventPlan:
    """The event with one more soak after the last cycle of every zone that has soaks."""
    rest = np.where(event.cycles > 1, event.soak_minutes, 0.0)
    before = np.append(0.0, np.cumsum(rest)[:-1])
    return dataclasses.replace(event, start_minute=event.start_minute + before)


def _extra_share(site: LoadedSite, water: SiteWater, schedule: ZoneSchedule) -> FloatArray:
    rate = rates_on_served_turf_mm_h(water.precipitation, site.cells)
    minutes = np.sum(schedule.events * np.nan_to_num(schedule.run_minutes), axis=1)
    own = np.diag(rate) * minutes
    share: FloatArray = np.divide(
        rate @ minutes - own, own, out=np.full(len(own), np.nan), where=own > 0.0
    )
    return share
