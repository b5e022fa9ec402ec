"""Annual water allowances and estimated uses of landscape rules, in the rules' own US units.

These functions are the one place where equations are in inches, square feet and gallons: the rules
are written that way, and their factor 0.62 is part of them. It is the rounded 144/231 = 0.6234
gallons that an inch puts on a square foot, so an allowance in exact units would be 0.54 % higher
than the one that a plan checker computes.

Local codes differ and change. A number from here is an estimate; the local agency decides.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.units import FloatArray

# California Code of Regulations, title 23, division 2, chapter 2.7, section 492.4: the rule's own
# rounded factor. [gal/(in·ft²)]
RULE_GAL_PER_IN_FT2 = 0.62
# Evapotranspiration adjustment factors. Residential, non-residential: section 492.4. 2009: the same
# section as of 2009. Existing landscapes over an acre: section 493, read in a city code.
ADJUSTMENT_FACTORS: Mapping[str, float] = {
    "residential": 0.55,
    "non_residential": 0.45,
    "rule_of_2009": 0.7,
    "existing_over_one_acre": 0.8,
}
# Irrigation efficiency that the rule takes for the kind of irrigation; section 492.4 and, for the
# whole site in 2009, the same section as of 2009.
IRRIGATION_EFFICIENCIES: Mapping[str, float] = {
    "overhead_spray": 0.75,
    "drip": 0.81,
    "rule_of_2009": 0.71,
}
# Effective rain may be counted up to this share of the annual rain (local codes).
GREATEST_RAIN_SHARE = 0.25

# Water-budget approach of the US Environmental Protection Agency, 2009 revision. The share was
# read; the factor and the forms below are from memory.
EPA_ALLOWANCE_SHARE = 0.70
EPA_GAL_PER_IN_FT2 = 0.6233
# Low-quarter uniformity by kind of irrigation, same approach, from memory.
EPA_LOW_QUARTER_UNIFORMITY: Mapping[str, float] = {
    "fixed_spray": 0.65,
    "rotor": 0.70,
    "micro_spray": 0.70,
    "drip": 0.70,
    "drip_pressure_compensating": 0.90,
}


def maximum_applied_water_allowance_gal(
    eto_in: ArrayLike,
    landscape_area_ft2: ArrayLike,
    *,
    special_area_ft2: ArrayLike = 0.0,
    adjustment_factor: float = ADJUSTMENT_FACTORS["residential"],
    effective_rain_in: ArrayLike = 0.0,
) -> FloatArray:
    """Maximum applied water allowance of a year, MAWA.

    Parameters
    ----------
    eto_in : array_like
        Annual reference evapotranspiration, ≥ 0. [in]
    landscape_area_ft2 : array_like, broadcastable
        Whole irrigated landscape, the special area included, ≥ 0. [ft²]
    special_area_ft2 : array_like, broadcastable
        Special landscape area: edible plants, recycled water, recreation. [ft²]
    adjustment_factor : float
        ETAF, see `ADJUSTMENT_FACTORS`. [1]
    effective_rain_in : array_like, broadcastable
        Annual effective rain where the local code subtracts it, at most `GREATEST_RAIN_SHARE` of
        the annual rain. [in]

    Returns
    -------
    ndarray of float64
        Not below 0. [US gal/yr]

    Notes
    -----
    (ETo − Eppt)·0.62·[ETAF·LA + (1 − ETAF)·SLA]. The rule of 2009 is the same with 0.7, hence
    0.7·LA + 0.3·SLA. For existing landscapes over an acre, 0.8·ETo·LA·0.62, special areas are left
    out. The term of the special area stands inside the brackets; a hand-out is in print that adds
    it outside.

    References
    ----------
    .. [1] California Code of Regulations, title 23, division 2, chapter 2.7, sections 492.4, 493.

    Examples
    --------
    >>> float(maximum_applied_water_allowance_gal(51.1, 50_000.0, adjustment_factor=0.7).round())
    1108870.0
    """
    eto, area, special, rain = _float_arrays(
        eto_in, landscape_area_ft2, special_area_ft2, effective_rain_in
    )
    adjusted_area = adjustment_factor * area + (1.0 - adjustment_factor) * special
    return np.asarray(np.maximum(eto - rain, 0.0) * RULE_GAL_PER_IN_FT2 * adjusted_area)


def estimated_total_water_use_gal(
    eto_in: float,
    plant_factor: ArrayLike,
    irrigation_efficiency: ArrayLike,
    area_ft2: ArrayLike,
    *,
    special_area_ft2: float = 0.0,
) -> float:
    """Estimated total water use of a year, ETWU, over all hydrozones.

    Parameters
    ----------
    eto_in : float
        Annual reference evapotranspiration, ≥ 0. [in]
    plant_factor : array_like, shape (n,)
        Of each hydrozone, ≥ 0. [1]
    irrigation_efficiency : array_like, broadcastable
        Of each hydrozone, in (0, 1]; see `IRRIGATION_EFFICIENCIES`. [1]
    area_ft2 : array_like, shape (n,)
        Of each hydrozone, special areas left out, ≥ 0. [ft²]
    special_area_ft2 : float
        Special landscape area, which counts with a factor of 1. [ft²]

    Returns
    -------
    float
        [US gal/yr]

    Notes
    -----
    ETo·0.62·[Σ(PF/IE·HA) + SLA]. It must not exceed the allowance.

    References
    ----------
    .. [1] California Code of Regulations, title 23, division 2, chapter 2.7, section 492.4.

    Examples
    --------
    >>> round(estimated_total_water_use_gal(50.0, [0.75], [0.75], [1000.0]))
    31000
    """
    factor, efficiency, area = _float_arrays(plant_factor, irrigation_efficiency, area_ft2)
    adjusted_area = float(np.sum(factor / efficiency * area)) + special_area_ft2
    return eto_in * RULE_GAL_PER_IN_FT2 * adjusted_area


def average_adjustment_factor(
    plant_factor: ArrayLike,
    irrigation_efficiency: ArrayLike,
    area_ft2: ArrayLike,
    *,
    special_area_ft2: float = 0.0,
) -> float:
    """Mean adjustment factor ETAF = PF/IE of the hydrozones, by area.

    Parameters
    ----------
    plant_factor, irrigation_efficiency, area_ft2 : array_like
        As in `estimated_total_water_use_gal`.
    special_area_ft2 : float
        0 gives the average of the regular landscape, which the rule limits; the special area gives
        the site-wide factor. [ft²]

    Returns
    -------
    float
        NaN without any area. [1]

    References
    ----------
    .. [1] California Code of Regulations, title 23, division 2, chapter 2.7, appendix B.

    Examples
    --------
    >>> average_adjustment_factor([0.75, 0.3], [0.75, 0.75], [100.0, 300.0])
    0.55
    """
    factor, efficiency, area = _float_arrays(plant_factor, irrigation_efficiency, area_ft2)
    factor, efficiency, area = np.broadcast_arrays(factor, efficiency, area)
    total = float(np.sum(area)) + special_area_ft2
    adjusted = float(np.sum(factor / efficiency * area)) + special_area_ft2
    return adjusted / total if total > 0.0 else float("nan")


def landscape_water_allowance_gal(
    peak_eto_in: ArrayLike, area_ft2: ArrayLike, *, share: float = EPA_ALLOWANCE_SHARE
) -> FloatArray:
    """Landscape water allowance of the peak month, LWA, by the federal water-budget approach.

    Parameters
    ----------
    peak_eto_in : array_like
        Reference evapotranspiration of the month that needs most water, ≥ 0. [in]
    area_ft2 : array_like, broadcastable
        Whole landscape, ≥ 0. [ft²]
    share : float
        Allowed share of the baseline ETo·A·0.6233. [1]

    Returns
    -------
    ndarray of float64
        [US gal/month]

    References
    ----------
    .. [1] US Environmental Protection Agency, water-budget approach, revised 2009. Share read, form
       from memory.

    Examples
    --------
    >>> float(landscape_water_allowance_gal(9.0, 5000.0).round(2))
    19633.95
    """
    eto, area = _float_arrays(peak_eto_in, area_ft2)
    return np.asarray(share * eto * area * EPA_GAL_PER_IN_FT2)


def landscape_water_requirement_gal(
    peak_eto_in: ArrayLike,
    landscape_coefficient: ArrayLike,
    low_quarter_uniformity: ArrayLike,
    area_ft2: ArrayLike,
    *,
    effective_rain_in: ArrayLike = 0.0,
) -> FloatArray:
    """Water that a hydrozone needs in the peak month, LWR, by the federal approach.

    Parameters
    ----------
    peak_eto_in : array_like
        As in `landscape_water_allowance_gal`. [in]
    landscape_coefficient : array_like, broadcastable
        KL of the hydrozone, ≥ 0. [1]
    low_quarter_uniformity : array_like, broadcastable
        DUlq, in (0, 1]; see `EPA_LOW_QUARTER_UNIFORMITY`. [1]
    area_ft2 : array_like, broadcastable
        [ft²]
    effective_rain_in : array_like, broadcastable
        A quarter of the rain of that month. [in]

    Returns
    -------
    ndarray of float64
        Not below 0; the sum over the hydrozones must not exceed the allowance. [US gal/month]

    References
    ----------
    .. [1] US Environmental Protection Agency, water-budget approach, revised 2009. From memory.

    Examples
    --------
    >>> float(landscape_water_requirement_gal(10.0, 0.5, 0.5, 100.0).round(2))
    623.3
    """
    eto, coefficient, uniformity, area, rain = _float_arrays(
        peak_eto_in, landscape_coefficient, low_quarter_uniformity, area_ft2, effective_rain_in
    )
    net = np.maximum(eto * coefficient - rain, 0.0)
    return np.asarray(net / uniformity * area * EPA_GAL_PER_IN_FT2)


def _float_arrays(*values: ArrayLike) -> tuple[FloatArray, ...]:
    return tuple(np.asarray(value, dtype=np.float64) for value in values)
