"""What saved water costs: annuities, levelised cost, present values, payback.

Money is in any one currency, of constant value: with a real discount rate no inflation is added.
Rates are fractions of 1 a year (0.03, not 3), lives are years.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.units import CUBIC_METRES_PER_ACRE_FOOT, FloatArray

# Below this a rate is none: over a thousand years it moves no figure that a double holds.
_NO_RATE = 1e-15


def present_value_factor(discount_rate: ArrayLike, years: ArrayLike) -> FloatArray:
    """Value today of 1 at the end of every year.

    Parameters
    ----------
    discount_rate : array_like
        i, > −1; 0 is allowed. [1/yr]
    years : array_like, broadcastable
        n, ≥ 0. [yr]

    Returns
    -------
    ndarray of float64
        (1 − (1 + i)⁻ⁿ)/i, and n where i is 0. [yr]

    Examples
    --------
    >>> float(present_value_factor(0.0, 5.0))
    5.0
    >>> round(float(present_value_factor(0.25, 2.0)), 6)  # 0.8 + 0.64
    1.44
    """
    rate, life = _float_arrays(discount_rate, years)
    is_rate = np.abs(rate) > _NO_RATE
    discounted = -np.expm1(-life * np.log1p(rate))
    return np.where(is_rate, discounted / np.where(is_rate, rate, 1.0), life)


def capital_recovery_factor(discount_rate: ArrayLike, years: ArrayLike) -> FloatArray:
    """Payment at the end of every year that pays off 1 borrowed today.

    Parameters
    ----------
    discount_rate : array_like
        i, > −1; 0 is allowed. [1/yr]
    years : array_like, broadcastable
        n, > 0. [yr]

    Returns
    -------
    ndarray of float64
        i·(1 + i)ⁿ/((1 + i)ⁿ − 1), 1/n where i is 0; NaN where n is 0. [1/yr]

    References
    ----------
    .. [1] ASHRAE, 2013. Pocket guide, table of annual capital-recovery factors (as reprinted).

    Examples
    --------
    >>> round(float(capital_recovery_factor(0.10, 10.0)), 5)
    0.16275
    """
    return _ratio(np.ones(()), present_value_factor(discount_rate, years))


def levelised_cost_per_m3(
    cost: ArrayLike,
    water_saved_m3_year: ArrayLike,
    discount_rate: ArrayLike,
    years: ArrayLike,
    *,
    annual_cost: ArrayLike = 0.0,
) -> FloatArray:
    """Constant price of a cubic metre at which the water saved would just pay for the measure.

    Parameters
    ----------
    cost : array_like
        Spent at the start, ≥ 0. [money]
    water_saved_m3_year : array_like, broadcastable
        The same every year. [m³/yr]
    discount_rate, years : array_like, broadcastable
        As in `capital_recovery_factor`; the life of the measure. [1/yr], [yr]
    annual_cost : array_like, broadcastable
        Upkeep, at the end of every year, ≥ 0. [money/yr]

    Returns
    -------
    ndarray of float64
        (C·CRF + upkeep)/m³; NaN where no water is saved: there is no such price then. [money/m³]

    Notes
    -----
    The same as the present value of the costs over that of the cubic metres. The saving counts at
    the end of each year and does not fade.

    Examples
    --------
    >>> float(levelised_cost_per_m3(100.0, 10.0, 0.0, 5.0))  # 20 a year for 10 m³
    2.0
    """
    capital, saved, upkeep = _float_arrays(cost, water_saved_m3_year, annual_cost)
    return _ratio(capital * capital_recovery_factor(discount_rate, years) + upkeep, saved)


def cost_per_acre_foot(cost_per_m3: ArrayLike) -> FloatArray:
    """A cost per cubic metre as one per acre-foot, of the international foot.

    Examples
    --------
    >>> float(cost_per_acre_foot(1.0).round(4))
    1233.4818
    """
    return np.asarray(np.asarray(cost_per_m3, dtype=np.float64) * CUBIC_METRES_PER_ACRE_FOOT)


def net_present_value(
    cost: ArrayLike, annual_benefit: ArrayLike, discount_rate: ArrayLike, years: ArrayLike
) -> FloatArray:
    """Value today of the benefits of all years, less the cost.

    Parameters
    ----------
    cost : array_like
        Spent at the start, ≥ 0. [money]
    annual_benefit : array_like, broadcastable
        Water saved times its price, less upkeep, at the end of every year. [money/yr]
    discount_rate, years : array_like, broadcastable
        As in `present_value_factor`. [1/yr], [yr]

    Returns
    -------
    ndarray of float64
        [money]

    Examples
    --------
    >>> round(float(net_present_value(100.0, 100.0, 0.25, 2.0)), 6)
    44.0
    """
    capital, benefit = _float_arrays(cost, annual_benefit)
    return np.asarray(benefit * present_value_factor(discount_rate, years) - capital)


def benefit_cost_ratio(
    cost: ArrayLike,
    annual_benefit: ArrayLike,
    discount_rate: ArrayLike,
    years: ArrayLike,
    *,
    annual_cost: ArrayLike = 0.0,
) -> FloatArray:
    """Present value of the benefits over that of the costs.

    Parameters
    ----------
    cost, discount_rate, years : array_like
        As in `levelised_cost_per_m3`. [money], [1/yr], [yr]
    annual_benefit : array_like, broadcastable
        Water saved times its price, at the end of every year, upkeep not taken off. [money/yr]
    annual_cost : array_like, broadcastable
        Upkeep: it counts among the costs. [money/yr]

    Returns
    -------
    ndarray of float64
        NaN where nothing is spent. [1]

    Examples
    --------
    >>> round(float(benefit_cost_ratio(100.0, 100.0, 0.25, 2.0)), 6)
    1.44
    """
    capital, benefit, upkeep = _float_arrays(cost, annual_benefit, annual_cost)
    factor = present_value_factor(discount_rate, years)
    return _ratio(benefit * factor, capital + upkeep * factor)


def simple_payback_years(cost: ArrayLike, annual_benefit: ArrayLike) -> FloatArray:
    """Years until the benefits, not discounted, have brought the cost back.

    Parameters
    ----------
    cost : array_like
        Spent at the start, ≥ 0. [money]
    annual_benefit : array_like, broadcastable
        Less upkeep. [money/yr]

    Returns
    -------
    ndarray of float64
        0 where nothing is spent for a benefit, NaN where nothing is spent and nothing comes of it,
        infinite where the cost is never brought back; it may exceed the life of the measure. [yr]

    Examples
    --------
    >>> simple_payback_years([240.0, 0.0, 240.0, 0.0], [12.0, 12.0, 0.0, 0.0]).tolist()
    [20.0, 0.0, inf, nan]
    """
    return discounted_payback_years(cost, annual_benefit, 0.0)


def discounted_payback_years(
    cost: ArrayLike, annual_benefit: ArrayLike, discount_rate: ArrayLike
) -> FloatArray:
    """Years until the benefits, discounted, have brought the cost back.

    Parameters
    ----------
    cost, annual_benefit : array_like
        As in `simple_payback_years`. [money], [money/yr]
    discount_rate : array_like, broadcastable
        As in `present_value_factor`. [1/yr]

    Returns
    -------
    ndarray of float64
        The n of which the net present value is 0, −ln(1 − C·i/B)/ln(1 + i), parts of a year
        interpolated so; infinite where C·i is not below B, NaN where C and B are 0. [yr]

    Examples
    --------
    >>> round(float(discounted_payback_years(144.0, 100.0, 0.25)), 6)
    2.0
    """
    capital, benefit, rate = np.broadcast_arrays(
        *_float_arrays(cost, annual_benefit, discount_rate)
    )
    known = ~(np.isnan(capital) | np.isnan(benefit) | np.isnan(rate))
    simple = capital / np.where(benefit > 0.0, benefit, 1.0)
    ever = (benefit > 0.0) & (simple * rate < 1.0)
    is_rate = np.abs(rate) > _NO_RATE
    left = np.log1p(-np.where(ever, simple * rate, 0.0))
    years = np.where(is_rate, -left / np.where(is_rate, np.log1p(rate), 1.0), simple)
    years = np.where(capital <= 0.0, 0.0, np.where(ever, years, np.inf))
    is_nothing = (capital <= 0.0) & (benefit == 0.0)
    return np.where(known & ~is_nothing, years, np.nan)


def _ratio(amount: FloatArray, per: FloatArray) -> FloatArray:
    """Quotient, NaN where the divisor is not above 0."""
    is_any = per > 0.0
    return np.where(is_any, amount / np.where(is_any, per, 1.0), np.nan)


def _float_arrays(*values: ArrayLike) -> tuple[FloatArray, ...]:
    return tuple(np.asarray(value, dtype=np.float64) for value in values)
