"""How much soils of one texture differ, and the probability of runoff that follows.

The probability is the share of soil realisations that run off in the event. It is summed over a
fixed set of soils, without drawing random numbers: each intake or Green-Ampt soil of the set has
one greatest depth of standing water in the event, and the chance that the storage is smaller than
that is taken exactly. The same inputs therefore always give the same probability.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from geoirrig.physics.green_ampt import event_runoff_green_ampt, suction_deficit_mm
from geoirrig.physics.soil_properties import GREEN_AMPT_SOILS
from geoirrig.physics.surface_storage import event_runoff_surface_storage
from geoirrig.units import FloatArray

# Lowest and highest infiltration rate of 15 home lawns in central Pennsylvania [cm/h], among which
# texture was no significant predictor: Hamilton & Waddington 1999, J. Soil Water Conserv. 54:564.
LAWN_INFILTRATION_RANGE_CM_H = (0.4, 10.0)
LAWN_COUNT = 15

# Expected range of 15 standard normal values [1]: the constant d₂ of order statistics, recomputed
# in the tests.
EXPECTED_NORMAL_RANGE_15 = 3.472

# Standard deviation of the natural logarithm of the intake rate between lawns [1]. For the
# Green-Ampt conductivity the same figure is used, which is a judgement.
INTAKE_LOG_SD = (
    math.log(LAWN_INFILTRATION_RANGE_CM_H[1] / LAWN_INFILTRATION_RANGE_CM_H[0])
    / EXPECTED_NORMAL_RANGE_15
)

# Coefficient of variation of the surface storage [1]. A judgement: of the size of the variation of
# runoff between 24 equal lawn plots, 28.7 to 38.2 % (J. Vis. Exp. 2014, doi 10.3791/51540).
STORAGE_CV = 0.30

# Effective porosities at or below this are not soils [1]. A judgement.
LOWEST_EFFECTIVE_POROSITY = 0.05

INTAKE_NODE_COUNT = 64
GREEN_AMPT_NODE_COUNT = 256


def log_sd_of_cv(coefficient_of_variation: float) -> float:
    """Standard deviation of the logarithm of a log-normal quantity: √ln(1 + CV²). [1]

    Examples
    --------
    >>> round(log_sd_of_cv(0.30), 4)
    0.2936
    """
    return math.sqrt(math.log1p(coefficient_of_variation**2))


def intake_factors(*, log_sd: float, n_nodes: int = INTAKE_NODE_COUNT) -> FloatArray:
    """Intake rates over their median, one from the middle of each of equally likely classes.

    Parameters
    ----------
    log_sd : float
        Standard deviation of the logarithm of the rate, ≥ 0. [1]
    n_nodes : int
        Number of classes.

    Returns
    -------
    ndarray of float64, shape (n_nodes,)
        Rising. [1]

    Examples
    --------
    >>> intake_factors(log_sd=1.0, n_nodes=3).round(3).tolist()  # exp of −0.9674, 0 and 0.9674
    [0.38, 1.0, 2.631]
    """
    return np.asarray(np.exp(log_sd * ndtri((np.arange(n_nodes) + 0.5) / n_nodes)))


def storage_exceedance(
    demand_mm: ArrayLike, storage_median_mm: ArrayLike, *, storage_log_sd: float
) -> FloatArray:
    """Probability that a log-normal storage is smaller than a depth.

    Parameters
    ----------
    demand_mm : array_like
        Depth that would have to be stored, ≥ 0. [mm]
    storage_median_mm : array_like, broadcastable
        Median of the storage, ≥ 0. [mm]
    storage_log_sd : float
        Standard deviation of its logarithm; 0 is a storage without spread. [1]

    Returns
    -------
    ndarray of float64
        Φ[ln(M/A)/σ]; 0 where there is no demand. [1]

    Examples
    --------
    >>> storage_exceedance([0.0, 5.0, 1e9], 5.0, storage_log_sd=0.3).tolist()
    [0.0, 0.5, 1.0]
    """
    demand, median = np.broadcast_arrays(
        np.asarray(demand_mm, dtype=np.float64), np.asarray(storage_median_mm, dtype=np.float64)
    )
    both = (demand > 0.0) & (median > 0.0)
    log_ratio = np.log(np.where(both, demand, 1.0) / np.where(both, median, 1.0))
    if storage_log_sd > 0.0:
        share = ndtr(log_ratio / storage_log_sd)
    else:
        share = np.where(demand > median, 1.0, 0.0)
    certain = np.where(demand > 0.0, 1.0, 0.0)
    return np.where(both, share, np.where(np.isnan(demand + median), np.nan, certain))


def storage_exceedance_table(
    *, storage_log_sd: float, n_points: int = 4097
) -> tuple[float, FloatArray]:
    """`storage_exceedance` against demand over median, at even steps from 0, for fast look-up.

    Returns
    -------
    tuple of float and ndarray
        The number of steps per unit of the ratio, and the probabilities. Beyond the last point,
        five standard deviations out, the probability is 1.
    """
    ratio = np.linspace(0.0, math.exp(5.0 * storage_log_sd) * 1.01, n_points)
    table = storage_exceedance(ratio, 1.0, storage_log_sd=storage_log_sd)
    return float((n_points - 1) / ratio[-1]), table


def green_ampt_nodes(
    texture: str,
    *,
    initial_saturation_fraction: float,
    conductivity_log_sd: float,
    n_nodes: int = GREEN_AMPT_NODE_COUNT,
) -> tuple[FloatArray, FloatArray]:
    """Equally likely Green-Ampt soils of one texture class.

    Parameters
    ----------
    texture : str
        USDA texture class.
    initial_saturation_fraction : float
        Effective saturation before the event, in [0, 1). [1]
    conductivity_log_sd : float
        Standard deviation of the logarithm of K. [1]
    n_nodes : int
        Number of soils.

    Returns
    -------
    tuple of two ndarray, shape (n_nodes,)
        K over its median, rising [1]; S = ψ·(1 − Se)·θe [mm].

    Notes
    -----
    K and ψ are log-normal about the tabulated values, ψ with the tabulated range of ± one standard
    deviation; θe is normal with the tabulated range, cut off at `LOWEST_EFFECTIVE_POROSITY`. The
    three are taken as independent, which is a judgement. The set is the three-dimensional
    Hammersley set (n + ½)/N and the radical inverses of n + 1 to the bases 2 and 3.
    """
    soil = GREEN_AMPT_SOILS[texture]
    steps = np.arange(n_nodes)
    conductivity = np.exp(conductivity_log_sd * ndtri((steps + 0.5) / n_nodes))
    suction_log_sd = 0.5 * math.log(soil.suction_high_mm / soil.suction_low_mm)
    suction = soil.suction_mm * np.exp(suction_log_sd * ndtri(_radical_inverse(n_nodes, 2)))
    porosity_sd = 0.5 * (soil.effective_porosity_high - soil.effective_porosity_low)
    below = ndtr((LOWEST_EFFECTIVE_POROSITY - soil.effective_porosity) / porosity_sd)
    rank = below + _radical_inverse(n_nodes, 3) * (1.0 - below)
    porosity = soil.effective_porosity + porosity_sd * ndtri(rank)
    deficit = suction_deficit_mm(
        suction, porosity, initial_saturation_fraction=initial_saturation_fraction
    )
    return np.asarray(conductivity), deficit


def runoff_probability_surface_storage(
    rate_mm_h: ArrayLike,
    minutes: ArrayLike,
    intake_mm_h: float,
    storage_mm: float,
    *,
    intake_log_sd: float = INTAKE_LOG_SD,
    storage_cv: float = STORAGE_CV,
) -> float:
    """Probability of runoff in an event at one place, by the surface-storage model.

    Parameters
    ----------
    rate_mm_h, minutes : array_like, shape (n_intervals,)
        The event, as in `event_runoff_surface_storage`.
    intake_mm_h, storage_mm : float
        Medians: the tabulated intake rate, compaction included, and surface accumulation.
    intake_log_sd : float
        Standard deviation of the logarithm of the intake rate. [1]
    storage_cv : float
        Coefficient of variation of the storage. [1]

    Returns
    -------
    float
        [1]
    """
    intake = intake_mm_h * intake_factors(log_sd=intake_log_sd)
    demand = event_runoff_surface_storage(rate_mm_h, minutes, intake, np.inf).peak_storage_mm
    exceedance = storage_exceedance(demand, storage_mm, storage_log_sd=log_sd_of_cv(storage_cv))
    return float(np.mean(exceedance))


def runoff_probability_green_ampt(
    rate_mm_h: ArrayLike,
    minutes: ArrayLike,
    texture: str,
    storage_mm: float,
    *,
    initial_saturation_fraction: float = 0.5,
    compaction_factor: float = 1.0,
    conductivity_log_sd: float = INTAKE_LOG_SD,
    storage_cv: float = STORAGE_CV,
) -> float:
    """Probability of runoff in an event at one place, by the Green-Ampt model.

    Parameters
    ----------
    rate_mm_h, minutes : array_like, shape (n_intervals,)
        The event, as in `event_runoff_green_ampt`.
    texture : str
        USDA texture class.
    storage_mm : float
        Median of the storage. [mm]
    initial_saturation_fraction, compaction_factor : float
        Effective saturation before the event; share of K that compaction leaves. [1]
    conductivity_log_sd, storage_cv : float
        Spreads of K (of its logarithm) and of the storage. [1]

    Returns
    -------
    float
        [1]
    """
    factor, deficit = green_ampt_nodes(
        texture,
        initial_saturation_fraction=initial_saturation_fraction,
        conductivity_log_sd=conductivity_log_sd,
    )
    conductivity = GREEN_AMPT_SOILS[texture].conductivity_mm_h * compaction_factor * factor
    event = event_runoff_green_ampt(rate_mm_h, minutes, conductivity, deficit, np.inf)
    exceedance = storage_exceedance(
        event.peak_storage_mm, storage_mm, storage_log_sd=log_sd_of_cv(storage_cv)
    )
    return float(np.mean(exceedance))


def _radical_inverse(count: int, base: int) -> FloatArray:
    """Numbers 1 to ``count`` with their digits mirrored at the point: in (0, 1)."""
    value = np.zeros(count)
    rest = np.arange(1, count + 1)
    place = 1.0
    while np.any(rest > 0):
        place /= base
        value += place * (rest % base)
        rest //= base
    return value
