"""What a rule limits, measured on every zone or turf polygon of a site."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from geoirrig.physics.maximum_application_rate import (
    RATE_SLOPE_BOUNDS_PCT,
    RATE_SLOPE_CLASSES,
    maximum_application_rate_mm_h,
    maximum_rate_soil,
    rate_slope_class,
)
from geoirrig.records import (
    PrecipitationSurface,
    ResultTable,
    SiteInputs,
    TerrainSurface,
    TurfCells,
)
from geoirrig.rules import CELL_CONDITIONS, KINDS, LEAST_AREA_M2, LENGTH_TOLERANCE_M, Rule
from geoirrig.surfaces.narrow_areas import connected_areas, narrow_part, narrowest_width_m
from geoirrig.surfaces.turf_cells import area_index
from geoirrig.surfaces.zone_turf import served_zone
from geoirrig.units import FloatArray, to_si, unit_of_column

# Cells are float32: a slope or rate on its limit must not fall on either side by rounding.
ROUNDING = 1e-6
_CLASS_SLOPE_PCT = (0.0, *RATE_SLOPE_BOUNDS_PCT)  # one slope in each class of the USDA table


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleEvidence:
    """What the rules of a site are judged by."""

    inputs: SiteInputs
    cells: TurfCells
    precipitation: PrecipitationSurface
    terrain: TerrainSurface
    tables: Mapping[str, ResultTable]  # ``turf_results``, ``zone_results``, ``head_results``


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A quantity on one zone or turf polygon."""

    value_si: float = math.nan  # infinite: beyond the limit, not sought further
    is_concerned: bool = True  # False: the rule says nothing about this zone or polygon
    reason: str = ""  # why it could not be evaluated
    area_m2: float = math.nan  # ground that was looked at
    detail: str = ""  # one more sentence
    place: BaseGeometry | None = None  # where, if not all over the zone or polygon


_NOT_CONCERNED = Measurement(is_concerned=False)


def missing_input(rule: Rule, evidence: RuleEvidence) -> str:
    """Why a rule cannot be evaluated anywhere on a site; empty where it can."""
    layout = evidence.inputs.layout
    name = rule.quantity.name
    asked = {condition.quantity.name for condition in rule.where}
    if (name == "head_setback" or "hardscape_distance" in asked) and (
        evidence.inputs.hardscape is None
    ):
        return "the site has no hardscape layer"
    if "device" in asked and not any(layout.device):
        return "no nozzle states its device"
    if name == "lowest_riser" and not np.isfinite(_riser_m(evidence)).any():
        return "no head states riser_m"
    if name in _PRESSURES and not np.isfinite(layout.pressure_kpa).any():
        return "no head or nozzle states a pressure"
    if name == "heads_outside_pressure_range" and not np.isfinite(_pressure_excess(evidence)).any():
        return "no nozzle states pressure_min_kpa or pressure_max_kpa"
    return ""


