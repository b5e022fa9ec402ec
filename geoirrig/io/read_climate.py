"""A climate file: reference evapotranspiration or the weather it follows from, and rain.

The file is a CSV with one row per day or per month. Totals (``eto_mm``, ``rain_mm``) are those of
the row; everything else is a mean over its days, radiation and sunshine per day.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from geoirrig.errors import ProblemList
from geoirrig.io.climate_dates import ClimateDates, days_of_rows, read_dates
from geoirrig.io.column_values import (
    BoolArray,
    check_required_columns,
    filled_rows,
    has_column,
    named_ids,
    named_values,
    number_column,
    require_stated,
)
from geoirrig.io.columns import LayerSchema, NumberColumn, TextColumn, listed, nearest_name
from geoirrig.io.file_formats import CSV
from geoirrig.io.open_layer import LayerTable, read_layer
from geoirrig.records import ClimateRecord, WeatherSeries
from geoirrig.units import FloatArray, celsius_from_fahrenheit

# Limits that only a slip of units or of the pen passes; judgement, no source.
MOST_RAIN_MM_D = 500.0
MOST_ETO_MM_D = 25.0
LEAST_PEAK_MONTH_ETO_MM = 16.0  # a monthly file whose highest total is less holds daily means
# The highest air temperature measured is 56.7 °C and the highest annual mean 34.6 °C (both from
# memory). What lies above these is in Fahrenheit.
MOST_TEMPERATURE_C = 60.0
MOST_MEAN_TEMPERATURE_C = 36.0
DEFAULT_WIND_HEIGHT_M = 2.0  # what FAO-56 refers to

_HUMIDITY = ("relative_humidity_min_pct", "relative_humidity_max_pct", "relative_humidity_mean_pct")
_TEMPERATURES = ("temperature_min", "temperature_max", "dew_point")
_OTHERS = (
    "vapour_pressure_kpa",
    *_HUMIDITY,
    "wind_speed_m_s",
    "solar_radiation_mj_m2",
    "sunshine_hours",
)

CLIMATE = LayerSchema(
    layer="climate",
    id_column="date",
    is_id_unique=True,
    required=("date", "rain_mm"),
    columns=(
        TextColumn(name="date"),
        NumberColumn(name="rain_mm", has_units=True, at_least=0.0),
        NumberColumn(name="eto_mm", has_units=True, at_least=0.0),
        *(NumberColumn(name=f"{name}_c", at_least=-90.0) for name in _TEMPERATURES),
        *(NumberColumn(name=f"{name}_f", at_least=-130.0, at_most=140.0) for name in _TEMPERATURES),
        NumberColumn(name="vapour_pressure_kpa", at_least=0.0, at_most=8.0),
        *(NumberColumn(name=name, at_least=0.0, at_most=100.0) for name in _HUMIDITY),
        NumberColumn(name="wind_speed_m_s", has_units=True, at_least=0.0, at_most=60.0),
        NumberColumn(name="solar_radiation_mj_m2", has_units=True, at_least=0.0, at_most=50.0),
        NumberColumn(name="sunshine_hours", at_least=0.0, at_most=24.0),
    ),
)


def read_climate(
    path: Path,
    problems: ProblemList,
    *,
    latitude_deg: float | None = None,
    altitude_m: float | None = None,
    wind_height_m: float = DEFAULT_WIND_HEIGHT_M,
) -> ClimateRecord | None:
    """Climate of a station; None where anything is at fault.

    Parameters
    ----------
    path : Path
        CSV with ``date``, ``rain_mm``, and ``eto_mm`` or at least the lowest and highest
        temperature. See `CLIMATE` for the columns.
    problems : ProblemList
        Takes every problem of the file and of the options, and warnings.
    latitude_deg : float, optional
        Of the station, north positive; needed where evapotranspiration is computed. [°]
    altitude_m : float, optional
        Of the station; sea level where not given, with a warning where it counts. [m]
    wind_height_m : float
        Of the anemometer, from 0.5 to 100. [m]

    Returns
    -------
    ClimateRecord or None
        In the order of the dates.
    """
    before = len(problems.problems)
    _check_station(latitude_deg, altitude_m, wind_height_m, problems)
    table = _table(path, problems)
    if table is None:
        return None
    check_required_columns(table, problems)
    if table.n_rows == 0:
        problems.add(f"{table.start} holds no rows. Export it again.")
        return None
    _warn_of_unused_columns(table, problems)
    dates = read_dates(table, problems) if "date" in table.columns else None
    rain_mm = _total(table, "rain_mm", MOST_RAIN_MM_D, problems)
    weather = None
    eto_mm = None
    if _states(table, "eto_mm"):
        eto_mm = _total(table, "eto_mm", MOST_ETO_MM_D, problems)
        _check_monthly_totals(table, eto_mm, dates, problems)
    else:
        weather = _weather(table, wind_height_m, problems)
        _check_what_is_needed(table, weather, latitude_deg, altitude_m, problems)
    if dates is None or len(problems.problems) > before:
        return None
    order = np.argsort(dates.date)
    return ClimateRecord(
        step=dates.step,
        date=dates.date[order],
        rain_mm=rain_mm[order],
        eto_mm=None if eto_mm is None else eto_mm[order],
        weather=None if weather is None else _sorted(weather, order),
        latitude_deg=math.nan if latitude_deg is None else latitude_deg,
        altitude_m=0.0 if altitude_m is None else altitude_m,
    )


def _table(path: Path, problems: ProblemList) -> LayerTable | None:
    if path.is_file() and path.suffix.lower() not in CSV.suffixes:
        problems.add(
            f"{str(path)!r} has the suffix {path.suffix!r}; a climate file is a CSV. Save it as "
            "comma-separated values, named .csv."
        )
        return None
    return read_layer(path, CLIMATE.layer, CLIMATE, problems)


def _warn_of_unused_columns(table: LayerTable, problems: ProblemList) -> None:
    known = CLIMATE.spellings | set(_TEMPERATURES)
    unused = [name for name in table.columns if name not in known]
    if unused:
        meant = {name: nearest_name(name, CLIMATE.accepted_names) for name in unused}
        first = next((name for name in unused if meant[name] is not None), None)
        hint = (
            "" if first is None else f" If {first!r} is meant to count, name it {meant[first]!r}."
        )
        problems.warn(
            f"{table.start}: not used, since the names mean nothing here: {listed(unused)}.{hint}"
        )


# --- columns -------------------------------------------------------------------------------------


def _states(table: LayerTable, name: str) -> bool:
    """Whether a column is there, be it without its unit, which has its own message."""
    return has_column(table, name) or CLIMATE.number(name).unitless_name in table.columns


def _stated_numbers(table: LayerTable, name: str, problems: ProblemList) -> FloatArray:
    """Numbers of a column that every row needs."""
    if has_column(table, name):
        require_stated(table, name, ~filled_rows(table, name), problems)
    return number_column(table, name, problems)


def _total(table: LayerTable, name: str, most_mm_d: float, problems: ProblemList) -> FloatArray:
    """Totals of the rows, none of them above a limit for each of its days. [mm]."""
    total_mm = _stated_numbers(table, name, problems)
    is_high = total_mm > most_mm_d * days_of_rows(table)
    if is_high.any():
        spelling, unit = next(
            (s, u) for s, u in CLIMATE.number(name).spellings.items() if s in table.columns
        )
        factor = 1.0 if unit is None else unit.to_si
        shown = np.round(total_mm / factor, 6)
        printed = "mm" if unit is None else unit.printed
        problems.add(
            f"{spelling} must be at most {most_mm_d / factor:.4g} {printed} a day; "
            f"{named_values(table, shown, is_high)}. Correct {table.place}."
        )
    return total_mm


def _check_monthly_totals(
    table: LayerTable, eto_mm: FloatArray, dates: ClimateDates | None, problems: ProblemList
) -> None:
    if dates is None or dates.step == "daily" or not np.isfinite(eto_mm).all():
        return
    highest = float(np.max(eto_mm))
    if highest < LEAST_PEAK_MONTH_ETO_MM:
        problems.add(
            f"{table.start}: eto of no month is above {highest:g} mm, so these must be means of a "
            "day. A monthly file holds the totals of the months: multiply by their days."
        )


def _weather(
    table: LayerTable, wind_height_m: float, problems: ProblemList
) -> WeatherSeries | None:
    """What evapotranspiration is computed from; None without both temperatures."""
    temperature = {name: _temperature(table, name, problems) for name in _TEMPERATURES}
    other = {name: _optional(table, name, problems) for name in _OTHERS}
    low, high, dew = (temperature[name] for name in _TEMPERATURES)
    if low is None or high is None:
        _say_what_is_missing(table, temperature, problems)
        return None
    _check_pair(table, low, high, ("temperature_min", "temperature_max"), "°C", problems)
    if dew is not None:
        _check_pair(table, dew, high, ("dew_point", "temperature_max"), "°C", problems)
    driest, dampest = other[_HUMIDITY[0]], other[_HUMIDITY[1]]
    if driest is not None and dampest is not None:
        _check_pair(table, driest, dampest, (_HUMIDITY[0], _HUMIDITY[1]), "%", problems)
    _check_year_is_celsius(table, low, high, problems)
    return WeatherSeries(
        temperature_min_c=low,
        temperature_max_c=high,
        dew_point_c=dew,
        wind_height_m=wind_height_m,
        **other,
    )


def _optional(table: LayerTable, name: str, problems: ProblemList) -> FloatArray | None:
    """Numbers of a column that may be absent, but not partly empty."""
    if not has_column(table, name):
        return None
    values = _stated_numbers(table, name, problems)
    known = values[np.isfinite(values)]
    if name in _HUMIDITY and len(known) and float(np.max(known)) <= 1.0:
        problems.add(
            f"{table.start}: {name} holds no value above 1, so it must be a fraction. Give it in "
            "percent, 0 to 100."
        )
    return values


def _temperature(table: LayerTable, quantity: str, problems: ProblemList) -> FloatArray | None:
    """A temperature from its Celsius or Fahrenheit column; None where it has neither. [°C]."""
    celsius, fahrenheit = f"{quantity}_c", f"{quantity}_f"
    found = [name for name in (celsius, fahrenheit, quantity) if name in table.columns]
    if len(found) > 1:
        problems.add(
            f"{table.start} has {listed(found)}, more than one spelling of one quantity. Keep one, "
            f"{celsius!r} or {fahrenheit!r}."
        )
    elif found == [quantity]:
        problems.add(
            f"{table.start}: column {quantity!r} names no unit. Rename it {celsius!r} or "
            f"{fahrenheit!r}, whichever it is."
        )
    if not found:
        return None
    if len(found) > 1 or found == [quantity]:
        return np.full(table.n_rows, np.nan)
    values = _stated_numbers(table, found[0], problems)
    if found == [fahrenheit]:
        return celsius_from_fahrenheit(values)
    is_hot = values > MOST_TEMPERATURE_C
    if is_hot.any():
        problems.add(
            f"{celsius} must be at most {MOST_TEMPERATURE_C:g} °C; "
            f"{named_values(table, values, is_hot)}. Such a value can only be in Fahrenheit: if "
            f"{table.place} is, name the column {fahrenheit!r}."
        )
    return np.where(is_hot, np.nan, values)


def _say_what_is_missing(
    table: LayerTable, temperature: Mapping[str, FloatArray | None], problems: ProblemList
) -> None:
    missing = [name for name in _TEMPERATURES[:2] if temperature[name] is None]
    wanted = " and ".join(f"'{name}_c' (or '{name}_f')" for name in missing)
    if len(missing) == 2:
        unknown = [name for name in table.columns if name not in CLIMATE.spellings]
        nearest = nearest_name("eto_mm", unknown) or nearest_name("temperature_max_c", unknown)
        hint = "" if nearest is None else f" Is {nearest!r} meant for one of them?"
        problems.add(
            f"{table.start} has neither 'eto_mm' (or 'eto_in') nor {wanted}, from which it could "
            f"be computed. Add the one or the others.{hint}"
        )
    else:
        problems.add(f"{table.start} has no column {wanted}. Add it, or 'eto_mm' instead.")


# --- checks across columns -----------------------------------------------------------------------


def _check_pair(
    table: LayerTable,
    low: FloatArray,
    high: FloatArray,
    names: tuple[str, str],
    unit: str,
    problems: ProblemList,
) -> None:
    is_crossed: BoolArray = low > high
    if is_crossed.any():
        at = int(np.flatnonzero(is_crossed)[0])
        problems.add(
            f"{table.start}: {names[0]} must not be above {names[1]}; got {low[at]:.4g} and "
            f"{high[at]:.4g} {unit} first, for {named_ids(table, is_crossed)}. Correct these rows."
        )


def _check_year_is_celsius(
    table: LayerTable, low: FloatArray, high: FloatArray, problems: ProblemList
) -> None:
    if "temperature_max_f" in table.columns or not np.isfinite(low + high).all():
        return
    mean = float(np.mean(low + high)) / 2.0
    if mean > MOST_MEAN_TEMPERATURE_C:
        problems.add(
            f"{table.start}: the mean of all temperatures is {mean:.1f} °C, and no place on Earth "
            "is that hot. If they are in Fahrenheit, name the columns 'temperature_min_f' and "
            "'temperature_max_f'."
        )


def _check_station(
    latitude_deg: float | None,
    altitude_m: float | None,
    wind_height_m: float,
    problems: ProblemList,
) -> None:
    """Note options of the station that are out of range, needed or not."""
    if latitude_deg is not None and not -90.0 <= latitude_deg <= 90.0:
        problems.add(f"--latitude must be from -90 to 90 degrees; got {latitude_deg!r}.")
    if altitude_m is not None and not -500.0 <= altitude_m <= 9000.0:
        problems.add(f"--altitude-m must be from -500 to 9000 m; got {altitude_m!r}.")
    if not 0.5 <= wind_height_m <= 100.0:
        problems.add(f"--wind-height-m must be from 0.5 to 100 m; got {wind_height_m!r}.")


def _check_what_is_needed(
    table: LayerTable,
    weather: WeatherSeries | None,
    latitude_deg: float | None,
    altitude_m: float | None,
    problems: ProblemList,
) -> None:
    """Note what the computation of evapotranspiration lacks, and which method it comes to."""
    has_temperature = any(name.startswith(_TEMPERATURES[:2]) for name in table.columns)
    if latitude_deg is None and has_temperature:
        problems.add(
            f"{table.start} states no 'eto_mm', so evapotranspiration has to be computed, which "
            "needs the latitude of the station. Give --latitude in degrees, north positive; the "
            "place of the site is not taken for that of the station."
        )
    if weather is None:
        return
    missing = weather.missing_for_penman_monteith
    if missing:
        problems.warn(
            f"{table.start}: evapotranspiration is computed from temperature alone "
            f"(Hargreaves-Samani 1985), since the file has no {' and no '.join(missing)}. With "
            "these it would be FAO-56 Penman-Monteith."
        )
    elif altitude_m is None:
        problems.warn(
            f"{table.start}: the station is taken to lie at sea level. Give --altitude-m."
        )


def _sorted(weather: WeatherSeries, order: NDArray[np.intp]) -> WeatherSeries:
    series = {
        name: values[order]
        for name in (*(f"{name}_c" for name in _TEMPERATURES), *_OTHERS)
        if (values := getattr(weather, name)) is not None
    }
    return replace(weather, **series)
