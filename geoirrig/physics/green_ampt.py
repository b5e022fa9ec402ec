"""Infiltration after Green & Ampt (1911) and Mein & Larson (1973), event by event.

The soil is one uniform column wetted behind a sharp front. K is its conductivity and S = ψ·Δθ the
suction head times the moisture deficit, a depth of water. Everything is solved in closed form or
to rounding; nothing is stepped through time. The cumulative infiltration F is kept through a
soak: the wetted soil is not given time to redistribute its water, which errs towards runoff.

K and S come from the Green-Ampt table of `geoirrig.physics.soil_properties`. A basic intake rate
has no place here.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import lambertw

from geoirrig.physics.event_balance import EventBalance
from geoirrig.units import MINUTES_PER_HOUR, FloatArray

BoolArray = NDArray[np.bool_]

# exp(−1 − τ) underflows beyond; there x = τ + ln(1 + x) settles by itself.
_LARGEST_LAMBERT_TIME = 700.0
# Below, the series of x in √(2τ) is exact to rounding and the closed form is not.
_SMALLEST_LAMBERT_TIME = 1e-6


class _Soil(NamedTuple):
    conductivity_mm_h: FloatArray
    suction_deficit_mm: FloatArray


def suction_deficit_mm(
    suction_mm: ArrayLike,
    effective_porosity: ArrayLike,
    *,
    initial_saturation_fraction: ArrayLike,
) -> FloatArray:
    """Suction head times moisture deficit, S = ψ·(1 − Se)·θe.

    Parameters
    ----------
    suction_mm : array_like
        Suction head at the wetting front, > 0. [mm]
    effective_porosity : array_like, broadcastable
        θe, in (0, 1). [1]
    initial_saturation_fraction : array_like, broadcastable
        Effective saturation Se before the event, in [0, 1). Half, for turf watered when half the
        available water is used, is common practice, no source. [1]

    Returns
    -------
    ndarray of float64
        [mm]

    Examples
    --------
    >>> float(suction_deficit_mm(100.0, 0.4, initial_saturation_fraction=0.5))
    20.0
    """
    suction, porosity, saturation = (
        np.asarray(value, dtype=np.float64)
        for value in (suction_mm, effective_porosity, initial_saturation_fraction)
    )
    return np.asarray(suction * (1.0 - saturation) * porosity)


def infiltration_capacity_mm_h(
    infiltrated_mm: ArrayLike, conductivity_mm_h: ArrayLike, suction_deficit_mm: ArrayLike
) -> FloatArray:
    """Rate at which ponded soil takes water in: f = K·(1 + S/F).

    Parameters
    ----------
    infiltrated_mm : array_like
        Cumulative infiltration F, > 0. [mm]
    conductivity_mm_h, suction_deficit_mm : array_like, broadcastable
        K [mm/h] and S [mm], > 0.

    Returns
    -------
    ndarray of float64
        [mm/h]

    References
    ----------
    .. [1] Rossman, L.A. and Huber, W.C., 2016. Storm Water Management Model Reference Manual,
       Volume I, Hydrology (Revised). EPA/600/R-15/162A, eq. 4-27.

    Examples
    --------
    >>> float(infiltration_capacity_mm_h(10.0, 5.0, 20.0))
    15.0
    """
    infiltrated = np.asarray(infiltrated_mm, dtype=np.float64)
    conductivity = np.asarray(conductivity_mm_h, dtype=np.float64)
    deficit = np.asarray(suction_deficit_mm, dtype=np.float64)
    return np.asarray(conductivity * (1.0 + deficit / infiltrated))


def cumulative_infiltration_ponded_mm(
    minutes: ArrayLike,
    conductivity_mm_h: ArrayLike,
    suction_deficit_mm: ArrayLike,
    *,
    initial_mm: ArrayLike = 0.0,
) -> FloatArray:
    """Cumulative infiltration of soil that is ponded all the time.

    Parameters
    ----------
    minutes : array_like
        Time under water, ≥ 0. [min]
    conductivity_mm_h, suction_deficit_mm : array_like, broadcastable
        K [mm/h] and S [mm], > 0.
    initial_mm : array_like, broadcastable
        Cumulative infiltration at the start, ≥ 0. [mm]

    Returns
    -------
    ndarray of float64
        Cumulative infiltration, what was there at the start included. [mm]

    Notes
    -----
    K·t = F − S·ln(1 + F/S) [1]_ solved as F = −S·[1 + W₋₁(−exp(−1 − K·t/S))], W₋₁ the lower
    branch of the Lambert function, with one Newton step to take out its rounding.

    References
    ----------
    .. [1] Rawls, W.J., Brakensiek, D.L. and Miller, N., 1983. Green-Ampt infiltration parameters
       from soils data. J. Hydraul. Eng. 109(1):62-70, eq. 2.

    Examples
    --------
    >>> round(float(cumulative_infiltration_ponded_mm(60.0, 6.5, 167.0 * 0.34)), 3)
    31.664
    """
    hours, conductivity, deficit, initial = (
        np.asarray(value, dtype=np.float64)
        for value in (np.asarray(minutes) / MINUTES_PER_HOUR, conductivity_mm_h,
                      suction_deficit_mm, initial_mm)
    )  # fmt: skip
    reduced = _reduced_time(initial / deficit) + conductivity * hours / deficit
    return np.asarray(deficit * _reduced_infiltration(reduced))


def ponding_depth_mm(
    rate_mm_h: ArrayLike, conductivity_mm_h: ArrayLike, suction_deficit_mm: ArrayLike
) -> FloatArray:
    """Cumulative infiltration at which a steady rain meets the capacity: Fp = K·S/(i − K).

    Parameters
    ----------
    rate_mm_h, conductivity_mm_h, suction_deficit_mm : array_like, broadcastable
        Rain or precipitation rate i [mm/h], K [mm/h] and S [mm].

    Returns
    -------
    ndarray of float64
        Infinite where i ≤ K: such soil never ponds. [mm]

    References
    ----------
    .. [1] Mein, R.G. and Larson, C.L., 1973. Modeling infiltration during a steady rain. Water
       Resour. Res. 9(2):384-394 (from memory); eq. 4-29 of EPA/600/R-15/162A.

    Examples
    --------
    >>> ponding_depth_mm([50.0, 5.0], 10.0, 20.0).tolist()
    [5.0, inf]
    """
    rate, conductivity, deficit = (
        np.asarray(value, dtype=np.float64)
        for value in (rate_mm_h, conductivity_mm_h, suction_deficit_mm)
    )
    excess = rate - conductivity
    depth = conductivity * deficit / np.where(excess > 0.0, excess, 1.0)
    return np.where(excess > 0.0, depth, np.where(np.isnan(excess + deficit), np.nan, np.inf))


def minutes_to_ponding(
    rate_mm_h: ArrayLike, conductivity_mm_h: ArrayLike, suction_deficit_mm: ArrayLike
) -> FloatArray:
    """Time until a steady rain stands on the surface: tp = Fp/i, in minutes.

    Parameters and references as `ponding_depth_mm`; infinite where the soil never ponds.

    Examples
    --------
    >>> float(minutes_to_ponding(50.0, 10.0, 20.0))  # 5 mm at 50 mm/h
    6.0
    """
    rate = np.asarray(rate_mm_h, dtype=np.float64)
    depth = ponding_depth_mm(rate, conductivity_mm_h, suction_deficit_mm)
    return np.asarray(MINUTES_PER_HOUR * depth / np.where(rate > 0.0, rate, 1.0))


def cumulative_infiltration_mm(
    minutes: ArrayLike,
    rate_mm_h: ArrayLike,
    conductivity_mm_h: ArrayLike,
    suction_deficit_mm: ArrayLike,
) -> FloatArray:
    """Cumulative infiltration under a steady rain from its start, before and after ponding.

    Parameters
    ----------
    minutes : array_like
        Time since the rain began, ≥ 0. [min]
    rate_mm_h, conductivity_mm_h, suction_deficit_mm : array_like, broadcastable
        i [mm/h], K [mm/h], > 0, and S [mm], > 0.

    Returns
    -------
    ndarray of float64
        [mm]

    Notes
    -----
    i·t until tp; from then along the ponded curve that passes through Fp.

    Examples
    --------
    >>> round(float(cumulative_infiltration_mm(60.0, 50.0, 6.5, 167.0 * 0.34)), 2)
    30.17
    """
    time, rate, conductivity, deficit = np.broadcast_arrays(
        *(
            np.asarray(value, dtype=np.float64)
            for value in (minutes, rate_mm_h, conductivity_mm_h, suction_deficit_mm)
        )
    )
    start = minutes_to_ponding(rate, conductivity, deficit)
    ponded = time > start
    at_ponding = np.where(ponded, ponding_depth_mm(rate, conductivity, deficit), 0.0)
    after = cumulative_infiltration_ponded_mm(
        np.where(ponded, time - np.where(ponded, start, 0.0), 0.0),
        conductivity,
        deficit,
        initial_mm=at_ponding,
    )
    return np.where(ponded, after, rate * time / MINUTES_PER_HOUR)


def minutes_to_runoff_green_ampt(
    rate_mm_h: ArrayLike,
    conductivity_mm_h: ArrayLike,
    suction_deficit_mm: ArrayLike,
    storage_mm: ArrayLike,
) -> FloatArray:
    """Time until a steady rain has ponded and then filled the surface storage.

    Parameters
    ----------
    rate_mm_h, conductivity_mm_h, suction_deficit_mm, storage_mm : array_like, broadcastable
        i [mm/h], K [mm/h], > 0, S [mm], > 0, and the storage, ≥ 0 [mm].

    Returns
    -------
    ndarray of float64
        Infinite where i ≤ K. [min]

    Notes
    -----
    Solves i·t − F(t) = storage for the infiltration since ponding by bisection to rounding. The
    structure follows Chu 1978 and Skaggs & Khaleel 1982 (from memory).

    Examples
    --------
    >>> round(float(minutes_to_runoff_green_ampt(15.24, 0.5, 292.2 * 0.5 * 0.423, 0.0)), 1)
    8.3
    """
    rate, conductivity, deficit, storage = np.broadcast_arrays(
        *(
            np.asarray(value, dtype=np.float64)
            for value in (rate_mm_h, conductivity_mm_h, suction_deficit_mm, storage_mm)
        )
    )
    ponds = rate > conductivity
    rate_used = np.where(ponds, rate, 2.0 * conductivity)
    at_ponding = ponding_depth_mm(rate_used, conductivity, deficit)
    soil = _Soil(conductivity, deficit)

    def standing(gain: FloatArray) -> FloatArray:
        return rate_used * _ponded_hours(at_ponding, gain, soil) - gain

    high = np.where(ponds, np.maximum(storage, 1e-9), 0.0)
    while np.any(short := ponds & (standing(high) < storage)):
        high = np.where(short, 2.0 * high, high)
    low = np.zeros_like(high)
    for _ in range(100):
        middle = 0.5 * (low + high)
        below = standing(middle) < storage
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    hours = at_ponding / rate_used + _ponded_hours(at_ponding, high, soil)
    missing = np.isnan(rate + conductivity + deficit + storage)
    return np.where(missing, np.nan, np.where(ponds, MINUTES_PER_HOUR * hours, np.inf))


def event_runoff_green_ampt(
    rate_mm_h: ArrayLike,
    minutes: ArrayLike,
    conductivity_mm_h: ArrayLike,
    suction_deficit_mm: ArrayLike,
    storage_mm: ArrayLike,
) -> EventBalance:
    """Water balance of a sequence of intervals, each of a steady precipitation rate.

    Parameters
    ----------
    rate_mm_h : array_like, shape (n_intervals, ...)
        Rate of each interval; 0 is a soak. [mm/h]
    minutes : array_like, shape (n_intervals, ...) or (n_intervals,)
        Length of each interval, ≥ 0. [min]
    conductivity_mm_h, suction_deficit_mm, storage_mm : array_like, broadcastable with one interval
        K [mm/h], > 0, S [mm], > 0, and the storage, ≥ 0, infinity for unlimited [mm].

    Returns
    -------
    EventBalance
        Arrays of the shape of one interval.

    Notes
    -----
    Within an interval the surface passes through at most three phases, each exact: standing water
    that the soil takes in faster than it falls, until it is gone or until the capacity has sunk to
    the rate; a bare surface that takes in all that falls, until F reaches Fp; and standing water
    that rises. What exceeds the storage at the end of an interval has run off in it.

    References
    ----------
    .. [1] Chu, S.T., 1978. Infiltration during an unsteady rain. Water Resour. Res. 14(3):461-466
       (from memory).

    Examples
    --------
    >>> event_runoff_green_ampt([50.0], [60.0], 6.5, 167.0 * 0.34, 0.0).runoff_mm.round(2).tolist()
    19.83
    """
    rates = np.asarray(rate_mm_h, dtype=np.float64)
    hours = np.asarray(minutes, dtype=np.float64) / MINUTES_PER_HOUR
    conductivity, deficit, storage = (
        np.asarray(value, dtype=np.float64)
        for value in (conductivity_mm_h, suction_deficit_mm, storage_mm)
    )
    shape = np.broadcast_shapes(
        rates.shape[1:], hours.shape[1:], conductivity.shape, deficit.shape, storage.shape
    )
    soil = _Soil(np.broadcast_to(conductivity, shape), np.broadcast_to(deficit, shape))
    infiltrated, stored, runoff, peak = (np.zeros(shape) for _ in range(4))
    for rate, length in zip(rates, hours, strict=True):
        infiltrated, available = _after_interval(
            infiltrated, stored, np.broadcast_to(rate, shape), np.broadcast_to(length, shape), soil
        )
        overflow = np.maximum(0.0, available - storage)
        stored = available - overflow
        runoff = runoff + overflow
        peak = np.maximum(peak, stored)
    return EventBalance(
        infiltrated_mm=infiltrated, stored_mm=stored, runoff_mm=runoff, peak_storage_mm=peak
    )


def _after_interval(
    infiltrated: FloatArray, stored: FloatArray, rate: FloatArray, hours: FloatArray, soil: _Soil
) -> tuple[FloatArray, FloatArray]:
    """Cumulative infiltration and stored depth after one interval, storage unlimited."""
    at_ponding = ponding_depth_mm(rate, soil.conductivity_mm_h, soil.suction_deficit_mm)
    # 1. Standing water sinks while the capacity exceeds the rate. Where it would not outlast the
    #    interval, go on from the moment it is gone.
    sinking = (stored > 0.0) & (infiltrated < at_ponding)
    emptied, hours_used = _emptying(infiltrated, stored, rate, at_ponding, soil)
    gone = sinking & (hours_used < hours)
    standing = (stored > 0.0) & ~gone
    left = np.where(gone, hours - np.where(gone, hours_used, 0.0), hours)
    start = np.where(gone, emptied, infiltrated)
    # 2. A bare surface takes everything in until F reaches Fp.
    wait = (at_ponding - start) / np.where(rate > 0.0, rate, 1.0)
    wait = np.where(standing, 0.0, np.where(rate > 0.0, np.maximum(wait, 0.0), np.inf))
    dry_hours = np.minimum(wait, left)
    start = start + rate * dry_hours
    # 3. The rest of the interval is ponded.
    ponded_minutes = MINUTES_PER_HOUR * (left - dry_hours)
    ended = cumulative_infiltration_ponded_mm(
        ponded_minutes, soil.conductivity_mm_h, soil.suction_deficit_mm, initial_mm=start
    )
    ponded = ponded_minutes > 0.0
    ended = np.where(ponded, ended, start)
    available = np.maximum(infiltrated + stored + rate * hours - ended, 0.0)
    return ended, np.where(ponded | standing, available, 0.0 * available)


def _emptying(
    infiltrated: FloatArray, stored: FloatArray, rate: FloatArray, at_ponding: FloatArray,
    soil: _Soil,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Cumulative infiltration when standing water is gone, and the hours that takes (else inf)."""

    def standing(gain: FloatArray) -> FloatArray:
        return stored + rate * _ponded_hours(infiltrated, gain, soil) - gain

    # Standing water falls with the gain until F reaches Fp and never again below that.
    furthest = np.where(np.isfinite(at_ponding), at_ponding - infiltrated, 0.0)
    furthest = np.maximum(furthest, 0.0)
    empties = (stored > 0.0) & (~np.isfinite(at_ponding) | (standing(furthest) < 0.0))
    high = np.where(np.isfinite(at_ponding), furthest, np.maximum(stored, 1e-9))
    while np.any(short := empties & (standing(high) > 0.0)):
        high = np.where(short, 2.0 * high, high)
    low = np.zeros_like(high)
    for _ in range(100):
        middle = 0.5 * (low + high)
        above = standing(middle) > 0.0
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    hours = np.where(empties, _ponded_hours(infiltrated, high, soil), np.inf)
    return infiltrated + high, hours


