"""Slopes to be ranked: turf polygons, or the connected parts of them of one slope class."""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from geoirrig.physics.soil_properties import SLOPE_CLASS_BOUNDS_PCT, slope_class
from geoirrig.records import IntArray, ObjectArray, TerrainSurface, TurfAreas, TurfCells
from geoirrig.surfaces.patches import Patches, as_multipolygons
from geoirrig.units import FloatArray

_N_CLASSES = len(SLOPE_CLASS_BOUNDS_PCT) + 1
_AREA_TOLERANCE = 1e-9  # relative: sixteen cells of 0.25 m² are 4 m²


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeUnits:
    """Slopes with the cells of each; arrays of shape (n_units,)."""

    slope_unit: ObjectArray  # the turf_id; of parts "turf_id/1", the largest, "turf_id/2" …
    turf_number: IntArray  # into the turf areas, rising
    geometry: ObjectArray  # multipolygons: the turf polygon, or the cells of the part
    area_m2: FloatArray  # sums to that of the turf polygon
    unit_index: NDArray[np.int32]  # (n_rows, n_cols); -1 is not turf


def turf_slope_units(turf: TurfAreas, cells: TurfCells) -> SlopeUnits:
    """Every turf polygon as one slope.

    Parameters
    ----------
    turf : TurfAreas
        The polygons.
    cells : TurfCells
        Their cells.

    Returns
    -------
    SlopeUnits
    """
    return SlopeUnits(
        slope_unit=np.array([str(name) for name in turf.turf_id], dtype=object),
        turf_number=np.arange(len(turf.turf_id)),
        geometry=as_multipolygons(turf.geometry),
        area_m2=shapely.area(turf.geometry),
        unit_index=cells.turf_index,
    )


def class_slope_units(
    turf: TurfAreas, cells: TurfCells, terrain: TerrainSurface, *, least_area_m2: float
) -> SlopeUnits:
    """Connected parts of each turf polygon whose cells are of one slope class.

    Parameters
    ----------
    turf : TurfAreas
        The polygons; each is of one soil.
    cells : TurfCells
        Their cells.
    terrain : TerrainSurface
        Slope of the cells. Classes are those of the surface accumulation table, bounded by
        `SLOPE_CLASS_BOUNDS_PCT`.
    least_area_m2 : float
        Smaller parts are joined to others of their polygon, ≥ 0. [m²]

    Returns
    -------
    SlopeUnits
        A polygon of a single part keeps its own outline, others are traced along the cells. A
        part has the share of its polygon's area that it has of the polygon's cells.

    Notes
    -----
    The smallest part is joined first, to the neighbour with which it shares the longest border, or
    where it has none (the polygon has several pieces) to the largest part of the polygon. Cells
    without a slope are a class of their own.
    """
    least_cells = least_area_m2 * (1.0 - _AREA_TOLERANCE) / cells.grid.cell_area_m2
    unit_index = np.full(cells.grid.shape, -1, dtype=np.int32)
    classes = slope_class(terrain.slope_pct)
    counts: list[IntArray] = []
    n_units = 0
    windows = ndimage.find_objects(cells.turf_index + 1, max_label=len(turf.turf_id))
    for number, window in enumerate(windows):
        if window is None:
            counts.append(np.zeros(1, dtype=np.int64))  # no cell: a slope without results
        else:
            inside = cells.turf_index[window] == number
            part, n_cells = _parts_of_one_polygon(classes[window], inside, least_cells)
            unit_index[window][inside] = n_units + part[inside]
            counts.append(n_cells)
        n_units += len(counts[-1])
    n_parts = np.array([len(own) for own in counts], dtype=np.int64)
    names = [
        f"{name}/{place}"
        for name, count in zip(turf.turf_id, n_parts, strict=True)
        for place in range(1, count + 1)
    ]
    turf_number = np.repeat(np.arange(len(turf.turf_id)), n_parts)
    share = np.concatenate([own / max(1, int(np.sum(own))) for own in counts] or [np.empty(0)])
    is_whole = n_parts[turf_number] == 1
    share = np.where(is_whole, 1.0, share)
    geometry = Patches(unit_index, cells.grid).areas_of_classes(n_units)
    geometry[is_whole] = as_multipolygons(turf.geometry)[turf_number[is_whole]]
    return SlopeUnits(
        slope_unit=np.array(names, dtype=object),
        turf_number=turf_number,
        geometry=geometry,
        area_m2=share * shapely.area(turf.geometry)[turf_number],
        unit_index=unit_index,
    )


