"""Runoff of one event in many small sites: three soils for every turf cell, compiled.

The three soils of a cell are the tabulated one, a tight one and an open one. Intake and storage
spread between lawns (`geoirrig.physics.soil_spread`). What a lawn takes in of one run is intake ×
hours, the storage, and in every soak what the intake allows of it. The tight soil is the most
likely of those pairs of intake and storage for which this sum is at its 5 % quantile, the open one
at its 95 % quantile (the design point of first-order reliability: Hasofer and Lind 1974, from
memory). Of drawn lawns, 4 to 7 % lie beyond either; the tests draw them.

Turf of one polygon and slope class whose highest rate is one zone's is a *lot*: it has one set of
soils. Where no other zone throws, a cell of it sheds what it gets beyond what the soil takes in of
the run, which needs no walk. Only the cells that several zones wet are followed zone by zone.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.block_instructions import BLOCK
from geoirrig.cell_blocks import (
    alike_lanes,
    excess_sums,
    first_lane,
    run_over_surfaces,
    shared_lanes,
)
from geoirrig.compilation import compiled, compiled_in_place
from geoirrig.surfaces.batch_kernels import (
    N_CLASSES,
    UNKNOWN_CLASS,
    Cells,
    Groups,
    GroupState,
    IntVector,
    Strips,
    ZoneSums,
)
from geoirrig.units import FloatArray

N_SOILS = 3  # tabulated, tight, open
TIGHT, OPEN = 1, 2
_BEYOND = (1 << (BLOCK + 1)) - 1  # the lanes of a block, and one that ends it
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
    taken_in_mm: FloatArray  # (room, N_SOILS), the most that the zone's run brings without runoff
    applied_mm: FloatArray  # summed over the cells
    shed_mm: FloatArray  # (room, N_SOILS)


class Ponding(NamedTuple):
    """Turf cells of one group during the event; arrays of (room,)."""

    lot: NDArray[np.int32]  # of the cells that are wetted
    clock: FloatArray  # hour when the last run over the cell ended
    stored_mm: FloatArray  # (N_SOILS, room)


class Event(NamedTuple):
    """What decides the event, for all groups."""

    groups: Groups
    ground: Ground
    plans: Plans


class GroupCells(NamedTuple):
    """Turf cells of the group at hand."""

    n_cells: int
    cells: Cells
    strips: Strips
    strip_start: IntVector  # (room + 1,) strips of each zone
    pond: Ponding
    lot_of_key: NDArray[np.int32]  # of each zone, for each polygon and slope class


@compiled
def lots_room(n: int) -> Lots:
    """Room for ``n`` lots."""
    return Lots(
        np.empty(n, np.int64), np.empty(n, np.int64), np.empty(n, np.int64), np.empty(n, np.int64),
        np.empty((n, N_SOILS)), np.empty((n, N_SOILS)), np.empty((n, N_SOILS)), np.empty(n),
        np.empty((n, N_SOILS)),
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
    larger.taken_in_mm[:kept] = lots.taken_in_mm
    larger.applied_mm[:kept], larger.shed_mm[:kept] = lots.applied_mm, lots.shed_mm
    return larger


@compiled
def ponding_room(n: int) -> Ponding:
    """Room for ``n`` turf cells."""
    return Ponding(
        np.empty(n, np.int32), np.empty(n), np.empty((N_SOILS, n)),
    )  # fmt: skip


# --- the event -----------------------------------------------------------------------------------


@compiled_in_place
def plan_runs(own: GroupState, event: Event, sums: ZoneSums, run_hours: FloatArray) -> None:
    """Hours that each zone of a group runs: as planned, or until its turf has the event depth."""
    plans = event.plans
    for place in range(own.first_zone, own.end_zone):
        zone = event.groups.zone[place]
        hours = plans.run_hours[zone]
        if np.isnan(hours):
            mean = sums.total[zone] / sums.cells[zone] if sums.cells[zone] > 0 else 0.0
            hours = plans.event_depth_mm / mean if mean > 0.0 else 0.0
        run_hours[zone] = hours


# --- soils ---------------------------------------------------------------------------------------


@compiled_in_place
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


@compiled_in_place
def most_taken_in(soil: tuple[float, float], run: tuple[float, int, float]) -> float:
    """Most water, in mm, that a run brings to dry ground without runoff; the rest runs off.

    Soil and run as for `design_factors`.
    """
    intake, storage = soil
    return intake * run[0] + storage + (run[1] - 1) * min(storage, intake * run[2])


@compiled_in_place
def _put_soils(lot: int, run: tuple[float, int, float], ground: Ground, lots: Lots) -> None:
    """Write the soils of a lot that is wetted by a run of (hours, cycles, hours of soak)."""
    soil = ground.soil_of_turf[lots.turf[lot]]
    intake = ground.intake_mm_h[soil]
    lots.intake_mm_h[lot, :] = intake
    lots.storage_mm[lot, :] = lots.taken_in_mm[lot, :] = np.inf
    if lots.rank[lot] == UNKNOWN_CLASS:
        return
    storage = ground.storage_mm[soil, lots.rank[lot]]
    lots.storage_mm[lot, :] = storage
    spreads = (ground.intake_log_sd, ground.storage_log_sd)
    for number, deviate in ((TIGHT, -ground.deviate), (OPEN, ground.deviate)):
        factors = design_factors((intake, storage), run, spreads, deviate)
        lots.intake_mm_h[lot, number] = intake * factors[0]
        lots.storage_mm[lot, number] = storage * factors[1]
    for number in range(N_SOILS):
        own = (lots.intake_mm_h[lot, number], lots.storage_mm[lot, number])
        lots.taken_in_mm[lot, number] = most_taken_in(own, run)


@compiled_in_place
def _open_lot(
    lot: int,
    keys: tuple[int, int],
    own: GroupState,
    event: Event,
    run_hours: FloatArray,
    lots: Lots,
) -> None:
    """Begin a lot, keys of (zone within the group, polygon within it and slope class)."""
    groups, plans = event.groups, event.plans
    zone = groups.zone[own.first_zone + keys[0]]
    lots.zone[lot] = zone
    lots.turf[lot] = groups.turf[own.first_turf + keys[1] // N_CLASSES]
    lots.rank[lot] = keys[1] % N_CLASSES
    run = (run_hours[zone], plans.cycles[zone], plans.soak_hours[zone])
    _put_soils(lot, run, event.ground, lots)
    lots.cells[lot] = 0
    lots.applied_mm[lot] = 0.0
    lots.shed_mm[lot, :] = 0.0


# --- cells that one zone wets --------------------------------------------------------------------


@compiled_in_place
def _end_of_run(start: int, n_cells: int, main: NDArray[np.int32], key: NDArray[np.int32]) -> int:
    """First cell after ``start`` of another zone, polygon or slope class; at most ``n_cells``."""
    stop, n_alike = start, BLOCK
    while n_alike == BLOCK and stop < n_cells:
        alike = alike_lanes(main, stop, main[start]) & alike_lanes(key, stop, key[start])
        n_alike = first_lane(~alike & _BEYOND)
        stop += n_alike
    return min(stop, n_cells)


@compiled_in_place
def wet_once(
    own: GroupState,
    event: Event,
    water: GroupCells,
    run_hours: FloatArray,
    lots: Lots,
    n_lots: int,
) -> int:
    """Open a group's lots and wet what one zone wets, run by run of a lot; how many lots now."""
    n_cells, n_keys = water.n_cells, N_CLASSES * (own.end_turf - own.first_turf)
    lot_of_key, lot_of_cell = water.lot_of_key, water.pond.lot
    lot_of_key[: n_keys * (own.end_zone - own.first_zone)] = -1
    main, key, rate = water.cells.main, water.cells.key, water.cells.best
    wettings, taken_in, stop = water.cells.wettings, lots.taken_in_mm, 0
    cells, applied, shed, zone = lots.cells, lots.applied_mm, lots.shed_mm, lots.zone
    while stop < n_cells:
        start = stop
        stop = _end_of_run(start, n_cells, main, key)
        if main[start] < 0:
            continue
        lot = lot_of_key[main[start] * n_keys + key[start]]
        if lot < 0:
            lot, n_lots = n_lots, n_lots + 1
            lot_of_key[main[start] * n_keys + key[start]] = lot
            _open_lot(lot, (main[start], key[start]), own, event, run_hours, lots)
        lot_of_cell[start:stop] = lot
        limits = (0.0, taken_in[lot, 0], taken_in[lot, 1], taken_in[lot, 2])
        hours = run_hours[zone[lot]]
        excess = excess_sums(wettings, rate, start, stop, hours, limits)
        cells[lot] += stop - start
        applied[lot] += excess[0]
        for soil in range(N_SOILS):
            shed[lot, soil] += excess[1 + soil]
    return n_lots


