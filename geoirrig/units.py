"""Exact factors and named converters: the only place where a conversion number is written.

Inside the program everything is SI: m, m², mm, mm/h, L, L/min, kPa. Values in other units are
converted once, at the door.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
UnitSystem = Literal["si", "us"]

PERCENT = 100.0  # in a whole
MINUTES_PER_HOUR = 60.0
DAYS_PER_WEEK = 7.0
MM_PER_INCH = 25.4  # exact, international inch
MM_PER_CM = 10.0
METRES_PER_FOOT = 0.3048  # exact, international foot
METRES_PER_US_SURVEY_FOOT = 1200.0 / 3937.0  # exact by definition
SQUARE_METRES_PER_SQUARE_FOOT = METRES_PER_FOOT**2
LITRES_PER_US_GALLON = 3.785411784  # exact: 231 cubic inches
LITRES_PER_M3 = 1000.0
# exact: an acre of 43 560 square feet, a foot deep; all feet international
CUBIC_METRES_PER_ACRE_FOOT = 43_560.0 * METRES_PER_FOOT**3
CUBIC_METRES_PER_100_CUBIC_FEET = 100.0 * METRES_PER_FOOT**3  # exact; what water bills call HCF
KPA_PER_PSI = 6.894757293168361  # 4.4482216152605 N / (25.4 mm)²
KPA_PER_BAR = 100.0
METRES_PER_S_PER_MILE_PER_H = 0.44704  # exact: 5280 ft in 3600 s
METRES_PER_S_PER_KM_PER_H = 1.0 / 3.6  # exact
MJ_PER_M2_D_PER_W_PER_M2 = 0.0864  # exact: 86 400 s in a day
FAHRENHEIT_AT_0_CELSIUS = 32.0  # exact
FAHRENHEIT_PER_CELSIUS = 1.8  # exact
MM_PER_M = 1000.0


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as a column suffix: its SI suffix, the factor to SI, and how it is printed."""

    suffix: str
    si_suffix: str
    to_si: float
    printed: str


# Column suffixes that name a unit, the longest first so that `_mm_h` is not taken for `_h`.
UNITS: dict[str, Unit] = {
    unit.suffix: unit
    for unit in (
        Unit("mm_h", "mm_h", 1.0, "mm/h"),
        Unit("in_h", "mm_h", MM_PER_INCH, "in/h"),
        Unit("km_h", "m_s", METRES_PER_S_PER_KM_PER_H, "km/h"),
        Unit("m_s", "m_s", 1.0, "m/s"),
        Unit("mph", "m_s", METRES_PER_S_PER_MILE_PER_H, "mi/h"),
        Unit("mj_m2", "mj_m2", 1.0, "MJ/m²"),
        Unit("w_m2", "mj_m2", MJ_PER_M2_D_PER_W_PER_M2, "W/m²"),  # mean of a day, as MJ/m² in it
        Unit("lpm", "lpm", 1.0, "L/min"),
        Unit("gpm", "lpm", LITRES_PER_US_GALLON, "US gal/min"),
        Unit("kpa", "kpa", 1.0, "kPa"),
        Unit("psi", "kpa", KPA_PER_PSI, "psi"),
        Unit("bar", "kpa", KPA_PER_BAR, "bar"),
        Unit("ft2", "m2", SQUARE_METRES_PER_SQUARE_FOOT, "ft²"),
        Unit("m2", "m2", 1.0, "m²"),
        Unit("gal", "l", LITRES_PER_US_GALLON, "US gal"),
        # 1000 gallons are 1000 times as many litres: the factor to m³ is the same number.
        Unit("kgal_year", "m3_year", LITRES_PER_US_GALLON, "1000 US gal/year"),
        Unit("m3_year", "m3_year", 1.0, "m³/year"),
        Unit("kgal", "m3", LITRES_PER_US_GALLON, "1000 US gal"),
        Unit("m3", "m3", 1.0, "m³"),
        Unit("mm", "mm", 1.0, "mm"),
        Unit("in", "mm", MM_PER_INCH, "in"),
        Unit("ft", "m", METRES_PER_FOOT, "ft"),
        Unit("m", "m", 1.0, "m"),
        Unit("l", "l", 1.0, "L"),
    )
}
US_SUFFIX_OF_SI = {
    "mm_h": "in_h", "lpm": "gpm", "kpa": "psi", "m2": "ft2", "m3_year": "kgal_year", "m3": "kgal",
    "l": "gal", "mm": "in", "m": "ft",
}  # fmt: skip


