"""What is right and wrong with each head, in numbers and in one plain sentence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geoirrig.physics.precipitation_rate import head_precipitation_rate
from geoirrig.records import (
    AnalysisSettings,
    ObjectArray,
    PrecipitationSurface,
    SprinklerLayout,
    ZonePlan,
)
from geoirrig.units import MM_PER_INCH, PERCENT, FloatArray, in_unit_system, length_text

NEIGHBOUR_BEARING_TOLERANCE_DEG = 5.0  # judgement: surveyed heads stand a little off their line
NEIGHBOUR_DISTANCE_TOLERANCE = 0.01  # judgement, as a share of the radius
OVERSPRAY_WORTH_A_SENTENCE = 0.05  # judgement: share of a head's water
SECONDS_PER_HOUR = 3600.0
LEAST_SURFACE_STORAGE_MM = 2.54  # the smallest allowable accumulation of any soil and slope


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadEvidence:
    """Measures of every head; arrays of shape (n_heads,)."""

    rate_mm_h: FloatArray  # own flow over own wetted sector
    nearest_head_m: FloatArray  # NaN for a lone head
    head_to_head: NDArray[np.bool_]
    finding: ObjectArray  # "" where nothing is wrong


def head_evidence(
    layout: SprinklerLayout,
    plan: ZonePlan,
    precipitation: PrecipitationSurface,
    settings: AnalysisSettings,
) -> HeadEvidence:
    """Own rate, spacing and findings of every head.

    A head is head-to-head if another head stands in its wetted sector, edges included.
    """
    rate = head_precipitation_rate(layout.flow_lpm, layout.radius_m, layout.arc_deg)
    nearest, reaches = _neighbours(layout)
    sentences: list[list[str]] = [[] for _ in layout.head_id]
    for check in (
        _no_neighbour(layout, nearest, reaches),
        _overspray(precipitation.head_on_target_fraction),
        _pressure(layout),
        _unmatched_rate(layout, plan, rate, settings.matched_rate_tolerance_pct),
        _mixed_devices(layout, plan),
        _slow_rotation(layout, rate),
    ):
        for head, sentence in check:
            sentences[head].append(sentence)
    return HeadEvidence(
        rate_mm_h=rate,
        nearest_head_m=nearest,
        head_to_head=reaches,
        finding=np.array([" ".join(found) for found in sentences], dtype=object),
    )


def matched_rate_spread_pct(layout: SprinklerLayout, rate_mm_h: FloatArray, zone: int) -> float:
    """Highest less lowest own rate of a zone's heads, over their mean, in percent."""
    rates = rate_mm_h[layout.zone_index == zone]
    return float(PERCENT * (np.max(rates) - np.min(rates)) / np.mean(rates))


def _neighbours(layout: SprinklerLayout) -> tuple[FloatArray, NDArray[np.bool_]]:
    n_heads = len(layout.x_m)
    reaches = np.zeros(n_heads, dtype=np.bool_)
    if n_heads < 2:
        return np.full(n_heads, np.nan), reaches
    places = np.column_stack([layout.x_m, layout.y_m])
    tree = cKDTree(places)
    nearest = np.asarray(tree.query(places, k=2)[0])[:, 1]
    in_reach = tree.query_ball_point(
        places, layout.radius_m * (1.0 + NEIGHBOUR_DISTANCE_TOLERANCE), return_sorted=True
    )
    for head, near in enumerate(in_reach):
        others = np.array([other for other in near if other != head], dtype=np.int64)
        east, north = (places[others] - places[head]).T
        bearing = np.degrees(np.arctan2(east, north))
        slack = NEIGHBOUR_BEARING_TOLERANCE_DEG
        swept = (bearing - layout.start_bearing_deg[head] + slack) % 360.0
        reaches[head] = bool(np.any(swept <= layout.arc_deg[head] + 2.0 * slack))
    return np.asarray(nearest, dtype=np.float64), reaches