# --- cells that several zones wet ----------------------------------------------------------------


@compiled_in_place
def _run_zone(
    zone: tuple[int, float, float],
    run: tuple[float, int, float],
    water: GroupCells,
    lots: Lots,
) -> None:
    """Wet those cells of a zone that others wet too, (its place in the group, start and end)."""
    local, start, end = zone
    times = (start, end, run[0], float(run[1] - 1), run[2])
    wettings, lot_of, pond = water.cells.wettings, water.pond.lot, water.pond
    surface = (pond.clock, pond.stored_mm[0], pond.stored_mm[1], pond.stored_mm[2])
    first, rate_mm_h = water.strips.start, water.strips.rate_mm_h
    for strip in range(water.strip_start[local], water.strip_start[local + 1]):
        shift = water.strips.cell[strip] - first[strip]
        for at in range(first[strip], first[strip + 1], BLOCK):
            cell = at + shift
            lanes = shared_lanes(wettings, cell, rate_mm_h, at, first[strip + 1] - at)
            while lanes:
                lot = lot_of[cell + first_lane(lanes)]
                own = lanes & alike_lanes(lot_of, cell, lot)
                lanes ^= own
                found = run_over_surfaces(
                    rate_mm_h, at, surface, (cell, own), times, _soils_of(lot, lots)
                )
                lots.applied_mm[lot] += found[0] * run[0] * run[1]
                for soil in range(N_SOILS):
                    lots.shed_mm[lot, soil] += found[1 + soil]


