"""From plan to map coordinates by control points: fit, residuals, blunders, units.

A surveyed plan has coordinates of its own. Points known on the plan and on the map give the
transform between them by least squares: a similarity keeps shapes (one scale, one rotation), an
affine transform also lets the two axes scale and lean on their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoirrig.units import (
    METRES_PER_FOOT,
    METRES_PER_US_SURVEY_FOOT,
    MM_PER_CM,
    MM_PER_INCH,
    MM_PER_M,
    FloatArray,
)

TransformMethod = Literal["similarity", "affine"]
PARAMETERS: dict[TransformMethod, int] = {"similarity": 4, "affine": 6}
POINTS_AT_LEAST = 3  # two would fix a similarity without a residual to judge it by
# Points whose spread across is a smaller share of that along lie on a line; judgement.
LEAST_SPREAD_RATIO = 0.01
# Map columns exchanged must fit this much better before they are called swapped; judgement.
SWAPPED_FIT_RATIO = 0.1
SWAPPED_MISFIT_FRACTION = 0.02  # … and the fit as given must miss by this share of the spread
# A chance of one in a hundred, over all points, that a point without a blunder is called one.
BLUNDER_CHANCE = 0.01
SCALE_TOLERANCE = 0.01  # a unit is recognised within 1 %; judgement, grid scale keeps below 0.1 %

# Metres in units that plans are drawn in, by the name printed.
METRES_PER_PLAN_UNIT = {
    "metre": 1.0,
    "foot": METRES_PER_FOOT,
    "US survey foot": METRES_PER_US_SURVEY_FOOT,
    "inch": MM_PER_INCH / MM_PER_M,
    "centimetre": MM_PER_CM / MM_PER_M,
    "millimetre": 1.0 / MM_PER_M,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanTransform:
    """A linear map from plan to map coordinates.

    Attributes
    ----------
    method : {"similarity", "affine"}
        How it was found.
    matrix : ndarray, shape (2, 2)
        Map vector of a plan vector. [map units per plan unit]
    plan_centre, map_centre : ndarray, shape (2,)
        A point and its image; near the points, so that large coordinates lose no digits.
    """

    method: TransformMethod
    matrix: FloatArray
    plan_centre: FloatArray
    map_centre: FloatArray

    @property
    def shift(self) -> FloatArray:
        """Map coordinates of the plan's origin, [map units]."""
        return np.asarray(self.map_centre - self.matrix @ self.plan_centre)

    @property
    def scale(self) -> float:
        """Map length of a plan length of 1; the root of the area scale where axes differ."""
        return math.sqrt(abs(self.area_scale))

    @property
    def area_scale(self) -> float:
        """Map area of a plan area of 1; negative where the plan is mirrored."""
        return float(np.linalg.det(self.matrix))

    @property
    def axis_scales(self) -> tuple[float, float]:
        """Map length of 1 along the plan's x axis, and across it along the plan's y axis."""
        along = float(np.hypot(*self.matrix[:, 0]))
        return along, self.area_scale / along

    @property
    def rotation_deg(self) -> float:
        """Turn of the plan's x axis on the map, clockwise, in (-180, 180] degrees.

        A bearing on the plan plus this is the bearing on the map, for a similarity.
        """
        turn = -math.degrees(math.atan2(self.matrix[1, 0], self.matrix[0, 0]))
        return turn + 360.0 if turn <= -180.0 else turn

    @property
    def shear_deg(self) -> float:
        """How far the plan's y axis leans from the normal of its x axis, clockwise, [°]."""
        along = self.matrix[:, 0] / np.hypot(*self.matrix[:, 0])
        across = np.array([-along[1], along[0]])
        lean = math.atan2(float(along @ self.matrix[:, 1]), float(across @ self.matrix[:, 1]))
        return math.degrees(lean)

    def to_map(self, plan_xy: ArrayLike) -> FloatArray:
        """Map coordinates of plan points, shape (n, 2)."""
        plan = np.asarray(plan_xy, dtype=np.float64)
        return np.asarray(self.map_centre + (plan - self.plan_centre) @ self.matrix.T)

    def to_plan(self, map_xy: ArrayLike) -> FloatArray:
        """Plan coordinates of map points, shape (n, 2); the inverse of `to_map`."""
        away = np.asarray(map_xy, dtype=np.float64) - self.map_centre
        return np.asarray(self.plan_centre + away @ np.linalg.inv(self.matrix).T)

    def map_bearing_deg(self, plan_bearing_deg: ArrayLike) -> FloatArray:
        """Bearing on the map of a direction on the plan, both clockwise from +y, [°, 0 to 360]."""
        return _turned_bearing(self.matrix, plan_bearing_deg)

    def plan_bearing_deg(self, map_bearing_deg: ArrayLike) -> FloatArray:
        """Bearing on the plan of a direction on the map; the inverse of `map_bearing_deg`."""
        return _turned_bearing(np.asarray(np.linalg.inv(self.matrix)), map_bearing_deg)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFit:
    """A transform with what tells how well the control points agree; shape (n_points, …).

    Attributes
    ----------
    transform : PlanTransform
        Of all points.
    residual : ndarray, shape (n_points, 2)
        Map coordinates as given less those fitted. [map units]
    rms : float
        Root of the squared residuals over the degrees of freedom, 2n - 4 or 2n - 6; NaN where
        none are left. [map units]
    left_out_residual : ndarray, shape (n_points, 2)
        The same for each point by the fit to the others; NaN where these fix no transform.
    outlier_chance : ndarray, shape (n_points,)
        Chance of so large a left-out residual without a blunder, times the number of points, at
        most 1; NaN where the others leave no degree of freedom.
    scale_sd : float
        Standard deviation of the scale, over the scale; NaN where ``rms`` is.
    """

    transform: PlanTransform
    residual: FloatArray
    rms: float
    left_out_residual: FloatArray
    outlier_chance: FloatArray
    scale_sd: float

    @property
    def blunder(self) -> int | None:
        """Index of the point that disagrees with the others, if one does.

        Only the worst: a blunder makes its neighbours look bad too.
        """
        if not np.isfinite(self.outlier_chance).any():
            return None
        worst = int(np.nanargmin(self.outlier_chance))
        return worst if self.outlier_chance[worst] < BLUNDER_CHANCE else None


