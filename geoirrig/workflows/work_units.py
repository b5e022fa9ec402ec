"""A city in pieces of bounded size, and what is in each.

A unit holds neighbouring parcels in one window of the grid; a large parcel has one of its own. A
parcel is measured as if it were alone, so that its results do not depend on the unit it is in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from geoirrig.city_records import (
    CityHeads,
    CityInputs,
    CityNozzles,
    CityTurf,
    CityZones,
    HeadState,
    Number,
    WorkUnit,
)
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.grid.space_filling_curve import hilbert_distance
from geoirrig.physics.radial_distribution import RadialProfile
from geoirrig.records import AnalysisSettings, ObjectArray
from geoirrig.units import FloatArray

if TYPE_CHECKING:  # what reads rasters takes long to load, and units without one need it not
    from geoirrig.io.terrain_units import TerrainSource
    from geoirrig.io.working_plane import PlaneOfWork

# Cells of a unit's window; a parcel with more is a unit by itself. Larger units take less time for
# a parcel, but a raster of slopes is read for the whole window.
MOST_UNIT_CELLS = 8_000_000
MOST_UNIT_CELLS_OF_RASTER = 4_000_000
_LOOKED_AT = 512  # boxes at a time when a unit is packed
EXISTING, RETROFIT, AT_NEW_PRESSURE = "existing", "retrofit", "at_new_pressure"

# What is kept of every zone in every state: measures by the names of `BatchMeasures`, and what the
# plants on the area that it serves need.
ZONE_MEASURES = (
    "served_area_m2",
    "flow_lpm",
    "mean_rate_mm_h",
    "du_lq",
    "du_lh",
    "on_target_fraction",
    "served_fraction",
    "matched_rate_spread_pct",
    "runoff_fraction",
    "runoff_fraction_low",
    "runoff_fraction_high",
)
KEPT_MEASURES = (*ZONE_MEASURES, "net_need_mm_year")
SLOPES = ("mean_slope_pct", "max_slope_pct")  # of every polygon
Worked = Mapping[str, NDArray[np.generic]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Where slopes come from that the turf does not state."""

    source: TerrainSource
    plane: PlaneOfWork


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSource:
    """What the units of a city are worked from, and the choices of the run."""

    turf: CityTurf
    zones: CityZones
    heads: CityHeads
    net_need_mm_year: FloatArray  # (n_turf,), of the plants on each polygon
    settings: AnalysisSettings
    ground: Ground | None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitTask:
    """Everything that a worker needs of one unit; it may be sent to another machine.

    Turf, zones and heads are numbered within the unit.
    """

    number: int
    grid: RasterGrid
    settings: AnalysisSettings
    ground: Ground | None
    turf_wkb: ObjectArray
    turf_parcel: Number  # numbers of the city's parcels
    soil_texture: ObjectArray
    compaction: ObjectArray
    slope_pct: FloatArray
    net_need_mm_year: FloatArray  # of the plants on each polygon
    zone_parcel: Number
    cycles: Number
    soak_minutes: FloatArray
    head_zone: Number
    x_m: FloatArray
    y_m: FloatArray
    arc_deg: FloatArray
    start_bearing_deg: FloatArray
    nozzles: CityNozzles
    profiles: tuple[RadialProfile, ...]
    states: Mapping[str, HeadState]


def most_unit_cells(ground: Ground | None) -> int:
    """Cells of a unit's window in a city with or without a raster."""
    return MOST_UNIT_CELLS if ground is None else MOST_UNIT_CELLS_OF_RASTER


def pack_units(city: CityInputs, *, cell_size_m: float, most_cells: int) -> tuple[WorkUnit, ...]:
    """Units of the parcels that have turf and zones, neighbours together.

    Parameters
    ----------
    city : CityInputs
        The city.
    cell_size_m : float
        Cell size of the run. [m]
    most_cells : int
        Of a unit's window, but for a single parcel with more.

    Returns
    -------
    tuple of WorkUnit
        The same for the same city, whoever works them.
    """
    has_zones = np.zeros(len(city.parcels.parcel_id), dtype=bool)
    has_zones[city.zones.parcel] = True
    parcel, box = _boxes_of_turf(city.turf)
    is_worked = has_zones[parcel]
    parcel, box = parcel[is_worked], box[is_worked]
    if not len(parcel):
        return ()
    x, y = (box[:, 0] + box[:, 2]) / 2.0, (box[:, 1] + box[:, 3]) / 2.0
    order = np.lexsort((parcel, hilbert_distance(x, y)))
    parcel, box = parcel[order].astype(np.int32), box[order]
    units: list[WorkUnit] = []
    start = 0
    while start < len(parcel):
        count, frame = _first_unit(box[start:], most_cells * cell_size_m**2)
        units.append(
            WorkUnit(
                number=len(units),
                grid=RasterGrid.covering(*frame.tolist(), cell_size_m=cell_size_m),
                parcel=parcel[start : start + count],
            )
        )
        start += count
    return tuple(units)


