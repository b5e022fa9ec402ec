"""What a schedule does not solve, and what its reader ought to know."""

from __future__ import annotations

import calendar
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.io.columns import listed_as
from geoirrig.physics.plant_water_use import MONTHS
from geoirrig.records import ZoneSchedule
from geoirrig.surfaces.cycle_advice import MOST_ADVISED_CYCLES, SENSITIVE_FRACTION
from geoirrig.units import PERCENT, FloatArray
from geoirrig.workflows.schedule_trial import ScheduleTrial

# Water from other zones, over the zone's own, from which on the reader is told. Judgement.
_WORTH_TELLING_SHARE = 0.10
_ZONES_NAMED = 5


def schedule_failures(
    schedule: ZoneSchedule, served_area_m2: FloatArray
) -> tuple[Mapping[str, Any], ...]:
    """Zones that have no schedule, or months in which no cycles keep their water on the turf.

    Parameters
    ----------
    schedule : ZoneSchedule
        Every zone and month.
    served_area_m2 : ndarray, shape (n_zones,)
        Turf that each zone serves. [m²]

    Returns
    -------
    tuple of mapping
        ``zone``, ``months`` (1 to 12) and ``reason``; empty where all zones have a schedule.
    """
    failures: list[Mapping[str, Any]] = []
    for number, zone in enumerate(schedule.zone):
        if served_area_m2[number] == 0.0:
            failures.append(
                {
                    "zone": zone,
                    "months": list(range(1, MONTHS + 1)),
                    "reason": "serves no turf: no turf cell gets more water from it than from "
                    "another zone.",
                }
            )
            continue
        unsolved = (schedule.events[number] > 0.0) & (schedule.cycles[number] == 0)
        if unsolved.any():
            failures.append(
                {
                    "zone": zone,
                    "months": (np.flatnonzero(unsolved) + 1).tolist(),
                    "reason": f"no plan of at most {MOST_ADVISED_CYCLES} cycles keeps its water "
                    "on the turf. Choose nozzles of a lower rate, or treat the soil.",
                }
            )
    return tuple(failures)


def schedule_warnings(
    schedule: ZoneSchedule,
    trial: ScheduleTrial,
    *,
    window_minutes: float,
    readily_available_mm: FloatArray,
) -> tuple[str, ...]:
    """Sentences on what the reader ought to know; empty where there is nothing.

    Parameters
    ----------
    schedule : ZoneSchedule
        Every zone and month.
    trial : ScheduleTrial
        What came of it on the ground, all zones in turn.
    window_minutes : float
        Minutes of a night in which water may be applied. [min]
    readily_available_mm : ndarray, shape (n_zones,)
        What the root zone lends between two events. [mm]
    """
    found = (
        _window_warning(schedule, window_minutes),
        _shallow_root_warning(schedule, readily_available_mm),
        _runoff_warning(schedule.zone, trial),
        _extra_water_warning(schedule.zone, trial.extra_share),
    )
    return tuple(sentence for sentence in found if sentence)


def event_lengths_minutes(schedule: ZoneSchedule) -> tuple[FloatArray, FloatArray]:
    """How long an event of all zones lasts in each month, (12,) each. [min].

    First one zone after another, each with its soaks; then the least it can take if other zones
    run in a zone's soaks: not below the sum of the run minutes, nor below the longest zone.
    """
    run = np.nan_to_num(schedule.run_minutes)
    pauses = np.maximum(schedule.cycles - 1, 0) * np.nan_to_num(schedule.soak_minutes)
    interleaved = np.maximum(np.sum(run, axis=0), np.max(run + pauses, axis=0, initial=0.0))
    return np.sum(run + pauses, axis=0), interleaved


def _window_warning(schedule: ZoneSchedule, window_minutes: float) -> str:
    in_turn, interleaved = event_lengths_minutes(schedule)
    month = int(np.argmax(in_turn))
    if in_turn[month] <= window_minutes:
        return ""
    return (
        f"All zones one after another, with their soaks, take {in_turn[month]:.0f} "
        f"minutes in {calendar.month_name[month + 1]}; the watering window is "
        f"{window_minutes:.0f} minutes. "
        + (
            "Let other zones run in a zone's soaks (at least "
            f"{interleaved[month]:.0f} minutes), or spread the zones over several nights."
            if interleaved[month] <= window_minutes
            else f"Even with other zones running in the soaks it is {interleaved[month]:.0f} "
            "minutes or more: spread the zones over several nights."
        )
    )


def _shallow_root_warning(schedule: ZoneSchedule, readily_available_mm: FloatArray) -> str:
    over = schedule.net_depth_mm > readily_available_mm[:, np.newaxis] * (1.0 + 1e-9)
    zones = _named(schedule.zone, np.asarray(over.any(axis=1)))
    if not zones:
        return ""
    return (
        f"In the driest months a day takes more water than the root zone of {zones} may lend, so "
        "that daily watering still lets it dry further. Check root_depth_mm and soil_texture of "
        "the turf."
    )


def _runoff_warning(zone: Sequence[str], trial: ScheduleTrial) -> str:
    over = trial.runoff_fraction > SENSITIVE_FRACTION
    if not over.any():
        return ""
    worst = int(np.nanargmax(trial.runoff_fraction))
    months = " or ".join(calendar.month_name[month] for month in trial.months)
    allowed = f"{PERCENT * SENSITIVE_FRACTION:.0f} %"
    return (
        f"In the event of {months}, more than {allowed} of the turf of "
        f"{_named(zone, over)} still runs off "
        f"(zone {zone[worst]!r}: {PERCENT * trial.runoff_fraction[worst]:.0f} %), since other "
        "zones wet it too. "
        + (
            "Let each zone soak once more after its last cycle, before the next begins: then it "
            f"is at most {allowed} in every zone."
            if trial.rests_help
            else "Leave a longer pause between zones that overlap."
        )
    )


def _extra_water_warning(zone: Sequence[str], extra_share: FloatArray) -> str:
    over = extra_share > _WORTH_TELLING_SHARE
    if not over.any():
        return ""
    worst = int(np.nanargmax(extra_share))
    return (
        f"Other zones bring more water onto the turf of {_named(zone, over)}: over "
        f"the year {PERCENT * extra_share[worst]:.0f} % of its own in zone {zone[worst]!r}. Every "
        "zone is reckoned as if it watered alone: shorten the runs of zones that overlap."
    )


def _named(zone: Sequence[str], chosen: NDArray[np.bool_]) -> str:
    names = [name for name, is_chosen in zip(zone, chosen, strict=True) if is_chosen]
    return listed_as("zone", names, at_most=_ZONES_NAMED) if names else ""