def plan_transform_fit(
    plan_xy: ArrayLike,
    map_xy: ArrayLike,
    *,
    method: TransformMethod = "similarity",
    coordinate_sd: float = 0.001,
) -> PlanFit:
    """Least-squares transform from plan to map points.

    Parameters
    ----------
    plan_xy, map_xy : array_like, shape (n_points, 2)
        The same points on the plan and on the map; at least three, not on one line
        (`points_on_a_line`).
    method : {"similarity", "affine"}
        Four parameters or six.
    coordinate_sd : float
        Smallest scatter that is believed of a map coordinate, so that points which agree by
        chance to the last digit call no other a blunder. [map units]

    Raises
    ------
    ValueError
        If there are fewer than three points, or they fix no transform.

    Notes
    -----
    With residuals e, the projection H of the design and the block H_ii of point i, the residual
    of a point by the fit to the others is (I - H_ii)⁻¹ e_i, and the sum of squares falls by
    d_i = e_iᵀ (I - H_ii)⁻¹ e_i when it is left out [1]_. Without a blunder (d_i / 2) over the
    variance of that fit is distributed as F(2, f), f its degrees of freedom, and
    P(F > x) = (1 + 2x/f)^(-f/2). The chance is multiplied by n (Bonferroni), since the worst of n
    is looked at.

    References
    ----------
    .. [1] Cook, R.D. and Weisberg, S., 1982. Residuals and Influence in Regression. Chapman and
       Hall, sections 2.2 (mean-shift outlier model) and 3.5. Cited from memory.
    """
    plan, given = np.asarray(plan_xy, dtype=np.float64), np.asarray(map_xy, dtype=np.float64)
    if plan.shape != given.shape or plan.ndim != 2 or len(plan) < POINTS_AT_LEAST:
        raise ValueError(f"{POINTS_AT_LEAST} or more points are needed on plan and map")
    plan_centre, map_centre = plan.mean(axis=0), given.mean(axis=0)
    design = _design(plan - plan_centre, method)
    wanted = (given - map_centre).ravel()
    orthonormal, triangle = np.linalg.qr(design)
    if np.min(np.abs(np.diag(triangle))) <= 1e-12 * np.max(np.abs(triangle)):
        raise ValueError("the points fix no transform")
    found = np.linalg.solve(triangle, orthonormal.T @ wanted)
    matrix = _matrix(found, method)
    residual = (wanted - design @ found).reshape(-1, 2)
    freedom = 2 * len(plan) - PARAMETERS[method]
    squares = float(np.sum(residual**2))
    rms = math.sqrt(squares / freedom) if freedom else math.nan
    left_out, fall = _left_out(orthonormal, residual)
    variance = np.maximum(squares - fall, 0.0) / max(freedom - 2, 1)
    ratio = fall / 2.0 / np.maximum(variance, coordinate_sd**2)
    rest = freedom - 2
    chance = np.full(len(plan), np.nan)
    if rest > 0:
        chance = np.minimum(1.0, len(plan) * (1.0 + 2.0 * ratio / rest) ** (-rest / 2.0))
        chance[np.isnan(fall)] = np.nan
    transform = PlanTransform(
        method=method, matrix=matrix, plan_centre=plan_centre, map_centre=map_centre
    )
    spread = math.sqrt(float(np.sum((plan - plan_centre) ** 2)))
    return PlanFit(
        transform=transform,
        residual=residual,
        rms=rms,
        left_out_residual=left_out,
        outlier_chance=chance,
        scale_sd=rms / spread / transform.scale,
    )


