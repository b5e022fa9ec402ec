"""Soil tables by USDA texture: Green-Ampt parameters, intake rates, surface accumulation.

The two runoff models keep apart: a basic intake rate is a practical, short-run rate of vegetated
ground, and is about ten times the Green-Ampt conductivity of the same clay. Neither is ever put
into the other's equations.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoirrig.units import MM_PER_CM, MM_PER_INCH, FloatArray

# USDA texture classes, coarse to fine.
SOIL_TEXTURES = (
    "sand",
    "loamy_sand",
    "sandy_loam",
    "loam",
    "silt_loam",
    "silt",
    "sandy_clay_loam",
    "clay_loam",
    "silty_clay_loam",
    "sandy_clay",
    "silty_clay",
    "clay",
)

# Share of the intake rate or conductivity that compacted ground keeps. Common practice, no source;
# for scale, Partsch, Jarrett & Watschke 1993 (Trans. ASAE 36:1695) fitted 85 mm/h to lawns on
# undisturbed and 33 mm/h on compacted ground: 0.39.
COMPACTION_FACTOR = {"none": 1.0, "typical": 0.5, "trafficked": 0.2}


@dataclass(frozen=True, slots=True, kw_only=True)
class GreenAmptSoil:
    """Green-Ampt parameters of a texture class with their ranges of ± one standard deviation.

    Attributes
    ----------
    conductivity_mm_h : float
        K; already about half the laboratory saturated conductivity, not to be halved again. [mm/h]
    suction_mm, suction_low_mm, suction_high_mm : float
        Wetting-front suction head ψ, a geometric mean, and its range. [mm]
    effective_porosity, effective_porosity_low, effective_porosity_high : float
        θe, the porosity less the residual water, and its range. [1]
    """

    conductivity_mm_h: float
    suction_mm: float
    suction_low_mm: float
    suction_high_mm: float
    effective_porosity: float
    effective_porosity_low: float
    effective_porosity_high: float


def _green_ampt_soil(
    conductivity_cm_h: float,
    suction_cm: float,
    suction_range_in: tuple[float, float],
    porosity: tuple[float, float, float],
) -> GreenAmptSoil:
    return GreenAmptSoil(
        conductivity_mm_h=conductivity_cm_h * MM_PER_CM,
        suction_mm=suction_cm * MM_PER_CM,
        suction_low_mm=suction_range_in[0] * MM_PER_INCH,
        suction_high_mm=suction_range_in[1] * MM_PER_INCH,
        effective_porosity=porosity[0],
        effective_porosity_low=porosity[1],
        effective_porosity_high=porosity[2],
    )


# Rawls, Brakensiek & Miller 1983, J. Hydraul. Eng. 109(1):62-70. Ranges: as quoted in inches by
# Rossman & Huber 2016, Storm Water Management Model Reference Manual I, EPA/600/R-15/162A,
# Table 4-7. K [cm/h] and ψ [cm]: Table 4.3.1 of Chow, Maidment & Mays 1988, Applied Hydrology, from
# memory; they agree with the inches of Table 4-7 within rounding, but for the K of sand (11.78 cm/h
# is 4.64 in/h where 4.74 is printed).
# Effective porosity of clay loam: printed 0.309, taken as a misprint of 0.390, the middle of its
# range (as in every other row). Silt is not in the source and is treated as silt loam.
_SILT_LOAM = _green_ampt_soil(0.65, 16.68, (1.15, 37.56), (0.486, 0.394, 0.578))
GREEN_AMPT_SOILS: dict[str, GreenAmptSoil] = {
    "sand": _green_ampt_soil(11.78, 4.95, (0.38, 9.98), (0.417, 0.354, 0.480)),
    "loamy_sand": _green_ampt_soil(2.99, 6.13, (0.53, 11.00), (0.401, 0.329, 0.473)),
    "sandy_loam": _green_ampt_soil(1.09, 11.01, (1.05, 17.90), (0.412, 0.283, 0.541)),
    "loam": _green_ampt_soil(0.34, 8.89, (0.52, 23.38), (0.434, 0.334, 0.534)),
    "silt_loam": _SILT_LOAM,
    "silt": _SILT_LOAM,
    "sandy_clay_loam": _green_ampt_soil(0.15, 21.85, (1.74, 42.52), (0.330, 0.235, 0.425)),
    "clay_loam": _green_ampt_soil(0.10, 20.88, (1.89, 35.87), (0.390, 0.279, 0.501)),
    "silty_clay_loam": _green_ampt_soil(0.10, 27.30, (2.23, 51.77), (0.432, 0.347, 0.517)),
    "sandy_clay": _green_ampt_soil(0.06, 23.90, (1.61, 55.20), (0.321, 0.207, 0.435)),
    "silty_clay": _green_ampt_soil(0.05, 29.22, (2.41, 54.88), (0.423, 0.334, 0.512)),
    "clay": _green_ampt_soil(0.03, 31.63, (2.52, 61.61), (0.385, 0.269, 0.501)),
}

# Class whose intake rate and surface accumulation stand for a texture that the landscape tables
# lack. Common practice, no source.
LANDSCAPE_CLASS = {
    **{texture: texture for texture in SOIL_TEXTURES},
    "silt_loam": "loam",
    "silt": "loam",
    "sandy_clay_loam": "clay_loam",
    "silty_clay_loam": "silty_clay",
    "sandy_clay": "silty_clay",
}

# Basic intake rate [in/h] and allowable surface accumulation [in] on slopes of 0-3, 4-6, 7-12 and
# 13 % and more: tables of the landscape-irrigation trade (Irrigation Association 2005, and the
# test protocol for weather-based controllers, 8th draft, 2008). Read in secondary copies and
# partly from memory; not checked against the protocol itself.
_LANDSCAPE_TABLE_IN: dict[str, tuple[float, tuple[float, float, float, float]]] = {
    "clay": (0.10, (0.20, 0.15, 0.10, 0.10)),
    "silty_clay": (0.15, (0.23, 0.19, 0.16, 0.13)),
    "clay_loam": (0.20, (0.26, 0.22, 0.18, 0.15)),
    "loam": (0.35, (0.30, 0.25, 0.21, 0.17)),
    "sandy_loam": (0.40, (0.33, 0.29, 0.24, 0.20)),
    "loamy_sand": (0.50, (0.36, 0.30, 0.26, 0.22)),
    "sand": (0.60, (0.40, 0.35, 0.30, 0.25)),
}
BASIC_INTAKE_RATE_MM_H = {
    texture: _LANDSCAPE_TABLE_IN[LANDSCAPE_CLASS[texture]][0] * MM_PER_INCH
    for texture in SOIL_TEXTURES
}
ALLOWABLE_SURFACE_ACCUMULATION_MM = {
    texture: tuple(
        depth * MM_PER_INCH for depth in _LANDSCAPE_TABLE_IN[LANDSCAPE_CLASS[texture]][1]
    )
    for texture in SOIL_TEXTURES
}

# Lower bounds of the second, third and fourth slope class [%]. The tables print whole percents
# with gaps (3-4, 6-7, 12-13); each gap is split in the middle.
SLOPE_CLASS_BOUNDS_PCT = (3.5, 6.5, 12.5)

_INTAKE_TABLE_MM_H = np.array([BASIC_INTAKE_RATE_MM_H[texture] for texture in SOIL_TEXTURES])
_ACCUMULATION_TABLE_MM = np.array(
    [ALLOWABLE_SURFACE_ACCUMULATION_MM[texture] for texture in SOIL_TEXTURES]
)


def texture_index(texture: ArrayLike) -> NDArray[np.int64]:
    """Place of each texture class in `SOIL_TEXTURES`.

    Parameters
    ----------
    texture : array_like of str
        USDA texture classes in snake case.

    Returns
    -------
    ndarray of int64, shape of the argument

    Raises
    ------
    ValueError
        If a name is not a texture class.
    """
    names: NDArray[Any] = np.asarray(texture)
    place = {name: index for index, name in enumerate(SOIL_TEXTURES)}
    unknown = sorted({str(name) for name in names.flat} - set(place))
    if unknown:
        raise ValueError(
            f"soil_texture must be one of {', '.join(SOIL_TEXTURES)}; got {', '.join(unknown)}."
        )
    found = [place[str(name)] for name in names.flat]
    return np.array(found, dtype=np.int64).reshape(names.shape)


def slope_class(slope_pct: ArrayLike) -> NDArray[np.int64]:
    """Slope class of the accumulation table: 0 below 3.5 %, 1 below 6.5, 2 below 12.5, else 3.

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
    >>> slope_class([0.0, 3.49, 3.5, 6.5, 12.5, 60.0]).tolist()
    [0, 0, 1, 2, 3, 3]
    """
    slope = np.asarray(slope_pct, dtype=np.float64)
    rank = np.searchsorted(np.array(SLOPE_CLASS_BOUNDS_PCT), slope, side="right")
    return np.where(np.isnan(slope), -1, rank).astype(np.int64)


def basic_intake_rate_mm_h(texture: ArrayLike, *, compaction_factor: ArrayLike = 1.0) -> FloatArray:
    """Steady rate at which vegetated ground of a texture takes water in.

    For the surface-storage model only; see the module for why it is not a conductivity.

    Parameters
    ----------
    texture : array_like of str
        USDA texture classes.
    compaction_factor : array_like, broadcastable with the above
        Share of the rate that the ground keeps, in (0, 1]. [1]

    Returns
    -------
    ndarray of float64
        [mm/h]

    Examples
    --------
    >>> basic_intake_rate_mm_h(["clay", "loam"]).round(2).tolist()  # 0.10 and 0.35 in/h
    [2.54, 8.89]
    """
    factor = np.asarray(compaction_factor, dtype=np.float64)
    return np.asarray(_INTAKE_TABLE_MM_H[texture_index(texture)] * factor)


def allowable_surface_accumulation_mm(texture: ArrayLike, slope_pct: ArrayLike) -> FloatArray:
    """Depth of water that a turf slope holds before it starts to run off.

    Parameters
    ----------
    texture : array_like of str
        USDA texture classes.
    slope_pct : array_like, broadcastable with the above
        Slope, not negative. [%]

    Returns
    -------
    ndarray of float64
        NaN where the slope is NaN. [mm]

    Notes
    -----
    The depth lumps what hollows hold with the moving sheet that the slope detains, and steps at
    the class bounds `SLOPE_CLASS_BOUNDS_PCT`.

    Examples
    --------
    >>> allowable_surface_accumulation_mm("clay", [2.0, 10.0]).round(2).tolist()  # 0.20, 0.10 in
    [5.08, 2.54]
    """
    rank = slope_class(slope_pct)
    depth = _ACCUMULATION_TABLE_MM[texture_index(texture), rank]
    return np.where(rank < 0, np.nan, depth)


def depression_storage_mm(
    texture: ArrayLike, slope_pct: ArrayLike, *, flat_storage_mm: float
) -> FloatArray:
    """Water that a slope holds while the Green-Ampt model runs; less on a steeper slope.

    Parameters
    ----------
    texture : array_like of str
        USDA texture classes.
    slope_pct : array_like, broadcastable with the above
        Slope, not negative. [%]
    flat_storage_mm : float
        Storage on flat ground, ≥ 0. The default of a run, 2.5 mm, is the 0.10 in that [1] gives
        for grassed urban ground. [mm]

    Returns
    -------
    ndarray of float64
        NaN where the slope is NaN. [mm]

    Notes
    -----
    ``flat_storage_mm`` × accumulation on the slope / accumulation on the flattest class of the
    same texture. That storage falls with slope is measured (Onstad 1984, Trans. ASAE 27:729;
    Kamphorst et al. 2000, SSSAJ 64:1749); taking the fall from the accumulation table is a
    judgement that keeps the two models alike.

    References
    ----------
    .. [1] Rossman, L.A. and Huber, W.C., 2016. Storm Water Management Model Reference Manual,
       Volume I, Hydrology (Revised). EPA/600/R-15/162A, section 3.8.7.

    Examples
    --------
    >>> depression_storage_mm("clay", [0.0, 10.0], flat_storage_mm=2.5).tolist()
    [2.5, 1.25]
    """
    on_slope = allowable_surface_accumulation_mm(texture, slope_pct)
    on_flat = _ACCUMULATION_TABLE_MM[texture_index(texture), 0]
    return np.asarray(flat_storage_mm * on_slope / on_flat)
