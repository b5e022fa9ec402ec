"""Compiled walk of an event over a slope on which excess flows to the cells below.

Cells stand in an order that goes downhill, so one pass down the list serves a step of time. Four
steps are taken together: what a cell sends on in each of them lies side by side in memory. Cells
that get no water are left alone; they drain when they are next looked at.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.physics.flow_routing_kernels import NOWHERE
from geoirrig.physics.green_ampt_kernels import after_interval
from geoirrig.units import FloatArray

STEPS_TOGETHER = 4
CELLS_TOGETHER = 8  # that one look at `SlopeWater.due_word` passes over

# Columns of `SlopeWater.state`: eight numbers a cell, one line of a processor's cache.
STORED, INFILTRATED, LEFT, HOUR, ARRIVING = range(5)  # mm, but for the hour; arriving and onwards
STATE_SIZE = ARRIVING + STEPS_TOGETHER

_DUE = np.uint8(1)  # water came from above: to be looked at once
_WETTED = np.uint8(2)  # the zone that runs wets it: to be looked at in every step


class Ways(NamedTuple):
    """Where each cell sends its excess, as in `geoirrig.physics.flow_routing.FlowGraph`."""

    to: NDArray[np.int32]  # (n_cells, 2)
    first_share: NDArray[np.float32]  # (n_cells,)


class Ground(NamedTuple):
    """Soil of each cell."""

    soil: NDArray[np.int32]  # (n_cells,), into the next two
    intake_mm_h: FloatArray  # (n_soils,), basic intake rate, or Green-Ampt conductivity
    deficit_mm: FloatArray  # (n_soils,), Green-Ampt suction deficit; not read at a steady intake
    storage_mm: FloatArray  # (n_cells,)
    is_steady: bool


class SlopeWater(NamedTuple):
    """State of each cell while the event goes on."""

    state: FloatArray
    """Shape (n_cells, STATE_SIZE): stored, infiltrated and sent on, since the event began; the hour
    until which the cell has been followed; and what arrives from above in each step at hand."""
    rate_mm_h: NDArray[np.float32]  # (n_cells,), of the zone that runs
    due: NDArray[np.uint8]  # (whole words,), whether the cell is to be looked at
    due_word: NDArray[np.uint64]  # the same memory, eight cells at a time


@compiled
def begin_zone(place: NDArray[np.int32], rate: NDArray[np.float32], water: SlopeWater) -> None:
    """Let a zone wet its cells."""
    for entry in range(place.shape[0]):
        water.rate_mm_h[place[entry]] = rate[entry]
        water.due[place[entry]] = _WETTED


@compiled
def end_zone(place: NDArray[np.int32], water: SlopeWater) -> None:
    """Stop what `begin_zone` began."""
    for entry in range(place.shape[0]):
        water.rate_mm_h[place[entry]] = 0.0
        water.due[place[entry]] = 0


@compiled
def _taken_in(
    infiltrated: float, stored: float, rate: float, hours: float, soil: tuple[float, float, bool]
) -> tuple[float, float]:
    """Infiltrated and stored depth after an interval of steady rate, storage unlimited."""
    intake, deficit, is_steady = soil
    if not is_steady:
        return after_interval(infiltrated, stored, rate, hours, intake, deficit)
    available = stored + rate * hours
    taken = min(intake * hours, available)
    return infiltrated + taken, available - taken


@compiled
def _drain_until(
    cell: int, hour: float, soil: tuple[float, float, bool], state: FloatArray
) -> None:
    """Let what stands on a cell that gets no water soak in."""
    idle = hour - state[cell, HOUR]
    if state[cell, STORED] > 0.0 and idle > 0.0:
        state[cell, INFILTRATED], state[cell, STORED] = _taken_in(
            state[cell, INFILTRATED], state[cell, STORED], 0.0, idle, soil
        )
    state[cell, HOUR] = hour


@compiled
def _follow_cell(
    cell: int,
    steps: tuple[float, int, float],
    soil: tuple[float, float, bool],
    own_rate: float,
    storage: float,
    state: FloatArray,
    excess: FloatArray,
) -> float:
    """Take one cell through the steps at hand, (hour, number, hours of one); its excess in all."""
    start, n_steps, hours = steps
    _drain_until(cell, start, soil, state)
    infiltrated, stored, total = state[cell, INFILTRATED], state[cell, STORED], 0.0
    for step in range(n_steps):
        rate = own_rate + state[cell, ARRIVING + step] / hours
        state[cell, ARRIVING + step] = 0.0
        infiltrated, stored = _taken_in(infiltrated, stored, rate, hours, soil)
        excess[step] = max(0.0, stored - storage)
        stored = min(stored, storage)
        total += excess[step]
    state[cell, INFILTRATED], state[cell, STORED] = infiltrated, stored
    state[cell, HOUR] = start + n_steps * hours
    state[cell, LEFT] += total
    return total


@compiled
def _send(
    to: int,
    share: float,
    excess: FloatArray,
    n_steps: int,
    state: FloatArray,
    due: NDArray[np.uint8],
) -> None:
    """Hand a share of the excess of each step to a cell below, if there is one."""
    if to >= 0:
        for step in range(n_steps):
            state[to, ARRIVING + step] += share * excess[step]
        if due[to] == 0:
            due[to] = _DUE


@compiled
def walk_pulse(
    pulse: tuple[float, int, float],
    first_cell: int,
    ways: Ways,
    ground: Ground,
    water: SlopeWater,
) -> None:
    """Follow one pulse, (hour of its start, number of steps, hours of a step), down the slope.

    No cell before ``first_cell`` gets any water.
    """
    start, n_steps, hours = pulse
    # Taken out of their records here, once: a record that is handed on costs a count each time.
    to, first_share = ways.to, ways.first_share
    kind, intake, deficit = ground.soil, ground.intake_mm_h, ground.deficit_mm
    storage_mm, is_steady = ground.storage_mm, ground.is_steady
    state, rate, due, due_word = water.state, water.rate_mm_h, water.due, water.due_word
    excess = np.zeros(STEPS_TOGETHER)
    for step in range(0, n_steps, STEPS_TOGETHER):
        steps = (start + step * hours, min(STEPS_TOGETHER, n_steps - step), hours)
        for word in range(first_cell // CELLS_TOGETHER, due_word.shape[0]):
            if due_word[word] == 0:
                continue
            for cell in range(CELLS_TOGETHER * word, CELLS_TOGETHER * (word + 1)):
                # A cell may become due while the cells before it in the word are followed.
                if due[cell] == 0:
                    continue
                if due[cell] == _DUE:
                    due[cell] = 0
                soil = (intake[kind[cell]], deficit[kind[cell]], is_steady)
                storage = np.inf if to[cell, 0] == NOWHERE else storage_mm[cell]
                own_rate = np.float64(rate[cell])
                total = _follow_cell(cell, steps, soil, own_rate, storage, state, excess)
                if total > 0.0:
                    share = np.float64(first_share[cell])
                    _send(to[cell, 0], share, excess, steps[1], state, due)
                    _send(to[cell, 1], 1.0 - share, excess, steps[1], state, due)


@compiled
def drain_all(hour: float, ground: Ground, water: SlopeWater) -> None:
    """Bring every cell up to the end of the event."""
    kind, intake, deficit = ground.soil, ground.intake_mm_h, ground.deficit_mm
    state, is_steady = water.state, ground.is_steady
    for cell in range(state.shape[0]):
        _drain_until(cell, hour, (intake[kind[cell]], deficit[kind[cell]], is_steady), state)