def points_on_a_line(xy: ArrayLike) -> bool:
    """Whether points lie, all but `LEAST_SPREAD_RATIO` of their spread, on one line or point."""
    points = np.asarray(xy, dtype=np.float64)
    along, across = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(across <= LEAST_SPREAD_RATIO * along)


def columns_look_swapped(plan_xy: ArrayLike, map_xy: ArrayLike) -> bool:
    """Whether the points fit only as a mirror image: easting and northing are exchanged.

    Exchanging two coordinates mirrors, and no plan is drawn as a mirror image. The similarity of
    the exchanged points must miss by less than `SWAPPED_FIT_RATIO` of what the given ones miss by,
    and these by more than `SWAPPED_MISFIT_FRACTION` of their spread.
    """
    plan, given = np.asarray(plan_xy, dtype=np.float64), np.asarray(map_xy, dtype=np.float64)
    misfit = float(np.sum(plan_transform_fit(plan, given).residual ** 2))
    swapped = float(np.sum(plan_transform_fit(plan, given[:, ::-1]).residual ** 2))
    spread = float(np.sum((given - given.mean(axis=0)) ** 2))
    is_poor = misfit > SWAPPED_MISFIT_FRACTION**2 * spread
    return is_poor and swapped < SWAPPED_FIT_RATIO**2 * misfit


def plan_units_of_scale(metres_per_plan_unit: float, *, scale_sd: float = 0.0) -> tuple[str, ...]:
    """Units that a plan of this scale may be drawn in; none where the scale is no unit's.

    A unit counts within `SCALE_TOLERANCE`. The foot and the US survey foot are 2 in a million
    apart; one of them is left out only where the scale is known well enough to tell.

    Parameters
    ----------
    metres_per_plan_unit : float
        Fitted scale. [m]
    scale_sd : float
        Its standard deviation over the scale; NaN: not known.

    Examples
    --------
    >>> plan_units_of_scale(0.3048, scale_sd=1e-4)
    ('foot', 'US survey foot')
    >>> plan_units_of_scale(1200 / 3937, scale_sd=1e-7)
    ('US survey foot',)
    >>> plan_units_of_scale(1.0002)
    ('metre',)
    >>> plan_units_of_scale(0.5)
    ()
    """
    off = {
        name: abs(metres_per_plan_unit / metres - 1.0)
        for name, metres in METRES_PER_PLAN_UNIT.items()
    }
    near = {name: miss for name, miss in off.items() if miss <= SCALE_TOLERANCE}
    surely = [name for name, miss in near.items() if miss <= 3.0 * scale_sd + 1e-9]
    return tuple(surely or near)


def _turned_bearing(matrix: FloatArray, bearing_deg: ArrayLike) -> FloatArray:
    bearing = np.radians(np.asarray(bearing_deg, dtype=np.float64))
    x = matrix[0, 0] * np.sin(bearing) + matrix[0, 1] * np.cos(bearing)
    y = matrix[1, 0] * np.sin(bearing) + matrix[1, 1] * np.cos(bearing)
    return np.asarray(np.degrees(np.arctan2(x, y)) % 360.0 % 360.0)


def _design(away: FloatArray, method: TransformMethod) -> FloatArray:
    """Rows of the two map coordinates of each point, in turn; columns of the parameters."""
    x, y = away.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    rows: list[list[FloatArray]] = [[x, -y, one, zero], [y, x, zero, one]]
    if method == "affine":
        rows = [[x, y, zero, zero, one, zero], [zero, zero, x, y, zero, one]]
    return np.stack([np.stack(row, axis=1) for row in rows], axis=1).reshape(2 * len(x), -1)


def _matrix(found: FloatArray, method: TransformMethod) -> FloatArray:
    if method == "similarity":
        along, across = found[:2]
        return np.array([[along, -across], [across, along]])
    return found[:4].reshape(2, 2)


def _left_out(
    orthonormal: FloatArray, residual: FloatArray
) -> tuple[FloatArray, NDArray[np.float64]]:
    """Residual of each point by the fit to the others, and how much the squares fall without it."""
    of_point = orthonormal.reshape(len(residual), 2, -1)
    free = np.eye(2) - of_point @ of_point.transpose(0, 2, 1)
    is_fixed = np.linalg.det(free) > 1e-10  # else the others fix no transform
    left_out = np.full_like(residual, np.nan)
    left_out[is_fixed] = np.linalg.solve(free[is_fixed], residual[is_fixed, :, np.newaxis])[..., 0]
    return left_out, np.sum(residual * left_out, axis=1)
