"""What each slope sheds in a mean year under a schedule."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from geoirrig.physics.plant_water_use import MONTHS
from geoirrig.records import EventPlan, ZoneSchedule
from geoirrig.surfaces.precipitation_surface import event_in_turn
from geoirrig.surfaces.runoff_ranking import RankingGround, central_runoff_l
from geoirrig.units import FloatArray


def annual_runoff_l(
    ground: RankingGround, schedule: ZoneSchedule, *, in_one_cycle: bool
) -> FloatArray:
    """Runoff of a year from every slope, on the tabulated soil.

    Parameters
    ----------
    ground : RankingGround
        The slopes.
    schedule : ZoneSchedule
        Of the same zones, in the same order.
    in_one_cycle : bool
        Whether the minutes of each event run without a break instead of in cycles with soaks.

    Returns
    -------
    ndarray of float64, shape (n_units,)
        Σ over the months of events times the runoff of one. [L]

    Notes
    -----
    In a month in which zone A has 4 events and zone B has 10, both run on 4 days and B alone on 6:
    zones share as many days as they can. A zone for which no plan avoids runoff runs its minutes
    in one cycle. Every event meets an empty surface, and none is rained on.
    """
    total = np.zeros(len(ground.turf_number))
    known: dict[bytes, FloatArray] = {}
    for month in range(MONTHS):
        for times, event in _events_of_month(schedule, month, in_one_cycle=in_one_cycle):
            key = b"".join(
                part.tobytes() for part in (event.cycles, event.cycle_minutes, event.soak_minutes)
            )
            if key not in known:
                known[key] = central_runoff_l(ground, event)
            total += times * known[key]
    return total


def _events_of_month(
    schedule: ZoneSchedule, month: int, *, in_one_cycle: bool
) -> Iterator[tuple[float, EventPlan]]:
    """How many days have which event."""
    run = schedule.run_minutes[:, month]
    events = np.where(run > 0.0, schedule.events[:, month], 0.0)
    before = 0.0
    for level in np.unique(events[events > 0.0]):
        runs = events >= level
        yield float(level - before), _event(schedule, month, runs, in_one_cycle=in_one_cycle)
        before = float(level)


def _event(
    schedule: ZoneSchedule, month: int, runs: NDArray[np.bool_], *, in_one_cycle: bool
) -> EventPlan:
    planned = schedule.cycles[:, month]
    unbroken = np.full(planned.shape, in_one_cycle) | (planned < 1)
    return event_in_turn(
        np.where(runs, np.where(unbroken, 1, planned), 0),
        np.where(unbroken, schedule.run_minutes[:, month], schedule.cycle_minutes[:, month]),
        np.where(unbroken, 0.0, schedule.soak_minutes[:, month]),
    )
