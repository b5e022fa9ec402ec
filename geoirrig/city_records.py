"""Frozen records of a city: parcels by the hundred thousand, in compact columns.

Text that repeats is kept once, as numbers into a list of words. Rows of turf, heads and zones stand
in the order of their parcel, so that the parcels of a work unit are slices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.grid.polygon_rings import packed_rings, polygon_rings
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.grid.ring_kernels import Rings
from geoirrig.physics.nozzle_hydraulics import NozzleTests
from geoirrig.physics.radial_distribution import RadialProfile
from geoirrig.records import Attributes, InputFile, ObjectArray, WorkingPlane
from geoirrig.units import FloatArray

Number = NDArray[np.int32]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedBytes:
    """The bytes of many rows in one piece: those of row k are data[start[k]:start[k + 1]].

    A row without any is None.
    """

    data: NDArray[np.uint8]
    start: NDArray[np.int64]  # (n_rows + 1,)

    def of_rows(self, rows: NDArray[np.integer]) -> ObjectArray:
        """The bytes of some rows, (n,)."""
        found = np.empty(len(rows), dtype=object)
        places = zip(self.start[rows].tolist(), self.start[rows + 1].tolist(), strict=True)
        found[:] = [self.data[start:stop].tobytes() or None for start, stop in places]
        return found

    def of_all(self) -> ObjectArray:
        """The bytes of every row."""
        return self.of_rows(np.arange(len(self.start) - 1))


def packed_bytes(rows: ObjectArray) -> PackedBytes:
    """The bytes of rows, or None, in one piece."""
    pieces = [b"" if row is None else row for row in rows.tolist()]
    length = np.fromiter(map(len, pieces), dtype=np.int64, count=len(pieces))
    return PackedBytes(
        data=np.frombuffer(b"".join(pieces), dtype=np.uint8),
        start=np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(length)]),
    )


def outline_rings(outlines: PackedBytes) -> Rings:
    """Rings of the polygons of many rows, without an object for each where that can be."""
    rings = packed_rings(outlines.data, outlines.start)
    return polygon_rings(outlines.of_all()) if rings is None else rings


@dataclass(frozen=True, slots=True, kw_only=True)
class CityParcels:
    """Parcels in the order of their layer; arrays of shape (n_parcels,)."""

    parcel_id: ObjectArray
    wkb: PackedBytes  # outlines in the working plane; none where at fault
    area_m2: FloatArray
    centre_m: FloatArray  # (n_parcels, 2), of the box; NaN where at fault
    attributes: Attributes  # the input columns, as they were read


@dataclass(frozen=True, slots=True, kw_only=True)
class CityTurf:
    """Turf of all parcels, by parcel; arrays of shape (n_turf,)."""

    parcel: Number  # rising
    wkb: PackedBytes  # in the working plane
    box_m: FloatArray  # (n_turf, 4): west, south, east, north
    area_m2: FloatArray
    soil_texture: Number  # into `textures`
    compaction: Number  # into `compactions`
    plant_type: Number  # into `plant_types`
    slope_pct: FloatArray  # NaN: from the raster
    root_depth_mm: FloatArray
    textures: tuple[str, ...]
    compactions: tuple[str, ...]
    plant_types: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadState:
    """The heads before or after a retrofit; arrays of shape (n_heads,).

    Flow and radius follow where a unit is worked: see `throw_of_heads`.
    """

    nozzle: Number  # into `CityHeads.nozzles`
    pressure_kpa: FloatArray  # as stated, else that of the nozzle's tests; NaN: neither
    flow_lpm: FloatArray  # as stated; NaN: what the nozzle gives
    radius_m: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class CityNozzles:
    """What is known of the nozzles in use; arrays of shape (n_nozzles,)."""

    name: tuple[str, ...]  # "" for heads that name none
    device: tuple[str, ...]  # "" where not known
    pressure_min_kpa: FloatArray
    pressure_max_kpa: FloatArray
    unit_cost: FloatArray
    tests: tuple[NozzleTests | None, ...]
    profile: Number  # into `CityHeads.profiles`


@dataclass(frozen=True, slots=True, kw_only=True)
class CityHeads:
    """Heads of all parcels, by zone and so by parcel; arrays of shape (n_heads,)."""

    zone: Number  # into `CityZones`, rising
    x_m: FloatArray
    y_m: FloatArray
    arc_deg: FloatArray
    start_bearing_deg: FloatArray
    existing: HeadState
    retrofit: HeadState
    at_new_pressure: HeadState | None  # existing nozzles at the pressures of the retrofit
    is_replaced: BoolArray  # the retrofit gives it another nozzle or pressure
    is_regulated: BoolArray  # … and states the pressure
    nozzles: CityNozzles
    profiles: tuple[RadialProfile, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CityZones:
    """Zones, each of one parcel, by parcel and in running order; arrays of shape (n_zones,)."""

    parcel: Number  # rising
    name: Number  # into `names`
    names: Sequence[str]
    cycles: Number
    soak_minutes: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Things that belong to no parcel, and why."""

    layer: tuple[str, ...]
    item_id: tuple[str, ...]
    reason: tuple[str, ...]
    count: tuple[int, ...]  # of things that each stands for


@dataclass(frozen=True, slots=True, kw_only=True)
class CityInputs:
    """A city, checked and in the working plane.

    Parcels at fault keep their row in `parcels`, but have no turf, heads and zones here.
    """

    plane: WorkingPlane
    parcels: CityParcels
    turf: CityTurf
    heads: CityHeads
    zones: CityZones
    failures: tuple[tuple[int, str], ...]  # number of the parcel and reason
    left_out: LeftOut
    files: tuple[InputFile, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkUnit:
    """Neighbouring parcels in one window of the grid, of bounded size.

    Its turf, zones and heads are those of its parcels: see `geoirrig.workflows.work_units`.
    """

    number: int
    grid: RasterGrid
    parcel: Number  # in the order in which the parcels are worked
