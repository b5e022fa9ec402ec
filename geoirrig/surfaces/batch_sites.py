"""Heads, turf and plans of many small sites as the compiled pass over them wants them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from geoirrig.block_instructions import LONG_BLOCK
from geoirrig.grid.polygon_cover_kernels import WORD, Outlines
from geoirrig.grid.polygon_rings import polygon_rings
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.grid.ring_kernels import Rings
from geoirrig.physics.soil_properties import basic_intake_rate_mm_h, slope_class
from geoirrig.records import (
    AnalysisSettings,
    IntArray,
    SprinklerLayout,
    TerrainSurface,
    TurfAreas,
    ZonePlan,
)
from geoirrig.surfaces import batch_kernels as kernels
from geoirrig.surfaces import batch_runoff_kernels as runoff_kernels
from geoirrig.surfaces.batch_pass_kernels import Limits, Sites
from geoirrig.surfaces.owner_kernels import lowest_by_owner
from geoirrig.surfaces.sector_kernels import Heads
from geoirrig.surfaces.sector_superposition import SectorSet, sector_set
from geoirrig.surfaces.turf_soil import (
    intake_log_sd,
    soils_of_turf,
    storage_by_class_mm,
    storage_log_sd,
)
from geoirrig.units import MINUTES_PER_HOUR

OUTER_QUANTILE = 0.05  # of what a lawn takes in: the interval of runoff holds 90 % of the soils


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchGroups:
    """What shares cells: numbers of the parcel of every zone and every polygon, any integers.

    Where a parcel is watered in several states of its heads, each state has its own zones; those
    of two states do not meet.
    """

    of_zone: IntArray  # (n_zones,)
    of_turf: IntArray  # (n_turf,)
    state_of_zone: IntArray | None = None  # (n_zones,) from 0 on; all in one state if absent

    @property
    def n_states(self) -> int:
        """Number of states."""
        return 1 if self.state_of_zone is None else 1 + int(np.max(self.state_of_zone, initial=0))


def batch_sites(
    layout: SprinklerLayout,
    plan: ZonePlan,
    turf: TurfAreas,
    *,
    settings: AnalysisSettings,
    groups: BatchGroups,
    terrain: TerrainSurface | None,
) -> Sites:
    """Everything that the pass has to know; the arguments are those of `batch_measures`.

    The polygons may be well-known binary, see `polygon_rings`.
    """
    rings = polygon_rings(turf.geometry)
    grid = _reference_grid(layout, rings, settings.cell_size_m)
    outlines = _outlines(rings, grid)
    zones, heads = _zone_heads(layout, sector_set(layout, grid), len(plan.run_minutes))
    return Sites(
        outlines=outlines,
        classes=_slope_classes(turf, terrain, grid),
        zones=zones,
        heads=heads,
        event=runoff_kernels.Event(
            groups=_groups(groups, outlines),
            ground=_ground(turf, settings),
            plans=_plans(plan, settings),
        ),
    )


def _reference_grid(layout: SprinklerLayout, rings: Rings, cell_size_m: float) -> RasterGrid:
    """A grid to count cells from, near to all there is."""
    left = float(min(np.min(rings.x, initial=np.inf), np.min(layout.x_m, initial=np.inf)))
    top = float(max(np.max(rings.y, initial=-np.inf), np.max(layout.y_m, initial=-np.inf)))
    if not math.isfinite(left + top):
        left = top = 0.0
    return RasterGrid.covering(left, top, left, top, cell_size_m=cell_size_m)


def _zone_heads(
    layout: SprinklerLayout, sectors: SectorSet, n_zones: int
) -> tuple[kernels.ZoneHeads, Heads]:
    """Heads by zone, each in the cells of its zone's window.

    The windows leave so much margin that every sector lies well inside: see `superpose_heads`.
    """
    zone = layout.zone_index
    order = np.argsort(zone, kind="stable")
    count = np.bincount(zone, minlength=n_zones)
    if len(count) > n_zones:
        raise ValueError(f"heads name zone {len(count) - 1}, but the plan has {n_zones}")
    place = np.array([sectors.col, sectors.row])
    edges = np.concatenate([place - sectors.radius, -(place + sectors.radius)])
    west, north, east, south = np.where(count > 0, lowest_by_owner(edges, zone, n_zones), 0.0)
    col, row = np.floor(west) - 2.0, np.floor(north) - 2.0
    n_cols = np.ceil(-east) + 2.0 - col
    n_rows = np.ceil(-south) + 4.0 + np.ceil(LONG_BLOCK / n_cols) - row
    windows = np.column_stack([row, col, n_rows, n_cols]).astype(np.int64)
    return (
        kernels.ZoneHeads(
            head_start=np.concatenate([[0], np.cumsum(count)]),
            window=windows,
            flow_mm_h=np.bincount(zone, weights=sectors.flow_mm_h, minlength=n_zones).astype(
                np.float64
            ),
        ),
        Heads(
            order=order,
            col=sectors.col - col[zone],
            row=sectors.row - row[zone],
            radius=sectors.radius,
            flow_mm_h=sectors.flow_mm_h,
            arc_deg=np.ascontiguousarray(sectors.arc_deg, dtype=np.float64),
            edges=np.ascontiguousarray(sectors.edges),
            rise_east=sectors.rise_east,
            rise_north=sectors.rise_north,
            base=sectors.base,
            hinge_start=sectors.hinge_start,
            knots=sectors.knots,
            slopes=sectors.slopes,
        ),
    )


def _outlines(rings: Rings, grid: RasterGrid) -> Outlines:
    """Rings in cells."""
    return Outlines(
        col=(rings.x - grid.left_m) / grid.cell_size_m,
        row=(grid.top_m - rings.y) / grid.cell_size_m,
        ring_point=rings.ring_point,
        polygon_ring=rings.polygon_ring,
    )


def _slope_classes(
    turf: TurfAreas, terrain: TerrainSurface | None, grid: RasterGrid
) -> kernels.SlopeClasses:
    of_cell, row, col = np.zeros((0, 0), dtype=np.int8), 0, 0
    if terrain is not None:
        of_cell = _numbered_class(terrain.slope_pct)
        row = round((grid.top_m - terrain.grid.top_m) / grid.cell_size_m)
        col = round((terrain.grid.left_m - grid.left_m) / grid.cell_size_m)
    own = _numbered_class(turf.slope_pct.astype(np.float32))  # as a raster of slopes would hold it
    return kernels.SlopeClasses(of_turf=own, of_cell=of_cell, row=row, col=col)


def _numbered_class(slope_pct: NDArray[np.floating]) -> NDArray[np.int8]:
    rank = slope_class(slope_pct)
    return np.where(rank < 0, kernels.UNKNOWN_CLASS, rank).astype(np.int8)


def _groups(groups: BatchGroups, outlines: Outlines) -> kernels.Groups:
    numbers = np.unique(np.concatenate([groups.of_zone, groups.of_turf]))
    of_zone = groups.n_states * np.searchsorted(numbers, groups.of_zone)
    of_turf = np.searchsorted(numbers, groups.of_turf)
    if groups.state_of_zone is not None:
        of_zone += groups.state_of_zone
    zone, zone_start = _by_owner(of_zone, groups.n_states * len(numbers))
    turf, turf_start = _by_owner(of_turf, len(numbers))
    return kernels.Groups(
        n_states=groups.n_states,
        zone_start=zone_start,
        zone=zone,
        turf_start=turf_start,
        turf=turf,
        window=_turf_windows(of_turf, len(numbers), outlines),
    )


def _by_owner(owner: IntArray, n_owners: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows owner after owner, and where those of each owner begin, (n_owners + 1,)."""
    count = np.bincount(owner, minlength=n_owners)
    return np.argsort(owner, kind="stable"), np.concatenate([[0], np.cumsum(count)])


