"""The part of the rain that plants can use, by published methods.

Each method belongs to a period: some are for the rain of one day, others for that of one calendar
month. A monthly formula fed with days, or with the mean month of many years, gives other numbers;
`geoirrig.climate.mean_year` applies each method to its own period and averages afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.units import MM_PER_INCH, FloatArray

RainPeriod = Literal["any", "daily", "monthly"]

# Common practice, no source. Californian landscape rules allow at most 0.25 of the annual rain
# (California Code of Regulations, title 23, section 492.4 and the local codes that repeat it).
DEFAULT_RAIN_SHARE = 0.5
# Storage for which the NRCS correction factor is 1 (to 0.1 %).
NRCS_STANDARD_STORAGE_MM = 3.0 * MM_PER_INCH


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectiveRainMethod:
    """A method: the period whose rain it takes, whether it needs the plants' use, its source."""

    period: RainPeriod
    needs_plant_use: bool
    source: str


EFFECTIVE_RAIN_METHODS: Mapping[str, EffectiveRainMethod] = {
    "fixed_share": EffectiveRainMethod(
        period="any",
        needs_plant_use=False,
        source="common practice, no source",
    ),
    "usda_scs": EffectiveRainMethod(
        period="monthly",
        needs_plant_use=False,
        source="USDA Soil Conservation Service, metric monthly form of public water-budget models",
    ),
    "fao_dependable": EffectiveRainMethod(
        period="monthly",
        needs_plant_use=False,
        source="FAO dependable rain, 80 % (from memory)",
    ),
    "fao_1986": EffectiveRainMethod(
        period="monthly",
        needs_plant_use=False,
        source="FAO, Irrigation water management, training manual 3, 1986 (form from memory)",
    ),
    "nrcs_tr21": EffectiveRainMethod(
        period="monthly",
        needs_plant_use=True,
        source="USDA NRCS, National Engineering Handbook 623.0207, after Technical Release 21 "
        "(coefficients from memory)",
    ),
    "texas_daily": EffectiveRainMethod(
        period="daily",
        needs_plant_use=False,
        source="Texas A&M evapotranspiration network, page on effective rainfall",
    ),
}


def effective_rain_fixed_share(
    rain_mm: ArrayLike, *, share: float = DEFAULT_RAIN_SHARE
) -> FloatArray:
    """A fixed share of the rain, over any period.

    Parameters
    ----------
    rain_mm : array_like
        Rain, ≥ 0. [mm]
    share : float
        From 0 to 1. [1]

    Returns
    -------
    ndarray of float64
        [mm]

    Notes
    -----
    Common practice, no source. Californian rules cap the share at 0.25 of the annual rain.

    Examples
    --------
    >>> float(effective_rain_fixed_share(40.0, share=0.25))
    10.0
    """
    return share * np.asarray(rain_mm, dtype=np.float64)


def effective_rain_usda_scs(rain_mm: ArrayLike) -> FloatArray:
    """Effective rain of a month by the metric formula of the USDA Soil Conservation Service.

    Parameters
    ----------
    rain_mm : array_like
        Rain of one month, ≥ 0. [mm]

    Returns
    -------
    ndarray of float64
        Of the month; without a break at 250 mm. [mm]

    Notes
    -----
    P·(125 − 0.2·P)/125 up to P = 250 mm, else 125 + 0.1·P.

    References
    ----------
    .. [1] USDA Soil Conservation Service method as public monthly water-budget models print it;
       the example of 84 mm from 100 mm stands on a public calculator page.

    Examples
    --------
    >>> effective_rain_usda_scs([100.0, 300.0]).tolist()
    [84.0, 155.0]
    """
    rain = np.asarray(rain_mm, dtype=np.float64)
    return np.where(rain > 250.0, 125.0 + 0.1 * rain, rain * (125.0 - 0.2 * rain) / 125.0)


def effective_rain_fao_dependable(rain_mm: ArrayLike) -> FloatArray:
    """Rain of a month that comes four years in five, by the rule of FAO.

    Parameters
    ----------
    rain_mm : array_like
        Rain of one month, ≥ 0. [mm]

    Returns
    -------
    ndarray of float64
        Of the month; without a break at 70 mm. [mm]

    Notes
    -----
    0.8·P − 24 above P = 70 mm, else 0.6·P − 10, not below 0. From memory.

    Examples
    --------
    >>> effective_rain_fao_dependable([10.0, 50.0, 100.0]).tolist()
    [0.0, 20.0, 56.0]
    """
    rain = np.asarray(rain_mm, dtype=np.float64)
    return np.where(rain > 70.0, 0.8 * rain - 24.0, np.maximum(0.6 * rain - 10.0, 0.0))


def effective_rain_fao_1986(rain_mm: ArrayLike) -> FloatArray:
    """Effective rain of a month on slopes up to 4 or 5 %, by FAO's training manual.

    Parameters
    ----------
    rain_mm : array_like
        Rain of one month, ≥ 0. [mm]

    Returns
    -------
    ndarray of float64
        Of the month; without a break at 75 mm. [mm]

    Notes
    -----
    0.8·P − 25 above P = 75 mm, else 0.6·P − 10, not below 0. Form from memory, constants read.
    Public programs also print this with a break at 100 or 250 mm; those forms jump there.

    References
    ----------
    .. [1] Brouwer, C. and Heibloem, M., 1986. Irrigation water needs. Irrigation water management,
       training manual 3. FAO, Rome (reference from memory).

    Examples
    --------
    >>> effective_rain_fao_1986([50.0, 75.0, 100.0]).tolist()
    [20.0, 35.0, 55.0]
    """
    rain = np.asarray(rain_mm, dtype=np.float64)
    return np.where(rain > 75.0, 0.8 * rain - 25.0, np.maximum(0.6 * rain - 10.0, 0.0))


