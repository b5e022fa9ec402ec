"""The transform of a plan as an import stored it in its summary."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj

from geoirrig.errors import GeoirrigError
from geoirrig.io.file_formats import require_readable_file
from geoirrig.physics.plan_transform import PARAMETERS, PlanTransform
from geoirrig.units import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPlacement:
    """Transform from plan to map, the CRS of the map, and the plan's unit."""

    transform: PlanTransform
    crs: pyproj.CRS
    unit_code: int  # $INSUNITS; 0 where the plan states none
    control_xy: FloatArray | None = None  # (n_points, 2), control points on the plan; None: unknown


def read_stored_placement(path: Path) -> StoredPlacement:
    """Placement in the ``summary.json`` of an import.

    Raises
    ------
    GeoirrigError
        If the file is no such summary.
    """
    require_readable_file(path)
    try:
        summary = json.loads(path.read_text(encoding="utf-8"))
        stated: dict[str, Any] = summary["transform"]
        method = stated["method"]
        if method not in PARAMETERS:
            raise ValueError(f"method {method!r}")
        transform = PlanTransform(
            method=method,
            matrix=_finite(stated["matrix"], (2, 2)),
            plan_centre=_finite(stated["plan_centre"], (2,)),
            map_centre=_finite(stated["map_centre"], (2,)),
        )
        if transform.area_scale <= 0.0:
            raise ValueError("the matrix cannot be inverted")
        return StoredPlacement(
            transform=transform,
            crs=pyproj.CRS.from_user_input(stated["crs"]),
            unit_code=int(summary.get("plan_unit_code") or 0),
            control_xy=_control_points(summary.get("points")),
        )
    except (ValueError, KeyError, TypeError, pyproj.exceptions.CRSError) as error:
        raise GeoirrigError(
            f"{str(path)!r} holds no transform of a plan; it may be of another command, or of "
            "plan-import without --roles. Give the summary.json of the import with --roles, or the "
            "control points as CSV."
        ) from error


def _control_points(stated: Any) -> FloatArray | None:
    """Places on the plan; None where a summary does not state them."""
    try:
        return np.array([[p["plan_x"], p["plan_y"]] for p in stated], dtype=np.float64)
    except (KeyError, TypeError, ValueError):
        return None


def _finite(values: object, shape: tuple[int, ...]) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    if array.shape != shape or not np.isfinite(array).all():
        raise ValueError(f"{values!r} is not of shape {shape} and finite")
    return array