def unit_of_column(column: str) -> tuple[str, Unit | None]:
    """Quantity and unit that a column name states: ``radius_ft`` is (``radius``, foot).

    Parameters
    ----------
    column : str
        A column name; the unit is its longest known suffix after an underscore.

    Returns
    -------
    tuple of str and Unit or None
        The name without its suffix, and the unit; None where no known unit ends the name.

    Examples
    --------
    >>> quantity, unit = unit_of_column("mean_rate_in_h")
    >>> quantity, unit.suffix, unit.to_si
    ('mean_rate', 'in_h', 25.4)
    >>> unit_of_column("turf_id")
    ('turf_id', None)
    """
    for suffix, unit in UNITS.items():
        # a cost per m³ goes the other way: it is no volume
        if column.endswith(f"_{suffix}") and not column.endswith(f"_per_{suffix}"):
            return column[: -len(suffix) - 1], unit
    return column, None


def to_si(values: ArrayLike, unit: Unit) -> FloatArray:
    """Values in ``unit``, converted to SI; a new array.

    Examples
    --------
    >>> float(to_si(30.0, UNITS["ft"]))
    9.144
    """
    return np.asarray(values, dtype=np.float64) * unit.to_si


def celsius_from_fahrenheit(temperature_f: ArrayLike) -> FloatArray:
    """Temperature in degrees Celsius.

    Examples
    --------
    >>> celsius_from_fahrenheit([32.0, 212.0]).tolist()
    [0.0, 100.0]
    """
    above_freezing = np.asarray(temperature_f, dtype=np.float64) - FAHRENHEIT_AT_0_CELSIUS
    return np.asarray(above_freezing / FAHRENHEIT_PER_CELSIUS)


def in_unit_system(column: str, values: ArrayLike, units: UnitSystem) -> tuple[str, ArrayLike]:
    """Name and values of an SI column in the chosen unit system.

    Columns without a unit (fractions, counts, minutes, text) come back as they are.

    Parameters
    ----------
    column : str
        Name of an SI column, such as ``runoff_l``.
    values : array_like
        Its values. [the unit that the name states]
    units : {"si", "us"}
        The system wanted.

    Returns
    -------
    tuple of str and array_like
        The column name with its unit suffix, and the converted values.

    Examples
    --------
    >>> name, values = in_unit_system("mean_depth_mm", [25.4], "us")
    >>> name, [float(v) for v in values]
    ('mean_depth_in', [1.0])
    """
    quantity, unit = unit_of_column(column)
    if units == "si" or unit is None or unit.suffix not in US_SUFFIX_OF_SI:
        return column, values
    target = UNITS[US_SUFFIX_OF_SI[unit.suffix]]
    return f"{quantity}_{target.suffix}", np.asarray(values, dtype=np.float64) / target.to_si


def length_text(length_m: float, form: str = ".1f") -> str:
    """A length in both unit systems, to stand in a sentence.

    Parameters
    ----------
    length_m : float
        The length. [m]
    form : str
        How both numbers are written, as for `format`.

    Examples
    --------
    >>> length_text(1.0), length_text(1250.0, ",.0f")
    ('1.0 m (3.3 ft)', '1,250 m (4,101 ft)')
    """
    return f"{length_m:{form}} m ({length_m / METRES_PER_FOOT:{form}} ft)"
