"""What plants use of the reference evapotranspiration: turf coefficients and plant factors.

Turf has a coefficient for each month. Other planting has one plant factor by its class of water
use, the middle of the published range.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.units import FloatArray

MONTHS = 12
DEFAULT_PLANT_TYPE = "cool_season_turf"
# Established lawns root 6 to 8 in deep: University of California, statewide integrated pest
# management guidelines for turf. The shallow end, which asks for the more frequent watering.
DEFAULT_ROOT_DEPTH_MM = 150.0
# Share of the available water that turf may use up before it is watered: 50 %, best management
# practices for New York state golf courses; one half to two thirds in extension notes of Florida.
DEFAULT_ALLOWABLE_DEPLETION = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantWaterUse:
    """How much of the reference evapotranspiration a kind of planting uses.

    Attributes
    ----------
    monthly : tuple of float
        Coefficient from January to December. [1]
    annual : float
        Coefficient of the whole year, as printed. [1]
    source : str
        Where the numbers are from.
    """

    monthly: tuple[float, ...]
    annual: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantFactorRange:
    """Lowest and highest plant factor of a class of water use.

    Attributes
    ----------
    species_low, species_high : float
        Species factor of the classification of landscape species: University of California
        Cooperative Extension and California Department of Water Resources, 2000. [1]
    rule_low, rule_high : float
        Plant factor of California Code of Regulations, title 23, section 491 (from memory). [1]
    """

    species_low: float
    species_high: float
    rule_low: float
    rule_high: float


PLANT_FACTOR_RANGES: Mapping[str, PlantFactorRange] = {
    "very_low": PlantFactorRange(species_low=0.0, species_high=0.1, rule_low=0.0, rule_high=0.1),
    "low": PlantFactorRange(species_low=0.1, species_high=0.3, rule_low=0.1, rule_high=0.3),
    "moderate": PlantFactorRange(species_low=0.4, species_high=0.6, rule_low=0.4, rule_high=0.6),
    "high": PlantFactorRange(species_low=0.7, species_high=0.9, rule_low=0.7, rule_high=1.0),
}

_TURF_SOURCE = (
    "University of California, Center for Landscape and Urban Horticulture, Table 1: Meyer, "
    "Gibeault & Youngner 1985"
)


def _class_of_water_use(name: str) -> PlantWaterUse:
    factors = PLANT_FACTOR_RANGES[name]
    middle = round((factors.species_low + factors.species_high) / 2.0, 4)
    return PlantWaterUse(
        monthly=(middle,) * MONTHS,
        annual=middle,
        source="middle of the species-factor range, University of California Cooperative "
        "Extension & California Department of Water Resources 2000",
    )


# Words for `plant_type`. The printed annual coefficient of warm-season turf, 0.60, is not the mean
# of its printed months, 0.651; that of cool-season turf, 0.80, is (0.788). Both stay as printed.
PLANT_TYPES: Mapping[str, PlantWaterUse] = {
    "cool_season_turf": PlantWaterUse(
        monthly=(0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60),
        annual=0.80,
        source=_TURF_SOURCE,
    ),
    "warm_season_turf": PlantWaterUse(
        monthly=(0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55),
        annual=0.60,
        source=_TURF_SOURCE,
    ),
    "very_low_water_use": _class_of_water_use("very_low"),
    "low_water_use": _class_of_water_use("low"),
    "moderate_water_use": _class_of_water_use("moderate"),
    "high_water_use": _class_of_water_use("high"),
}
# Other words in use for the same.
_SAME_AS: Mapping[str, str] = {
    "": DEFAULT_PLANT_TYPE,
    "cool_season": "cool_season_turf",
    "warm_season": "warm_season_turf",
    "very_low": "very_low_water_use",
    "low": "low_water_use",
    "moderate": "moderate_water_use",
    "medium": "moderate_water_use",
    "medium_water_use": "moderate_water_use",
    "high": "high_water_use",
}


def known_plant_type(word: str) -> str | None:
    """The plant type that a word names; None where it names none.

    Parameters
    ----------
    word : str
        As written in ``plant_type``; case, blanks and hyphens do not matter, "" is the default.

    Returns
    -------
    str or None
        A key of `PLANT_TYPES`.

    Examples
    --------
    >>> known_plant_type("Warm-season turf"), known_plant_type("cool_season"), known_plant_type("")
    ('warm_season_turf', 'cool_season_turf', 'cool_season_turf')
    >>> known_plant_type("roses") is None
    True
    """
    plain = "_".join(word.strip().lower().replace("-", " ").replace("_", " ").split())
    if plain in PLANT_TYPES:
        return plain
    return _SAME_AS.get(plain)


def monthly_coefficients(plant_type: str) -> FloatArray:
    """Coefficients of a plant type from January to December.

    Parameters
    ----------
    plant_type : str
        A key of `PLANT_TYPES`.

    Returns
    -------
    ndarray of float64, shape (12,)
        On reference evapotranspiration of grass, ETo. [1]

    Raises
    ------
    KeyError
        If there is no such type; see `known_plant_type`.

    References
    ----------
    .. [1] Meyer, J. L., Gibeault, V. A. and Youngner, V. B., 1985, as printed by the University of
       California, Center for Landscape and Urban Horticulture, Table 1. Measured in southern
       California: winters with frost use less.
    .. [2] University of California Cooperative Extension and California Department of Water
       Resources, 2000. A guide to estimating irrigation water needs of landscape plantings.

    Examples
    --------
    >>> float(monthly_coefficients("cool_season_turf")[3])
    1.04
    """
    return np.array(PLANT_TYPES[plant_type].monthly)


def annual_coefficient(plant_type: str) -> float:
    """Coefficient of a plant type for the whole year, as printed.

    Parameters
    ----------
    plant_type : str
        A key of `PLANT_TYPES`.

    Returns
    -------
    float
        On annual ETo; for warm-season turf 0.60, although its months' mean is 0.651. [1]

    Examples
    --------
    >>> annual_coefficient("warm_season_turf")
    0.6
    """
    return PLANT_TYPES[plant_type].annual


def landscape_coefficient(
    species_factor: ArrayLike, density_factor: ArrayLike = 1.0, microclimate_factor: ArrayLike = 1.0
) -> FloatArray:
    """Landscape coefficient of mixed planting, KL.

    Parameters
    ----------
    species_factor : array_like
        ks, see `PLANT_FACTOR_RANGES`, ≥ 0. [1]
    density_factor : array_like, broadcastable
        kd, from 0.5 (sparse) to 1.3 (dense, in layers); range from memory. [1]
    microclimate_factor : array_like, broadcastable
        kmc, from 0.5 (shaded, sheltered) to 1.4 (beside paving, windy); range from memory. [1]

    Returns
    -------
    ndarray of float64
        KL = ks·kd·kmc. [1]

    References
    ----------
    .. [1] University of California Cooperative Extension and California Department of Water
       Resources, 2000. A guide to estimating irrigation water needs of landscape plantings.

    Examples
    --------
    >>> round(float(landscape_coefficient(0.5, 1.2, 0.9)), 4)
    0.54
    """
    ks, kd, kmc = (
        np.asarray(factor, dtype=np.float64)
        for factor in (species_factor, density_factor, microclimate_factor)
    )
    return np.asarray(ks * kd * kmc)


def plant_evapotranspiration_mm(eto_mm: ArrayLike, coefficient: ArrayLike) -> FloatArray:
    """Water that the plants use: reference evapotranspiration times their coefficient.

    Parameters
    ----------
    eto_mm : array_like
        Reference evapotranspiration of any period, ≥ 0. [mm]
    coefficient : array_like, broadcastable
        Turf, plant or landscape coefficient of that period, ≥ 0. [1]

    Returns
    -------
    ndarray of float64
        ETc or ETL of the period. [mm]

    Examples
    --------
    >>> float(plant_evapotranspiration_mm(200.0, 0.5))
    100.0
    """
    return np.asarray(
        np.asarray(eto_mm, dtype=np.float64) * np.asarray(coefficient, dtype=np.float64)
    )
