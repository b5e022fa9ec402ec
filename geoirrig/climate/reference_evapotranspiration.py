"""Reference evapotranspiration of grass, ETo, from weather, through the library pyet.

FAO-56 Penman-Monteith where humidity, wind and radiation are known beside temperature, else
Hargreaves-Samani, which needs temperature alone.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
import pyet

from geoirrig.errors import GeoirrigError
from geoirrig.records import ClimateRecord, WeatherSeries
from geoirrig.units import FloatArray

EvapotranspirationMethod = Literal["fao56_penman_monteith", "hargreaves_samani_1985"]

# Soil heat flux of a month, FAO-56 equation 44. [MJ/(m²·d·K)]
_HEAT_FLUX_PER_KELVIN = 0.14
_MIDDLE_DAY = 14  # days after the first: FAO-56 takes a month by its 15th


def computable_method(weather: WeatherSeries) -> EvapotranspirationMethod:
    """The better of the two methods for which the weather suffices.

    Parameters
    ----------
    weather : WeatherSeries
        What the station measures.

    Returns
    -------
    {"fao56_penman_monteith", "hargreaves_samani_1985"}
        The first where humidity (of any kind), wind and radiation or sunshine are all there.
    """
    if weather.missing_for_penman_monteith:
        return "hargreaves_samani_1985"
    return "fao56_penman_monteith"


def reference_evapotranspiration(
    record: ClimateRecord, *, method: EvapotranspirationMethod | None = None
) -> FloatArray:
    """Reference evapotranspiration of grass of each day, or mean of the days of each month.

    Parameters
    ----------
    record : ClimateRecord
        With ``eto_mm``, which is then taken as it is, or with weather and latitude.
    method : {"fao56_penman_monteith", "hargreaves_samani_1985"}, optional
        The best computable one where not given.

    Returns
    -------
    ndarray of float64, shape (n_steps,)
        Not below 0. [mm/d]

    Raises
    ------
    GeoirrigError
        If the weather lacks what the method needs.
    ValueError
        If the record holds neither, or lacks the latitude.

    Notes
    -----
    FAO-56 Penman-Monteith, with albedo 0.23 and Rso = (0.75 + 2·10⁻⁵·z)·Ra:

    ETo = [0.408·Δ·(Rn − G) + γ·900/(T + 273)·u2·(es − ea)] / [Δ + γ·(1 + 0.34·u2)]

    - Of a day G is 0. Of a month G = 0.14·(T − T of the month before), and 0 in the first month of
      the record, which has none before it. A month is taken by its 15th.
    - ea is the vapour pressure where given, else from the dew point, from the highest and lowest,
      or from the mean relative humidity, in this order.
    - Wind is brought to 2 m by 4.87/ln(67.8·z − 5.42).
    - Sunshine hours give Rs = (0.25 + 0.50·n/N)·Ra; n above N counts as N.

    Hargreaves-Samani: 0.0023·(T + 17.8)·√(Tmax − Tmin)·Ra/λ with λ = 2.501 − 0.002361·T. FAO-56
    prints it with 1/λ = 0.408; the two differ by 0.1 % at 20 °C.

    References
    ----------
    .. [1] Allen, R. G., Pereira, L. S., Raes, D. and Smith, M., 1998. Crop evapotranspiration.
       FAO irrigation and drainage paper 56, equations 6, 37, 44, 47, 52.
    .. [2] Hargreaves, G. H. and Samani, Z. A., 1985. Reference crop evapotranspiration from
       temperature. Applied Engineering in Agriculture 1(2):96-99.

    Examples
    --------
    >>> lyon_july = ClimateRecord(  # FAO-56, example 20
    ...     step="monthly", date=np.array(["2023-07-01"], dtype="datetime64[D]"),
    ...     rain_mm=np.array([0.0]), latitude_deg=45.72, altitude_m=200.0,
    ...     weather=WeatherSeries(
    ...         temperature_min_c=np.array([14.8]), temperature_max_c=np.array([26.6])))
    >>> reference_evapotranspiration(lyon_july).round(1).tolist()
    [5.0]
    """
    if record.eto_mm is not None:
        return np.asarray(record.eto_mm / record.days)
    weather = record.weather
    if weather is None or not np.isfinite(record.latitude_deg):
        raise ValueError("evapotranspiration needs weather and the latitude of the station")
    method = computable_method(weather) if method is None else method
    index, latitude_rad = _index(record), float(np.radians(record.latitude_deg))
    tmin, tmax = (
        _series(weather.temperature_min_c, index),
        _series(weather.temperature_max_c, index),
    )
    if method == "hargreaves_samani_1985":
        # Its method 0; method 1 has another coefficient.
        eto = pyet.hargreaves((tmin + tmax) / 2.0, tmax, tmin, latitude_rad, method=0)
        return np.asarray(eto, dtype=np.float64)
    missing = weather.missing_for_penman_monteith
    if missing or weather.wind_speed_m_s is None:
        raise GeoirrigError(
            f"Evapotranspiration by {method!r} needs more weather than the climate file holds: it "
            f"has no {' and no '.join(missing)}. Add these columns, or choose "
            "'hargreaves_samani_1985', which needs temperature alone."
        )
    eto = pyet.pm_fao56(
        (tmin + tmax) / 2.0,
        _series(weather.wind_speed_m_s, index) * wind_at_2_m_factor(weather.wind_height_m),
        rs=_series(_solar_radiation(weather, index, latitude_rad), index),
        tmax=tmax,
        tmin=tmin,
        ea=_series(vapour_pressure_kpa(weather), index),
        elevation=record.altitude_m,
        lat=latitude_rad,
        g=_series(_soil_heat_flux(record, weather), index),
    )
    return np.asarray(eto, dtype=np.float64)


def wind_at_2_m_factor(height_m: float) -> float:
    """Wind speed 2 m above the ground over that at another height, above grass.

    Parameters
    ----------
    height_m : float
        Height of the anemometer, ≥ 0.5. [m]

    Returns
    -------
    float
        4.87/ln(67.8·z − 5.42), and exactly 1 at 2 m, where the formula gives 1.0001. [1]

    References
    ----------
    .. [1] Allen and others, 1998. FAO irrigation and drainage paper 56, equation 47.

    Examples
    --------
    >>> round(wind_at_2_m_factor(10.0), 3)
    0.748
    """
    return 1.0 if height_m == 2.0 else float(4.87 / np.log(67.8 * height_m - 5.42))


def vapour_pressure_kpa(weather: WeatherSeries) -> FloatArray:
    """Actual vapour pressure from whichever kind of humidity is known.

    Parameters
    ----------
    weather : WeatherSeries
        With humidity of any kind; the first of vapour pressure, dew point, highest and lowest
        relative humidity, mean relative humidity is taken.

    Returns
    -------
    ndarray of float64
        [kPa]

    Raises
    ------
    ValueError
        If there is none.

    References
    ----------
    .. [1] Allen and others, 1998. FAO irrigation and drainage paper 56, equations 14, 17, 19.
    """
    if weather.vapour_pressure_kpa is not None:
        return weather.vapour_pressure_kpa
    if weather.dew_point_c is not None:
        return np.asarray(pyet.calc_e0(weather.dew_point_c))
    at_min = pyet.calc_e0(weather.temperature_min_c)
    at_max = pyet.calc_e0(weather.temperature_max_c)
    low, high = weather.relative_humidity_min_pct, weather.relative_humidity_max_pct
    if low is not None and high is not None:
        return np.asarray((at_min * high + at_max * low) / 200.0)
    if weather.relative_humidity_mean_pct is None:
        raise ValueError("no humidity is known")
    return np.asarray(weather.relative_humidity_mean_pct * (at_min + at_max) / 200.0)


def _solar_radiation(
    weather: WeatherSeries, index: pd.DatetimeIndex, latitude_rad: float
) -> FloatArray:
    """Measured, else from the hours of sunshine. [MJ/(m²·d)]."""
    if weather.solar_radiation_mj_m2 is not None:
        return weather.solar_radiation_mj_m2
    if weather.sunshine_hours is None:
        raise ValueError("neither radiation nor sunshine is known")
    # In the polar night the longest sunshine is 0 h, and so is the radiation.
    longest = np.maximum(np.asarray(pyet.daylight_hours(index, latitude_rad)), 1e-6)
    sunshine = _series(np.minimum(weather.sunshine_hours, longest), index)
    radiation = pyet.calc_rad_sol_in(sunshine, latitude_rad, nn=_series(longest, index))
    return np.asarray(radiation, dtype=np.float64)


def _soil_heat_flux(record: ClimateRecord, weather: WeatherSeries) -> FloatArray:
    """Heat that the soil takes up. [MJ/(m²·d)]."""
    mean_c = (weather.temperature_min_c + weather.temperature_max_c) / 2.0
    if record.step == "daily":
        return np.zeros_like(mean_c)
    return _HEAT_FLUX_PER_KELVIN * np.diff(mean_c, prepend=mean_c[:1])


def _index(record: ClimateRecord) -> pd.DatetimeIndex:
    """Days that the sun's place is taken of."""
    shift = 0 if record.step == "daily" else _MIDDLE_DAY
    # In nanoseconds, as the library's own tests have them.
    return pd.DatetimeIndex((record.date + np.timedelta64(shift, "D")).astype("datetime64[ns]"))


def _series(values: FloatArray, index: pd.DatetimeIndex) -> pd.Series[float]:
    return pd.Series(np.asarray(values, dtype=np.float64), index=index)
