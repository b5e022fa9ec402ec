"""How much water the root zone lends, how many days it lasts, and how long to run to refill it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.physics.plant_water_use import DEFAULT_ALLOWABLE_DEPLETION
from geoirrig.units import METRES_PER_FOOT, MINUTES_PER_HOUR, MM_PER_INCH, MM_PER_M, FloatArray

# A soil that lasts a whole number of days must not lose one by rounding.
_WHOLE_DAY_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class AvailableWater:
    """Water that soil of a texture class holds for plants, as the source prints it.

    Attributes
    ----------
    low_in_ft, high_in_ft : float
        Ends of the printed range, inches of water in a foot of soil. [in/ft]
    source : str
        Where it is printed, or which class it was borrowed from.
    """

    low_in_ft: float
    high_in_ft: float
    source: str


_UC = "University of California, Agriculture and Natural Resources, available water by texture"
_NRCS = "USDA NRCS, row 'sandy clay loam, loam, silt loam'"
_BETWEEN = "no row of its own: half way between clay loam and clay, by judgement"

AVAILABLE_WATER: Mapping[str, AvailableWater] = {
    "sand": AvailableWater(low_in_ft=0.5, high_in_ft=1.0, source=f"{_UC}, sand and loamy sand"),
    "loamy_sand": AvailableWater(
        low_in_ft=0.5, high_in_ft=1.0, source=f"{_UC}, sand and loamy sand"
    ),
    "sandy_loam": AvailableWater(low_in_ft=1.0, high_in_ft=1.5, source=f"{_UC}, sandy loam"),
    "loam": AvailableWater(low_in_ft=1.5, high_in_ft=2.1, source=_NRCS),
    "silt_loam": AvailableWater(low_in_ft=1.5, high_in_ft=2.1, source=_NRCS),
    "silt": AvailableWater(
        low_in_ft=1.5, high_in_ft=2.1, source="no row of its own: that of silt loam, by judgement"
    ),
    "sandy_clay_loam": AvailableWater(low_in_ft=1.5, high_in_ft=2.1, source=_NRCS),
    "clay_loam": AvailableWater(low_in_ft=1.5, high_in_ft=2.0, source=f"{_UC}, silt or clay loam"),
    "silty_clay_loam": AvailableWater(
        low_in_ft=1.5, high_in_ft=2.0, source="no row of its own: that of clay loam, by judgement"
    ),
    "sandy_clay": AvailableWater(low_in_ft=1.75, high_in_ft=2.25, source=_BETWEEN),
    "silty_clay": AvailableWater(low_in_ft=1.75, high_in_ft=2.25, source=_BETWEEN),
    "clay": AvailableWater(low_in_ft=2.0, high_in_ft=2.5, source=f"{_UC}, clay"),
}


def available_water_mm_m(texture: str) -> float:
    """Water that a metre of soil holds for plants: the middle of the printed range.

    Parameters
    ----------
    texture : str
        USDA texture class, a key of `AVAILABLE_WATER`.

    Returns
    -------
    float
        [mm/m]

    Examples
    --------
    >>> round(available_water_mm_m("sandy_loam"), 2)  # 1.25 in/ft
    104.17
    """
    printed = AVAILABLE_WATER[texture]
    middle_in_ft = (printed.low_in_ft + printed.high_in_ft) / 2.0
    return middle_in_ft * MM_PER_INCH / METRES_PER_FOOT


def root_zone_water_mm(available_water_mm_m: ArrayLike, root_depth_mm: ArrayLike) -> FloatArray:
    """Water that the whole root zone holds for plants.

    Parameters
    ----------
    available_water_mm_m : array_like
        See the function of that name, > 0. [mm/m]
    root_depth_mm : array_like, broadcastable
        Depth of the root zone, > 0. [mm]

    Returns
    -------
    ndarray of float64
        Total available water. [mm]

    Examples
    --------
    >>> float(root_zone_water_mm(100.0, 150.0))
    15.0
    """
    per_metre, depth = _float_arrays(available_water_mm_m, root_depth_mm)
    return np.asarray(per_metre * depth / MM_PER_M)


def readily_available_water_mm(
    root_zone_water_mm: ArrayLike, allowable_depletion: ArrayLike = DEFAULT_ALLOWABLE_DEPLETION
) -> FloatArray:
    """Water that the plants may use up before the next irrigation.

    Parameters
    ----------
    root_zone_water_mm : array_like
        Total available water, > 0. [mm]
    allowable_depletion : array_like, broadcastable
        Share of it, in (0, 1]. [1]

    Returns
    -------
    ndarray of float64
        [mm]

    Examples
    --------
    >>> float(readily_available_water_mm(15.0, 0.5))
    7.5
    """
    total, share = _float_arrays(root_zone_water_mm, allowable_depletion)
    return np.asarray(total * share)


def irrigation_interval_days(
    readily_available_mm: ArrayLike, plant_use_mm_d: ArrayLike
) -> FloatArray:
    """Whole days from one irrigation to the next, rounded down.

    Parameters
    ----------
    readily_available_mm : array_like
        Water that may be used up, > 0. [mm]
    plant_use_mm_d : array_like, broadcastable
        Use of the plants in a day, ≥ 0. [mm/d]

    Returns
    -------
    ndarray of float64
        At least 1, also where a day takes more than the soil may lend: the plants are then
        watered daily and dry a little further. Infinite where nothing is used. [d]

    Examples
    --------
    >>> irrigation_interval_days([0.375, 0.1], [0.14, 0.14]).tolist()  # 2.68, 0.71
    [2.0, 1.0]
    """
    water, use = _float_arrays(readily_available_mm, plant_use_mm_d)
    is_used = use > 0.0
    days = np.floor(water / np.where(is_used, use, 1.0) + _WHOLE_DAY_TOLERANCE)
    return np.where(is_used, np.maximum(days, 1.0), np.where(np.isnan(use), np.nan, np.inf))


def irrigation_events(
    net_need_mm: ArrayLike, days: ArrayLike, interval_days: ArrayLike
) -> FloatArray:
    """Irrigations of a period, the last interval of which may be cut short.

    Parameters
    ----------
    net_need_mm : array_like
        What the plants use in the period less the rain that helps, ≥ 0. [mm]
    days : array_like, broadcastable
        Length of the period, > 0. [d]
    interval_days : array_like, broadcastable
        See `irrigation_interval_days`; may be infinite where nothing is needed. [d]

    Returns
    -------
    ndarray of float64
        Whole numbers, 0 where nothing is needed or the need is not known. [1]

    Examples
    --------
    >>> irrigation_events([100.0, 0.0], 31.0, [3.0, 3.0]).tolist()  # 31/3 is 10.3
    [11.0, 0.0]
    """
    need, length, interval = _float_arrays(net_need_mm, days, interval_days)
    events = np.ceil(length / interval - _WHOLE_DAY_TOLERANCE)
    return np.where(need > 0.0, np.maximum(events, 1.0), 0.0)


def net_depth_mm(
    interval_days: ArrayLike, plant_use_mm_d: ArrayLike, effective_rain_mm_d: ArrayLike = 0.0
) -> FloatArray:
    """Depth to replace at one irrigation: what the plants used, less the rain that helped.

    Parameters
    ----------
    interval_days : array_like
        Days since the irrigation before, finite. [d]
    plant_use_mm_d, effective_rain_mm_d : array_like, broadcastable
        Mean use and effective rain of a day, ≥ 0. [mm/d]

    Returns
    -------
    ndarray of float64
        Not below 0. [mm]

    Examples
    --------
    >>> net_depth_mm(3.0, [5.0, 2.0], [1.0, 4.0]).tolist()
    [12.0, 0.0]
    """
    days, use, rain = _float_arrays(interval_days, plant_use_mm_d, effective_rain_mm_d)
    return np.maximum(days * (use - rain), 0.0)


def gross_depth_mm(net_depth_mm: ArrayLike, run_time_multiplier: ArrayLike) -> FloatArray:
    """Mean depth to apply so that uneven watering still gives the net depth where it counts.

    Parameters
    ----------
    net_depth_mm : array_like
        ≥ 0. [mm]
    run_time_multiplier : array_like, broadcastable
        One of those of `geoirrig.physics.application_uniformity`, or 1/efficiency, ≥ 1. [1]

    Returns
    -------
    ndarray of float64
        [mm]

    Examples
    --------
    >>> float(gross_depth_mm(10.0, 1.25))
    12.5
    """
    net, multiplier = _float_arrays(net_depth_mm, run_time_multiplier)
    return np.asarray(net * multiplier)


def run_minutes(gross_depth_mm: ArrayLike, rate_mm_h: ArrayLike) -> FloatArray:
    """Running time that applies a depth.

    Parameters
    ----------
    gross_depth_mm : array_like
        Mean depth on the area, ≥ 0. [mm]
    rate_mm_h : array_like, broadcastable
        Mean precipitation rate on the area, > 0. [mm/h]

    Returns
    -------
    ndarray of float64
        [min]

    Examples
    --------
    >>> float(run_minutes(12.7, 38.1))  # 0.5 in at 1.5 in/h
    20.0
    """
    depth, rate = _float_arrays(gross_depth_mm, rate_mm_h)
    return np.asarray(MINUTES_PER_HOUR * depth / rate)


def _float_arrays(*values: ArrayLike) -> tuple[FloatArray, ...]:
    return tuple(np.asarray(value, dtype=np.float64) for value in values)
