"""Highest precipitation rate that a soil takes in the long run, by slope and cover.

A rule of design for water applied hour after hour, far stricter on clay than the run times of
`geoirrig.physics.surface_storage`: use it as a flag beside them, never mixed into them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoirrig.physics.soil_properties import SOIL_TEXTURES, texture_index
from geoirrig.units import MM_PER_INCH, FloatArray

# Lower bounds of the second, third and fourth slope class of the table [%]: a slope on a bound
# belongs to the steeper class, since the last class reads "12 % and more".
RATE_SLOPE_BOUNDS_PCT = (5.0, 8.0, 12.0)
RATE_SLOPE_CLASSES = ("0 to 5 %", "5 to 8 %", "8 to 12 %", "12 % and more")

# Maximum precipitation rate [in/h] with cover and on bare ground, by slope class: U.S. Department
# of Agriculture, Soil Conservation Service (the bare columns are the table of the National
# Engineering Handbook, section 15, chapter 11). The first three slope classes of the uniform soils
# and of clay were read as a trade article of March 2018 quotes them; the class of 12 % and more and
# all rows over compact subsoil are from memory.
_RATE_TABLE_IN_H: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "coarse sandy soil": ((2.00, 2.00, 1.50, 1.00), (2.00, 1.50, 1.00, 0.50)),
    "coarse sandy soil over compact subsoil": ((1.75, 1.25, 1.00, 0.75), (1.50, 1.00, 0.75, 0.40)),
    "light sandy loam": ((1.75, 1.25, 1.00, 0.75), (1.00, 0.80, 0.60, 0.40)),
    "light sandy loam over compact subsoil": ((1.25, 1.00, 0.75, 0.50), (0.75, 0.50, 0.40, 0.30)),
    "silt loam": ((1.00, 0.80, 0.60, 0.40), (0.50, 0.40, 0.30, 0.20)),
    "silt loam over compact subsoil": ((0.60, 0.50, 0.40, 0.30), (0.30, 0.25, 0.15, 0.10)),
    "heavy clay or clay loam": ((0.20, 0.15, 0.12, 0.10), (0.15, 0.10, 0.08, 0.06)),
}
_COMPACT = " over compact subsoil"

# Row of the table for each USDA texture. The table names four soils only: what it does not name
# goes to the neighbour that allows less. Judgement, no source.
_ROW_OF_TEXTURE = {
    "sand": "coarse sandy soil",
    "loamy_sand": "light sandy loam",
    "sandy_loam": "light sandy loam",
    "loam": "silt loam",
    "silt_loam": "silt loam",
    "silt": "silt loam",
    "sandy_clay_loam": "heavy clay or clay loam",
    "clay_loam": "heavy clay or clay loam",
    "silty_clay_loam": "heavy clay or clay loam",
    "sandy_clay": "heavy clay or clay loam",
    "silty_clay": "heavy clay or clay loam",
    "clay": "heavy clay or clay loam",
}


def maximum_rate_soil(texture: str, *, is_subsoil_compact: bool = False) -> str:
    """Soil of the table that stands for a texture.

    Parameters
    ----------
    texture : str
        USDA texture class in snake case.
    is_subsoil_compact : bool
        Whether the ground below is compact; the table knows no such row for clay.

    Returns
    -------
    str

    Examples
    --------
    >>> maximum_rate_soil("loam", is_subsoil_compact=True)
    'silt loam over compact subsoil'
    >>> maximum_rate_soil("clay", is_subsoil_compact=True)
    'heavy clay or clay loam'
    """
    row = _ROW_OF_TEXTURE[texture]
    compact = row + _COMPACT
    return compact if is_subsoil_compact and compact in _RATE_TABLE_IN_H else row


def rate_slope_class(slope_pct: ArrayLike) -> NDArray[np.int64]:
    """Slope class of the table: 0 below 5 %, 1 below 8, 2 below 12, else 3.

    Parameters
    ----------
    slope_pct : array_like
        Slope, not negative. [%]

    Returns
    -------
    ndarray of int64, shape of the argument
        −1 where the slope is NaN.

    Examples
    --------
    >>> rate_slope_class([0.0, 5.0, 10.0, 12.0]).tolist()
    [0, 1, 2, 3]
    """
    slope = np.asarray(slope_pct, dtype=np.float64)
    rank = np.searchsorted(np.array(RATE_SLOPE_BOUNDS_PCT), slope, side="right")
    return np.where(np.isnan(slope), -1, rank).astype(np.int64)


def maximum_application_rate_mm_h(
    texture: ArrayLike,
    slope_pct: ArrayLike,
    *,
    is_covered: bool = True,
    is_subsoil_compact: ArrayLike = False,
) -> FloatArray:
    """Highest precipitation rate that a soil takes in the long run.

    Parameters
    ----------
    texture : array_like of str
        USDA texture classes in snake case.
    slope_pct : array_like, broadcastable with the above
        Slope, not negative. [%]
    is_covered : bool
        Whether plants cover the ground, as established turf does.
    is_subsoil_compact : array_like of bool, broadcastable with the above
        Whether the ground below is compact.

    Returns
    -------
    ndarray of float64
        NaN where the slope is NaN. [mm/h]

    Raises
    ------
    ValueError
        If a name is not a texture class.

    Notes
    -----
    A table in steps. Do not reduce it again by a slope factor: the well-known factors of the same
    handbook (20, 40 and 60 % off) are a smoothed form of this table.

    Examples
    --------
    >>> maximum_application_rate_mm_h("clay_loam", 10.0).round(3).item()  # 0.12 in/h
    3.048
    """
    rows = texture_index(texture)
    rank = rate_slope_class(slope_pct)
    rate = _TABLE_MM_H[int(is_covered)][np.asarray(is_subsoil_compact, dtype=np.int64), rows, rank]
    return np.where(rank < 0, np.nan, rate)


def _rates(column: int) -> FloatArray:
    """Rates [mm/h] by firmness of the subsoil, texture and slope class."""
    return MM_PER_INCH * np.array(
        [
            [
                _RATE_TABLE_IN_H[maximum_rate_soil(texture, is_subsoil_compact=is_compact)][column]
                for texture in SOIL_TEXTURES
            ]
            for is_compact in (False, True)
        ]
    )


_TABLE_MM_H = (_rates(1), _rates(0))  # bare, covered
