"""Connected lawns, each with the heads that stand on it or beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from geoirrig.records import IntArray, SprinklerLayout
from geoirrig.surfaces.narrow_areas import NEIGHBOUR_GAP_M, connected_areas
from geoirrig.surfaces.precipitation_surface import BESIDE_TURF_M


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbourhood:
    """A connected area of turf and the heads on it or beside it."""

    area: BaseGeometry  # one polygon
    area_and_beside: BaseGeometry  # the area and the ground up to `BESIDE_TURF_M` from it
    heads: IntArray  # numbers of the heads


def neighbourhoods(turf: NDArray[np.object_], layout: SprinklerLayout) -> tuple[Neighbourhood, ...]:
    """Connected areas that any head stands on or beside.

    Parameters
    ----------
    turf : ndarray of shapely polygons and multipolygons
        Turf polygons in the working plane; those that touch are one area.
    layout : SprinklerLayout
        The heads. One that stands beside two areas is counted with both.
    """
    areas = _connected(shapely.get_parts(turf))
    grown = shapely.buffer(areas, BESIDE_TURF_M, quad_segs=4)
    shapely.prepare(grown)
    points = np.asarray(shapely.points(layout.x_m, layout.y_m))
    area, head = shapely.STRtree(points).query(grown, predicate="intersects")
    order = np.lexsort((head, area))
    edges = np.searchsorted(area[order], np.arange(len(areas) + 1))
    return tuple(
        Neighbourhood(
            area=areas[number],
            area_and_beside=grown[number],
            heads=head[order[edges[number] : edges[number + 1]]],
        )
        for number in range(len(areas))
        if edges[number] < edges[number + 1]
    )


def _connected(parts: NDArray[np.object_]) -> NDArray[np.object_]:
    """Polygons, with those that touch made one; a polygon by itself stays as it was drawn."""
    one, other = shapely.STRtree(parts).query(parts, predicate="dwithin", distance=NEIGHBOUR_GAP_M)
    touches = np.zeros(len(parts), dtype=np.bool_)
    touches[one[one != other]] = True
    if not touches.any():
        return parts
    return np.concatenate([parts[~touches], connected_areas(parts[touches])])
