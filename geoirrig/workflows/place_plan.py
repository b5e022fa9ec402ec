"""Where a surveyed plan lies on the map, by its control points, and what looks wrong with them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyproj

from geoirrig.errors import ProblemList
from geoirrig.io.read_control_points import ControlPoints
from geoirrig.io.working_plane import horizontal_crs, is_mercator, metres_per_unit
from geoirrig.physics.plan_transform import (
    PARAMETERS,
    SCALE_TOLERANCE,
    PlanFit,
    PlanTransform,
    TransformMethod,
    columns_look_swapped,
    plan_transform_fit,
    plan_units_of_scale,
    points_on_a_line,
)
from geoirrig.units import FloatArray

MOST_RMS_M = 0.10  # more is warned of: a head is set out to a decimetre; judgement
_MOST_SHEAR_DEG = 0.5  # judgement
_FAR_OFF = 20.0  # times the median distance; judgement
_COORDINATE_SD_M = 0.001  # map coordinates are written to the millimetre


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPlacement:
    """A plan on the map."""

    fit: PlanFit
    points: ControlPoints
    crs: pyproj.CRS
    metres_per_map_unit: float
    plan_units: tuple[str, ...]  # what the scale makes a plan unit; () for no known unit

    @property
    def transform(self) -> PlanTransform:
        """From plan to map coordinates."""
        return self.fit.transform

    @property
    def metres_per_plan_unit(self) -> float:
        """Scale of the plan, [m]."""
        return self.transform.scale * self.metres_per_map_unit

    def record(self) -> dict[str, Any]:
        """What the summary says of the fit."""
        transform, metres = self.transform, self.metres_per_map_unit
        scale_x, scale_y = transform.axis_scales
        residual_m = np.hypot(*self.fit.residual.T) * metres
        left_out_m = np.hypot(*self.fit.left_out_residual.T) * metres
        return {
            "scale": transform.scale,
            "rotation_deg": transform.rotation_deg,
            "rms_m": self.fit.rms * metres,
            "degrees_of_freedom": 2 * len(self.points.point) - PARAMETERS[transform.method],
            "metres_per_plan_unit": self.metres_per_plan_unit,
            "plan_unit_by_scale": list(self.plan_units),
            "points": [
                {
                    "point": str(name),
                    "plan_x": plan_x,
                    "plan_y": plan_y,
                    "residual_m": residual,
                    "left_out_residual_m": left_out,
                    "residual_x_m": x,
                    "residual_y_m": y,
                    "is_blunder": number == self.fit.blunder,
                }
                for number, (name, (plan_x, plan_y), residual, left_out, (x, y)) in enumerate(
                    zip(
                        self.points.point,
                        self.points.plan_xy.tolist(),
                        residual_m.tolist(),
                        left_out_m.tolist(),
                        (self.fit.residual * metres).tolist(),
                        strict=True,
                    )
                )
            ],
            "transform": {
                "method": transform.method,
                "matrix": transform.matrix,
                "plan_centre": transform.plan_centre,
                "map_centre": transform.map_centre,
                "shift": transform.shift,
                "scale_x": scale_x,
                "scale_y": scale_y,
                "shear_deg": transform.shear_deg,
                "crs": self.crs.to_wkt(),
            },
        }


def map_crs(text: str, problems: ProblemList) -> pyproj.CRS | None:
    """The projected CRS of the map; None, with the problem noted, where the text names none."""
    try:
        crs = horizontal_crs(pyproj.CRS.from_user_input(text))
    except pyproj.exceptions.CRSError as error:
        reason = " ".join(str(error).split())[:160]
        problems.add(f"--crs {text!r} cannot be understood: {reason}. Give one such as EPSG:32611.")
        return None
    if not crs.is_projected or is_mercator(crs):
        problems.add(
            f"--crs {text!r} is {crs.name}, in degrees or of false areas. Give the projected CRS "
            "in which the control points were surveyed."
        )
        return None
    return crs


def place_plan(
    points: ControlPoints,
    crs: pyproj.CRS,
    *,
    method: TransformMethod,
    header_unit: tuple[str, float] | None,
    problems: ProblemList,
) -> PlanPlacement | None:
    """The plan on the map; None, with the problem noted, where the points fix no place.

    Parameters
    ----------
    points : ControlPoints
        Points on plan and map.
    crs : pyproj.CRS
        Projected CRS of the map points.
    method : {"similarity", "affine"}
        What is fitted.
    header_unit : tuple of str and float, or None
        Unit that the plan's header states, and its metres.
    problems : ProblemList
        Takes points on a line and swapped coordinates; warnings of scale, blunders and misfit.
    """
    start = f"Control points {points.file_name!r}"
    before = len(problems.problems)
    for what, xy in (("plan", points.plan_xy), ("map", points.map_xy)):
        if points_on_a_line(xy):
            problems.add(
                f"{start} lie on one line on the {what}; they do not say which side is which."
                f"{_far_point(points, xy) or ' Measure one away from the line.'}"
            )
    if len(problems.problems) > before:
        return None
    if columns_look_swapped(points.plan_xy, points.map_xy):
        problems.add(
            f"{start} fit only as a mirror image: easting and northing look swapped, on the map "
            "or on the plan. map_x is the easting and map_y the northing; plan_x and plan_y are as "
            "the plan shows them. Exchange the two columns that are the wrong way round."
        )
        return None
    metres = metres_per_unit(crs)
    fit = plan_transform_fit(
        points.plan_xy, points.map_xy, method=method, coordinate_sd=_COORDINATE_SD_M / metres
    )
    if fit.transform.area_scale <= 0.0:
        problems.add(f"{start} make a mirror image of the plan. Check their coordinates.")
        return None
    scale_m = fit.transform.scale * metres
    placement = PlanPlacement(
        fit=fit,
        points=points,
        crs=crs,
        metres_per_map_unit=metres,
        plan_units=plan_units_of_scale(scale_m, scale_sd=fit.scale_sd),
    )
    _check_scale(placement, header_unit, start, problems)
    _warn_of_misfit(placement, start, problems)
    return placement


def _far_point(points: ControlPoints, xy: FloatArray) -> str:
    """Tell the point that is so far off that the others shrink to a spot beside it; "" for none."""
    away = np.hypot(*(xy - np.median(xy, axis=0)).T)
    far = int(np.argmax(away))
    if away[far] <= _FAR_OFF * np.median(away):
        return ""
    x, y = xy[far]
    return (
        f" Point {points.point[far]!r} at ({x:.10g}, {y:.10g}) is far from all others: look there "
        "for exchanged coordinates or a wrong digit."
    )


def _check_scale(
    placement: PlanPlacement,
    header_unit: tuple[str, float] | None,
    start: str,
    problems: ProblemList,
) -> None:
    """Compare the fitted scale with the unit of the header, and say which units are confused."""
    metres, units = placement.metres_per_plan_unit, placement.plan_units
    drawn = " or ".join(units)
    if header_unit is None:
        said = f"a plan drawn in the {drawn}" if units else "no unit that plans are drawn in"
        problems.warn(
            f"The plan's header states no unit; the control points make its unit {metres:.6g} m: "
            f"{said}."
        )
        return
    name, stated = header_unit
    if abs(metres / stated - 1.0) <= SCALE_TOLERANCE:
        if units and name not in units and name in ("foot", "US survey foot"):
            problems.warn(
                f"The plan's header says {name}; by the control points it is the {drawn} "
                f"({metres:.9g} m). The control points decide."
            )
        return
    # the header may be right, and the map coordinates in another unit than their CRS
    map_units = plan_units_of_scale(stated / placement.transform.scale)
    by_map = f"map_x and map_y are in the {' or '.join(map_units)} and not in the unit of the CRS"
    by_plan = f"the plan is drawn in the {drawn}"
    found = (
        f"{start}: one unit of the plan is {metres:.6g} m on the map, but its header says {name} "
        f"({stated:.6g} m)"
    )
    if units and map_units:
        problems.warn(f"{found}. Either {by_plan}, or {by_map}; the first was taken.")
    elif units:
        problems.warn(f"{found}: {by_plan}. The control points decide.")
    elif map_units:
        problems.add(f"{found}: {by_map}. Convert them, or name their CRS.")
    else:
        problems.warn(f"{found}, and no unit explains it. Check the points and the CRS.")


def _warn_of_misfit(placement: PlanPlacement, start: str, problems: ProblemList) -> None:
    fit, transform, metres = placement.fit, placement.transform, placement.metres_per_map_unit
    if fit.blunder is not None:
        off: FloatArray = fit.left_out_residual[fit.blunder]
        problems.warn(
            f"{start}: point {placement.points.point[fit.blunder]!r} lies "
            f"{float(np.hypot(*off)) * metres:.3f} m from where the others put it: a blunder. "
            "Measure it again or leave it out."
        )
    elif np.isnan(fit.outlier_chance).all():
        problems.warn(
            f"{start}: so few points do not tell a blunder from scatter. Measure one more."
        )
    if fit.rms * metres > MOST_RMS_M:
        problems.warn(
            f"{start}: the root mean square residual is {fit.rms * metres:.3f} m; positions of "
            "heads and edges are no better."
        )
    along, across = transform.axis_scales
    if abs(along / across - 1.0) > SCALE_TOLERANCE or abs(transform.shear_deg) > _MOST_SHEAR_DEG:
        problems.warn(
            f"{start}: the affine transform distorts the plan: scales {along:.6g} and {across:.6g} "
            f"along its axes, which lean by {transform.shear_deg:.2f}°. Try a similarity."
        )