def effective_rain_nrcs_tr21(
    rain_mm: ArrayLike,
    plant_use_mm: ArrayLike,
    *,
    storage_mm: ArrayLike = NRCS_STANDARD_STORAGE_MM,
) -> FloatArray:
    """Effective rain of a month from the rain, the plants' use and the soil's usable storage.

    Parameters
    ----------
    rain_mm : array_like
        Rain of one month, ≥ 0. [mm]
    plant_use_mm : array_like, broadcastable
        Evapotranspiration of the plants in the month, ≥ 0. [mm]
    storage_mm : array_like, broadcastable
        Usable soil-water storage, the depth that irrigation fills up, > 0. [mm]

    Returns
    -------
    ndarray of float64
        Of the month; neither above the rain nor above the use. [mm]

    Notes
    -----
    In inches, Pe = SF·(0.70917·P^0.82416 − 0.11556)·10^(0.02426·ETc), not below 0, with
    SF = 0.531747 + 0.295164·D − 0.057697·D² + 0.003804·D³. Coefficients from memory. Turf with
    shallow roots has D well below the 3 in for which SF is 1.

    References
    ----------
    .. [1] USDA Natural Resources Conservation Service. National Engineering Handbook, part 623,
       chapter 2, section 623.0207, after Technical Release 21.

    Examples
    --------
    >>> inches = effective_rain_nrcs_tr21(2.0 * 25.4, 4.0 * 25.4, storage_mm=3.0 * 25.4) / 25.4
    >>> round(float(inches), 3)
    1.426
    """
    rain = np.asarray(rain_mm, dtype=np.float64) / MM_PER_INCH
    use = np.asarray(plant_use_mm, dtype=np.float64) / MM_PER_INCH
    depth = np.asarray(storage_mm, dtype=np.float64) / MM_PER_INCH
    factor = 0.531747 + 0.295164 * depth - 0.057697 * depth**2 + 0.003804 * depth**3
    effective = factor * (0.70917 * rain**0.82416 - 0.11556) * 10.0 ** (0.02426 * use)
    return np.asarray(np.clip(effective, 0.0, np.minimum(rain, use)) * MM_PER_INCH)


def effective_rain_texas_daily(rain_mm: ArrayLike) -> FloatArray:
    """Effective rain of a day: the first tenth of an inch is lost, and what exceeds two inches.

    Parameters
    ----------
    rain_mm : array_like
        Rain of one day, ≥ 0. [mm]

    Returns
    -------
    ndarray of float64
        Of the day, at most 39.8 mm. [mm]

    Notes
    -----
    Nothing of the first 0.1 in, all from 0.1 to 1 in, two thirds from 1 to 2 in, nothing above.

    References
    ----------
    .. [1] Texas A&M evapotranspiration network, page on effective rainfall.

    Examples
    --------
    >>> round(float(effective_rain_texas_daily(1.5 * 25.4) / 25.4), 3)  # 0.9 + 2/3 × 0.5
    1.233
    """
    rain = np.asarray(rain_mm, dtype=np.float64) / MM_PER_INCH
    in_full = np.clip(rain, 0.1, 1.0) - 0.1
    in_part = np.clip(rain, 1.0, 2.0) - 1.0
    return np.asarray((in_full + 2.0 / 3.0 * in_part) * MM_PER_INCH)


def effective_rain(
    method: str,
    rain_mm: ArrayLike,
    *,
    share: float = DEFAULT_RAIN_SHARE,
    plant_use_mm: ArrayLike | None = None,
    storage_mm: ArrayLike = NRCS_STANDARD_STORAGE_MM,
) -> FloatArray:
    """Effective rain by the method of that name.

    Parameters
    ----------
    method : str
        A key of `EFFECTIVE_RAIN_METHODS`.
    rain_mm : array_like
        Rain of the method's own period, ≥ 0. [mm]
    share : float
        For ``fixed_share``. [1]
    plant_use_mm, storage_mm : array_like
        For ``nrcs_tr21``. [mm]

    Returns
    -------
    ndarray of float64
        [mm]

    Raises
    ------
    ValueError
        If there is no such method, or it needs the plants' use and that is not given.

    Examples
    --------
    >>> float(effective_rain("usda_scs", 50.0))
    46.0
    """
    if method not in EFFECTIVE_RAIN_METHODS:
        known = ", ".join(EFFECTIVE_RAIN_METHODS)
        raise ValueError(f"no method of effective rain is named {method!r}; known are {known}")
    if method == "fixed_share":
        return effective_rain_fixed_share(rain_mm, share=share)
    if method == "nrcs_tr21":
        if plant_use_mm is None:
            raise ValueError(f"{method} needs the plants' use of the month")
        return effective_rain_nrcs_tr21(rain_mm, plant_use_mm, storage_mm=storage_mm)
    formulas = {
        "usda_scs": effective_rain_usda_scs,
        "fao_dependable": effective_rain_fao_dependable,
        "fao_1986": effective_rain_fao_1986,
        "texas_daily": effective_rain_texas_daily,
    }
    return formulas[method](rain_mm)
