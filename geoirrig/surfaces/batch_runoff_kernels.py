"""Runoff of one event in many small sites: three soils for every turf cell, compiled.

The three soils of a cell are the tabulated one, a tight one and an open one. Intake and storage
spread between lawns (`geoirrig.physics.soil_spread`). What a lawn takes in of one run is intake ×
hours, the storage, and in every soak what the intake allows of it. The tight soil is the most
likely of those pairs of intake and storage for which this sum is at its 5 % quantile, the open one
at its 95 % quantile (the design point of first-order reliability: Hasofer and Lind 1974, from
memory). Of drawn lawns, 4 to 7 % lie beyond either; the tests draw them.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.surfaces.batch_kernels import (
    N_CLASSES,
    UNKNOWN_CLASS,
    Cells,
    Entries,
    Groups,
    IntVector,
    ZoneSums,
)
from geoirrig.units import FloatArray

N_SOILS = 3  # tabulated, tight, open
TIGHT, OPEN = 1, 2
_DESIGN_STEPS = 4  # the design point moves by less than a hundredth after these


class Ground(NamedTuple):
    """Soils of the polygons and how much soils spread."""

    soil_of_turf: NDArray[np.int32]  # (n_turf,)
    intake_mm_h: FloatArray  # (n_soils,)
    storage_mm: FloatArray  # (n_soils, 4)
    intake_log_sd: float
    storage_log_sd: float
    deviate: float  # of the standard normal distribution at the outer quantile


class Plans(NamedTuple):
    """How each zone runs; arrays of (n_zones,)."""

    run_hours: FloatArray  # NaN: from the event depth
    cycles: IntVector
    soak_hours: FloatArray
    event_depth_mm: float


class Lots(NamedTuple):
    """Turf of one polygon and slope class that one zone serves; arrays of (room,)."""

    zone: IntVector
    turf: IntVector
    rank: IntVector  # slope class
    cells: IntVector
    intake_mm_h: FloatArray  # (room, N_SOILS)
    storage_mm: FloatArray  # (room, N_SOILS); infinite where the slope is not known
    applied_mm: FloatArray  # summed over the cells
    shed_mm: FloatArray  # (room, N_SOILS)


class Ponding(NamedTuple):
    """Turf cells of one group during the event; arrays of (room,)."""

    lot: NDArray[np.int32]  # −1 where no water falls
    clock: FloatArray  # hour when the last run over the cell ended
    stored_mm: FloatArray  # (room, N_SOILS)


class Event(NamedTuple):
    """What decides the event, for all groups."""

    groups: Groups
    ground: Ground
    plans: Plans


class GroupCells(NamedTuple):
    """Turf cells of the group at hand."""

    n_cells: int
    cells: Cells
    entries: Entries
    entry_start: IntVector  # (room + 1,) entries of each zone
    pond: Ponding
    lot_of_key: NDArray[np.int32]  # of each zone, for each polygon and slope class


@compiled
def lots_room(n: int) -> Lots:
    """Room for ``n`` lots."""
    return Lots(
        np.empty(n, np.int64), np.empty(n, np.int64), np.empty(n, np.int64), np.empty(n, np.int64),
        np.empty((n, N_SOILS)), np.empty((n, N_SOILS)), np.empty(n), np.empty((n, N_SOILS)),
    )  # fmt: skip


@compiled
def room_for_lots(n: int, lots: Lots) -> Lots:
    """The same lots with room for ``n``."""
    kept = lots.zone.shape[0]
    if n <= kept:
        return lots
    larger = lots_room(2 * n)
    larger.zone[:kept], larger.turf[:kept] = lots.zone, lots.turf
    larger.rank[:kept], larger.cells[:kept] = lots.rank, lots.cells
    larger.intake_mm_h[:kept], larger.storage_mm[:kept] = lots.intake_mm_h, lots.storage_mm
    larger.applied_mm[:kept], larger.shed_mm[:kept] = lots.applied_mm, lots.shed_mm
    return larger


@compiled
def ponding_room(n: int) -> Ponding:
    """Room for ``n`` turf cells."""
    return Ponding(np.empty(n, np.int32), np.empty(n), np.empty((n, N_SOILS)))


# --- the event -----------------------------------------------------------------------------------


@compiled
def plan_runs(
    group: int, groups: Groups, plans: Plans, sums: ZoneSums, run_hours: FloatArray
) -> None:
    """Hours that each zone of a group runs: as planned, or until its turf has the event depth."""
    for place in range(groups.zone_start[group], groups.zone_start[group + 1]):
        zone = groups.zone[place]
        hours = plans.run_hours[zone]
        if np.isnan(hours):
            mean = sums.total[zone] / sums.cells[zone] if sums.cells[zone] > 0 else 0.0
            hours = plans.event_depth_mm / mean if mean > 0.0 else 0.0
        run_hours[zone] = hours


# --- soils ---------------------------------------------------------------------------------------


@compiled
def design_factors(
    soil: tuple[float, float],
    run: tuple[float, int, float],
    spreads: tuple[float, float],
    deviate: float,
) -> tuple[float, float]:
    """Factors on intake and on storage at the design point of what a lawn takes in.

    The soil is (intake in mm/h, storage in mm), the run (hours, cycles, hours of soak). A soak
    takes in what the intake allows, and at most what the storage held.
    """
    along_intake = along_storage = 0.0
    for _ in range(_DESIGN_STEPS):
        intake = soil[0] * math.exp(along_intake)
        storage = soil[1] * math.exp(along_storage)
        soaks = run[1] - 1
        if intake * run[2] < storage:
            a, b = intake * (run[0] + soaks * run[2]), storage
        else:
            a, b = intake * run[0], storage * (1 + soaks)
        a, b = a * spreads[0], b * spreads[1]
        length = math.sqrt(a * a + b * b)
        if length == 0.0:
            break
        along_intake = deviate * spreads[0] * a / length
        along_storage = deviate * spreads[1] * b / length
    return math.exp(along_intake), math.exp(along_storage)


@compiled
def _put_soils(lot: int, run: tuple[float, int, float], ground: Ground, lots: Lots) -> None:
    """Write the soils of a lot that is wetted by a run of (hours, cycles, hours of soak)."""
    soil = ground.soil_of_turf[lots.turf[lot]]
    intake = ground.intake_mm_h[soil]
    lots.intake_mm_h[lot, :] = intake
    lots.storage_mm[lot, :] = np.inf
    if lots.rank[lot] == UNKNOWN_CLASS:
        return
    storage = ground.storage_mm[soil, lots.rank[lot]]
    lots.storage_mm[lot, :] = storage
    spreads = (ground.intake_log_sd, ground.storage_log_sd)
    for number, deviate in ((TIGHT, -ground.deviate), (OPEN, ground.deviate)):
        factors = design_factors((intake, storage), run, spreads, deviate)
        lots.intake_mm_h[lot, number] = intake * factors[0]
        lots.storage_mm[lot, number] = storage * factors[1]


@compiled
def list_lots(group: int, groups: Groups, own: GroupCells, lots: Lots, n_lots: int) -> int:
    """Give every wetted cell of a group its lot; how many lots there are now."""
    first, first_turf = groups.zone_start[group], groups.turf_start[group]
    n_keys = N_CLASSES * (groups.turf_start[group + 1] - first_turf)
    lot_of_key, lot_of_cell, cells = own.lot_of_key, own.pond.lot, lots.cells
    key_of, main = own.cells.key, own.cells.main
    lot_of_key[: n_keys * (groups.zone_start[group + 1] - first)] = -1
    for cell in range(own.n_cells):
        if main[cell] < 0:
            lot_of_cell[cell] = -1
            continue
        key = main[cell] * n_keys + key_of[cell]
        lot = lot_of_key[key]
        if lot < 0:
            lot, n_lots = n_lots, n_lots + 1
            lot_of_key[key] = lot
            lots.zone[lot] = groups.zone[first + main[cell]]
            lots.turf[lot] = groups.turf[first_turf + key_of[cell] // N_CLASSES]
            lots.rank[lot] = key_of[cell] % N_CLASSES
            cells[lot] = 0
        cells[lot] += 1
        lot_of_cell[cell] = lot
    return n_lots


@compiled
def start_lots(
    span: tuple[int, int], ground: Ground, plans: Plans, run_hours: FloatArray, lots: Lots
) -> None:
    """Make lots span[0] to span[1] ready for the event."""
    for lot in range(span[0], span[1]):
        zone = lots.zone[lot]
        run = (run_hours[zone], plans.cycles[zone], plans.soak_hours[zone])
        _put_soils(lot, run, ground, lots)
        lots.applied_mm[lot] = 0.0
        lots.shed_mm[lot, :] = 0.0


# --- walking the event ---------------------------------------------------------------------------


@compiled
def _pulse(held: float, intake: float, run: tuple[float, float], drained_hours: float) -> float:
    """Water on a surface of unlimited storage after a soak and a pulse, run of (rate, hours)."""
    held = max(0.0, held - intake * drained_hours)
    return max(0.0, held + (run[0] - intake) * run[1])


@compiled
def _wet_cell(
    stored_mm: FloatArray,
    soils: tuple[FloatArray, FloatArray],
    shed_mm: FloatArray,
    run: tuple[float, int, float],
    rate: float,
    gap_hours: float,
) -> None:
    """One zone's run over one cell, (hours of a cycle, cycles, hours of soak), on its soils.

    The soils are spelled out, so that they stay in registers.
    """
    intake, storage = soils
    intakes, limits = (intake[0], intake[1], intake[2]), (storage[0], storage[1], storage[2])
    a, b, c = stored_mm[0], stored_mm[1], stored_mm[2]
    shed_a = shed_b = shed_c = 0.0
    drained_hours, pulse = gap_hours, (rate, run[0])
    for _ in range(run[1]):
        a = _pulse(a, intakes[0], pulse, drained_hours)
        b = _pulse(b, intakes[1], pulse, drained_hours)
        c = _pulse(c, intakes[2], pulse, drained_hours)
        kept_a, kept_b, kept_c = min(a, limits[0]), min(b, limits[1]), min(c, limits[2])
        shed_a, shed_b, shed_c = shed_a + a - kept_a, shed_b + b - kept_b, shed_c + c - kept_c
        a, b, c, drained_hours = kept_a, kept_b, kept_c, run[2]
    stored_mm[0], stored_mm[1], stored_mm[2] = a, b, c
    shed_mm[0] += shed_a
    shed_mm[1] += shed_b
    shed_mm[2] += shed_c


@compiled
def _run_zone(
    zone: tuple[int, float, float],
    run: tuple[float, int, float],
    own: GroupCells,
    lots: Lots,
) -> None:
    """Wet the cells of a zone, (its place in the group, start and end in hours)."""
    local, start, end = zone
    entry_cell, entry_rate = own.entries.cell, own.entries.rate_mm_h
    lot_of, clock, stored = own.pond.lot, own.pond.clock, own.pond.stored_mm
    intake, storage, shed = lots.intake_mm_h, lots.storage_mm, lots.shed_mm
    applied, run_hours = lots.applied_mm, run[0] * run[1]
    for at in range(own.entry_start[local], own.entry_start[local + 1]):
        cell, rate = entry_cell[at], float(entry_rate[at])
        lot = lot_of[cell]
        applied[lot] += rate * run_hours
        is_dry = stored[cell, 0] + stored[cell, TIGHT] + stored[cell, OPEN] == 0.0
        # On dry ground no soil fills at a rate that the tight one takes in.
        if rate > intake[lot, TIGHT] or not is_dry:
            _wet_cell(
                stored[cell], (intake[lot], storage[lot]), shed[lot], run, rate, start - clock[cell]
            )
            clock[cell] = end


@compiled
def walk_event(
    group: int, event: Event, own: GroupCells, run_hours: FloatArray, lots: Lots
) -> None:
    """Follow the zones of a group, one after another, over its turf cells."""
    groups, plans, n_cells = event.groups, event.plans, own.n_cells
    own.pond.clock[:n_cells], own.pond.stored_mm[:n_cells] = 0.0, 0.0
    start, first = 0.0, groups.zone_start[group]
    for place in range(first, groups.zone_start[group + 1]):
        zone = groups.zone[place]
        if run_hours[zone] <= 0.0:
            continue
        n_cycles, soak = plans.cycles[zone], plans.soak_hours[zone]
        end = start + run_hours[zone] + (n_cycles - 1) * soak
        run = (run_hours[zone] / n_cycles, n_cycles, soak)
        _run_zone((place - first, start, end), run, own, lots)
        start = end
