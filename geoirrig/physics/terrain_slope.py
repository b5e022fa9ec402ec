"""Slope and the way uphill from a raster of elevations."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.units import FloatArray

SlopeMethod = Literal["horn_1981", "zevenbergen_thorne_1987"]

# Weight of the corner pixels over that of the side pixels, per method.
_CORNER_WEIGHT: dict[SlopeMethod, float] = {"horn_1981": 0.5, "zevenbergen_thorne_1987": 0.0}


def elevation_gradient(
    elevation_m: ArrayLike,
    *,
    pixel_width_m: float,
    pixel_height_m: float,
    method: SlopeMethod = "horn_1981",
) -> tuple[FloatArray, FloatArray]:
    """Rise per metre eastward and northward, from the 3 × 3 pixels around each pixel.

    Parameters
    ----------
    elevation_m : array_like, shape (n_rows, n_cols)
        Elevations, north first; NaN where there are none. [m]
    pixel_width_m, pixel_height_m : float
        Size of a pixel, > 0. [m]
    method : {"horn_1981", "zevenbergen_thorne_1987"}
        Horn weighs all eight neighbours and smooths rough ground; Zevenbergen and Thorne use the
        four side neighbours and suit smooth surfaces.

    Returns
    -------
    tuple of two ndarray of float64, shape (n_rows, n_cols)
        Gradient to the east and to the north; NaN where the pixel has no elevation. [1]

    Raises
    ------
    ValueError
        If there is no method of that name.

    Notes
    -----
    With the neighbours named by the compass, Horn has

        ∂z/∂x = [(NE + 2E + SE) − (NW + 2W + SW)] / (8·width),
        ∂z/∂y = [(NW + 2N + NE) − (SW + 2S + SE)] / (8·height),

    and Zevenbergen and Thorne (E − W)/(2·width), (N − S)/(2·height).

    A neighbour that is missing, at the edge or beside a gap, is extrapolated through the pixel
    from its opposite (2·centre − opposite). Where that is missing too, a corner is taken from the
    plane through the pixel and its two sides, and a side from the pixel itself: a strip one pixel
    wide counts as level across. An inclined plane thus keeps its gradient up to the edge.

    References
    ----------
    .. [1] Horn, B. K. P., 1981. Hill shading and the reflectance map. Proceedings of the IEEE
       69(1), 14-47.
    .. [2] Zevenbergen, L. W. and Thorne, C. R., 1987. Quantitative analysis of land surface
       topography. Earth Surface Processes and Landforms 12(1), 47-56.
    """
    if method not in _CORNER_WEIGHT:
        raise ValueError(f"method must be one of {sorted(_CORNER_WEIGHT)}; got {method!r}")
    corner = _CORNER_WEIGHT[method]
    centre = np.asarray(elevation_m, dtype=np.float64)
    padded = np.pad(centre, 1, constant_values=np.nan)
    north, south = _opposite_pair(padded, centre, -1, 0)
    west, east = _opposite_pair(padded, centre, 0, -1)
    to_east, to_north = east - west, north - south
    if corner > 0.0:
        # Planes through the pixel and two sides stand in where a corner and its opposite miss.
        nw, se = _opposite_pair(
            padded, centre, -1, -1, north + west - centre, south + east - centre
        )
        ne, sw = _opposite_pair(padded, centre, -1, 1, north + east - centre, south + west - centre)
        to_east += corner * (ne + se - nw - sw)
        to_north += corner * (nw + ne - sw - se)
    weight = 2.0 * (1.0 + 2.0 * corner)
    to_east = np.where(np.isnan(centre), np.nan, to_east)  # a gap is not bridged
    to_north = np.where(np.isnan(centre), np.nan, to_north)
    return to_east / (weight * pixel_width_m), to_north / (weight * pixel_height_m)


def terrain_slope_pct(
    elevation_m: ArrayLike,
    *,
    pixel_width_m: float,
    pixel_height_m: float,
    method: SlopeMethod = "horn_1981",
) -> FloatArray:
    """Slope along the steepest way.

    Parameters
    ----------
    elevation_m, pixel_width_m, pixel_height_m, method
        As for `elevation_gradient`, which also says what happens at edges and gaps.

    Returns
    -------
    ndarray of float64, shape (n_rows, n_cols)
        Slope, ≥ 0; NaN where the pixel has no elevation. [%]

    Examples
    --------
    >>> plane = [[0.0, 0.3], [0.4, 0.7]]  # 0.3 m per m to the east, 0.4 to the south
    >>> terrain_slope_pct(plane, pixel_width_m=1.0, pixel_height_m=1.0).round(6).tolist()
    [[50.0, 50.0], [50.0, 50.0]]
    """
    east, north = elevation_gradient(
        elevation_m, pixel_width_m=pixel_width_m, pixel_height_m=pixel_height_m, method=method
    )
    return np.asarray(100.0 * np.hypot(east, north))


def uphill_bearing_deg(
    elevation_m: ArrayLike,
    *,
    pixel_width_m: float,
    pixel_height_m: float,
    method: SlopeMethod = "horn_1981",
) -> FloatArray:
    """Compass bearing of the steepest way up.

    Parameters
    ----------
    elevation_m, pixel_width_m, pixel_height_m, method
        As for `elevation_gradient`.

    Returns
    -------
    ndarray of float64, shape (n_rows, n_cols)
        Bearing clockwise from grid north, in [0, 360); NaN on level ground and where the pixel
        has no elevation. [degree]

    Examples
    --------
    >>> rising_east = [[0.0, 1.0], [0.0, 1.0]]
    >>> uphill_bearing_deg(rising_east, pixel_width_m=2.0, pixel_height_m=2.0).tolist()
    [[90.0, 90.0], [90.0, 90.0]]
    """
    east, north = elevation_gradient(
        elevation_m, pixel_width_m=pixel_width_m, pixel_height_m=pixel_height_m, method=method
    )
    bearing = np.mod(np.degrees(np.arctan2(east, north)), 360.0)
    bearing = np.where(bearing == 360.0, 0.0, bearing)  # a tiny negative angle rounds up to 360
    return np.asarray(np.where((east == 0.0) & (north == 0.0), np.nan, bearing))


def _opposite_pair(
    padded: FloatArray,
    centre: FloatArray,
    row_step: int,
    col_step: int,
    last_resort: FloatArray | None = None,
    opposite_last_resort: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """The neighbour one step away and the one opposite, both filled in where they are missing."""
    near = _shifted(padded, centre.shape, row_step, col_step)
    far = _shifted(padded, centre.shape, -row_step, -col_step)
    near_resort = centre if last_resort is None else last_resort
    far_resort = centre if opposite_last_resort is None else opposite_last_resort
    return _filled(near, far, centre, near_resort), _filled(far, near, centre, far_resort)


def _filled(
    value: FloatArray, opposite: FloatArray, centre: FloatArray, last_resort: FloatArray
) -> FloatArray:
    extrapolated = np.where(np.isnan(opposite), last_resort, 2.0 * centre - opposite)
    return np.where(np.isnan(value), extrapolated, value)


def _shifted(
    padded: FloatArray, shape: tuple[int, ...], row_step: int, col_step: int
) -> FloatArray:
    rows, cols = shape
    return padded[1 + row_step : 1 + row_step + rows, 1 + col_step : 1 + col_step + cols]