def _turf_windows(group: NDArray[np.int64], n_groups: int, outlines: Outlines) -> NDArray[np.int64]:
    """Bounding box of the turf of each group, in whole cells; no cells where there is no turf."""
    group_of_point = np.repeat(group, np.diff(outlines.ring_point[outlines.polygon_ring]))
    place = np.array([outlines.row, outlines.col])
    # North, west, south, east; the last two negative.
    limits = lowest_by_owner(np.concatenate([place, -place]), group_of_point, n_groups)
    row, col = np.floor(limits[:2])
    n_rows, n_cols = np.ceil(-limits[2]) - row, np.ceil(-limits[3]) - col
    windows = np.column_stack([row, col, n_rows, n_cols])
    windows[~np.isfinite(limits).all(axis=0)] = 0.0
    return windows.astype(np.int64)


def _ground(turf: TurfAreas, settings: AnalysisSettings) -> runoff_kernels.Ground:
    soil_of_turf, textures, compaction_factor = soils_of_turf(turf, settings)
    return runoff_kernels.Ground(
        soil_of_turf=soil_of_turf,
        intake_mm_h=basic_intake_rate_mm_h(
            np.array(textures, dtype=object), compaction_factor=compaction_factor
        ),
        storage_mm=np.ascontiguousarray(storage_by_class_mm(textures, settings)),
        intake_log_sd=intake_log_sd(settings),
        storage_log_sd=storage_log_sd(settings),
        deviate=float(-ndtri(OUTER_QUANTILE)),
    )


def _plans(plan: ZonePlan, settings: AnalysisSettings) -> runoff_kernels.Plans:
    return runoff_kernels.Plans(
        run_hours=plan.run_minutes / MINUTES_PER_HOUR,
        cycles=np.maximum(1, plan.cycles).astype(np.int64),
        soak_hours=plan.soak_minutes / MINUTES_PER_HOUR,
        event_depth_mm=float(settings.event_depth_mm),
    )


def batch_limits(sites: Sites) -> Limits:
    """Largest sizes that occur in any group."""
    groups, zones = sites.event.groups, sites.zones
    zone_count = np.diff(groups.zone_start)
    turf_count = np.repeat(np.diff(groups.turf_start), groups.n_states)
    return Limits(
        turf_rows=int(np.max(groups.window[:, 2], initial=1)),
        turf_words=int(np.max(groups.window[:, 2] * -(-groups.window[:, 3] // WORD), initial=1)),
        zone_window=int(np.max(zones.window[:, 2] * zones.window[:, 3], initial=1)),
        zones=int(np.max(zone_count, initial=1)),
        lots=int(np.max(zone_count * turf_count, initial=1)),
    )
