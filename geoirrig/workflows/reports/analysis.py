"""The report of the main job."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from geoirrig import symbology
from geoirrig.records import AnalysisSettings, ResultTable, SiteAnalysis
from geoirrig.report.report_page import (
    Content,
    KeyFigure,
    MapSurface,
    PlaceLayer,
    ReportMap,
    ReportPage,
    ReportPicture,
    ReportSection,
)
from geoirrig.units import PERCENT, UnitSystem
from geoirrig.wording import led_by
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.reports.frame import HEAD_LOOK, filled_sections, hardscape_layer
from geoirrig.workflows.reports.parts import (
    bars,
    in_order,
    key_figure,
    largest_first,
    picture,
    provenance,
    records_table,
    report_table,
)
from geoirrig.workflows.reports.places import LayerLook, place_layer
from geoirrig.workflows.run_record import RunRecord

_FINDINGS, _TURF, _ZONES = "layout findings", "turf", "served area of a zone"
_DRY, _SPRAY, _HOT = "dry spots", "overspray", "runoff hotspots"
_LARGEST_FIRST = {"overspray": "overspray_l", "runoff_hotspots": "runoff_l"}
_MOST_PLACES_TOLD = 15  # of dry spots, overspray and hotspots each
_RASTERS = (
    "precipitation_rate_mm_h", "runoff_probability", "runoff_depth_mm", "heads_reaching",
    "applied_depth_mm", "minutes_to_runoff", "slope_pct", "run_on_depth_mm",
)  # fmt: skip
_TURF_COLUMNS = (
    "turf_id", "runoff_rank", "area_m2", "mean_depth_mm", "du_lq", "cu", "scheduling_coefficient",
    "dry_fraction", "mean_slope_pct", "minutes_to_runoff", "runoff_l", "runoff_probability",
)  # fmt: skip
_ZONE_COLUMNS = (
    "zone", "head_count", "flow_lpm", "served_area_m2", "mean_rate_mm_h", "du_lq",
    "on_target_fraction", "matched_rate_spread_pct", "run_minutes", "planned_cycles",
    "advised_cycles", "advised_cycle_minutes", "advised_soak_minutes", "runoff_l",
)  # fmt: skip
# Result, what is told of a place, and how it is drawn; the lowest first.
RESULT_PLACES = (
    (
        "turf_results", _TURF_COLUMNS,
        LayerLook(label=_TURF, named="Turf {}", colour=symbology.TURF_LINE_COLOUR,
                  drawn_as="outline"),
    ),
    (
        "zone_results", _ZONE_COLUMNS,
        LayerLook(label=_ZONES, named="Zone {}", colour=symbology.ZONE_LINE_COLOUR,
                  drawn_as="dashed_outline", is_shown=False),
    ),
    (
        "runoff_hotspots", ("hotspot_id", "turf_id", "area_m2", "runoff_l", "mean_slope_pct"),
        LayerLook(label=_HOT, named="Runoff hotspot {}", colour=symbology.HOTSPOT_COLOUR,
                  drawn_as="outline", is_shown=False),
    ),
    (
        "dry_spots", ("dry_spot_id", "turf_id", "zone", "area_m2", "mean_depth_mm"),
        LayerLook(label=_DRY, named="Dry spot {}", colour=symbology.DRY_SPOT_COLOUR,
                  drawn_as="dashed_outline", is_shown=False),
    ),
    (
        "overspray", ("overspray_id", "surface", "area_m2", "overspray_l"),
        LayerLook(label=_SPRAY, named="Overspray {}", colour=symbology.OVERSPRAY_COLOUR,
                  drawn_as="dashed_outline", is_shown=False),
    ),
    (
        "head_results",
        ("head_id", "zone", "nozzle", "flow_lpm", "radius_m", "rate_mm_h", "finding"),
        HEAD_LOOK,
    ),
    (
        "layout_findings", ("finding_id", "severity", "zone", "turf_id", "finding"),
        LayerLook(label=_FINDINGS, named="Finding {}", colour=symbology.HEAD_FINDING_COLOUR,
                  drawn_as="ring"),
    ),
)  # fmt: skip
_RULE_SET_TITLES = {
    "title": "Rule set", "jurisdiction": "Where it holds", "citation": "Source",
    "met_count": "Met", "not_met_count": "Not met", "flagged_count": "Flagged",
    "not_evaluated_count": "Not evaluated", "from_memory_count": "Rules quoted from memory",
}  # fmt: skip
_RULE_COLUMNS = (
    "rule", "outcome", "zone", "turf_id", "measured", "limit", "rule_text", "citation",
    "from_memory",
)  # fmt: skip
_PICTURES = (
    ("map_precipitation.png", "Precipitation rate", "how fast each spot gets water"),
    ("map_coverage.png", "Coverage", "how many heads reach each spot, dry spots and overspray"),
    ("map_runoff_risk.png", "Runoff risk", "where turf is likely to shed water"),
    ("map_run_on.png", "Run-on", "where excess water runs and leaves the turf"),
)


def analysis_report(
    site: LoadedSite,
    analysis: SiteAnalysis,
    record: RunRecord,
    folder: Path,
    *,
    units: UnitSystem,
) -> ReportPage:
    """The page about an analysis.

    Parameters
    ----------
    site, analysis : LoadedSite, SiteAnalysis
        What was read and what was found.
    record : RunRecord
        What was run.
    folder : Path
        Folder with the maps that were drawn.
    units : {"si", "us"}
        Unit system of the page.
    """
    names = {file.role: file.name for file in site.inputs.files}
    subject = names.get("site") or names.get("heads", "the site")
    return ReportPage(
        title=f"Irrigation layout of {subject}",
        lead=_lead(analysis),
        units=units,
        figures=_figures(analysis, units),
        map=_site_map(site, analysis, units),
        sections=_sections(analysis, folder, units),
        method=_method(site.settings),
        provenance=provenance(record, units),
        warnings=tuple(led_by(units, text) for text in record.warnings),
        cautions=record.cautions,
    )


def _lead(analysis: SiteAnalysis) -> str:
    findings = analysis.table("layout_findings").columns["severity"]
    severe = sum(one == "high" for one in findings)
    turf = analysis.table("turf_results").columns
    litres = np.asarray(turf["runoff_l"], dtype=np.float64)
    applied = analysis.totals["applied_l"]
    share = PERCENT * analysis.totals["runoff_l"] / applied if applied > 0.0 else math.nan
    text = f"{len(findings)} findings about the layout, {severe} of them severe."
    if np.any(litres > 0.0):
        worst = turf["turf_id"][int(np.nanargmax(litres))]
        text += (
            f" Of the water of one event as planned, {share:.3g} % runs off; most of it off turf "
            f"“{worst}”."
        )
    else:
        text += " No water runs off in the event as planned."
    return text


def _figures(analysis: SiteAnalysis, units: UnitSystem) -> tuple[KeyFigure, ...]:
    totals = analysis.totals
    on_target = PERCENT * totals["on_target_fraction"]
    return (
        KeyFigure(label="Heads", value=f"{totals['head_count']:,.0f}"),
        KeyFigure(label="Zones", value=f"{totals['zone_count']:,.0f}"),
        key_figure("Turf", "turf_area_m2", totals["turf_area_m2"], units),
        key_figure("Water of one event", "applied_l", totals["applied_l"], units),
        KeyFigure(label="Of it on turf", value=f"{on_target:.1f} %"),
        key_figure("Runoff of one event", "runoff_l", totals["runoff_l"], units),
        KeyFigure(label="Event lasts", value=f"{totals['event_hours']:.1f} h"),
    )


# --- the map -------------------------------------------------------------------------------------


def _site_map(site: LoadedSite, analysis: SiteAnalysis, units: UnitSystem) -> ReportMap:
    drawn = {raster.name: raster for raster in analysis.rasters}
    return ReportMap(
        bounds_m=analysis.grid.bounds_m,
        metres_per_unit=analysis.plane.metres_per_unit,
        surfaces=tuple(
            MapSurface(raster=drawn[name], grid=analysis.grid) for name in _RASTERS if name in drawn
        ),
        layers=tuple(layer for layer in _layers(site, analysis, units) if layer is not None),
        note="Surfaces show the class of each cell; point at one for its value.",
    )


def told_in_order(table: ResultTable) -> ResultTable:
    """A result in the order in which a page tells of it, in its table and on its map."""
    column = _LARGEST_FIRST.get(table.name, "")
    return largest_first(table, column) if column in table.columns else table


def _layers(
    site: LoadedSite, analysis: SiteAnalysis, units: UnitSystem
) -> tuple[PlaceLayer | None, ...]:
    return (
        hardscape_layer(site.inputs),
        *(
            place_layer(told_in_order(analysis.table(name)), columns, look, units=units)
            for name, columns, look in RESULT_PLACES
        ),
    )


# --- the sections --------------------------------------------------------------------------------


def _sections(analysis: SiteAnalysis, folder: Path, units: UnitSystem) -> tuple[ReportSection, ...]:
    turf, zones = analysis.table("turf_results"), analysis.table("zone_results")
    pictures = (_drawn(folder, *told) for told in _PICTURES)
    return filled_sections(
        ("What is wrong with the layout", _found(analysis, units)),
        (
            "Zones",
            (
                bars(zones, "zone", "du_lq", units=units,
                     caption="Evenness of each zone: distribution uniformity, low quarter"),
                report_table(zones, _ZONE_COLUMNS, caption="Zones, in running order",
                             units=units, places=_ZONES),
            ),
        ),
        (
            "Turf",
            (
                bars(turf, "turf_id", "runoff_l", units=units,
                     caption="Runoff of one event from each turf polygon"),
                report_table(turf, _TURF_COLUMNS, caption="Turf polygons", units=units,
                             places=_TURF),
            ),
        ),
        ("Rules held against the site", _rules(analysis, units)),
        ("The maps as pictures", tuple(pictures)),
    )  # fmt: skip


def _found(analysis: SiteAnalysis, units: UnitSystem) -> tuple[Content | None, ...]:
    findings = _table_of_places(
        analysis.table("layout_findings"), _FINDINGS, units,
        caption="Findings, the severest first; a number leads to its place on the map",
        columns=("finding_id", "severity", "finding", "zone", "turf_id", "kind"),
    )  # fmt: skip
    return (
        findings or "No finding about gaps, corners, strips, arcs or zones.",
        _table_of_places(
            analysis.table("dry_spots"), _DRY, units, at_most=_MOST_PLACES_TOLD,
            caption="Dry spots",
            columns=("dry_spot_id", "turf_id", "zone", "area_m2", "mean_depth_mm"),
        ),
        _table_of_places(
            told_in_order(analysis.table("overspray")), _SPRAY, units, at_most=_MOST_PLACES_TOLD,
            caption="Overspray, in one event",
            columns=("overspray_id", "surface", "area_m2", "mean_depth_mm", "overspray_l"),
        ),
        _table_of_places(
            told_in_order(analysis.table("runoff_hotspots")), _HOT, units,
            at_most=_MOST_PLACES_TOLD, caption="Runoff hotspots, in one event",
            columns=(
                "hotspot_id", "turf_id", "area_m2", "runoff_l", "mean_runoff_depth_mm",
                "mean_slope_pct",
            ),
        ),
    )  # fmt: skip


def _table_of_places(
    table: ResultTable, layer: str, units: UnitSystem, *, columns: tuple[str, ...], **told: Any
) -> Content | None:
    if not len(table.columns[columns[0]]):
        return None
    return report_table(table, columns, units=units, places=layer, **told)


def _rules(analysis: SiteAnalysis, units: UnitSystem) -> tuple[Content | None, ...]:
    if not analysis.rules:
        return ()
    found = analysis.table("rule_findings")
    is_met = np.asarray(found.columns["outcome"]) == "met"
    worst_first = in_order(found, np.argsort(is_met, kind="stable"))
    return (
        records_table(analysis.rules, _RULE_SET_TITLES, caption="Rule sets"),
        report_table(worst_first, _RULE_COLUMNS, units=units,
                     caption="Each rule for each zone or turf, those not met first"),
        "Met is no permit and not met no offence: local code and licensed practice decide.",
    )  # fmt: skip


def _drawn(folder: Path, name: str, caption: str, shows: str) -> ReportPicture | None:
    return picture(
        folder / name,
        caption=caption,
        alternative=f"Map of the site: {shows}. Its figures stand in the tables above.",
    )


# --- the method ----------------------------------------------------------------------------------


def _method(settings: AnalysisSettings) -> tuple[str, ...]:
    model = {
        "surface_storage": "Ground takes water in at the steady rate of its soil texture, lowered "
        "by compaction; what comes faster fills the surface storage that its slope allows, and "
        "then runs off.",
        "green_ampt": "Water goes into the ground by the Green-Ampt equation for the soil texture; "
        "what comes faster fills the surface storage that the slope leaves, and then runs off.",
    }[settings.runoff_model]
    downhill = (
        "Excess water is followed downhill from cell to cell."
        if settings.run_on
        else "Water that leaves a cell is counted and not followed downhill."
    )
    return (
        "The flow of each head is spread over its wetted sector by the radial profile of its "
        "nozzle, cell by cell. Heads of one zone add up; zones never run together, and their "
        "depths add up over one event. Where a zone states no run time, it runs until its turf "
        "has the event depth on average.",
        "Distribution uniformity compares the driest quarter of the area with the mean; a value of "
        "1 is perfectly even. A dry spot gets less than "
        f"{PERCENT * settings.dry_spot_ratio:g} % of the mean depth of its zone.",
        f"{model} {downhill} The probability of runoff is the share of 100 equally likely soils of "
        "the mapped texture.",
        "Left out: wind, pipes and losses of pressure between heads, planting that stands in the "
        "way, and how a real soil differs from the table. A map of slope and soil is as good as "
        "its survey.",
    )
