"""Precipitation rate: flow over area, and what a catch can says about it.

The flow rates are gross: what leaves the nozzle. A catch can measures net water, so the two differ
by what evaporates or drifts away before it lands.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.units import MINUTES_PER_HOUR, MM_PER_CM, FloatArray

FULL_CIRCLE_DEG = 360.0


def gross_precipitation_rate(flow_lpm: ArrayLike, area_m2: ArrayLike) -> FloatArray:
    """Depth per hour that a flow gives when it is spread evenly over an area.

    Use it for a whole zone (its heads' flows summed, over the area they serve) or for one cell of
    a regular layout (full-circle flow over row spacing × head spacing).

    Parameters
    ----------
    flow_lpm : array_like
        Flow, ≥ 0. [L/min]
    area_m2 : array_like, broadcastable with the above
        Area that receives the flow, > 0. [m²]

    Returns
    -------
    ndarray of float64
        Gross precipitation rate. [mm/h]

    Notes
    -----
    PR = 60·Q/A, since 1 L on 1 m² stands 1 mm deep. In US units the same equation reads
    96.25·gal/min over ft², in/h; 96.25 = 231 in³/gal ÷ 144 in²/ft² × 60 min/h is exact, and the
    96.3 that is often printed is 0.05 % more.

    Examples
    --------
    >>> float(gross_precipitation_rate(10.0, 40.0))
    15.0
    """
    flow, area = np.asarray(flow_lpm, dtype=np.float64), np.asarray(area_m2, dtype=np.float64)
    return np.asarray(MINUTES_PER_HOUR * flow / area)


def wetted_sector_area(radius_m: ArrayLike, arc_deg: ArrayLike) -> FloatArray:
    """Area of the sector that a head wets.

    Parameters
    ----------
    radius_m : array_like
        Radius of throw, ≥ 0. [m]
    arc_deg : array_like, broadcastable with the above
        Arc through which the head throws, in (0, 360]. [degree]

    Returns
    -------
    ndarray of float64
        π·R²·arc/360. [m²]

    Examples
    --------
    >>> float(wetted_sector_area(2.0, 90.0).round(6))  # a quarter of 4π
    3.141593
    """
    radius, arc = np.asarray(radius_m, dtype=np.float64), np.asarray(arc_deg, dtype=np.float64)
    return np.asarray(np.pi * radius**2 * (arc / FULL_CIRCLE_DEG))


def head_precipitation_rate(
    flow_lpm: ArrayLike, radius_m: ArrayLike, arc_deg: ArrayLike
) -> FloatArray:
    """Mean rate of one head alone: its own flow over its own wetted sector.

    Heads are matched when they share this rate, whatever their arcs. It is not the rate on the
    ground of a zone, where sectors overlap.

    Parameters
    ----------
    flow_lpm : array_like
        The head's flow at its own arc and pressure, ≥ 0. [L/min]
    radius_m : array_like, broadcastable with the above
        Radius of throw, > 0. [m]
    arc_deg : array_like, broadcastable with the above
        Arc, in (0, 360]. [degree]

    Returns
    -------
    ndarray of float64
        Mean rate over the wetted sector. [mm/h]

    Examples
    --------
    >>> head_precipitation_rate([4.0, 2.0, 1.0], 3.0, [360.0, 180.0, 90.0]).round(3).tolist()
    [8.488, 8.488, 8.488]
    """
    return gross_precipitation_rate(flow_lpm, wetted_sector_area(radius_m, arc_deg))


def catch_can_depth(volume_ml: ArrayLike, throat_cm2: ArrayLike) -> FloatArray:
    """Depth of the water caught in a can.

    Parameters
    ----------
    volume_ml : array_like
        Volume caught, ≥ 0. [mL]
    throat_cm2 : array_like, broadcastable with the above
        Area of the can's opening, > 0. [cm²]

    Returns
    -------
    ndarray of float64
        Depth. [mm]

    Notes
    -----
    1 mL over 1 cm² is 1 cm, so depth = 10·V/A.

    Examples
    --------
    >>> float(catch_can_depth(25.0, 50.0))
    5.0
    """
    volume = np.asarray(volume_ml, dtype=np.float64)
    return np.asarray(MM_PER_CM * volume / np.asarray(throat_cm2, dtype=np.float64))


def catch_can_rate(depth_mm: ArrayLike, minutes: ArrayLike) -> FloatArray:
    """Net precipitation rate from a catch-can test.

    Parameters
    ----------
    depth_mm : array_like
        Depth caught, ≥ 0. [mm]
    minutes : array_like, broadcastable with the above
        Duration of the test, > 0. [min]

    Returns
    -------
    ndarray of float64
        Net precipitation rate. [mm/h]

    Examples
    --------
    >>> float(catch_can_rate(2.5, 10.0))
    15.0
    """
    depth = np.asarray(depth_mm, dtype=np.float64)
    return np.asarray(MINUTES_PER_HOUR * depth / np.asarray(minutes, dtype=np.float64))
