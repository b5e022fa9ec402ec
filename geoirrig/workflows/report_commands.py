"""The reports of the commands beside the main job: each is a map, a few tables and the pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geoirrig import symbology
from geoirrig.records import ResultTable
from geoirrig.report.report_page import (
    Content,
    PlaceLayer,
    ReportMap,
    ReportPage,
    ReportSection,
)
from geoirrig.units import UnitSystem
from geoirrig.workflows.report_parts import (
    LayerLook,
    bars,
    in_order,
    picture,
    place_layer,
    plain_layer,
    provenance,
    records_table,
    report_table,
)
from geoirrig.workflows.run_record import RunRecord

if TYPE_CHECKING:  # the report of one command needs nothing of the others
    from geoirrig.workflows.load_site import LoadedSite

_SLOPES, _ZONES, _CHANGES = "ranked slopes", "served area of a zone", "heads to change"
_RANK_COLUMNS = (
    "slope_unit", "rank", "rank_low", "rank_high", "turf_id", "area_m2", "mean_slope_pct",
    "runoff_l", "runoff_low_l", "runoff_high_l", "runoff_depth_mm", "cumulative_share",
    "minutes_to_runoff", "runoff_probability", "annual_runoff_l",
)  # fmt: skip
_CLOCK_COLUMNS = (
    "zone", "events", "interval_days", "net_depth_mm", "gross_depth_mm", "run_minutes", "cycles",
    "cycle_minutes", "soak_minutes", "weekly_minutes", "water_m3_year", "schedule_failure",
)  # fmt: skip
_MONTH_COLUMNS = (
    "zone", "month", "events", "interval_days", "gross_depth_mm", "run_minutes", "cycles",
    "cycle_minutes", "soak_minutes", "water_m3",
)  # fmt: skip
_COMPARED_COLUMNS = (
    "zone", "nozzle_set", "du_lq", "mean_rate_mm_h", "flow_lpm", "runoff_l", "overspray_l",
    "run_minutes", "water_l", "saving_l", "water_m3_year", "saving_m3_year",
)  # fmt: skip
_OPTIMIZED_COLUMNS = (
    "zone", "du_lq_before", "du_lq_after", "du_lq_bound", "gap", "changed_head_count",
    "flow_before_lpm", "flow_after_lpm", "runoff_before_l", "runoff_after_l",
)  # fmt: skip
_PARCEL_COLUMNS = (
    "parcel_id", "rank", "funded", "eligible", "head_count", "water_saved_m3_year",
    "runoff_avoided_m3_year", "cost", "rebate", "levelised_cost_per_m3",
    "levelised_cost_per_acre_foot", "benefit_cost_ratio", "payback_years", "reasons",
)  # fmt: skip
_MOST_PARCELS = 200


def ranking_report(
    site: LoadedSite, told: Mapping[str, Any], table: ResultTable, record: RunRecord, folder: Path
) -> ReportPage:
    """The page about a ranking of slopes; ``told`` is the summary of the run."""
    units = told["options"]["units"]
    look = LayerLook(
        label=_SLOPES, named="Slope {}", colour=symbology.TURF_LINE_COLOUR, drawn_as="outline",
        classes="runoff_l",
    )  # fmt: skip
    return _page(
        record,
        units,
        title="Slopes by the water that they shed",
        lead=told["finding"],
        site_map=_map(site, areas=[place_layer(table, _RANK_COLUMNS, look, units=units)]),
        content=(
            bars(table, "slope_unit", "runoff_l", caption="Runoff of one event", units=units),
            report_table(table, _RANK_COLUMNS, caption="Slopes, worst first", units=units,
                         places=_SLOPES),
        ),
        pictures=_pictures(folder, ("map_ranked_slopes.png", "ranked_slopes.png")),
        method=(
            "Runoff of one event as planned is computed for every cell and summed over each slope. "
            "The intervals come from drawing soils of the mapped textures many times: they tell of "
            "soil alone, not of errors of the map. The first is the slope that sheds most water, "
            "not the most dangerous one.",
        ),
    )  # fmt: skip


def schedule_report(
    site: LoadedSite,
    told: Mapping[str, Any],
    tables: Sequence[ResultTable],
    record: RunRecord,
    folder: Path,
) -> ReportPage:
    """The page about a schedule; ``tables`` are the zones, then zones by month."""
    units = told["options"]["units"]
    zones, months = tables[:2]
    look = LayerLook(
        label=_ZONES, named="Zone {}", colour=symbology.ZONE_LINE_COLOUR, drawn_as="outline",
        classes="weekly_minutes",
    )  # fmt: skip
    failed = [f"Zone {one['zone']}: {one['reason']}" for one in told["failures"]]
    peak = told["peak_month"]
    return _page(
        record,
        units,
        title="Irrigation schedule of a mean year",
        lead=f"The site takes most water in month {peak} of the year."
        if peak
        else "The site takes no water in a mean year.",
        site_map=_map(site, areas=[place_layer(zones, _CLOCK_COLUMNS, look, units=units)]),
        content=(
            *failed,
            bars(zones, "zone", "weekly_minutes", units=units,
                 caption="Minutes a week in the peak month"),
            report_table(zones, _CLOCK_COLUMNS, units=units, places=_ZONES,
                         caption="How the clock is set in the peak month"),
            report_table(months, _MONTH_COLUMNS, units=units, caption="Every zone and month"),
        ),
        pictures=_pictures(folder, ("calendar.png",)),
        method=tuple(
            f"{topic.replace('_', ' ').capitalize()}: {words}."
            for topic, words in told["methods"].items()
        ),
    )  # fmt: skip


def comparison_report(
    told: Mapping[str, Any], zones: ResultTable, record: RunRecord, folder: Path
) -> ReportPage:
    """The page about a comparison of nozzle sets."""
    units = told["options"]["units"]
    return _page(
        record,
        units,
        title="Nozzle sets side by side",
        lead=told["finding"],
        site_map=None,
        content=(
            *told["unchanged"],
            report_table(zones, _COMPARED_COLUMNS, units=units,
                         caption="Zones under each set; existing is the layout as it stands"),
        ),
        pictures=_pictures(folder, ("comparison.png",)),
        method=(
            "Every set is held against the layout as it stands at equal need: the drier part of "
            "each zone gets the same net depth, and the clock is set anew. What a clock left "
            "unchanged saves is another figure and is never added to the saving.",
        ),
    )  # fmt: skip


def proposal_report(
    site: LoadedSite,
    told: Mapping[str, Any],
    tables: Sequence[ResultTable],
    record: RunRecord,
    folder: Path,
) -> ReportPage:
    """The page about a proposed layout; ``tables`` are the changes, then the zones."""
    units = told["options"]["units"]
    changes, zones = tables
    shown = ("head_id", "change", "zone", "instruction", "old_nozzle", "new_nozzle")
    look = LayerLook(
        label=_CHANGES, named="Head {}", colour=symbology.HEAD_FINDING_COLOUR, drawn_as="ring"
    )
    has_changes = len(changes.columns["head_id"]) > 0
    return _page(
        record,
        units,
        title="A more even layout, proposed",
        lead=told["finding"],
        site_map=_map(site, points=[place_layer(changes, shown, look, units=units)]),
        content=(
            report_table(zones, _OPTIMIZED_COLUMNS, units=units,
                         caption="Zones as they stand and as proposed"),
            report_table(changes, shown, units=units, places=_CHANGES, caption="What to change")
            if has_changes
            else None,
        ),
        pictures=_pictures(folder, ("proposal.png",)),
        method=(
            "Of the fittings tried, nozzle, arc, bearing and radius of every head are chosen so "
            "that the driest quarter of each zone gets as much as possible of the mean, within the "
            "limits stated in the options. The bound is proven: no choice within them is more even "
            "on the cells of this grid.",
        ),
    )  # fmt: skip


def screening_report(
    told: Mapping[str, Any], parcels: ResultTable, record: RunRecord, folder: Path
) -> ReportPage:
    """The page about a screening: its first parcels by rank, and why others are refused."""
    units = told["options"]["units"]
    ranks = np.asarray(parcels.columns["rank"], dtype=np.float64)
    order = np.argsort(np.where(np.isnan(ranks), np.inf, ranks), kind="stable")[:_MOST_PARCELS]
    first = in_order(parcels, order)
    refused = [
        {"condition": condition, "count": count} for condition, count in told["refused_by"].items()
    ]
    failures = {"parcel_id": "Parcel", "reason": "Reason"}
    return _page(
        record,
        units,
        title=f"Parcels under {told['programme']}",
        lead=told["finding"],
        site_map=None,
        content=(
            told["funding_rule"],
            report_table(first, _PARCEL_COLUMNS, units=units,
                         caption=f"The first {len(order):,} of {len(ranks):,} parcels by rank"),
            records_table(refused, {"condition": "Condition", "count": "Parcels that it refuses"},
                          caption="Why parcels are not eligible")
            if refused
            else None,
            records_table(told["failures"], failures, caption="Parcels that could not be worked")
            if told["failures"]
            else None,
        ),
        pictures=_pictures(folder, ("screening.png",)),
        method=(
            "Each parcel is measured as if it were alone, in still air, on the soil that is stated "
            "for it, as it stands and after the change. Conditions are those of the programme's "
            "file; the terms of the local programme, its inspection and its approval decide.",
        ),
    )  # fmt: skip


# --- what they share -----------------------------------------------------------------------------


def _page(  # noqa: PLR0913 - the parts of a page, each named
    record: RunRecord,
    units: UnitSystem,
    *,
    title: str,
    lead: str,
    site_map: ReportMap | None,
    content: Sequence[Content | None],
    pictures: tuple[Content, ...],
    method: tuple[str, ...],
) -> ReportPage:
    names = {file.role: file.name for file in record.files}
    site = names.get("site") or names.get("heads")
    sections = (
        ReportSection(
            heading="Results", content=tuple(part for part in content if part is not None)
        ),
        ReportSection(heading="The results as pictures", content=pictures),
    )
    return ReportPage(
        title=f"{title}: {site}" if site else title,
        lead=lead,
        units=units,
        figures=(),
        map=site_map,
        sections=tuple(section for section in sections if section.content),
        method=method,
        provenance=provenance(record, units),
        warnings=record.warnings,
        cautions=record.cautions,
    )


def _pictures(folder: Path, names: Sequence[str]) -> tuple[Content, ...]:
    drawn = (
        picture(
            folder / name,
            caption=name.removesuffix(".png").replace("_", " ").capitalize(),
            alternative="Picture of the results; its figures stand in the tables above.",
        )
        for name in names
    )
    return tuple(one for one in drawn if one is not None)


def _map(
    site: LoadedSite,
    *,
    areas: Sequence[PlaceLayer | None] = (),
    points: Sequence[PlaceLayer | None] = (),
) -> ReportMap:
    """Turf, hardscape and heads, with the results upon them."""
    inputs = site.inputs
    paving = LayerLook(label="hardscape", colour=symbology.HARDSCAPE_COLOUR, drawn_as="area")
    turf = LayerLook(
        label="turf", named="Turf {}", colour=symbology.TURF_LINE_COLOUR, drawn_as="outline"
    )
    ground = (
        None
        if inputs.hardscape is None
        else plain_layer(inputs.hardscape.geometry, inputs.hardscape.surface, paving),
        plain_layer(inputs.turf.geometry, inputs.turf.turf_id, turf),
    )
    heads = LayerLook(label="heads", named="Head {}", colour=symbology.HEAD_COLOUR, drawn_as="dot")
    places = np.asarray(shapely.points(inputs.layout.x_m, inputs.layout.y_m), dtype=object)
    upon = plain_layer(places, inputs.layout.head_id, heads)
    return ReportMap(
        grid=site.grid,
        metres_per_unit=inputs.plane.metres_per_unit,
        rasters=(),
        layers=tuple(layer for layer in (*ground, *areas, upon, *points) if layer is not None),
    )
