"""What grows on the turf that each zone serves, and how much water its root zone lends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.io.columns import TURF, nearest_hint
from geoirrig.physics.irrigation_interval import (
    available_water_mm_m,
    readily_available_water_mm,
    root_zone_water_mm,
)
from geoirrig.physics.plant_water_use import (
    DEFAULT_PLANT_TYPE,
    DEFAULT_ROOT_DEPTH_MM,
    MONTHS,
    PLANT_TYPES,
    known_plant_type,
    monthly_coefficients,
)
from geoirrig.records import TurfAreas
from geoirrig.units import FloatArray, to_si

# Turf with less than this share of the area that a zone serves does not set the zone's interval:
# a few cells across a border must not decide. Judgement, no source.
SMALLEST_SHARE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class TurfRootZones:
    """Plants and soil water of every turf polygon; arrays of shape (n_turf,)."""

    plant_type: tuple[str, ...]  # keys of `PLANT_TYPES`
    root_depth_mm: FloatArray
    readily_available_mm: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneRootZones:
    """The same for the turf that each zone serves; NaN for a zone that serves none.

    Attributes
    ----------
    plant_coefficient : ndarray, shape (n_zones, 12)
        From January to December, mean over the served area. [1]
    root_depth_mm : ndarray, shape (n_zones,)
        Mean over the served area. [mm]
    readily_available_mm : ndarray, shape (n_zones,)
        Smallest of the polygons with 5 % and more of the served area. [mm]
    """

    plant_coefficient: FloatArray
    root_depth_mm: FloatArray
    readily_available_mm: FloatArray


def turf_root_zones(turf: TurfAreas, *, allowable_depletion: float) -> TurfRootZones:
    """Plants and soil water of the turf polygons, defaults where they do not say.

    Parameters
    ----------
    turf : TurfAreas
        Soil texture, and of the input columns ``plant_type`` and ``root_depth_mm``.
    allowable_depletion : float
        Share of the available water that may be used up, in (0, 1]. [1]

    Returns
    -------
    TurfRootZones
        A polygon without plant type, or with an unknown one, counts as cool-season turf; one
        without root depth has 150 mm.
    """
    words = _column(turf, "plant_type", default="")
    depth_mm = _root_depths_mm(turf)
    water = np.array([available_water_mm_m(str(texture)) for texture in turf.soil_texture])
    return TurfRootZones(
        plant_type=tuple(known_plant_type(str(w)) or DEFAULT_PLANT_TYPE for w in words),
        root_depth_mm=depth_mm,
        readily_available_mm=readily_available_water_mm(
            root_zone_water_mm(water, depth_mm), allowable_depletion
        ),
    )


def plant_type_warnings(turf: TurfAreas) -> tuple[str, ...]:
    """One sentence for each word in ``plant_type`` that names no known plants."""
    words = [str(word) for word in _column(turf, "plant_type", default="")]
    warnings = []
    for word in sorted({word for word in words if known_plant_type(word) is None}):
        first = str(turf.turf_id[words.index(word)])
        more = words.count(word) - 1
        warnings.append(
            f"turf: plant_type {word!r} of turf_id {first!r}"
            + (f" and {more} more" if more else "")
            + f" is not known and counts as {DEFAULT_PLANT_TYPE}."
            + nearest_hint(word, PLANT_TYPES)
            + f" Known are {', '.join(PLANT_TYPES)}."
        )
    return tuple(warnings)


def zone_root_zones(root_zones: TurfRootZones, served_area_m2: FloatArray) -> ZoneRootZones:
    """Bring plants and soil water from the polygons to the zones.

    Parameters
    ----------
    root_zones : TurfRootZones
        Of the polygons.
    served_area_m2 : ndarray, shape (n_zones, n_turf)
        Area of each polygon that each zone serves. [m²]

    Returns
    -------
    ZoneRootZones
    """
    total = np.sum(served_area_m2, axis=1, keepdims=True)
    share = np.divide(served_area_m2, total, out=np.zeros_like(served_area_m2), where=total > 0.0)
    serves = total[:, 0] > 0.0
    types = sorted(set(root_zones.plant_type))
    coefficient = np.zeros((len(share), MONTHS))
    for plant_type in types:
        of_type = np.array([word == plant_type for word in root_zones.plant_type])
        part = np.sum(share[:, of_type], axis=1)
        coefficient += part[:, np.newaxis] * monthly_coefficients(plant_type)
    counts = share >= np.minimum(SMALLEST_SHARE, share.max(axis=1, keepdims=True, initial=0.0))
    water = np.where(counts, root_zones.readily_available_mm, np.inf).min(axis=1, initial=np.inf)
    return ZoneRootZones(
        plant_coefficient=np.where(serves[:, np.newaxis], coefficient, np.nan),
        root_depth_mm=np.where(serves, share @ root_zones.root_depth_mm, np.nan),
        readily_available_mm=np.where(serves, water, np.nan),
    )


def _root_depths_mm(turf: TurfAreas) -> FloatArray:
    """Root depths in mm whatever unit the column states; the default where there is none."""
    for spelling, unit in TURF.number("root_depth_mm").spellings.items():
        if spelling in turf.attributes:
            values = np.array([_number(value) for value in turf.attributes[spelling]])
            depth = values if unit is None else to_si(values, unit)
            return np.where(np.isnan(depth), DEFAULT_ROOT_DEPTH_MM, depth)
    return np.full(len(turf.turf_id), DEFAULT_ROOT_DEPTH_MM)


def _number(value: Any) -> float:
    """A checked input value; NaN where it is missing."""
    return float("nan") if value is None or value == "" or value != value else float(value)


def _column(turf: TurfAreas, name: str, *, default: Any) -> NDArray[Any]:
    """An input column of text; the default where it is absent or a row has none."""
    values = turf.attributes.get(name)
    if values is None:
        return np.full(len(turf.turf_id), default, dtype=object)
    return np.array([default if v is None or v != v else v for v in values], dtype=object)