def rate_text(value_mm_h: float) -> str:
    """A rate in both unit systems."""
    return f"{value_mm_h:.1f} mm/h ({value_mm_h / MM_PER_INCH:.2f} in/h)"


def _pressure_text(value_kpa: float) -> str:
    _, psi = in_unit_system("pressure_kpa", value_kpa, "us")
    return f"{value_kpa:.0f} kPa ({float(np.asarray(psi)):.0f} psi)"


Sentences = list[tuple[int, str]]


def _no_neighbour(
    layout: SprinklerLayout, nearest: FloatArray, reaches: NDArray[np.bool_]
) -> Sentences:
    return [
        (
            int(head),
            f"Reaches no other head: it throws {length_text(layout.radius_m[head])}, the nearest "
            f"head is {length_text(nearest[head])} away."
            if nearest[head] > layout.radius_m[head]
            else "Reaches no other head: none stands in the arc that it waters.",
        )
        for head in np.flatnonzero(~reaches & np.isfinite(nearest))
    ]


def _overspray(on_target_fraction: FloatArray) -> Sentences:
    return [
        (int(head), f"Throws past the turf edge: {PERCENT * off:.0f} % of its water lands off it.")
        for head, off in enumerate(1.0 - on_target_fraction)
        if off > OVERSPRAY_WORTH_A_SENTENCE
    ]


def _pressure(layout: SprinklerLayout) -> Sentences:
    found: Sentences = []
    for head in np.flatnonzero(layout.pressure_kpa < layout.pressure_min_kpa):
        found.append(
            (
                int(head),
                f"Pressure {_pressure_text(layout.pressure_kpa[head])} is below the nozzle's "
                f"lowest, {_pressure_text(layout.pressure_min_kpa[head])}: expect a ring far out "
                "and a dry middle.",
            )
        )
    for head in np.flatnonzero(layout.pressure_kpa > layout.pressure_max_kpa):
        found.append(
            (
                int(head),
                f"Pressure {_pressure_text(layout.pressure_kpa[head])} is above the nozzle's "
                f"highest, {_pressure_text(layout.pressure_max_kpa[head])}: expect mist and a "
                "short throw.",
            )
        )
    return found


def _unmatched_rate(
    layout: SprinklerLayout, plan: ZonePlan, rate: FloatArray, tolerance_pct: float
) -> Sentences:
    found: Sentences = []
    for zone, name in enumerate(plan.zone):
        heads = np.flatnonzero(layout.zone_index == zone)
        middle = float(np.median(rate[heads])) if len(heads) else np.nan
        for head in heads[np.abs(rate[heads] / middle - 1.0) > tolerance_pct / PERCENT]:
            found.append(
                (
                    int(head),
                    f"Its rate of {rate_text(rate[head])} differs from the {rate_text(middle)} "
                    f"usual in zone {name}.",
                )
            )
    return found


def _mixed_devices(layout: SprinklerLayout, plan: ZonePlan) -> Sentences:
    found: Sentences = []
    for zone, name in enumerate(plan.zone):
        heads = np.flatnonzero(layout.zone_index == zone)
        kinds = sorted({str(kind) for kind in layout.device[heads] if kind})
        if len(kinds) > 1:
            listed = " and ".join(kind.replace("_", " ") for kind in kinds)
            found += [(int(h), f"Zone {name} mixes devices: {listed}.") for h in heads]
    return found


def _slow_rotation(layout: SprinklerLayout, rate: FloatArray) -> Sentences:
    """The time-average rate only holds where the surface can store the water of one pass."""
    pass_mm = rate * layout.rotation_s / SECONDS_PER_HOUR
    return [
        (
            int(head),
            f"One pass brings {pass_mm[head]:.1f} mm ({pass_mm[head] / MM_PER_INCH:.2f} in), more "
            "than some soils store: runoff may start earlier than the average rate shows.",
        )
        for head in np.flatnonzero(pass_mm > LEAST_SURFACE_STORAGE_MM)
    ]