@compiled_in_place
def _soils_of(lot: int, lots: Lots) -> tuple[float, float, float, float, float, float]:
    """Intake and storage of the soils of a lot, as `run_over_surfaces` wants them."""
    intake, storage = lots.intake_mm_h, lots.storage_mm
    return (
        intake[lot, 0], intake[lot, 1], intake[lot, 2],
        storage[lot, 0], storage[lot, 1], storage[lot, 2],
    )  # fmt: skip


@compiled_in_place
def walk_event(
    own: GroupState, event: Event, water: GroupCells, run_hours: FloatArray, lots: Lots
) -> None:
    """Follow the zones of a group, one after another, over the cells that several wet."""
    plans, n_cells = event.plans, water.n_cells
    water.pond.clock[:n_cells], water.pond.stored_mm[:, :n_cells] = 0.0, 0.0
    start = 0.0
    for place in range(own.first_zone, own.end_zone):
        zone = event.groups.zone[place]
        if run_hours[zone] <= 0.0:
            continue
        n_cycles, soak = plans.cycles[zone], plans.soak_hours[zone]
        end = start + run_hours[zone] + (n_cycles - 1) * soak
        run = (run_hours[zone] / n_cycles, n_cycles, soak)
        _run_zone((place - own.first_zone, start, end), run, water, lots)
        start = end
