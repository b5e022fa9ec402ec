"""Catch-can readings."""

from __future__ import annotations

import numpy as np

from geoirrig.errors import ProblemList
from geoirrig.io.column_values import (
    check_required_columns,
    has_column,
    named_ids,
    number_column,
    row_ids,
)
from geoirrig.io.geometries import point_coordinates
from geoirrig.io.open_layer import LayerTable
from geoirrig.io.working_plane import PlaneOfWork, coordinates_in_plane
from geoirrig.physics.precipitation_rate import catch_can_depth
from geoirrig.records import CatchCans


def read_catch_cans(
    table: LayerTable, plane: PlaneOfWork | None, problems: ProblemList
) -> CatchCans | None:
    """Catch cans with the depth that each caught; None where it cannot be known.

    Parameters
    ----------
    table : LayerTable
        The catch_cans layer: a depth, or a volume and the area of the can's throat.
    plane : PlaneOfWork or None
        The working plane.
    problems : ProblemList
        Takes problems.
    """
    check_required_columns(table, problems)
    can_id = row_ids(table, problems)
    depth = number_column(table, "depth_mm", problems)
    volume = number_column(table, "volume_ml", problems)
    throat = number_column(table, "throat_cm2", problems)
    number_column(table, "minutes", problems)
    has_volume = has_column(table, "volume_ml") and has_column(table, "throat_cm2")
    if not (has_column(table, "depth_mm") or has_volume):
        problems.add(
            f"{table.start} needs either a depth ('depth_mm' or 'depth_in'), or both 'volume_ml' "
            "and 'throat_cm2'. Add one or the other."
        )
    else:
        depth = np.where(np.isnan(depth), catch_can_depth(volume, throat), depth)
        is_without = np.isnan(depth)
        if is_without.any():
            problems.add(
                f"{table.start}: no usable reading for {named_ids(table, is_without)}. Give the "
                "depth, or volume and throat area, or remove the row."
            )
    coordinates = point_coordinates(table, problems)
    if coordinates is None or plane is None or table.crs is None:
        return None
    placed = coordinates_in_plane(
        coordinates, table.crs, plane, place=table.place, problems=problems
    )
    return CatchCans(
        can_id=can_id,
        x_m=placed[:, 0].copy(),
        y_m=placed[:, 1].copy(),
        depth_mm=depth,
        attributes=table.columns,
    )
