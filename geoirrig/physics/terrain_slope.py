"""Slope and the way uphill from a raster of elevations."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.physics.terrain_kernels import Stencil, gradient_rows, slope_rows
from geoirrig.processors import run_in_threads
from geoirrig.units import FloatArray

SlopeMethod = Literal["horn_1981", "zevenbergen_thorne_1987"]

# Weight of the corner pixels over that of the side pixels, per method.
_CORNER_WEIGHT: dict[SlopeMethod, float] = {"horn_1981": 0.5, "zevenbergen_thorne_1987": 0.0}
ROWS_AT_ONCE = 16  # fewer are not worth a thread


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
        Elevations, north first; NaN where there are none. Contiguous float32 and float64 are read
        in place. [m]
    pixel_width_m, pixel_height_m : float
        Size of a pixel, > 0. [m]
    method : {"horn_1981", "zevenbergen_thorne_1987"}
        Horn weighs all eight neighbours and smooths rough ground; Zevenbergen and Thorne use the
        four side neighbours and suit smooth surfaces.

    Returns
    -------
    tuple of two ndarray, shape (n_rows, n_cols)
        Gradient to the east and to the north; NaN where the pixel has no elevation. float32 for
        float32 elevations, else float64; computed in float64 either way. [1]

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
    elevation = elevation_array(elevation_m)
    stencil = _stencil(method, pixel_width_m, pixel_height_m)
    east, north = np.empty_like(elevation), np.empty_like(elevation)

    def fill(start: int, stop: int) -> None:
        gradient_rows((start, stop), elevation, stencil, east, north)

    run_in_threads(fill, elevation.shape[0], smallest=ROWS_AT_ONCE)
    return east, north


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
    ndarray, shape (n_rows, n_cols)
        Slope, ≥ 0; NaN where the pixel has no elevation. float32 for float32 elevations, else
        float64. [%]

    Examples
    --------
    >>> plane = [[0.0, 0.3], [0.4, 0.7]]  # 0.3 m per m to the east, 0.4 to the south
    >>> terrain_slope_pct(plane, pixel_width_m=1.0, pixel_height_m=1.0).round(6).tolist()
    [[50.0, 50.0], [50.0, 50.0]]
    """
    elevation = elevation_array(elevation_m)
    stencil = _stencil(method, pixel_width_m, pixel_height_m)
    slope = np.empty_like(elevation)

    def fill(start: int, stop: int) -> None:
        slope_rows((start, stop), elevation, stencil, slope)

    run_in_threads(fill, elevation.shape[0], smallest=ROWS_AT_ONCE)
    return slope


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


def elevation_array(elevation_m: ArrayLike) -> FloatArray:
    """Elevations as the compiled walks read them: float32 stays as it is, all else is float64."""
    elevation = np.asarray(elevation_m)
    dtype = elevation.dtype if elevation.dtype == np.float32 else np.float64
    return np.ascontiguousarray(elevation, dtype=dtype)


def _stencil(method: SlopeMethod, pixel_width_m: float, pixel_height_m: float) -> Stencil:
    if method not in _CORNER_WEIGHT:
        raise ValueError(f"method must be one of {sorted(_CORNER_WEIGHT)}; got {method!r}")
    corner = _CORNER_WEIGHT[method]
    weight = 2.0 * (1.0 + 2.0 * corner)
    return Stencil(
        corner=corner, east=1.0 / (weight * pixel_width_m), north=1.0 / (weight * pixel_height_m)
    )
