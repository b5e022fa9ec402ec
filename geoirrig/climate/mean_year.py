"""The mean year of a climate record: evapotranspiration, rain and effective rain by month."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoirrig.climate.reference_evapotranspiration import (
    EvapotranspirationMethod,
    computable_method,
    reference_evapotranspiration,
)
from geoirrig.errors import GeoirrigError
from geoirrig.physics.effective_rain import (
    DEFAULT_RAIN_SHARE,
    EFFECTIVE_RAIN_METHODS,
    NRCS_STANDARD_STORAGE_MM,
    effective_rain,
)
from geoirrig.physics.plant_water_use import MONTHS
from geoirrig.records import ClimateRecord, IntArray, MeanYear
from geoirrig.units import FloatArray


def mean_year(
    record: ClimateRecord,
    *,
    evapotranspiration_method: EvapotranspirationMethod | None = None,
    effective_rain_method: str = "usda_scs",
    rain_share: float = DEFAULT_RAIN_SHARE,
    plant_coefficient: ArrayLike = 1.0,
    storage_mm: float = NRCS_STANDARD_STORAGE_MM,
) -> MeanYear:
    """Mean of each calendar month over the years of a record.

    Effective rain is computed day by day or month by month, as its method asks, in every year, and
    averaged afterwards: the formulas are curved, and the mean of a wet and a dry month is not what
    either leaves to the plants.

    Parameters
    ----------
    record : ClimateRecord
        Whole months, each calendar month at least once.
    evapotranspiration_method : {"fao56_penman_monteith", "hargreaves_samani_1985"}, optional
        As in `reference_evapotranspiration`.
    effective_rain_method : str
        A key of `EFFECTIVE_RAIN_METHODS`.
    rain_share : float
        For ``fixed_share``, from 0 to 1. [1]
    plant_coefficient : array_like, shape (12,) or a number
        For ``nrcs_tr21``: from January to December, what makes ETo the plants' use. [1]
    storage_mm : float
        For ``nrcs_tr21``: usable storage of the soil, > 0. [mm]

    Returns
    -------
    MeanYear

    Raises
    ------
    GeoirrigError
        If the method takes the rain of single days and the record is monthly.
    ValueError
        If there is no such method.
    """
    group = _calendar_months(record)
    first = int(record.date[0].astype("datetime64[M]").astype(np.int64))
    month_of_group = (first + np.arange(group[-1] + 1)) % MONTHS
    eto_mm = reference_evapotranspiration(record, method=evapotranspiration_method) * record.days
    eto_of_months, rain_of_months = _sums(group, eto_mm), _sums(group, record.rain_mm)
    coefficient = np.broadcast_to(np.asarray(plant_coefficient, dtype=np.float64), (MONTHS,))
    if _takes_days(effective_rain_method, record):
        effective = _sums(group, effective_rain(effective_rain_method, record.rain_mm))
    else:
        effective = effective_rain(
            effective_rain_method,
            rain_of_months,
            share=rain_share,
            plant_use_mm=coefficient[month_of_group] * eto_of_months,
            storage_mm=storage_mm,
        )
    years: IntArray = np.bincount(month_of_group, minlength=MONTHS).astype(np.int64)
    return MeanYear(
        days=_sums(month_of_group, _sums(group, record.days)) / years,
        eto_mm=_sums(month_of_group, eto_of_months) / years,
        rain_mm=_sums(month_of_group, rain_of_months) / years,
        effective_rain_mm=_sums(month_of_group, effective) / years,
        years=years,
        effective_rain_method=effective_rain_method,
        evapotranspiration_method=_method_used(record, evapotranspiration_method),
    )


def _calendar_months(record: ClimateRecord) -> NDArray[np.int64]:
    """Number of the calendar month of every step, the first of the record being 0."""
    month = record.date.astype("datetime64[M]").astype(np.int64)
    return np.asarray(month - month[0])


def _sums(group: NDArray[np.int64], values: FloatArray) -> FloatArray:
    return np.asarray(np.bincount(group, weights=values), dtype=np.float64)


def _takes_days(method: str, record: ClimateRecord) -> bool:
    """Whether a method takes the rain of single days, which the record must then have."""
    known = EFFECTIVE_RAIN_METHODS.get(method)
    if known is None or known.period != "daily":
        return False
    if record.step != "daily":
        others = ", ".join(n for n, m in EFFECTIVE_RAIN_METHODS.items() if m.period != "daily")
        raise GeoirrigError(
            f"Effective rain by {method!r} takes the rain of single days, and the climate file is "
            f"monthly. Give a daily file, or choose one of: {others}."
        )
    return True


def _method_used(record: ClimateRecord, method: EvapotranspirationMethod | None) -> str:
    if record.eto_mm is not None or record.weather is None:
        return "as_given"
    return method or computable_method(record.weather)
