"""What grows on the turf that each zone serves, and how much water its root zone lends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoirrig.physics.irrigation_interval import (
    available_water_mm_m,
    readily_available_water_mm,
    root_zone_water_mm,
)
from geoirrig.physics.plant_water_use import (
    MONTHS,
    monthly_coefficients,
)
from geoirrig.records import TurfAreas
from geoirrig.units import FloatArray

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
    """Plants and soil water of the turf polygons.

    Parameters
    ----------
    turf : TurfAreas
        Soil texture, plants and depth of the roots.
    allowable_depletion : float
        Share of the available water that may be used up, in (0, 1]. [1]

    Returns
    -------
    TurfRootZones
    """
    water = np.array([available_water_mm_m(str(texture)) for texture in turf.soil_texture])
    return TurfRootZones(
        plant_type=tuple(str(plants) for plants in turf.plant_type),
        root_depth_mm=turf.root_depth_mm,
        readily_available_mm=readily_available_water_mm(
            root_zone_water_mm(water, turf.root_depth_mm), allowable_depletion
        ),
    )


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
