"""Direction in which water leaves each pixel of a raster of elevations."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoirrig.physics.flow_direction_kernels import PixelShape, bearing_rows
from geoirrig.physics.terrain_slope import ROWS_AT_ONCE, elevation_array
from geoirrig.processors import run_in_threads

FlowDirectionMethod = Literal["tarboton_1997", "steepest_neighbour"]
FLOW_DIRECTION_METHODS: tuple[FlowDirectionMethod, ...] = ("tarboton_1997", "steepest_neighbour")


def flow_bearing_deg(
    elevation_m: ArrayLike,
    *,
    pixel_width_m: float,
    pixel_height_m: float,
    method: FlowDirectionMethod = "tarboton_1997",
) -> NDArray[np.float32]:
    """Compass bearing of the steepest way down.

    Parameters
    ----------
    elevation_m : array_like, shape (n_rows, n_cols)
        Elevations, north first; NaN where there are none. Contiguous float32 and float64 are read
        in place. [m]
    pixel_width_m, pixel_height_m : float
        Size of a pixel, > 0. [m]
    method : {"tarboton_1997", "steepest_neighbour"}
        Tarboton's D-infinity looks for the steepest way on the eight triangular facets that the
        pixel forms with its neighbours. The steepest of the eight neighbours (D8) is coarser: it
        turns every slope to a multiple of 45°.

    Returns
    -------
    ndarray of float32, shape (n_rows, n_cols)
        Bearing clockwise from grid north, in [0, 360); NaN in pits, on level ground, and where the
        pixel has no elevation. [degree]

    Raises
    ------
    ValueError
        If there is no method of that name.

    Notes
    -----
    On the facet between a side neighbour 1 and a corner 2, a pixel 0 has the slopes
    s₁ = (z₀ − z₁)/d₁ and s₂ = (z₁ − z₂)/d₂, the way is turned by arctan(s₂/s₁) from the side, and
    its slope is √(s₁² + s₂²). A way that leaves the facet is taken along its nearer edge. The
    steepest of the eight is the pixel's, where it goes down at all.

    A way along an edge points exactly at the neighbour (multiples of 45° where pixels are square):
    all water goes there. Otherwise it lies between two neighbours, both strictly lower than the
    pixel, so that water never comes back to where it was. Of two equally steep ways to neighbours
    the first clockwise from north is taken; a neighbour's way before one on a facet.

    A neighbour that is missing is filled in as for `elevation_gradient`: an inclined plane keeps
    its direction up to its edge.

    References
    ----------
    .. [1] Tarboton, D. G., 1997. A new method for the determination of flow directions and upslope
       areas in grid digital elevation models. Water Resources Research 33(2), 309-319.

    Examples
    --------
    >>> falling_east = [[2.0, 1.0], [2.0, 1.0]]
    >>> flow_bearing_deg(falling_east, pixel_width_m=1.0, pixel_height_m=1.0).tolist()
    [[90.0, 90.0], [90.0, 90.0]]
    """
    if method not in FLOW_DIRECTION_METHODS:
        raise ValueError(f"method must be one of {FLOW_DIRECTION_METHODS}; got {method!r}")
    elevation = elevation_array(elevation_m)
    shape = PixelShape(
        per_width=1.0 / pixel_width_m,
        per_height=1.0 / pixel_height_m,
        per_diagonal=1.0 / float(np.hypot(pixel_width_m, pixel_height_m)),
        corner_deg=(
            45.0
            if pixel_width_m == pixel_height_m
            else float(np.degrees(np.arctan2(pixel_width_m, pixel_height_m)))
        ),
    )
    bearing = np.empty(elevation.shape, dtype=np.float32)
    has_facets = method == "tarboton_1997"

    def fill(start: int, stop: int) -> None:
        bearing_rows((start, stop), elevation, shape, has_facets, bearing)

    run_in_threads(fill, elevation.shape[0], smallest=ROWS_AT_ONCE)
    return bearing