def unit_task(source: UnitSource, unit: WorkUnit) -> UnitTask:
    """The part of a city that a unit is worked from."""
    turf, zones, heads = source.turf, source.zones, source.heads
    of_turf, _ = rows_of(turf.parcel, unit.parcel)
    of_zone, _ = rows_of(zones.parcel, unit.parcel)
    of_head, zone_of_head = rows_of(heads.zone, of_zone)
    textures, compactions = (np.array(w, object) for w in (turf.textures, turf.compactions))
    return UnitTask(
        number=unit.number,
        grid=unit.grid,
        settings=source.settings,
        ground=source.ground,
        turf_wkb=turf.wkb.of_rows(of_turf),
        turf_parcel=turf.parcel[of_turf],
        soil_texture=textures[turf.soil_texture[of_turf]],
        compaction=compactions[turf.compaction[of_turf]],
        slope_pct=turf.slope_pct[of_turf],
        net_need_mm_year=source.net_need_mm_year[of_turf],
        zone_parcel=zones.parcel[of_zone],
        cycles=zones.cycles[of_zone],
        soak_minutes=zones.soak_minutes[of_zone],
        head_zone=zone_of_head,
        x_m=heads.x_m[of_head],
        y_m=heads.y_m[of_head],
        arc_deg=heads.arc_deg[of_head],
        start_bearing_deg=heads.start_bearing_deg[of_head],
        nozzles=heads.nozzles,
        profiles=heads.profiles,
        states={
            name: HeadState(
                nozzle=state.nozzle[of_head],
                pressure_kpa=state.pressure_kpa[of_head],
                flow_lpm=state.flow_lpm[of_head],
                radius_m=state.radius_m[of_head],
            )
            for name, state in head_states(heads).items()
        },
    )


def head_states(heads: CityHeads) -> dict[str, HeadState]:
    """The states that have to be worked: each once, the existing one first."""
    states = {EXISTING: heads.existing}
    if heads.retrofit is not heads.existing:
        states[RETROFIT] = heads.retrofit
    if heads.at_new_pressure is not None:
        states[AT_NEW_PRESSURE] = heads.at_new_pressure
    return states


# --- packing -------------------------------------------------------------------------------------


def _boxes_of_turf(turf: CityTurf) -> tuple[Number, FloatArray]:
    """Parcels with turf, rising, and the box of the turf of each, (n, 4)."""
    start = np.flatnonzero(np.diff(turf.parcel, prepend=-1))
    low = np.minimum.reduceat(turf.box_m[:, :2], start)
    high = np.maximum.reduceat(turf.box_m[:, 2:], start)
    return turf.parcel[start], np.column_stack([low, high])


def _first_unit(box: FloatArray, most_area_m2: float) -> tuple[int, FloatArray]:
    """How many of the boxes, from the first, one of that area holds, one at least; and that box."""
    looked_at = _LOOKED_AT
    while True:
        low = np.minimum.accumulate(box[:looked_at, :2])
        high = np.maximum.accumulate(box[:looked_at, 2:])
        area_m2 = np.prod(high - low, axis=1)  # rises from box to box
        count = max(1, int(np.searchsorted(area_m2, most_area_m2, side="right")))
        if count < looked_at or looked_at >= len(box):
            return count, np.concatenate([low[count - 1], high[count - 1]])
        looked_at *= 2


def rows_of(owner: Number, wanted: NDArray[np.integer]) -> tuple[NDArray[np.int64], Number]:
    """Rows of some owners, owner after owner, and the place of each row's owner among these.

    Parameters
    ----------
    owner : ndarray of int, shape (n_rows,)
        Owner of every row, rising.
    wanted : ndarray of int
        Owners.

    Examples
    --------
    >>> rows, place = rows_of(np.array([3, 3, 5, 7], np.int32), np.array([7, 3]))
    >>> rows.tolist(), place.tolist()
    ([3, 0, 1], [0, 1, 1])
    """
    own = wanted.astype(owner.dtype)  # of another kind, the whole of `owner` would be converted
    start = np.searchsorted(owner, own)
    count = np.searchsorted(owner, own, "right") - start
    skipped = np.repeat(start - np.append(0, np.cumsum(count)[:-1]), count)
    place = np.repeat(np.arange(len(own), dtype=np.int32), count)
    return np.asarray(skipped + np.arange(len(skipped))), place
