"""Water that a zone must apply in a year, and why a retrofit lessens it.

One formula serves every comparison: W = N·A·m / (E·(1 − r)). A saving is split into causes that add
up to it; what a clock left unchanged would save is another number, and never added to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.units import MINUTES_PER_HOUR, FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class WateringState:
    """How zones water what they serve, before or after a retrofit; arrays that broadcast.

    Attributes
    ----------
    net_need_mm_year : ndarray of float64
        N: what the plants need from irrigation in a year, on the mean of the area served, ≥ 0.
        [mm/yr]
    served_area_m2 : ndarray of float64
        A: turf that the zone serves, ≥ 0. [m²]
    run_time_multiplier : ndarray of float64
        m: 1/DUlh, or another of `geoirrig.physics.application_uniformity`, ≥ 1. [1]
    on_target_fraction : ndarray of float64
        E: share of the zone's flow that lands on the area it serves, in (0, 1]; see
        `share_on_served_area`. [1]
    runoff_fraction : ndarray of float64
        r: share of the water on that area that runs off in an event of usual depth with the planned
        cycles, in [0, 1). [1]
    """

    net_need_mm_year: FloatArray
    served_area_m2: FloatArray
    run_time_multiplier: FloatArray
    on_target_fraction: FloatArray
    runoff_fraction: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class SavingByCause:
    """A saving of water in its parts; they add up to the whole, up to rounding.

    Attributes
    ----------
    pressure_l : ndarray of float64
        What the new pressure saves with the nozzles that are there, through evenness, overspray and
        runoff; 0 where pressure does not change. [L/yr]
    evenness_l, overspray_l, runoff_l : ndarray of float64
        What the nozzles save by watering more evenly, by losing less beside the turf, and by
        shedding less. Negative where they do worse. [L/yr]
    need_l : ndarray of float64
        What comes of another need or another area served. [L/yr]
    """

    pressure_l: FloatArray
    evenness_l: FloatArray
    overspray_l: FloatArray
    runoff_l: FloatArray
    need_l: FloatArray

    @property
    def total_l(self) -> FloatArray:
        """The whole saving, the sum of the parts; in L/yr."""
        return np.asarray(
            self.pressure_l + self.evenness_l + self.overspray_l + self.runoff_l + self.need_l
        )


def share_on_served_area(
    mean_rate_mm_h: ArrayLike, served_area_m2: ArrayLike, flow_lpm: ArrayLike
) -> FloatArray:
    """Share of a zone's flow that lands on the area it serves.

    Parameters
    ----------
    mean_rate_mm_h : array_like
        Mean precipitation rate on that area, ≥ 0. [mm/h]
    served_area_m2 : array_like, broadcastable
        The area, ≥ 0. [m²]
    flow_lpm : array_like, broadcastable
        Flow of the whole zone, ≥ 0. [L/min]

    Returns
    -------
    ndarray of float64
        NaN without flow. [1]

    Examples
    --------
    >>> float(share_on_served_area(30.0, 100.0, 62.5))  # 3000 of 3750 L/h
    0.8
    """
    rate, area, flow = _float_arrays(mean_rate_mm_h, served_area_m2, flow_lpm)
    # 1 mm on 1 m² is 1 L
    return _ratio(rate * area, flow * MINUTES_PER_HOUR)


def annual_water_l(state: WateringState) -> FloatArray:
    """Water that zones must apply in a year so that the drier part gets what it needs.

    Parameters
    ----------
    state : WateringState
        See there.

    Returns
    -------
    ndarray of float64
        NaN where no running time is enough: part of the area stays dry (infinite multiplier), no
        water lands on it, or all of it runs off. [L/yr]

    Notes
    -----
    W = N·A·m / (E·(1 − r)). Evaporation and drift on the way down are not in it.

    Examples
    --------
    >>> state = WateringState(
    ...     net_need_mm_year=np.array(600.0), served_area_m2=np.array(100.0),
    ...     run_time_multiplier=np.array(1.25), on_target_fraction=np.array(0.8),
    ...     runoff_fraction=np.array(0.2),
    ... )
    >>> round(float(annual_water_l(state)), 6)  # 60 000 L × 1.25 / (0.8 × 0.8)
    117187.5
    """
    need, *factors = _factors(state)
    return np.asarray(need * factors[0] * factors[1] * factors[2])


def annual_overspray_l(state: WateringState) -> FloatArray:
    """Part of `annual_water_l` that lands beside the area served, W·(1 − E).

    Examples
    --------
    >>> state = WateringState(
    ...     net_need_mm_year=np.array(600.0), served_area_m2=np.array(100.0),
    ...     run_time_multiplier=np.array(1.25), on_target_fraction=np.array(0.75),
    ...     runoff_fraction=np.array(0.0),
    ... )
    >>> float(annual_overspray_l(state))  # a quarter of 100 000 L
    25000.0
    """
    return np.asarray(annual_water_l(state) * (1.0 - state.on_target_fraction))


def annual_runoff_l(state: WateringState) -> FloatArray:
    """Part of `annual_water_l` that lands on the area served and runs off, W·E·r.

    Examples
    --------
    >>> state = WateringState(
    ...     net_need_mm_year=np.array(600.0), served_area_m2=np.array(100.0),
    ...     run_time_multiplier=np.array(1.25), on_target_fraction=np.array(0.75),
    ...     runoff_fraction=np.array(0.25),
    ... )
    >>> round(float(annual_runoff_l(state)), 6)  # 100 000 L on the area, of which 75 000 stay
    25000.0
    """
    on_area = annual_water_l(state) * state.on_target_fraction
    return np.asarray(on_area * state.runoff_fraction)


def event_run_minutes(
    net_depth_mm: ArrayLike,
    mean_rate_mm_h: ArrayLike,
    run_time_multiplier: ArrayLike,
    runoff_fraction: ArrayLike = 0.0,
) -> FloatArray:
    """Running time of one event that gives a net depth to the drier part.

    Parameters
    ----------
    net_depth_mm : array_like
        Depth to replace, ≥ 0. [mm]
    mean_rate_mm_h : array_like, broadcastable
        Mean rate on the area served. [mm/h]
    run_time_multiplier, runoff_fraction : array_like, broadcastable
        As in `WateringState`. [1]

    Returns
    -------
    ndarray of float64
        T = 60·d·m / (p·(1 − r)); NaN where no running time is enough. [min]

    Examples
    --------
    >>> float(event_run_minutes(10.0, 40.0, 1.25, 0.25))  # 12.5 mm to stay, 16.67 mm to apply
    25.0
    """
    depth, rate, multiplier, runoff = _float_arrays(
        net_depth_mm, mean_rate_mm_h, run_time_multiplier, runoff_fraction
    )
    return _ratio(MINUTES_PER_HOUR * depth * multiplier, rate * (1.0 - runoff))


def annual_run_minutes(annual_water_l: ArrayLike, flow_lpm: ArrayLike) -> FloatArray:
    """Minutes that a zone runs in a year to apply its water; NaN without flow.

    Examples
    --------
    >>> float(annual_run_minutes(117_000.0, 50.0))
    2340.0
    """
    return _ratio(*_float_arrays(annual_water_l, flow_lpm))


def saving_by_cause(
    before: WateringState, after: WateringState, *, at_new_pressure: WateringState | None = None
) -> SavingByCause:
    """Saving from one state to another, split into causes that add up to it.

    Parameters
    ----------
    before, after : WateringState
        The zones as they are and as they will be; shapes must broadcast.
    at_new_pressure : WateringState, optional
        The existing nozzles at the new pressure, where the retrofit changes pressure. Without it
        the part of pressure is 0.

    Returns
    -------
    SavingByCause
        Of each zone; parts of several zones add. The parts sum to
        ``annual_water_l(before) − annual_water_l(after)``. NaN where a state has no such water.

    Notes
    -----
    Additive logarithmic-mean Divisia index [1]_. W is a product of factors x; the part of x is
    L(W₀, W₁)·ln(x₀/x₁), with the logarithmic mean L(a, b) = (a − b)/ln(a/b) and L(a, a) = a. No
    remainder is left, no order of the causes is preferred, and swapping the states only swaps the
    signs. Where a need is 0 on one side, the limit holds: all of it is the part of the need [2]_.

    Pressure is a step of its own, before that of the nozzles: its part is what the existing nozzles
    save at the new pressure by the same three causes. Less flow at the same evenness, overspray and
    runoff saves nothing, since the turf needs as much: the zone runs longer.

    References
    ----------
    .. [1] Ang, B. W., 2005. The LMDI approach to decomposition analysis: a practical guide. Energy
       Policy 33, 867–871, eq. 5.
    .. [2] Wood, R. and Lenzen, M., 2006. Zero-value problems of the logarithmic mean Divisia index
       decomposition method. Energy Policy 34 (read in abstract).

    Examples
    --------
    >>> before, after = (
    ...     WateringState(
    ...         net_need_mm_year=np.array(500.0), served_area_m2=np.array(100.0),
    ...         run_time_multiplier=np.array(m), on_target_fraction=np.array(0.8),
    ...         runoff_fraction=np.array(0.0),
    ...     )
    ...     for m in (1.6, 1.2)
    ... )
    >>> saving = saving_by_cause(before, after)
    >>> float(saving.evenness_l.round(6)), float(saving.overspray_l)  # 100 000 − 75 000 L
    (25000.0, 0.0)
    """
    if at_new_pressure is None:
        pressure, start = np.zeros(np.shape(annual_water_l(before))), before
    else:
        pressure, start = sum(_parts(before, at_new_pressure), np.zeros(())), at_new_pressure
    need, evenness, overspray, runoff = _parts(start, after)
    return SavingByCause(
        # a zone whose saving is not known has no known part either
        pressure_l=np.where(np.isnan(need), np.nan, pressure),
        evenness_l=evenness,
        overspray_l=overspray,
        runoff_l=runoff,
        need_l=need,
    )


def clock_unchanged_saving_l(
    flow_before_lpm: ArrayLike, flow_after_lpm: ArrayLike, run_minutes_year: ArrayLike
) -> FloatArray:
    """What less flow saves where nobody touches the clock: behaviour, not efficiency.

    It must stand beside a saving at equal net depth and never be added to it: the same litres would
    be counted twice, and a third time where a gain in DU is claimed as well.

    Parameters
    ----------
    flow_before_lpm, flow_after_lpm : array_like
        Flow of the zone, ≥ 0. [L/min]
    run_minutes_year : array_like, broadcastable
        Minutes that it runs in a year, before and after alike. [min/yr]

    Returns
    -------
    ndarray of float64
        Negative where the flow rises. [L/yr]

    Examples
    --------
    >>> float(clock_unchanged_saving_l(50.0, 35.0, 2000.0))
    30000.0
    """
    before, after, minutes = _float_arrays(flow_before_lpm, flow_after_lpm, run_minutes_year)
    return np.asarray((before - after) * minutes)


def need_met_by_unchanged_clock(
    run_minutes_before: ArrayLike, run_minutes_after: ArrayLike
) -> FloatArray:
    """Share of its need that turf gets after a retrofit if the clock keeps the minutes of before.

    Parameters
    ----------
    run_minutes_before, run_minutes_after : array_like
        `event_run_minutes` for the same net depth in the two states. [min]

    Returns
    -------
    ndarray of float64
        Below 1 where the turf goes short; NaN where no running time is enough. [1]

    Examples
    --------
    >>> float(need_met_by_unchanged_clock(20.0, 32.0))
    0.625
    """
    return _ratio(*_float_arrays(run_minutes_before, run_minutes_after))


def _factors(state: WateringState) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """N·A, m, 1/E and 1/(1 − r); NaN where a loss is without end."""
    need = np.asarray(state.net_need_mm_year * state.served_area_m2, dtype=np.float64)
    multiplier = np.asarray(state.run_time_multiplier, dtype=np.float64)
    kept = 1.0 - np.asarray(state.runoff_fraction, dtype=np.float64)
    return (
        need,
        np.where(np.isfinite(multiplier), multiplier, np.nan),
        _ratio(np.ones(()), np.asarray(state.on_target_fraction, dtype=np.float64)),
        _ratio(np.ones(()), kept),
    )


def _parts(before: WateringState, after: WateringState) -> list[FloatArray]:
    """Parts of the saving between two states: need, evenness, overspray, runoff."""
    factors = list(zip(_factors(before), _factors(after), strict=True))
    water_before, water_after = annual_water_l(before), annual_water_l(after)
    mean = _logarithmic_mean(water_before, water_after)
    (need_before, need_after), *others = factors
    parts = [np.asarray(mean * np.log(was / will_be)) for was, will_be in others]
    both = (need_before > 0.0) & (need_after > 0.0)
    of_need = mean * np.log(np.where(both, need_before, 1.0) / np.where(both, need_after, 1.0))
    # With a need of 0 the mean is 0, and the whole saving, if any, is the need's.
    return [np.where(both, of_need, water_before - water_after), *parts]


def _logarithmic_mean(a: FloatArray, b: FloatArray) -> FloatArray:
    """(a − b)/ln(a/b) of values ≥ 0: a where they are equal, 0 where one is 0."""
    low, high = np.minimum(a, b), np.maximum(a, b)
    is_zero = low <= 0.0
    # over the lower of the two, so that neither near nor far ones lose digits
    excess = np.where(is_zero, 0.0, high - low) / np.where(is_zero, 1.0, low)
    is_equal = excess == 0.0
    mean = low * np.where(is_equal, 1.0, excess / np.log1p(np.where(is_equal, 1.0, excess)))
    return np.where(is_zero, 0.0, mean)


def _ratio(amount: FloatArray, per: FloatArray) -> FloatArray:
    """Quotient, NaN where the divisor is not above 0."""
    is_any = per > 0.0
    return np.where(is_any, amount / np.where(is_any, per, 1.0), np.nan)


def _float_arrays(*values: ArrayLike) -> tuple[FloatArray, ...]:
    return tuple(np.asarray(value, dtype=np.float64) for value in values)
