"""Control points: places known both on a surveyed plan and on the map."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.column_values import (
    check_required_columns,
    filled_rows,
    number_column,
    require_stated,
    row_ids,
    text_column,
)
from geoirrig.io.columns import LayerSchema, NumberColumn, TextColumn, listed, nearest_hint
from geoirrig.io.file_formats import CSV, vector_format
from geoirrig.io.open_layer import LayerTable, read_layer
from geoirrig.physics.plan_transform import POINTS_AT_LEAST
from geoirrig.records import ObjectArray
from geoirrig.units import FloatArray

_COORDINATES = ("plan_x", "plan_y", "map_x", "map_y")
CONTROL_POINTS = LayerSchema(
    layer="control_points",
    required=_COORDINATES,
    columns=(TextColumn(name="point"), *(NumberColumn(name=name) for name in _COORDINATES)),
)
NAMED_CONTROL_POINTS = LayerSchema(
    layer="control_points",
    id_column="point",
    is_id_unique=True,
    required=CONTROL_POINTS.required,
    columns=CONTROL_POINTS.columns,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlPoints:
    """Points on plan and map; arrays of shape (n_points,) and (n_points, 2)."""

    file_name: str
    point: ObjectArray  # name; its number in the file where it has none
    plan_xy: FloatArray  # [plan units]
    map_xy: FloatArray  # easting and northing [units of the CRS]


def read_control_points(path: Path, problems: ProblemList) -> ControlPoints | None:
    """Control points of a CSV; None, with every problem noted, where they are of no use.

    Parameters
    ----------
    path : Path
        CSV with ``plan_x``, ``plan_y``, ``map_x`` (easting), ``map_y`` (northing), in plan units
        and units of the CRS, and optionally ``point``, a name.
    problems : ProblemList
        Takes missing columns, values that are no numbers, repeated points, and fewer than three.
    """
    try:
        if vector_format(path) is not CSV:
            raise GeoirrigError(f"{str(path)!r} is not a CSV file. Give control points as CSV.")
    except GeoirrigError as error:
        problems.add(f"Control points: {error}")
        return None
    table = read_layer(path, path.stem, CONTROL_POINTS, problems)
    if table is None:
        return None
    before = len(problems.problems)
    table = LayerTable(
        schema=NAMED_CONTROL_POINTS if "point" in table.columns else CONTROL_POINTS,
        place=table.place,
        feature=table.feature,
        columns=table.columns,
    )
    points = _control_points(path, table, problems)
    return points if len(problems.problems) == before else None


def _control_points(path: Path, table: LayerTable, problems: ProblemList) -> ControlPoints:
    check_required_columns(table, problems)
    unknown = [name for name in table.columns if name not in CONTROL_POINTS.spellings]
    if unknown:
        hint = nearest_hint(unknown[0], sorted(CONTROL_POINTS.accepted_names))
        problems.warn(f"{table.start}: columns without a meaning: {listed(unknown)}.{hint}")
    xy = {}
    for name in _COORDINATES:
        xy[name] = number_column(table, name, problems)
        require_stated(table, name, np.isnan(xy[name]) & ~filled_rows(table, name), problems)
    if table.schema.id_column is None:
        names = np.array([str(number) for number in table.feature], dtype=object)
    else:
        row_ids(table, problems)  # notes those missing or repeated
        names = text_column(table, "point", problems)
    points = ControlPoints(
        file_name=path.name,
        point=names,
        plan_xy=np.column_stack([xy["plan_x"], xy["plan_y"]]),
        map_xy=np.column_stack([xy["map_x"], xy["map_y"]]),
    )
    if table.n_rows < POINTS_AT_LEAST:
        problems.add(
            f"{table.start} holds {table.n_rows} control points; at least {POINTS_AT_LEAST} are "
            "needed, four or more to find a blunder. Measure more."
        )
    for what, places in (("plan", points.plan_xy), ("map", points.map_xy)):
        _note_same_place(table, names, what, places, problems)
    return points


def _note_same_place(
    table: LayerTable, names: ObjectArray, what: str, places: FloatArray, problems: ProblemList
) -> None:
    known = np.isfinite(places).all(axis=1)
    _, first, group = np.unique(places[known], axis=0, return_index=True, return_inverse=True)
    rows = np.flatnonzero(known)
    for row, original in zip(rows, rows[first[group.ravel()]], strict=True):
        if row != original:
            x, y = places[row]
            problems.add(
                f"{table.start}: points {names[original]!r} and {names[row]!r} have one place on "
                f"the {what}, ({x:g}, {y:g}). Keep one of them, or correct it."
            )
