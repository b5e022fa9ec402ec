"""Parts of an area that are narrower than a given width."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

# A corner at least this wide open is no narrow part, however little room its tip has: what is
# asked is the width of the area, not of its corners. Judgement.
SHARPEST_CORNER_DEG = 45.0
# Polygons closer than this are one area: neighbours digitised side by side. Judgement.
NEIGHBOUR_GAP_M = 0.02
WIDTH_STEP_M = 0.01  # accuracy of `narrowest_width_m`
_MITRE_LIMIT = 1.0 / math.sin(math.radians(SHARPEST_CORNER_DEG / 2.0))
_ARC_SEGMENTS = 16  # per quarter circle: arcs true to 0.12 % of their radius
_SLACK = 0.02  # of the width: rounding of arcs, and corners that a survey has clipped


def connected_areas(geometry: NDArray[np.object_]) -> NDArray[np.object_]:
    """Polygons with those that touch or overlap made one.

    Parameters
    ----------
    geometry : ndarray of shapely polygons and multipolygons
        In the working plane.

    Returns
    -------
    ndarray of shapely polygons
        Gaps below `NEIGHBOUR_GAP_M` are closed.
    """
    half = NEIGHBOUR_GAP_M / 2.0
    grown = shapely.buffer(geometry, half, join_style="mitre", mitre_limit=_MITRE_LIMIT)
    merged = shapely.buffer(
        shapely.union_all(grown), -half, join_style="mitre", mitre_limit=_MITRE_LIMIT
    )
    parts = shapely.get_parts(merged)
    kept: NDArray[np.object_] = parts[~shapely.is_empty(parts)]
    return kept


def narrow_part(area: BaseGeometry, width_m: float) -> BaseGeometry:
    """Part of an area where a disc of the given width finds no room.

    Parameters
    ----------
    area : shapely polygon or multipolygon
        In the working plane.
    width_m : float
        Width wanted, > 0. [m]

    Returns
    -------
    shapely geometry
        The strips, necks and dead ends narrower than the width; empty where there are none.

    Notes
    -----
    The area less its morphological opening: all discs of diameter w that fit inside, together. A
    disc leaves room in every corner too. A remnant is a mere corner, and left out, where the
    straight continuation of the sides (the opening with mitred joins) fills all of it; corners
    below 45° and everything longer than a corner remain.

    References
    ----------
    .. [1] Serra, J., 1982. Image Analysis and Mathematical Morphology. Academic Press: opening.
       From memory.

    Examples
    --------
    >>> narrow_part(shapely.box(0, 0, 10, 10), 3.0).is_empty
    True
    >>> narrow_part(shapely.box(0, 0, 10, 2), 3.0).area
    20.0
    """
    radius = width_m / 2.0
    eroded = shapely.buffer(area, -radius, quad_segs=_ARC_SEGMENTS)
    if eroded.is_empty:
        return area
    opened = shapely.buffer(eroded, radius, quad_segs=_ARC_SEGMENTS)
    cornered = shapely.buffer(
        eroded, radius * (1.0 + _SLACK), join_style="mitre", mitre_limit=_MITRE_LIMIT
    )
    remnants = shapely.get_parts(shapely.difference(area, opened))
    is_strip = ~shapely.covers(cornered, remnants)
    return shapely.union_all(remnants[is_strip])


def narrowest_width_m(
    area: BaseGeometry, within: BaseGeometry, *, at_most_m: float, least_area_m2: float
) -> float:
    """Width at which some of an area becomes too narrow.

    Parameters
    ----------
    area : shapely polygon
        The whole connected area.
    within : shapely polygon or multipolygon
        The part of it that is asked about.
    at_most_m : float
        A width at which enough of it is too narrow. [m]
    least_area_m2 : float
        How much of ``within`` must be narrower for a width to count. [m²]

    Returns
    -------
    float
        The least such width, to `WIDTH_STEP_M`. [m]

    Examples
    --------
    >>> strip = shapely.box(0, 0, 10, 2)
    >>> round(narrowest_width_m(strip, strip, at_most_m=3.0, least_area_m2=1.0), 2)
    2.0
    """
    low, high = 0.0, at_most_m
    while high - low > WIDTH_STEP_M / 2.0:
        middle = (low + high) / 2.0
        narrow = narrow_part(area, middle)
        if shapely.intersection(narrow, within).area >= least_area_m2:
            high = middle
        else:
            low = middle
    return high
