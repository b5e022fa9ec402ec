"""Runoff with a steady intake rate and a limited depth of water held on the surface.

The surface fills at the precipitation rate less the basic intake rate, drains at the intake rate
while nothing falls, and sheds what does not fit. This is the run-time rule of landscape
irrigation, followed pulse by pulse. Rates belong to `geoirrig.physics.soil_properties`'s basic
intake rates; a Green-Ampt conductivity has no place here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoirrig.physics.event_balance import EventBalance
from geoirrig.units import MINUTES_PER_HOUR, FloatArray

# A run that is a whole number of allowed cycles must not gain one by rounding.
_WHOLE_CYCLE_TOLERANCE = 1e-9


def minutes_to_runoff(
    rate_mm_h: ArrayLike, intake_mm_h: ArrayLike, storage_mm: ArrayLike
) -> FloatArray:
    """Time until water leaves ground that is wetted without a break from an empty surface.

    Parameters
    ----------
    rate_mm_h : array_like
        Precipitation rate, ≥ 0. [mm/h]
    intake_mm_h : array_like, broadcastable
        Basic intake rate, ≥ 0. [mm/h]
    storage_mm : array_like, broadcastable
        Allowable surface accumulation, ≥ 0. [mm]

    Returns
    -------
    ndarray of float64
        Infinite where the soil keeps up. [min]

    Notes
    -----
    t = 60·A/(P − I) where P > I. Common practice, as the run-time rule of controllers; it is the
    mass balance of the surface at a steady intake rate.

    Examples
    --------
    >>> minutes_to_runoff([20.0, 10.0], 10.0, 5.0).tolist()  # 60·5/(20 − 10)
    [30.0, inf]
    """
    rate, intake, storage = _float_arrays(rate_mm_h, intake_mm_h, storage_mm)
    excess = rate - intake
    rising = excess > 0.0
    minutes = MINUTES_PER_HOUR * storage / np.where(rising, excess, 1.0)
    return np.where(rising | np.isnan(excess + storage), minutes + 0.0 * excess, np.inf)


def soak_minutes(stored_mm: ArrayLike, intake_mm_h: ArrayLike) -> FloatArray:
    """Time without water in which the soil takes in what stands on the surface.

    Parameters
    ----------
    stored_mm : array_like
        Water on the surface, ≥ 0. [mm]
    intake_mm_h : array_like, broadcastable
        Basic intake rate, > 0. [mm/h]

    Returns
    -------
    ndarray of float64
        [min]

    Examples
    --------
    >>> float(soak_minutes(5.0, 10.0))
    30.0
    """
    stored, intake = _float_arrays(stored_mm, intake_mm_h)
    return np.asarray(MINUTES_PER_HOUR * stored / intake)


def cycle_count(
    run_minutes: ArrayLike,
    minutes_to_runoff: ArrayLike,
    *,
    tolerance: float = _WHOLE_CYCLE_TOLERANCE,
) -> NDArray[np.float64]:
    """Fewest equal cycles none of which lasts longer than the time to runoff.

    Parameters
    ----------
    run_minutes : array_like
        Total running time of the event, ≥ 0. [min]
    minutes_to_runoff : array_like, broadcastable
        Longest running time without runoff, > 0, may be infinite. [min]
    tolerance : float
        Part of a cycle that counts as rounding: larger where the times come from float32. [1]

    Returns
    -------
    ndarray of float64
        Whole numbers, at least 1. [1]

    Examples
    --------
    >>> cycle_count([20.0, 24.0, 25.0], 12.0).tolist()
    [2.0, 2.0, 3.0]
    """
    run, longest = _float_arrays(run_minutes, minutes_to_runoff)
    return np.maximum(1.0, np.ceil(run / longest - tolerance))


def runoff_depth_mm(
    rate_mm_h: ArrayLike,
    run_minutes: ArrayLike,
    intake_mm_h: ArrayLike,
    storage_mm: ArrayLike,
) -> FloatArray:
    """Runoff of one run without a break, from an empty surface.

    Parameters
    ----------
    rate_mm_h, run_minutes, intake_mm_h, storage_mm : array_like, broadcastable
        As in `minutes_to_runoff`; the run in minutes, ≥ 0.

    Returns
    -------
    ndarray of float64
        max(0, (P − I)·T/60 − A). [mm]

    Examples
    --------
    >>> float(runoff_depth_mm(20.0, 60.0, 10.0, 5.0))  # 10 mm stand, 5 mm fit
    5.0
    """
    rate, run, intake, storage = _float_arrays(rate_mm_h, run_minutes, intake_mm_h, storage_mm)
    return np.maximum(0.0, (rate - intake) * run / MINUTES_PER_HOUR - storage)


def event_runoff_surface_storage(
    rate_mm_h: ArrayLike,
    minutes: ArrayLike,
    intake_mm_h: ArrayLike,
    storage_mm: ArrayLike,
) -> EventBalance:
    """Water balance of a sequence of intervals, each of a steady precipitation rate.

    Parameters
    ----------
    rate_mm_h : array_like, shape (n_intervals, ...)
        Precipitation rate of each interval; 0 is a soak. [mm/h]
    minutes : array_like, shape (n_intervals, ...) or (n_intervals,)
        Length of each interval, ≥ 0. [min]
    intake_mm_h, storage_mm : array_like, broadcastable with one interval
        Basic intake rate [mm/h] and allowable surface accumulation [mm]. Unlimited storage is
        given as infinity.

    Returns
    -------
    EventBalance
        Arrays of the shape of one interval.

    Notes
    -----
    Exact for each interval: the soil takes in the smaller of I·t and what lies there plus what
    falls. The stored depth goes one way within an interval, so what exceeds the storage at its
    end is what has run off in it.

    Examples
    --------
    >>> balance = event_runoff_surface_storage([20.0, 0.0, 20.0], [30.0, 15.0, 30.0], 10.0, 5.0)
    >>> float(balance.runoff_mm), float(balance.infiltrated_mm)  # 5, then 2.5, then 7.5 − 5
    (2.5, 12.5)
    """
    rates = np.asarray(rate_mm_h, dtype=np.float64)
    hours = np.asarray(minutes, dtype=np.float64) / MINUTES_PER_HOUR
    intake, storage = _float_arrays(intake_mm_h, storage_mm)
    shape = np.broadcast_shapes(rates.shape[1:], hours.shape[1:], intake.shape, storage.shape)
    stored, runoff, infiltrated, peak = (np.zeros(shape) for _ in range(4))
    for rate, length in zip(rates, hours, strict=True):
        available = stored + rate * length
        taken = np.minimum(intake * length, available)
        overflow = np.maximum(0.0, available - taken - storage)
        stored = available - taken - overflow
        infiltrated, runoff = infiltrated + taken, runoff + overflow
        peak = np.maximum(peak, stored)
    return EventBalance(
        infiltrated_mm=infiltrated, stored_mm=stored, runoff_mm=runoff, peak_storage_mm=peak
    )


def _float_arrays(*values: ArrayLike) -> tuple[FloatArray, ...]:
    return tuple(np.asarray(value, dtype=np.float64) for value in values)
