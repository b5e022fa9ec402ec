"""Water that crosses the edge of an area of turf: how much, where, and what it reaches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.flow_routing import neighbour_step
from geoirrig.records import (
    HardscapeAreas,
    ObjectArray,
    ResultTable,
    RunOnSurface,
    TurfAreas,
)
from geoirrig.surfaces.edge_runoff_kernels import Crossings, find_crossings
from geoirrig.surfaces.finding_areas import litres_text
from geoirrig.surfaces.turf_cells import area_index
from geoirrig.units import FloatArray

DESTINATIONS = ("hardscape", "turf", "off site")
HARDSCAPE, TURF, OFF_SITE = range(3)
STRETCH_M = 1.0  # of edge told in one row: a stride, short enough to be walked to


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeCrossings:
    """Water of one event that crosses edges, from cell to cell; arrays of shape (n_crossings,)."""

    area: NDArray[np.int64]  # that it leaves
    reaches: NDArray[np.int64]  # into `DESTINATIONS`
    to_area: NDArray[np.int64]  # that it reaches; -1 where that is none
    to_surface: NDArray[np.int64]  # hardscape that it reaches, into `surfaces`; -1 where none
    x_m: FloatArray  # between the centres of the two cells
    y_m: FloatArray
    leaving_l: FloatArray
    surfaces: tuple[str, ...]  # every surface of the hardscape, once


def edge_crossings(
    run_on: RunOnSurface,
    area_of_cell: NDArray[np.int32],
    *,
    hardscape: HardscapeAreas | None,
) -> EdgeCrossings:
    """Every step of water over an edge.

    Parameters
    ----------
    run_on : RunOnSurface
        The event.
    area_of_cell : ndarray of int32, shape (n_rows, n_cols)
        Area of each cell, −1 for none: turf polygons or parts of them.
    hardscape : HardscapeAreas or None
        Paved and built ground beside the turf.

    Returns
    -------
    EdgeCrossings

    Notes
    -----
    A cell that is turf takes water as turf. Any other is hardscape if its centre lies on it, else
    off site. Water that has left the turf does not come back.
    """
    flow, grid = run_on.flow, run_on.grid
    found = _all_crossings(run_on, np.ascontiguousarray(area_of_cell, dtype=np.int32))
    octant = flow.octant[found.place, found.slot]
    down, east = neighbour_step(octant)
    row, col = np.divmod(flow.cell[found.place], grid.n_cols)
    inside = found.to_cell >= 0
    to_cell = np.maximum(found.to_cell, 0)
    to_turf = flow.to[found.place, found.slot] >= 0
    surfaces, paved = _paving(hardscape, grid)
    to_surface = np.where(inside & ~to_turf, paved[to_cell], -1)
    return EdgeCrossings(
        area=area_of_cell.ravel()[flow.cell[found.place]].astype(np.int64),
        reaches=np.where(to_turf, TURF, np.where(to_surface >= 0, HARDSCAPE, OFF_SITE)),
        to_area=np.where(to_turf, area_of_cell.ravel()[to_cell], -1).astype(np.int64),
        to_surface=to_surface,
        x_m=grid.cell_centre_x_m()[col] + 0.5 * grid.cell_size_m * east,
        y_m=grid.cell_centre_y_m()[row] - 0.5 * grid.cell_size_m * down,
        leaving_l=found.depth_mm * grid.cell_area_m2,
        surfaces=surfaces,
    )


def _paving(
    hardscape: HardscapeAreas | None, grid: RasterGrid
) -> tuple[tuple[str, ...], NDArray[np.int64]]:
    """Surfaces by name, and the surface of each cell, flat; −1 where there is none."""
    if hardscape is None or not len(hardscape.geometry):
        return (), np.full(grid.n_rows * grid.n_cols, -1, dtype=np.int64)
    names, surface = np.unique(hardscape.surface.astype(str), return_inverse=True)
    area = area_index(hardscape.geometry, grid).ravel()
    return tuple(names.tolist()), np.append(surface, -1)[area].astype(np.int64)


def _all_crossings(run_on: RunOnSurface, area: NDArray[np.int32]) -> Crossings:
    """Counted first, then filled in."""
    count = 0
    while True:
        found = Crossings(
            place=np.empty(count, dtype=np.int32),
            slot=np.empty(count, dtype=np.int8),
            to_cell=np.empty(count, dtype=np.int64),
            depth_mm=np.empty(count),
        )
        flow = run_on.flow
        total = find_crossings(
            flow.cell, flow.octant, flow.first_share, run_on.left_mm, area, found
        )
        if total == count:
            return found
        count = total


def run_on_columns(
    run_on: RunOnSurface,
    crossings: EdgeCrossings,
    area_of_cell: NDArray[np.int32],
    n_areas: int,
) -> dict[str, FloatArray]:
    """Litres of one event that come over the edge of each area, leave it, and stand in it.

    Parameters
    ----------
    run_on : RunOnSurface
        The event.
    crossings : EdgeCrossings
        Its crossings, from the same areas.
    area_of_cell : ndarray of int32, shape (n_rows, n_cols)
        As for `edge_crossings`.
    n_areas : int
        Number of areas.

    Returns
    -------
    dict of str to ndarray of float64, shape (n_areas,)
        ``run_on_l`` from other areas; ``leaving_l`` in all, and of it ``to_hardscape_l``,
        ``to_turf_l`` and ``off_site_l``; ``ponded_l`` when the last pulse ends, beyond what the
        surface stores. [L]
    """

    def leaving(chosen: NDArray[np.bool_] | slice) -> FloatArray:
        return _sums(crossings.area[chosen], crossings.leaving_l[chosen], n_areas)

    arrives = crossings.to_area >= 0
    return {
        "run_on_l": _sums(crossings.to_area[arrives], crossings.leaving_l[arrives], n_areas),
        "leaving_l": leaving(slice(None)),
        "to_hardscape_l": leaving(crossings.reaches == HARDSCAPE),
        "to_turf_l": leaving(crossings.reaches == TURF),
        "off_site_l": leaving(crossings.reaches == OFF_SITE),
        "ponded_l": area_litres(run_on, run_on.ponded_mm, area_of_cell, n_areas),
    }


def area_litres(
    run_on: RunOnSurface, depth_mm: FloatArray, area_of_cell: NDArray[np.int32], n_areas: int
) -> FloatArray:
    """Volume in each area of one of the depths of a `RunOnSurface`, in L."""
    area = area_of_cell.ravel()[run_on.flow.cell]
    known = area >= 0
    return _sums(area[known], depth_mm[known], n_areas) * run_on.grid.cell_area_m2


def _sums(group: NDArray[Any], values: FloatArray, n_groups: int) -> FloatArray:
    return np.bincount(group, weights=values, minlength=n_groups).astype(np.float64)


def edge_runoff(crossings: EdgeCrossings, turf: TurfAreas) -> ResultTable:
    """Where water leaves the turf polygons, and how much, largest first.

    Parameters
    ----------
    crossings : EdgeCrossings
        From the turf polygons.
    turf : TurfAreas
        The polygons.

    Returns
    -------
    ResultTable
        One point for each stretch of about a metre of a polygon's edge and each thing that the
        water reaches there. The litres of a polygon's rows add up to its ``leaving_l``.

    Notes
    -----
    Crossings are moved to the nearest place on the polygon's boundary; a row stands at the mean of
    those of its stretch, weighted by their litres.
    """
    along = _metres_along_edge(crossings, turf)
    stretch = np.floor(along / STRETCH_M).astype(np.int64)
    keys = (crossings.area, crossings.reaches, crossings.to_area, crossings.to_surface, stretch)
    first, group = _groups(keys)
    n_rows = len(first)
    litres = _sums(group, crossings.leaving_l, n_rows)
    metres = _sums(group, crossings.leaving_l * along, n_rows)
    order = np.argsort(-litres, kind="stable")
    first, litres, metres = first[order], litres[order], metres[order] / litres[order]
    area, turf_id = crossings.area[first], turf.turf_id[crossings.area[first]]
    reaches = np.array(DESTINATIONS, dtype=object)[crossings.reaches[first]]
    # −1, for none, is the empty name at the end of both lists
    onto_turf = np.append(turf.turf_id.astype(str).astype(object), "")[crossings.to_area[first]]
    onto_surface = np.array([*crossings.surfaces, ""], dtype=object)[crossings.to_surface[first]]
    name = onto_turf + onto_surface
    edge = shapely.boundary(turf.geometry[area])
    return ResultTable(
        name="edge_runoff",
        columns={
            "edge_runoff_id": np.arange(1, n_rows + 1),
            "turf_id": turf_id,
            "reaches": reaches,
            "reaches_name": name,
            "leaving_l": litres,
            "finding": np.array(
                [
                    f"{litres_text(volume)} an event leave turf {own} here, "
                    f"{_destination(kind, str(other))}."
                    for volume, own, kind, other in zip(litres, turf_id, reaches, name, strict=True)
                ],
                dtype=object,
            ),
        },
        geometry=np.asarray(shapely.line_interpolate_point(edge, metres), dtype=object),
        geometry_type="Point",
    )


def _destination(kind: str, name: str) -> str:
    if kind == DESTINATIONS[HARDSCAPE]:
        return f"onto {name}"
    return f"onto turf {name}" if kind == DESTINATIONS[TURF] else "off the site"


def _groups(keys: tuple[NDArray[np.int64], ...]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First row of each distinct combination, and the combination of each row."""
    order = np.lexsort(keys[::-1])
    is_new = np.ones(len(order), dtype=bool)
    is_new[1:] = np.any([np.diff(key[order]) != 0 for key in keys], axis=0)
    group = np.empty(len(order), dtype=np.int64)
    group[order] = np.cumsum(is_new) - 1
    return order[is_new], group


def _metres_along_edge(crossings: EdgeCrossings, turf: TurfAreas) -> FloatArray:
    """Place of each crossing along the boundary of its polygon."""
    point: ObjectArray = np.asarray(shapely.points(crossings.x_m, crossings.y_m), dtype=object)
    along = np.zeros(len(point))
    order = np.argsort(crossings.area, kind="stable")
    bounds = np.searchsorted(crossings.area[order], np.arange(len(turf.turf_id) + 1))
    for number, outline in enumerate(shapely.boundary(turf.geometry)):
        own = order[bounds[number] : bounds[number + 1]]
        if len(own):
            along[own] = shapely.line_locate_point(outline, point[own])
    return along


def ponding_warnings(ponded_l: FloatArray, turf: TurfAreas) -> tuple[str, ...]:
    """What to say of polygons in which water still stands at the end of the event."""
    return tuple(
        f"turf: {litres_text(float(litres))} of an event stand in hollows or on level ground of "
        f"turf_id {str(turf_id)!r} when its last pulse ends; water there has no way down."
        for turf_id, litres in zip(turf.turf_id, ponded_l, strict=True)
        if litres >= 0.05  # what would print as nothing is not told
    )