# --- parts of one polygon ------------------------------------------------------------------------


def _parts_of_one_polygon(
    classes: NDArray[np.int64], inside: NDArray[np.bool_], least_cells: float
) -> tuple[NDArray[np.int64], IntArray]:
    """Part of every cell, 0 for the largest, and the cells of each; −1 outside."""
    label = np.full(inside.shape, -1, dtype=np.int64)
    n_labels = 0
    for rank in range(-1, _N_CLASSES):
        found, count = ndimage.label(inside & (classes == rank))
        label = np.where(found > 0, found - 1 + n_labels, label)
        n_labels += count
    n_cells = np.bincount(label[inside], minlength=n_labels)
    owner = _joined(n_cells, _borders(label, n_labels), least_cells)
    n_cells = np.bincount(owner, weights=n_cells, minlength=n_labels).astype(np.int64)
    first = np.full(n_labels, inside.size)  # first cell of each part, in reading order
    np.minimum.at(first, owner[label[inside]], np.flatnonzero(inside))
    kept = np.flatnonzero(n_cells)
    kept = kept[np.lexsort((first[kept], -n_cells[kept]))]
    place = np.full(n_labels, -1, dtype=np.int64)
    place[kept] = np.arange(len(kept))
    return np.where(inside, place[owner[label]], -1), n_cells[kept]


def _borders(label: NDArray[np.int64], n_labels: int) -> list[dict[int, int]]:
    """For every label its neighbours, and how many cell sides they share."""
    sides = [(label[:, :-1], label[:, 1:]), (label[:-1], label[1:])]
    pairs = np.concatenate(
        [
            np.stack([np.minimum(a, b), np.maximum(a, b)])[:, (a != b) & (a >= 0) & (b >= 0)]
            for a, b in sides
        ],
        axis=1,
    )
    key, length = np.unique(pairs[0] * n_labels + pairs[1], return_counts=True)
    borders: list[dict[int, int]] = [{} for _ in range(n_labels)]
    for pair, sides_shared in zip(key.tolist(), length.tolist(), strict=True):
        one, other = divmod(pair, n_labels)
        borders[one][other] = borders[other][one] = sides_shared
    return borders


def _joined(n_cells: IntArray, borders: list[dict[int, int]], least_cells: float) -> IntArray:
    """Label that each label has become when small parts are joined to others."""
    size: list[int] = n_cells.tolist()
    owner = np.arange(len(size))
    alive = len(size)
    queue = [(cells, label) for label, cells in enumerate(size) if cells < least_cells]
    heapq.heapify(queue)
    while queue and alive > 1:
        cells, small = heapq.heappop(queue)
        if cells != size[small]:  # joined to another meanwhile, or grown
            continue
        if borders[small]:
            target = min(borders[small], key=lambda n: (-borders[small][n], -size[n], n))
        else:
            target = max((n for n in range(len(size)) if n != small), key=lambda n: (size[n], -n))
        size[target] += cells
        size[small] = 0
        owner[small] = target
        alive -= 1
        _move_borders(borders, small, target)
        if size[target] < least_cells:
            heapq.heappush(queue, (size[target], target))
    for label in range(len(owner)):  # what it was joined to may have been joined in turn
        root = label
        while owner[root] != root:
            root = int(owner[root])
        owner[label] = root
    return owner


def _move_borders(borders: list[dict[int, int]], small: int, target: int) -> None:
    for neighbour, length in borders[small].items():
        del borders[neighbour][small]
        if neighbour != target:
            borders[target][neighbour] = borders[target].get(neighbour, 0) + length
            borders[neighbour][target] = borders[target][neighbour]
    borders[small] = {}
