"""A slope or elevation raster as the user names it, and the unit of its values.

The unit is that of the option, of the band's unit tag or, for elevations, of the vertical axis of
the raster's CRS. Where none states it nothing is assumed; where two state different ones it is a
problem, whichever is right.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyproj

from geoirrig.errors import ProblemList
from geoirrig.io.columns import nearest_hint
from geoirrig.records import TerrainQuantity
from geoirrig.units import METRES_PER_FOOT, METRES_PER_US_SURVEY_FOOT

SLOPE_UNITS = ("percent", "degrees", "ratio")
ELEVATION_UNITS = ("metre", "foot", "us_survey_foot")
# Spellings of a unit tag, lower case, and the option value that each stands for.
UNIT_TAGS: Mapping[TerrainQuantity, Mapping[str, str]] = {
    "slope_pct": {
        **dict.fromkeys(("percent", "%", "pct", "percent rise", "per cent"), "percent"),
        **dict.fromkeys(("degrees", "degree", "deg", "°"), "degrees"),
        **dict.fromkeys(("ratio", "1", "m/m", "rise/run", "fraction"), "ratio"),
    },
    "elevation_m": {
        **dict.fromkeys(("metre", "metres", "meter", "meters", "m"), "metre"),
        **dict.fromkeys(("foot", "feet", "ft", "international foot"), "foot"),
        **dict.fromkeys(
            ("us_survey_foot", "us survey foot", "us survey feet", "us-ft", "ftus", "survey foot"),
            "us_survey_foot",
        ),
    },
}
_OPTION: Mapping[TerrainQuantity, str] = {
    "slope_pct": "--slope-unit",
    "elevation_m": "--elevation-unit",
}
UNITS: Mapping[TerrainQuantity, tuple[str, ...]] = {
    "slope_pct": SLOPE_UNITS,
    "elevation_m": ELEVATION_UNITS,
}
METRES = {
    "metre": 1.0,
    "foot": METRES_PER_FOOT,
    "us_survey_foot": METRES_PER_US_SURVEY_FOOT,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TerrainSource:
    """A terrain raster as the user names it."""

    path: Path
    quantity: TerrainQuantity
    unit: str | None = None  # one of `UNITS`; None: the file tells


def stated_unit(
    dataset: Any,
    quantity: TerrainQuantity,
    option_unit: str | None,
    place: str,
    faults: ProblemList,
) -> str | None:
    """Unit of a raster's values.

    Parameters
    ----------
    dataset : rasterio dataset
        Its first band is meant.
    quantity : {"slope_pct", "elevation_m"}
        What the values are.
    option_unit : str or None
        Unit by the command line.
    place : str
        How messages name the raster.
    faults : ProblemList
        Takes what is wrong.

    Returns
    -------
    str or None
        One of `UNITS`; None, with the fault noted, where it is not plain.
    """
    tag = (dataset.units[0] or "").strip()
    tagged = UNIT_TAGS[quantity].get(tag.lower())
    option, units = _OPTION[quantity], UNITS[quantity]
    if option_unit is not None and option_unit not in units:
        hint = nearest_hint(option_unit, units)
        faults.add(f"{option} must be one of {', '.join(units)}; got {option_unit!r}.{hint}")
        return None
    if tagged is not None and option_unit is not None and tagged != option_unit:
        faults.add(
            f"{place} has the unit tag {tag!r}, but {option} says {option_unit!r}. Correct the tag "
            "or leave the option out."
        )
        return None
    stated = option_unit or tagged
    axis = _vertical_unit(dataset, place, faults) if quantity == "elevation_m" else None
    if axis is not None and stated is not None and axis != stated:
        by = f"{option} says {option_unit!r}" if option_unit else f"its unit tag says {tag!r}"
        faults.add(
            f"{place} has heights in {axis!r} by its CRS, but {by}. Assign the CRS with the right "
            "vertical part, or none, and correct the other."
        )
        return None
    if stated is None and axis is None:
        has = f"has the unknown unit tag {tag!r}" if tag else "has no unit tag"
        faults.add(
            f"{place} {has}, and no unit is assumed. Say it with {option} {'|'.join(units)}."
        )
    return stated or axis


def _vertical_unit(dataset: Any, place: str, faults: ProblemList) -> str | None:
    """Unit of the vertical axis of the raster's CRS; None without one or of no known length."""
    if dataset.crs is None:
        return None
    crs = pyproj.CRS.from_wkt(dataset.crs.to_wkt())
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    axes = [axis for axis in crs.axis_info if axis.direction in ("up", "down")]
    if not axes:
        return None
    if axes[0].direction == "down":
        faults.add(
            f"{place} counts its heights downward by its CRS ({crs.name}). Give elevations, which "
            "rise uphill."
        )
    factor = axes[0].unit_conversion_factor
    return next(
        (unit for unit, metres in METRES.items() if math.isclose(factor, metres, rel_tol=1e-9)),
        None,
    )
