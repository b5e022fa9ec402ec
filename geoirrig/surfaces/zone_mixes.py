"""Zones that one run time cannot suit: mixed ground, mixed heads, or more flow than the supply."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geoirrig.physics.precipitation_rate import head_precipitation_rate
from geoirrig.records import (
    AnalysisSettings,
    ObjectArray,
    PrecipitationSurface,
    SiteInputs,
    TurfAreas,
    TurfCells,
)
from geoirrig.surfaces.head_findings import matched_rate_spread_pct, rate_text
from geoirrig.surfaces.layout_finding import LayoutFinding, severity
from geoirrig.surfaces.zone_turf import served_turf_areas_m2
from geoirrig.units import LITRES_PER_US_GALLON, PERCENT, FloatArray
from geoirrig.wording import in_words

MIXED_SHARE_WORTH_A_FINDING = 0.05  # judgement: of the area or of the heads, beside the main class
MIXED_SEVERITY_STEPS = (0.15, 0.30)  # judgement, on the same share
# Two heads may each differ from the usual rate by the tolerance, one up and one down.
TOLERANCES_IN_A_SPREAD = 2.0
SPREAD_SEVERITY_STEPS = (2.0, 4.0)  # judgement: spread over its limit
FLOW_SEVERITY_STEPS = (1.0, 1.05)  # judgement: flow over supply; a meter reads to a few percent


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ground:
    """A property of the turf that a zone should not mix."""

    kind: str
    column: str
    said: str  # of the classes, in a sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measure:
    """A measured value, its limit, and the values above which it is no longer low, and high."""

    value: float
    limit: float
    unit: str
    steps: tuple[float, float]


_GROUNDS = (
    _Ground(kind="mixed_soils", column="soil_texture", said="soils"),
    _Ground(kind="mixed_plants", column="plant_type", said="plants"),
    _Ground(kind="mixed_sun", column="sun", said="classes of sun"),
)


def zone_findings(
    inputs: SiteInputs,
    cells: TurfCells,
    precipitation: PrecipitationSurface,
    settings: AnalysisSettings,
) -> list[LayoutFinding]:
    """What is wrong with zones as a whole.

    Parameters
    ----------
    inputs : SiteInputs
        Heads, turf and zones. A column ``sun`` that the turf carries is compared as it is worded.
    cells, precipitation : TurfCells, PrecipitationSurface
        The turf that each zone serves.
    settings : AnalysisSettings
        The supply, and the tolerance of matched rates.

    Returns
    -------
    list of LayoutFinding
        ``mixed_soils``, ``mixed_plants``, ``mixed_sun``: share of the served area beside its main
        class. ``mixed_devices``: share of the heads beside the main kind. ``unmatched_rates``:
        spread of the heads' own rates, in percent. ``flow_beyond_supply``: flow of the zone with
        all its heads running. Each lies at the head nearest to the middle of the zone.
    """
    area = served_turf_areas_m2(precipitation, cells, len(inputs.turf.turf_id))
    return [
        *(f for ground in _GROUNDS for f in _mixed_ground(ground, inputs, area)),
        *_mixed_devices(inputs),
        *_unmatched_rates(inputs, settings.matched_rate_tolerance_pct),
        *_beyond_supply(inputs, settings.supply_lpm),
    ]


def _zone_finding(
    kind: str,
    inputs: SiteInputs,
    zone: int,
    sentence: str,
    *,
    measure: _Measure,
) -> LayoutFinding:
    layout = inputs.layout
    heads = np.flatnonzero(layout.zone_index == zone)
    x, y = layout.x_m[heads], layout.y_m[heads]
    middle = int(np.argmin(np.hypot(x - np.mean(x), y - np.mean(y))))
    return LayoutFinding(
        kind=kind,
        severity=severity(measure.value, measure.steps),
        x_m=float(x[middle]),
        y_m=float(y[middle]),
        measured_value=measure.value,
        limit_value=measure.limit,
        value_unit=measure.unit,
        sentence=f"Zone {inputs.zone_plan.zone[zone]} {sentence}",
        zone=zone,
    )


def _classes(ground: _Ground, turf: TurfAreas) -> ObjectArray | None:
    """Class of each turf polygon, "" where not stated; None where the site does not tell."""
    if ground.column == "sun":
        column: Any = turf.attributes.get("sun")
        if column is None:
            return None
        return np.array([v.strip() if isinstance(v, str) else "" for v in column], dtype=object)
    return turf.soil_texture if ground.column == "soil_texture" else turf.plant_type


def _mixed_ground(ground: _Ground, inputs: SiteInputs, area_m2: FloatArray) -> list[LayoutFinding]:
    classes = _classes(ground, inputs.turf)
    if classes is None:
        return []
    names, number = np.unique(classes.astype(str), return_inverse=True)
    by_class = np.zeros((len(area_m2), len(names)))
    for turf, of_class in enumerate(number):
        by_class[:, of_class] += area_m2[:, turf]
    by_class[:, names == ""] = 0.0
    found = []
    for zone, own in enumerate(by_class):
        share = own / max(float(np.sum(own)), np.finfo(float).tiny)
        beside = float(np.sum(share) - np.max(share, initial=0.0))
        if beside < MIXED_SHARE_WORTH_A_FINDING:
            continue
        said = _with_shares(names.tolist(), share)
        found.append(
            _zone_finding(
                ground.kind,
                inputs,
                zone,
                f"waters several {ground.said} with one run time: {said} of its area.",
                measure=_Measure(
                    value=beside,
                    limit=MIXED_SHARE_WORTH_A_FINDING,
                    unit="1",
                    steps=MIXED_SEVERITY_STEPS,
                ),
            )
        )
    return found


def _with_shares(names: Sequence[str], share: FloatArray) -> str:
    """``loam (62 %) and sand (38 %)``, the largest first."""
    order = [n for n in np.argsort(-share, kind="stable") if share[n] > 0.0]
    return in_words([f"{names[n].replace('_', ' ')} ({PERCENT * share[n]:.0f} %)" for n in order])


def _mixed_devices(inputs: SiteInputs) -> list[LayoutFinding]:
    layout = inputs.layout
    found = []
    for zone in range(len(inputs.zone_plan.zone)):
        kinds = layout.device[layout.zone_index == zone].astype(str)
        names, count = np.unique(kinds[kinds != ""], return_counts=True)
        share = count / max(int(np.sum(count)), 1)
        if len(names) < 2:
            continue
        found.append(
            _zone_finding(
                "mixed_devices",
                inputs,
                zone,
                f"mixes devices: {_with_shares(names.tolist(), share)} of its heads.",
                measure=_Measure(
                    value=float(1.0 - np.max(share)),
                    limit=0.0,
                    unit="1",
                    steps=MIXED_SEVERITY_STEPS,
                ),
            )
        )
    return found


def _unmatched_rates(inputs: SiteInputs, tolerance_pct: float) -> list[LayoutFinding]:
    layout = inputs.layout
    rate = head_precipitation_rate(layout.flow_lpm, layout.radius_m, layout.arc_deg)
    limit = TOLERANCES_IN_A_SPREAD * tolerance_pct
    found = []
    for zone in range(len(inputs.zone_plan.zone)):
        own = rate[layout.zone_index == zone]
        if not len(own):
            continue
        spread = matched_rate_spread_pct(layout, rate, zone)
        if spread <= limit:
            continue
        found.append(
            _zone_finding(
                "unmatched_rates",
                inputs,
                zone,
                f"has heads whose own rates run from {rate_text(float(np.min(own)))} to "
                f"{rate_text(float(np.max(own)))}: {spread:.0f} % of their mean apart, where "
                f"{limit:.0f} % is the limit.",
                measure=_Measure(
                    value=spread,
                    limit=limit,
                    unit="%",
                    steps=(SPREAD_SEVERITY_STEPS[0] * limit, SPREAD_SEVERITY_STEPS[1] * limit),
                ),
            )
        )
    return found


def _beyond_supply(inputs: SiteInputs, supply_lpm: float | None) -> list[LayoutFinding]:
    if supply_lpm is None:
        return []
    layout = inputs.layout
    flow = np.bincount(layout.zone_index, weights=layout.flow_lpm)
    count = np.bincount(layout.zone_index)
    return [
        _zone_finding(
            "flow_beyond_supply",
            inputs,
            int(zone),
            f"takes {_flow_text(flow[zone])} with all of its heads ({count[zone]}) running; the "
            f"supply gives {_flow_text(supply_lpm)}.",
            measure=_Measure(
                value=float(flow[zone]),
                limit=supply_lpm,
                unit="L/min",
                steps=(FLOW_SEVERITY_STEPS[0] * supply_lpm, FLOW_SEVERITY_STEPS[1] * supply_lpm),
            ),
        )
        for zone in np.flatnonzero(flow > supply_lpm)
    ]


def _flow_text(flow_lpm: float) -> str:
    """A flow in both unit systems."""
    return f"{flow_lpm:.1f} L/min ({flow_lpm / LITRES_PER_US_GALLON:.1f} US gal/min)"
