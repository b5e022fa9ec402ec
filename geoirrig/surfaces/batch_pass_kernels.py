"""The pass over the groups, compiled: turf, water, evenness and runoff of each in turn."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.block_instructions import BLOCK
from geoirrig.compilation import compiled
from geoirrig.grid.polygon_cover_kernels import (
    CellRuns,
    CoverRoom,
    Outlines,
    crossings_room,
    first_runs,
    runs_room,
)
from geoirrig.surfaces.batch_kernels import (
    N_CLASSES,
    Cells,
    GroupState,
    IntVector,
    SlopeClasses,
    Strips,
    ZoneHeads,
    ZoneSums,
    cells_room,
    class_cells,
    cover_turf,
    dry_cells,
    gather_zone,
    group_state,
    lay_zone,
    room_for_zone,
    strips_room,
    sum_zones,
    window_of,
)
from geoirrig.surfaces.batch_runoff_kernels import (
    Event,
    GroupCells,
    Ponding,
    lots_room,
    plan_runs,
    ponding_room,
    room_for_lots,
    walk_event,
    wet_once,
)
from geoirrig.surfaces.low_sum_kernels import Bins, bins_room
from geoirrig.surfaces.sector_kernels import Heads, Sums, Workspace
from geoirrig.units import FloatArray

_FEWEST = 4096  # cells that there is room for from the start


class Sites(NamedTuple):
    """Everything that is known of the groups before the pass."""

    outlines: Outlines
    classes: SlopeClasses
    zones: ZoneHeads
    heads: Heads
    event: Event


class Limits(NamedTuple):
    """Largest sizes that occur in any group."""

    turf_rows: int
    turf_words: int  # of the bits of the window
    zone_window: int  # cells
    zones: int  # of one state
    lots: int  # pairs of zone and polygon, as far as they occur in one state of a group


class EventSums(NamedTuple):
    """What is known of the event and the turf."""

    run_hours: FloatArray  # (n_zones,)
    turf_cells: IntVector  # (n_turf, N_CLASSES)


class Room(NamedTuple):
    """Scratch of the pass; what goes with the turf cells of a group is grown where too small."""

    cover: CoverRoom
    rate: FloatArray
    sums: Sums
    strip_start: IntVector  # of each zone of the group
    lot_of_key: NDArray[np.int32]
    cells: Cells
    strips: Strips
    bins: Bins
    pond: Ponding


@compiled
def _first_room(limits: Limits, n_heads: int) -> Room:
    rate = np.empty(limits.zone_window + 64)
    sums = Sums(
        rate,
        np.empty(0, np.uint8),
        np.empty(0, np.uint8),
        1,
        1,
        np.empty(n_heads),
    )
    return Room(
        CoverRoom(
            np.empty(limits.turf_words, np.uint64),
            crossings_room(limits.turf_rows, 4 * limits.turf_rows),
            runs_room(4 * limits.turf_rows),
        ),
        rate,
        sums,
        np.empty(limits.zones + 1, np.int64),
        np.empty(N_CLASSES * limits.lots, np.int32),
        cells_room(_FEWEST),
        strips_room(_FEWEST, _FEWEST),
        bins_room(_FEWEST),
        ponding_room(_FEWEST),
    )


@compiled
def _room_for_cells(n_cells: int, room: Room) -> Room:
    """The room with place for ``n_cells`` turf cells, and a block beyond them."""
    if n_cells + BLOCK <= room.cells.key.shape[0]:
        return room
    n = n_cells + n_cells // 4 + BLOCK
    return Room(
        room.cover, room.rate, room.sums, room.strip_start, room.lot_of_key,
        cells_room(n), room.strips, bins_room(n), ponding_room(n),
    )  # fmt: skip


@compiled
def _with_cover(room: Room, cover: CoverRoom) -> Room:
    return Room(
        cover, room.rate, room.sums, room.strip_start, room.lot_of_key,
        room.cells, room.strips, room.bins, room.pond,
    )  # fmt: skip


@compiled
def _with_strips(room: Room, strips: Strips) -> Room:
    return Room(
        room.cover, room.rate, room.sums, room.strip_start, room.lot_of_key,
        room.cells, strips, room.bins, room.pond,
    )  # fmt: skip


@compiled
def _lay_group(own: GroupState, sites: Sites, work: Workspace, runs: CellRuns, room: Room) -> Room:
    """Water of the zones of a group on its turf, in one state."""
    zones, strips, n = sites.zones, room.strips, 0
    dry_cells(int(runs.first[runs.row.shape[0]]), room.cells)
    room.strip_start[0] = 0
    for place in range(own.first_zone, own.end_zone):
        zone = sites.event.groups.zone[place]
        strips = room_for_zone(zone, zones, n, runs, strips)
        lay_zone(zone, zones, sites.heads, work, room.rate, room.sums)
        window = window_of(zones.window[zone])
        local = place - own.first_zone
        n = gather_zone(local, window, room.rate, runs, room.cells, strips, n)
        room.strip_start[local + 1] = n
    return _with_strips(room, strips)


@compiled
def measure_groups(
    sites: Sites, limits: Limits, work: Workspace, sums: ZoneSums, found: EventSums
) -> tuple[tuple[NDArray[Any], ...], int]:
    """Fill the sums of every zone and polygon, group by group, and state by state in each.

    Returns
    -------
    tuple of arrays, and int
        The columns of the `Lots` of all groups, and how many lots there are. They are no named
        tuple: an interrupt while one is made for the caller would end the process without a word.
    """
    event, groups = sites.event, sites.event.groups
    room = _first_room(limits, sites.heads.col.shape[0])
    lots, n_lots = lots_room(groups.turf.shape[0] + groups.zone.shape[0] + 1), 0
    for group in range(groups.window.shape[0]):
        cover, n_runs = cover_turf(group, groups, sites.outlines, room.cover)
        runs = first_runs(cover.runs, n_runs)
        n_cells = int(runs.first[n_runs])
        room = _room_for_cells(n_cells, _with_cover(room, cover))
        class_cells(group, groups, sites.classes, runs, room.cells, found.turf_cells)
        for state in range(groups.n_states):
            own = group_state(group, state, groups)
            if own.end_zone == own.first_zone:
                continue
            room = _lay_group(own, sites, work, runs, room)
            sum_zones(own, groups, room.cells, room.strips, room.strip_start, room.bins, sums)
            plan_runs(own, event, sums, found.run_hours)
            water = GroupCells(
                n_cells, room.cells, room.strips, room.strip_start, room.pond, room.lot_of_key
            )
            lots = room_for_lots(n_lots + min(n_cells, N_CLASSES * limits.lots), lots)
            n_lots = wet_once(own, event, water, found.run_hours, lots, n_lots)
            walk_event(own, event, water, found.run_hours, lots)
    columns = (
        lots.zone, lots.turf, lots.rank, lots.cells, lots.intake_mm_h, lots.storage_mm,
        lots.taken_in_mm, lots.applied_mm, lots.shed_mm,
    )  # fmt: skip
    return columns, n_lots
