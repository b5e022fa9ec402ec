"""Depth against distance from one head: how a head's flow spreads over its wetted sector."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.units import FloatArray

# Core of the default trapezoid as a fraction of the radius. Engineering choice, no published
# table: 0.4 to 0.6 is the monotone shape between wedge and uniform whose head-to-head uniformity
# stays below what a wedge would promise (see docs/explanation/precipitation.md).
TRAPEZOID_CORE_FRACTION = {"fixed_spray": 0.6, "rotary_nozzle": 0.4, "rotor": 0.4, "": 0.6}


@dataclass(frozen=True, slots=True, kw_only=True)
class RadialProfile:
    """Rate against distance, piecewise linear between nodes; nothing falls beyond the last.

    Attributes
    ----------
    name : str
        Name of the profile.
    distance_fraction : tuple of float
        Distances over the radius of throw, rising, in [0, 1].
    relative_rate : tuple of float
        Rates at those distances, in any unit, ≥ 0 and not all zero.

    Notes
    -----
    Inward of the first node the rate is that of the first node. A profile whose last node lies
    inside the radius of throw falls to nothing at the radius.
    """

    name: str
    distance_fraction: tuple[float, ...]
    relative_rate: tuple[float, ...]


def trapezoid_profile(core_fraction: float) -> RadialProfile:
    """Flat core out to ``core_fraction`` of the radius, then straight down to nothing.

    Parameters
    ----------
    core_fraction : float
        Share of the radius with the full rate, in [0, 1): 0 is a wedge; towards 1, uniform. [1]

    Examples
    --------
    >>> round(float(peak_to_mean_ratio(trapezoid_profile(0.6))), 4)  # 3/(1 + 0.6 + 0.36)
    1.5306
    """
    return RadialProfile(
        name=f"trapezoid, core {core_fraction:g} of the radius",
        distance_fraction=(0.0, core_fraction, 1.0) if core_fraction > 0 else (0.0, 1.0),
        relative_rate=(1.0, 1.0, 0.0) if core_fraction > 0 else (1.0, 0.0),
    )


def closed_nodes(profile: RadialProfile) -> tuple[FloatArray, FloatArray]:
    """Nodes from the head to the radius: the first carried inward, the last down to nothing.

    Returns
    -------
    tuple of two ndarray, shape (n_nodes,)
        Distance fractions from 0 to 1, and relative rates.
    """
    distance = np.asarray(profile.distance_fraction, dtype=np.float64)
    rate = np.asarray(profile.relative_rate, dtype=np.float64)
    if distance[0] > 0.0:
        distance, rate = np.append(0.0, distance), np.append(rate[0], rate)
    if distance[-1] < 1.0:
        distance, rate = np.append(distance, 1.0), np.append(rate, 0.0)
    return distance, rate


def mean_relative_rate(profile: RadialProfile) -> float:
    """Mean of the relative rate over the wetted circle: 2∫x f(x) dx from 0 to 1.

    Notes
    -----
    Exact for straight pieces: Σ (x₂ − x₁)[f₁(2x₁ + x₂) + f₂(x₁ + 2x₂)]/3.
    """
    x, f = closed_nodes(profile)
    x1, x2, f1, f2 = x[:-1], x[1:], f[:-1], f[1:]
    return float(np.sum((x2 - x1) * (f1 * (2 * x1 + x2) + f2 * (x1 + 2 * x2))) / 3.0)


def peak_to_mean_ratio(profile: RadialProfile) -> float:
    """Highest rate over the mean rate of the wetted circle."""
    return max(profile.relative_rate) / mean_relative_rate(profile)


def relative_rate(profile: RadialProfile, distance_fraction: ArrayLike) -> FloatArray:
    """Rate over the mean rate of the wetted sector, at distances from the head.

    Parameters
    ----------
    profile : RadialProfile
        Shape of the distribution.
    distance_fraction : array_like
        Distance over the radius of throw, ≥ 0. [1]

    Returns
    -------
    ndarray of float64, shape of the argument
        0 beyond the radius of throw. Its area mean over the wetted sector is 1. [1]

    Examples
    --------
    >>> relative_rate(trapezoid_profile(0.0), [0.0, 0.5, 1.0, 1.1]).round(3).tolist()  # a wedge
    [3.0, 1.5, 0.0, 0.0]
    """
    x, f = closed_nodes(profile)
    distance = np.asarray(distance_fraction, dtype=np.float64)
    inside = np.interp(distance, x, f) / mean_relative_rate(profile)
    return np.where(distance <= 1.0, inside, np.where(np.isnan(distance), np.nan, 0.0))


def hinges(profile: RadialProfile) -> tuple[float, FloatArray, FloatArray]:
    """The same distribution as a constant plus a sum of hinges, which vectorises.

    Returns
    -------
    tuple of float, ndarray and ndarray
        ``base``, ``knots`` and ``slopes`` such that, for 0 ≤ x ≤ 1, `relative_rate` equals
        ``base + Σ slopes[k]·max(0, knots[k] − x)``. The number of hinges is even.

    Examples
    --------
    >>> base, knots, slopes = hinges(trapezoid_profile(0.0))
    >>> base, knots.tolist(), slopes.tolist()  # 3·max(0, 1 − x), and one that adds nothing
    (0.0, [1.0, 0.0], [3.0, 0.0])
    """
    x, f = closed_nodes(profile)
    f = f / mean_relative_rate(profile)
    keep = np.append(np.diff(x) > 0.0, True)  # a step is taken as its outer value
    x, f = x[keep], f[keep]
    fall = -np.diff(f) / np.diff(x)  # how fast the rate falls, piece by piece
    slopes = fall - np.append(fall[1:], 0.0)
    knots, bent = x[1:], slopes != 0.0
    knots, slopes = knots[bent][::-1], slopes[bent][::-1]
    if len(knots) % 2:
        knots, slopes = np.append(knots, 0.0), np.append(slopes, 0.0)
    return float(f[-1]), knots, slopes
