"""Soils drawn for lawns: each realisation gives every lawn an intake and a storage of its own.

`geoirrig.physics.soil_spread` sums over soils at one place; a ranking compares places, so it needs
draws in which one lawn is better than tabulated while another is worse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from geoirrig.units import FloatArray

_OUTERMOST_RANK = 1e-9  # keeps the normal quantile finite; six standard deviations out


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilRealisations:
    """Drawn soils, relative to the tabulated ones; arrays of shape (n_lawns, n_realisations).

    Attributes
    ----------
    intake_factor : ndarray of float64
        Intake rate, or Green-Ampt conductivity, over its median. [1]
    storage_factor : ndarray of float64
        Surface storage over its median. [1]
    deficit_rank : ndarray of float64
        Rank of the Green-Ampt suction deficit among soils of the texture, in (0, 1). [1]
    """

    intake_factor: FloatArray
    storage_factor: FloatArray
    deficit_rank: FloatArray


def soil_realisations(
    n_lawns: int,
    n_realisations: int,
    *,
    intake_log_sd: float,
    storage_log_sd: float,
    seed: int,
) -> SoilRealisations:
    """Latin hypercube of soils for each lawn, independent between lawns.

    Parameters
    ----------
    n_lawns, n_realisations : int
        Numbers of lawns and of draws for each, ≥ 1.
    intake_log_sd, storage_log_sd : float
        Standard deviations of the logarithms, ≥ 0. [1]
    seed : int
        Same seed, same draws.

    Returns
    -------
    SoilRealisations

    Notes
    -----
    For each lawn and each quantity, the n realisations take one value from each of n equally
    likely classes, in random order: McKay, Beckman & Conover 1979, Technometrics 21(2):239 (from
    memory). Intake, storage and suction deficit are taken as independent, and so are lawns, which
    is a judgement: neighbours share a builder and a topsoil.
    """
    generator = np.random.Generator(np.random.PCG64(seed))
    classes = np.broadcast_to(np.arange(n_realisations), (3, n_lawns, n_realisations))
    within = generator.random(classes.shape)
    rank = (generator.permuted(classes, axis=-1) + within) / n_realisations
    rank = np.clip(rank, _OUTERMOST_RANK, 1.0 - _OUTERMOST_RANK)
    return SoilRealisations(
        intake_factor=np.exp(intake_log_sd * ndtri(rank[0])),
        storage_factor=np.exp(storage_log_sd * ndtri(rank[1])),
        deficit_rank=rank[2],
    )