def _ponded_hours(start: FloatArray, gain: FloatArray, soil: _Soil) -> FloatArray:
    """Hours in which ponded soil takes in ``gain`` more: [ΔF − S·ln(1 + ΔF/(S + F))]/K."""
    deficit = soil.suction_deficit_mm
    logarithm = np.log1p(gain / (deficit + start))
    return np.asarray((gain - deficit * logarithm) / soil.conductivity_mm_h)


def _reduced_time(reduced_infiltration: FloatArray) -> FloatArray:
    """τ = x − ln(1 + x), by its series where the difference would cancel."""
    x = reduced_infiltration
    series = x * x * (1 / 2 - x * (1 / 3 - x * (1 / 4 - x * (1 / 5 - x / 6))))
    return np.where(x < 1e-3, series, x - np.log1p(x))


def _reduced_infiltration(reduced_time: FloatArray) -> FloatArray:
    """The x ≥ 0 with x − ln(1 + x) = τ."""
    tau = np.asarray(reduced_time, dtype=np.float64)
    root = np.sqrt(2.0 * tau)
    small = root * (1.0 + root * (1 / 3 + root * (1 / 36 - root / 270)))
    clipped = np.clip(tau, _SMALLEST_LAMBERT_TIME, _LARGEST_LAMBERT_TIME)
    x = -1.0 - np.real(lambertw(-np.exp(-1.0 - clipped), -1))
    for _ in range(6):
        x = np.where(tau > _LARGEST_LAMBERT_TIME, tau + np.log1p(np.maximum(x, tau)), x)
    x = x - (x - np.log1p(x) - np.maximum(tau, _SMALLEST_LAMBERT_TIME)) * (1.0 + x) / x
    return np.where(tau < _SMALLEST_LAMBERT_TIME, small, x)
