"""The places of a zone: its heads, and where one more could stand."""

from __future__ import annotations

import dataclasses
import math
from itertools import count
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geoirrig.records import IntArray, SprinklerLayout
from geoirrig.units import FloatArray
from geoirrig.workflows.nozzle_candidates import layout_rows

STEP_OF_RADIUS = 0.5  # judgement: new places lie half a throw apart
REACH_OF_RADIUS = 1.5  # judgement: a head that is missing may stand beyond a neighbour's throw
MOST_PLACES = 40  # of a zone; more are thinned out
NO_NAME = ""


def new_places(layout: SprinklerLayout, heads: IntArray, turf: shapely.Geometry) -> FloatArray:
    """Places for more heads of a zone: along the turf edges and on a grid inside.

    Parameters
    ----------
    layout : SprinklerLayout
        All heads of the site.
    heads : ndarray of int
        Rows of the zone's heads.
    turf : shapely geometry
        All turf. [m]

    Returns
    -------
    ndarray of float64, shape (n, 2)
        At most 40, within one and a half throws of one of the zone's heads, and none nearer to a
        head of the site than half the step. [m]
    """
    step = STEP_OF_RADIUS * float(np.median(layout.radius_m[heads]))
    reach = shapely.union_all(
        shapely.buffer(
            shapely.points(layout.x_m[heads], layout.y_m[heads]),
            REACH_OF_RADIUS * layout.radius_m[heads],
        )
    )
    wanted = shapely.intersection(turf, reach)
    standing = cKDTree(np.column_stack([layout.x_m, layout.y_m]))
    places = np.empty((0, 2))
    for _ in range(20):  # each turn at least thins a grid by a fifth
        places = _grid_places(turf, wanted, step)
        places = places[standing.query(places)[0] >= step / 2.0] if len(places) else places
        if len(places) <= MOST_PLACES:
            break
        step *= max(1.1, math.sqrt(len(places) / MOST_PLACES))
    return places[:MOST_PLACES]


def _grid_places(turf: shapely.Geometry, wanted: shapely.Geometry, step_m: float) -> FloatArray:
    west, south, east, north = shapely.bounds(turf)
    x, y = np.meshgrid(
        np.arange(west + step_m / 2.0, east, step_m), np.arange(south + step_m / 2.0, north, step_m)
    )
    inside = np.column_stack([x.ravel(), y.ravel()])
    on_edge = [
        shapely.get_coordinates(shapely.line_interpolate_point(ring, np.arange(0.0, ring.length,
                                                                              step_m)))
        for ring in shapely.get_parts(shapely.boundary(turf))
    ]  # fmt: skip
    found = np.concatenate([*on_edge, inside])
    near = shapely.distance(wanted, shapely.points(found)) <= 1e-6 * step_m
    return np.asarray(found[near], dtype=np.float64)


def with_places(layout: SprinklerLayout, heads: IntArray, places: FloatArray) -> SprinklerLayout:
    """The heads of a zone, followed by places for new ones, which have no id and no nozzle yet.

    A new place has the zone and the median pressure of the heads; what it lacks is blank.
    """
    n_heads, n_new = len(heads), len(places)
    rows = layout_rows(layout, np.append(heads, np.full(n_new, heads[0])).astype(np.int64))
    is_new = np.arange(n_heads + n_new) >= n_heads
    known = layout.pressure_kpa[heads][np.isfinite(layout.pressure_kpa[heads])]

    def blank(values: FloatArray, value: float) -> FloatArray:
        return np.where(is_new, value, values)

    return dataclasses.replace(
        rows,
        head_id=np.where(is_new, NO_NAME, rows.head_id).astype(object),
        x_m=np.append(rows.x_m[:n_heads], places[:, 0]),
        y_m=np.append(rows.y_m[:n_heads], places[:, 1]),
        nozzle=np.where(is_new, NO_NAME, rows.nozzle).astype(object),
        arc_deg=blank(rows.arc_deg, 360.0),
        start_bearing_deg=blank(rows.start_bearing_deg, 0.0),
        pressure_kpa=blank(rows.pressure_kpa, float(np.median(known)) if len(known) else np.nan),
        attributes={name: _blanked(values, is_new) for name, values in rows.attributes.items()},
    )


def with_ids(layout: SprinklerLayout) -> SprinklerLayout:
    """Heads with ids for those that have none, which no other head has."""
    taken = set(layout.head_id.tolist())
    free = (name for name in map("NEW-{}".format, count(1)) if name not in taken)
    ids = [head_id or next(free) for head_id in layout.head_id.tolist()]
    return dataclasses.replace(layout, head_id=np.array(ids, dtype=object))


def _blanked(values: NDArray[Any], is_blank: NDArray[np.bool_]) -> NDArray[Any]:
    """A carried column without a value where there is none to carry."""
    if not is_blank.any():
        return values
    if np.issubdtype(values.dtype, np.floating):
        return np.where(is_blank, np.nan, values)
    found = values.astype(object)
    found[is_blank] = None
    return found


def joined(layouts: list[SprinklerLayout]) -> SprinklerLayout:
    """Layouts one after the other; their carried columns have the same names."""
    profiles = tuple(profile for layout in layouts for profile in layout.profiles)
    before = np.cumsum([0, *(len(layout.profiles) for layout in layouts)])
    arrays = {
        each.name: np.concatenate([getattr(layout, each.name) for layout in layouts])
        for each in dataclasses.fields(layouts[0])
        if each.name not in ("profiles", "attributes", "profile_index")
    }
    columns = {
        name: np.concatenate([layout.attributes[name] for layout in layouts])
        for name in layouts[0].attributes
    }
    return dataclasses.replace(
        layouts[0],
        **arrays,
        profile_index=np.concatenate(
            [
                layout.profile_index + start
                for layout, start in zip(layouts, before[:-1], strict=True)
            ]
        ),
        profiles=profiles,
        attributes=columns,
    )