def measured(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
    """The quantity of a rule on every zone (running order) or turf polygon (table order)."""
    found = _MEASURES[rule.quantity.name](rule, evidence)
    for condition in rule.where:
        if condition.quantity.name == "device":
            fits = _fits_device(condition.word, evidence)
            found = [other or own for own, other in zip(found, fits, strict=True)]
    return found


# --- conditions ----------------------------------------------------------------------------------


def _fits_device(word: str, evidence: RuleEvidence) -> list[Measurement | None]:
    """None for zones whose heads are all of one kind; what to say of the others."""
    layout = evidence.inputs.layout
    found: list[Measurement | None] = []
    for zone in range(len(evidence.inputs.zone_plan.zone)):
        kinds = set(layout.device[layout.zone_index == zone].tolist())
        if "" in kinds:
            found.append(Measurement(reason="the device of some of its heads is not known"))
        else:
            found.append(None if kinds == {word} else _NOT_CONCERNED)
    return found


def _cell_mask(rule: Rule, evidence: RuleEvidence) -> NDArray[np.bool_] | None:
    """Cells on which all cell conditions of a rule hold; None where it has none."""
    mask: NDArray[np.bool_] | None = None
    for condition in rule.where:
        name = condition.quantity.name
        if name not in CELL_CONDITIONS:
            continue
        if name == "slope":
            slope, limit = evidence.terrain.slope_pct, condition.value_si
            holds = (
                slope > limit * (1.0 + ROUNDING)
                if condition.comparison == "above"
                else slope < limit * (1.0 - ROUNDING)
            )
        else:
            near = _near_hardscape(evidence, condition.value_si)
            holds = ~near if condition.comparison == "above" else near
        mask = holds if mask is None else mask & holds
    return mask


def _near_hardscape(evidence: RuleEvidence, distance_m: float) -> NDArray[np.bool_]:
    """Cells whose centre lies within a distance of hardscape, or on it."""
    hardscape = evidence.inputs.hardscape
    geometry = () if hardscape is None else hardscape.geometry
    grown = shapely.buffer(np.asarray(geometry, dtype=object), distance_m, quad_segs=16)
    return area_index(grown, evidence.cells.grid) >= 0


# --- on cells ------------------------------------------------------------------------------------


def _owners(rule: Rule, evidence: RuleEvidence) -> tuple[NDArray[np.int32], int]:
    """Zone that serves each turf cell, or its polygon, by the rule's scope; and how many."""
    if rule.applies_to == "turf":
        return evidence.cells.turf_index, len(evidence.inputs.turf.turf_id)
    served = served_zone(evidence.precipitation, evidence.cells)
    return served, len(evidence.inputs.zone_plan.zone)


def _kept_owners(rule: Rule, evidence: RuleEvidence) -> tuple[NDArray[np.int32], int]:
    """The same, −1 where a cell condition does not hold."""
    owner, count = _owners(rule, evidence)
    mask = _cell_mask(rule, evidence)
    return (owner if mask is None else np.where(mask, owner, np.int32(-1))), count


def _application_rate(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
    owner, count = _kept_owners(rule, evidence)
    rate = evidence.precipitation.precipitation_rate_mm_h
    inside = owner >= 0
    cells = np.bincount(owner[inside], minlength=count)
    total = np.bincount(owner[inside], weights=rate[inside], minlength=count)
    area = cells * evidence.cells.grid.cell_area_m2
    least = LEAST_AREA_M2 if _cell_mask_is_asked(rule) else 0.0
    return [
        Measurement(value_si=float(total[n] / cells[n]), area_m2=float(area[n]))
        if cells[n] and area[n] >= least * (1.0 - ROUNDING)
        else _NOT_CONCERNED
        for n in range(count)
    ]


def _cell_mask_is_asked(rule: Rule) -> bool:
    return any(condition.quantity.name in CELL_CONDITIONS for condition in rule.where)


def _area_measurement(area_m2: float) -> Measurement:
    is_enough = area_m2 >= LEAST_AREA_M2 * (1.0 - ROUNDING)
    return Measurement(value_si=area_m2 if is_enough else 0.0, area_m2=area_m2)


def _turf_area(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
    owner, count = _kept_owners(rule, evidence)
    cells = np.bincount(owner[owner >= 0], minlength=count)
    return [_area_measurement(float(n) * evidence.cells.grid.cell_area_m2) for n in cells]


def _sprinkled_area(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
    """Of a zone all that it wets running alone, be it turf or not."""
    cell_area = evidence.cells.grid.cell_area_m2
    if rule.applies_to == "turf":
        owner, count = _kept_owners(rule, evidence)
        wet = owner[(owner >= 0) & (evidence.precipitation.precipitation_rate_mm_h > 0.0)]
        return [_area_measurement(float(n) * cell_area) for n in np.bincount(wet, minlength=count)]
    mask = _cell_mask(rule, evidence)
    found = []
    for rate in evidence.precipitation.zone_rates:
        cells = len(rate.cell) if mask is None else np.count_nonzero(mask.ravel()[rate.cell])
        found.append(_area_measurement(cells * cell_area))
    return found


def _usda_ratio(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
    """Mean rate over the table's rate in each slope class of a polygon; the worst of them."""
    turf = evidence.inputs.turf
    is_covered = rule.quantity.name == "usda_rate_ratio"
    n_classes, n_turf = len(RATE_SLOPE_CLASSES), len(turf.turf_id)
    on_turf = evidence.cells.turf_index >= 0
    slope_class = rate_slope_class(evidence.terrain.slope_pct[on_turf])
    rate = evidence.precipitation.precipitation_rate_mm_h[on_turf]
    group = evidence.cells.turf_index[on_turf] * n_classes + slope_class
    known = slope_class >= 0
    size = n_turf * n_classes
    cells = np.bincount(group[known], minlength=size).reshape(n_turf, n_classes)
    total = np.bincount(group[known], weights=rate[known], minlength=size)
    area = cells * evidence.cells.grid.cell_area_m2
    is_enough = area >= LEAST_AREA_M2 * (1.0 - ROUNDING)
    mean = np.divide(
        total.reshape(n_turf, n_classes), cells, out=np.zeros(area.shape), where=is_enough
    )
    is_compact = turf.compaction != "none"
    allowed = maximum_application_rate_mm_h(
        turf.soil_texture[:, np.newaxis],
        np.array(_CLASS_SLOPE_PCT),
        is_covered=is_covered,
        is_subsoil_compact=is_compact[:, np.newaxis],
    )
    ratio = mean / allowed
    worst = np.argmax(np.where(is_enough, ratio, -1.0), axis=1)
    found = []
    for number, column in enumerate(worst):
        if not is_enough[number].any():
            found.append(_NOT_CONCERNED)
            continue
        soil = maximum_rate_soil(
            str(turf.soil_texture[number]), is_subsoil_compact=bool(is_compact[number])
        )
        found.append(
            Measurement(
                value_si=float(ratio[number, column]),
                area_m2=float(area[number, column]),
                detail=f"It gets {KINDS['rate'].text(mean[number, column])} on the part of "
                f"{RATE_SLOPE_CLASSES[column]} slope, where the table has "
                f"{KINDS['rate'].text(allowed[number, column])} for {soil} "
                f"{'with cover' if is_covered else 'laid bare'}.",
            )
        )
    return found


# --- on polygons ---------------------------------------------------------------------------------


def _narrowest_width(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
    """Width where the turf is narrower than the limit; infinite where it nowhere is."""
    geometry = evidence.inputs.turf.geometry
    wanted = rule.limit_si - LENGTH_TOLERANCE_M
    is_wet = np.asarray(evidence.tables["turf_results"].columns["mean_rate_mm_h"]) > 0.0
    found = [
        Measurement(value_si=math.inf) if wet else _NOT_CONCERNED for wet in is_wet
    ]  # NaN, a polygon without cells, is not wet
    areas = connected_areas(geometry)
    narrow = [narrow_part(area, wanted) for area in areas] if wanted > 0.0 else []
    tree = shapely.STRtree(geometry)
    for area, strips in zip(areas, narrow, strict=False):
        for number in () if strips.is_empty else tree.query(strips, predicate="intersects"):
            part = shapely.intersection(strips, geometry[number])
            if not is_wet[number] or part.area < LEAST_AREA_M2 * (1.0 - ROUNDING):
                continue
            width = narrowest_width_m(
                area, geometry[number], at_most_m=wanted, least_area_m2=LEAST_AREA_M2
            )
            if width < found[number].value_si:
                found[number] = Measurement(value_si=width, area_m2=part.area, place=part)
    return found


def _of_column(name: str, detail: str = "") -> Callable[[Rule, RuleEvidence], list[Measurement]]:
    """A measure that the result tables hold already."""

    def measure(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
        values = np.asarray(
            evidence.tables[f"{rule.applies_to}_results"].columns[name], dtype=np.float64
        )
        return [
            Measurement(value_si=float(value), detail=detail)
            if np.isfinite(value)
            else _NOT_CONCERNED
            for value in values
        ]

    return measure


# --- on heads ------------------------------------------------------------------------------------


def _by_zone(
    evidence: RuleEvidence,
    values: FloatArray,
    summed_up: Callable[[FloatArray], Any],
    *,
    missing: str,
) -> list[Measurement]:
    """A value for each zone from those of its heads that have one."""
    layout = evidence.inputs.layout
    found = []
    for zone in range(len(evidence.inputs.zone_plan.zone)):
        own = values[layout.zone_index == zone]
        stated = own[np.isfinite(own)]
        if not len(own):
            found.append(_NOT_CONCERNED)
        elif not len(stated):
            found.append(Measurement(reason=missing))
        else:
            silent = len(own) - len(stated)
            found.append(
                Measurement(
                    value_si=float(summed_up(stated)),
                    detail=f"{silent} of its {len(own)} heads could not be judged."
                    if silent
                    else "",
                )
            )
    return found


def _head_setback(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
    layout, hardscape = evidence.inputs.layout, evidence.inputs.hardscape
    if hardscape is None or not len(hardscape.geometry):
        return [Measurement(value_si=math.inf) for _ in evidence.inputs.zone_plan.zone]
    points = np.asarray(shapely.points(layout.x_m, layout.y_m), dtype=object)
    found, away = shapely.STRtree(hardscape.geometry).query_nearest(
        points, return_distance=True, all_matches=False
    )
    distance = np.full(len(points), np.nan)
    distance[found[0]] = away
    return _by_zone(evidence, distance, np.min, missing="")


def _spacing_ratio(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
    nearest = np.asarray(evidence.tables["head_results"].columns["nearest_head_m"])
    ratio = nearest / evidence.inputs.layout.radius_m
    return _by_zone(evidence, ratio, np.max, missing="it is the only head of the site")


def _pressure_excess(evidence: RuleEvidence) -> FloatArray:
    """1 for a head outside the range of its nozzle, 0 within, NaN where that is not known."""
    layout = evidence.inputs.layout
    is_stated = np.isfinite(layout.pressure_kpa) & (
        np.isfinite(layout.pressure_min_kpa) | np.isfinite(layout.pressure_max_kpa)
    )
    is_out = (layout.pressure_kpa < layout.pressure_min_kpa * (1.0 - ROUNDING)) | (
        layout.pressure_kpa > layout.pressure_max_kpa * (1.0 + ROUNDING)
    )
    return np.where(is_stated, is_out.astype(np.float64), np.nan)


def _heads_outside_pressure_range(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
    return _by_zone(
        evidence,
        _pressure_excess(evidence),
        np.sum,
        missing="no head of it has both a pressure and a stated range",
    )


def _extreme_pressure(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
    return _by_zone(
        evidence,
        evidence.inputs.layout.pressure_kpa,
        np.min if rule.quantity.name == "lowest_pressure" else np.max,
        missing="no head of it has a pressure",
    )


def _lowest_riser(rule: Rule, evidence: RuleEvidence) -> list[Measurement]:
    return _by_zone(evidence, _riser_m(evidence), np.min, missing="no head of it states riser_m")


def _riser_m(evidence: RuleEvidence) -> FloatArray:
    """Heights of the nozzles from the carried column; NaN where not stated."""
    layout = evidence.inputs.layout
    for name, values in layout.attributes.items():
        quantity, unit = unit_of_column(name)
        if quantity == "riser" and unit is not None and unit.si_suffix == "m":
            return to_si([_number(value) for value in values.tolist()], unit)
    return np.full(len(layout.head_id), np.nan)


def _number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        return math.nan


_PRESSURES = ("heads_outside_pressure_range", "lowest_pressure", "highest_pressure")
_MEASURES: Mapping[str, Callable[[Rule, RuleEvidence], list[Measurement]]] = {
    "application_rate": _application_rate,
    "sprinkled_area": _sprinkled_area,
    "turf_area": _turf_area,
    "narrowest_width": _narrowest_width,
    "low_quarter_uniformity": _of_column(
        "du_lq", "A computed value knows no wind and no worn nozzle: an audit finds less."
    ),
    "matched_rate_spread": _of_column("matched_rate_spread_pct"),
    "overspray_fraction": _of_column("overspray_fraction"),
    "runoff_fraction": _of_column("runoff_fraction"),
    "usda_rate_ratio": _usda_ratio,
    "usda_bare_rate_ratio": _usda_ratio,
    "head_setback": _head_setback,
    "spacing_ratio": _spacing_ratio,
    "heads_outside_pressure_range": _heads_outside_pressure_range,
    "lowest_pressure": _extreme_pressure,
    "highest_pressure": _extreme_pressure,
    "lowest_riser": _lowest_riser,
}
