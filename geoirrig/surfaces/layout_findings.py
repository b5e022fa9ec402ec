"""What is wrong with a layout, each as a point with its severity, a sentence and a measured value.

A finding is a point: the middle of a gap, an empty corner, the head to be turned, the middle of a
strip, the head in the middle of a zone. A finding has a place to walk to, and points of one size
are seen at every scale, where slivers along an edge and whole zones on one map hide one another;
how long, wide or far is in the measured value. One layer of one type opens in every viewer.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.physics.precipitation_rate import head_precipitation_rate
from geoirrig.records import (
    AnalysisSettings,
    EventPlan,
    ObjectArray,
    PrecipitationSurface,
    ResultTable,
    SiteInputs,
    TurfCells,
)
from geoirrig.surfaces.arc_turns import arc_advice, arc_findings
from geoirrig.surfaces.head_findings import OVERSPRAY_WORTH_A_SENTENCE
from geoirrig.surfaces.layout_corners import corner_findings, strip_findings
from geoirrig.surfaces.layout_finding import SEVERITIES, LayoutFinding
from geoirrig.surfaces.layout_gaps import gap_findings
from geoirrig.surfaces.turf_neighbourhood import neighbourhoods
from geoirrig.surfaces.zone_mixes import zone_findings
from geoirrig.units import MINUTES_PER_HOUR, PERCENT, FloatArray

NOBODYS_TURF_SHARE = 0.01  # judgement: a head with less of its water on turf waters none


def layout_findings(
    inputs: SiteInputs,
    cells: TurfCells,
    precipitation: PrecipitationSurface,
    event: EventPlan,
    depth_mm: NDArray[np.float32],
    *,
    zone_mean_depth_mm: FloatArray,
    settings: AnalysisSettings,
) -> ResultTable:
    """All findings about a layout, the severest first.

    Parameters
    ----------
    inputs : SiteInputs
        Heads, turf and zones.
    cells, precipitation, event : TurfCells, PrecipitationSurface, EventPlan
        The site on its grid, and one irrigation event.
    depth_mm : ndarray, shape (n_rows, n_cols)
        Depth of the event. [mm]
    zone_mean_depth_mm : ndarray, shape (n_zones,)
        Mean depth of the event on the turf that each zone serves, NaN where none. [mm]
    settings : AnalysisSettings
        What counts as dry, the tolerance of matched rates, the supply.

    Returns
    -------
    ResultTable
        Layer ``layout_findings`` of points. Kinds, each described where it is found: ``edge_gap``,
        ``spacing_gap``, ``open_ground`` (`layout_gaps`); ``corner_without_head``, ``narrow_strip``
        (`layout_corners`); ``arc_to_turn``, ``arc_to_narrow`` (`arc_turns`); ``waters_no_turf``;
        those of zones (`zone_mixes`).
    """
    layout = inputs.layout
    found: list[LayoutFinding] = []
    for lawn in neighbourhoods(inputs.turf.geometry, layout):
        found += gap_findings(layout, lawn)
        found += corner_findings(layout, lawn)
        found += strip_findings(layout, lawn)
    missing = 1.0 - precipitation.head_on_target_fraction
    heads = np.flatnonzero(missing > OVERSPRAY_WORTH_A_SENTENCE)
    rate = head_precipitation_rate(layout.flow_lpm, layout.radius_m, layout.arc_deg)
    minutes = event.run_minutes[layout.zone_index]
    advice = arc_advice(
        layout,
        inputs.turf.geometry,
        cells.grid,
        heads,
        spare_depth_mm=_spare_depth(
            cells, precipitation, depth_mm, settings.dry_spot_ratio * zone_mean_depth_mm
        ),
        event_depth_mm=(rate * minutes)[heads] / MINUTES_PER_HOUR,
        dry_area_m2=settings.dry_spot_min_area_m2,
    )
    found += arc_findings(layout, heads, advice)
    found += _waters_no_turf(inputs, precipitation.head_on_target_fraction)
    found += zone_findings(inputs, cells, precipitation, settings)
    return _table(sorted(found, key=lambda f: -SEVERITIES.index(f.severity)), inputs)


def _spare_depth(
    cells: TurfCells,
    precipitation: PrecipitationSurface,
    depth_mm: NDArray[np.float32],
    dry_below_mm: FloatArray,
) -> NDArray[np.float32]:
    """Depth beyond that below which turf is a dry spot; NaN off the turf."""
    limit = np.append(dry_below_mm, np.inf).astype(np.float32)[precipitation.main_zone]
    return np.where(cells.turf_index >= 0, depth_mm - limit, np.float32(np.nan))


def _waters_no_turf(inputs: SiteInputs, on_target_fraction: FloatArray) -> list[LayoutFinding]:
    layout = inputs.layout
    return [
        LayoutFinding(
            kind="waters_no_turf",
            severity="high",
            x_m=float(layout.x_m[head]),
            y_m=float(layout.y_m[head]),
            measured_value=float(on_target_fraction[head]),
            limit_value=NOBODYS_TURF_SHARE,
            value_unit="1",
            sentence=f"Head {layout.head_id[head]} waters no turf: "
            f"{PERCENT * on_target_fraction[head]:.1f} % of its water falls on any.",
            head=int(head),
            zone=int(layout.zone_index[head]),
        )
        for head in np.flatnonzero(on_target_fraction < NOBODYS_TURF_SHARE)
    ]


def _table(found: Sequence[LayoutFinding], inputs: SiteInputs) -> ResultTable:
    def column(values: list[Any]) -> ObjectArray:
        filled: ObjectArray = np.empty(len(values), dtype=object)
        filled[:] = values
        return filled

    def numbers(values: list[float]) -> FloatArray:
        return np.array(values, dtype=np.float64)

    def named(names: ObjectArray, numbers: list[int | None]) -> ObjectArray:
        return column([None if n is None else str(names[n]) for n in numbers])

    head_id = inputs.layout.head_id
    points = np.asarray(shapely.points(np.array([(f.x_m, f.y_m) for f in found]).reshape(-1, 2)))
    nearest = shapely.STRtree(inputs.turf.geometry).nearest(points)
    return ResultTable(
        name="layout_findings",
        columns={
            "finding_id": np.arange(1, len(found) + 1),
            "kind": column([f.kind for f in found]),
            "severity": column([f.severity for f in found]),
            "zone": named(column(list(inputs.zone_plan.zone)), [f.zone for f in found]),
            "turf_id": named(
                inputs.turf.turf_id,
                [
                    int(turf) if f.is_on_turf else None
                    for f, turf in zip(found, nearest, strict=True)
                ],
            ),
            "head_id": named(head_id, [f.head for f in found]),
            "other_head_id": named(head_id, [f.other_head for f in found]),
            "measured_value": numbers([f.measured_value for f in found]),
            "limit_value": numbers([f.limit_value for f in found]),
            "value_unit": column([f.value_unit for f in found]),
            "turn_deg": numbers([f.turn_deg for f in found]),
            "advised_start_bearing_deg": numbers([f.advised_start_bearing_deg for f in found]),
            "advised_arc_deg": numbers([f.advised_arc_deg for f in found]),
            "finding": column([f.sentence for f in found]),
        },
        geometry=points,
        geometry_type="Point",
    )
