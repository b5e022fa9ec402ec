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

from geoirrig.physics.green_ampt import event_runoff_green_ampt
from geoirrig.physics.soil_properties import GREEN_AMPT_SOILS, GreenAmptSoil
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

# Fibonacci lattice in the unit square: point n lies at (n + ½)/233 and at the fractional part of
# (144·n + 116 + ½)/233. Few sets of points spread more evenly. The start, half a turn, keeps
# any point from being extreme in both directions.
_LATTICE_SIZE, _LATTICE_STEP, _LATTICE_START = 233, 144, 116
GREEN_AMPT_NODE_COUNT = _LATTICE_SIZE


def log_sd_of_cv(coefficient_of_variation: float) -> float:
    """Standard deviation of the logarithm of a log-normal quantity: √ln(1 + CV²).

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
    texture: str, *, initial_saturation_fraction: float, conductivity_log_sd: float
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

    Returns
    -------
    tuple of two ndarray, shape (GREEN_AMPT_NODE_COUNT,)
        K over its median, rising [1]; S = ψ·(1 − Se)·θe [mm].

    Notes
    -----
    K and ψ are log-normal about the tabulated values, ψ with the tabulated range of ± one standard
    deviation; θe is normal with the tabulated range, cut off at `LOWEST_EFFECTIVE_POROSITY`. The
    three are taken as independent, which is a judgement. The soils are the points of a Fibonacci
    lattice, read as ranks of K and of S.
    """
    steps = np.arange(_LATTICE_SIZE)
    conductivity_rank = (steps + 0.5) / _LATTICE_SIZE
    turned = (steps * _LATTICE_STEP + _LATTICE_START) % _LATTICE_SIZE
    deficit_rank = (turned + 0.5) / _LATTICE_SIZE
    conductivity = np.exp(conductivity_log_sd * ndtri(conductivity_rank))
    dry_deficit = dry_suction_deficit_mm(GREEN_AMPT_SOILS[texture], deficit_rank)
    return np.asarray(conductivity), (1.0 - initial_saturation_fraction) * dry_deficit


def runoff_probability_surface_storage(
    rate_mm_h: ArrayLike,
    minutes: ArrayLike,
    intake_mm_h: ArrayLike,
    storage_mm: float,
    *,
    storage_cv: float = STORAGE_CV,
) -> float:
    """Probability of runoff in an event at one place, by the surface-storage model.

    Parameters
    ----------
    rate_mm_h, minutes : array_like, shape (n_intervals,)
        The event, as in `event_runoff_surface_storage`.
    intake_mm_h : array_like, shape (n_nodes,)
        Equally likely intake rates: the tabulated rate, compaction included, times
        `intake_factors`. [mm/h]
    storage_mm : float
        Median of the storage, the tabulated surface accumulation. [mm]
    storage_cv : float
        Coefficient of variation of the storage. [1]

    Returns
    -------
    float
        [1]

    Examples
    --------
    >>> runoff_probability_surface_storage([20.0], [30.0], [10.0], 5.0)  # 5 mm stand, half hold it
    0.5
    """
    event = event_runoff_surface_storage(rate_mm_h, minutes, intake_mm_h, np.inf)
    return _mean_exceedance(event.peak_storage_mm, storage_mm, storage_cv)


def runoff_probability_green_ampt(
    rate_mm_h: ArrayLike,
    minutes: ArrayLike,
    soils: tuple[ArrayLike, ArrayLike],
    storage_mm: float,
    *,
    storage_cv: float = STORAGE_CV,
) -> float:
    """Probability of runoff in an event at one place, by the Green-Ampt model.

    Parameters
    ----------
    rate_mm_h, minutes : array_like, shape (n_intervals,)
        The event, as in `event_runoff_green_ampt`.
    soils : tuple of two array_like, shape (n_nodes,)
        K, compaction included, and S of equally likely soils: see `green_ampt_nodes`. [mm/h, mm]
    storage_mm : float
        Median of the storage. [mm]
    storage_cv : float
        Coefficient of variation of the storage. [1]

    Returns
    -------
    float
        [1]
    """
    event = event_runoff_green_ampt(rate_mm_h, minutes, soils[0], soils[1], np.inf)
    return _mean_exceedance(event.peak_storage_mm, storage_mm, storage_cv)


def _mean_exceedance(demand_mm: FloatArray, storage_mm: float, storage_cv: float) -> float:
    return float(
        np.mean(storage_exceedance(demand_mm, storage_mm, storage_log_sd=log_sd_of_cv(storage_cv)))
    )


def dry_suction_deficit_mm(soil: GreenAmptSoil, rank: FloatArray) -> FloatArray:
    """Quantiles of the suction deficit of soil without water.

    Parameters
    ----------
    soil : GreenAmptSoil
        Tabulated values and ranges of a texture class.
    rank : ndarray
        Shares of soils with a smaller deficit, in (0, 1). [1]

    Returns
    -------
    ndarray of float64, shape of the ranks
        ψ·θe; see `green_ampt_nodes` for what is known of the two. [mm]
    """
    suction_log_sd = 0.5 * math.log(soil.suction_high_mm / soil.suction_low_mm)
    porosity_sd = 0.5 * (soil.effective_porosity_high - soil.effective_porosity_low)
    cut_off = ndtr((LOWEST_EFFECTIVE_POROSITY - soil.effective_porosity) / porosity_sd)
    class_rank = (np.arange(400) + 0.5) / 400
    log_porosity = np.log(
        soil.effective_porosity + porosity_sd * ndtri(cut_off + (1.0 - cut_off) * class_rank)
    )
    log_suction = math.log(soil.suction_mm)
    reach = 8.0 * suction_log_sd
    log_deficit = np.linspace(
        log_suction + log_porosity[0] - reach, log_suction + log_porosity[-1] + reach, 2001
    )
    deviation = (log_deficit[:, np.newaxis] - log_porosity - log_suction) / suction_log_sd
    return np.asarray(np.exp(np.interp(rank, ndtr(deviation).mean(axis=1), log_deficit)))
