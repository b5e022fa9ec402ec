"""The reports of `rank`, `schedule` and `optimize`: a map, a few tables and the pictures."""

from __future__ import annotations

import calendar
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from geoirrig import symbology
from geoirrig.records import ResultTable
from geoirrig.report.report_page import ReportPage
from geoirrig.units import PERCENT
from geoirrig.workflows.reports.frame import command_page, map_of_site, pictures_of
from geoirrig.workflows.reports.parts import bars, report_table
from geoirrig.workflows.reports.places import LayerLook, place_layer
from geoirrig.workflows.run_record import RunRecord

if TYPE_CHECKING:  # the report of one command needs nothing of the others
    from geoirrig.workflows.load_site import LoadedSite

_SLOPES, _ZONES, _CHANGES = "ranked slopes", "served area of a zone", "heads to change"
_RANK_COLUMNS = (
    "slope_unit", "rank", "rank_low", "rank_high", "turf_id", "area_m2", "mean_slope_pct",
    "runoff_l", "runoff_low_l", "runoff_high_l", "runoff_depth_mm", "cumulative_share",
    "minutes_to_runoff", "runoff_probability", "annual_runoff_l",
)  # fmt: skip
_RANK_HEADINGS = {
    "rank": ("Rank", "1 is the slope that sheds most in one event; equal ones share a rank.")
}
_CLOCK_COLUMNS = (
    "zone", "events", "interval_days", "net_depth_mm", "gross_depth_mm", "run_minutes", "cycles",
    "cycle_minutes", "soak_minutes", "weekly_minutes", "water_m3_year", "schedule_failure",
)  # fmt: skip
_MONTH_COLUMNS = (
    "zone", "month", "events", "interval_days", "gross_depth_mm", "run_minutes", "cycles",
    "cycle_minutes", "soak_minutes", "water_m3",
)  # fmt: skip
_MONTH_HEADINGS = {"month": ("Month", "")}
_OPTIMIZED_COLUMNS = (
    "zone", "du_lq_before", "du_lq_after", "du_lq_bound", "gap", "changed_head_count",
    "flow_before_lpm", "flow_after_lpm", "runoff_before_l", "runoff_after_l",
)  # fmt: skip

_OPTIMIZED_HEADINGS = {
    "du_lq_before": ("DU, low quarter, before", "Evenness of the turf as it stands."),
    "du_lq_after": ("DU, low quarter, after", "Evenness of the turf as proposed."),
    "du_lq_bound": (
        "DU, low quarter, at most",
        "What no layout of the fittings tried can beat, rounded up.",
    ),
    "gap": ("Gap [%]", "The bound over the evenness proposed, less 1."),
}
CHANGE_COLUMNS = ("head_id", "change", "zone", "instruction", "old_nozzle", "new_nozzle")
CHANGE_LOOK = LayerLook(
    label=_CHANGES, named="Head {}", colour=symbology.HEAD_FINDING_COLOUR, drawn_as="ring"
)


def ranking_report(
    site: LoadedSite, told: Mapping[str, Any], table: ResultTable, record: RunRecord, folder: Path
) -> ReportPage:
    """The page about a ranking of slopes; ``told`` is the summary of the run."""
    units = told["options"]["units"]
    look = LayerLook(
        label=_SLOPES, named="Slope {}", colour=symbology.TURF_LINE_COLOUR, drawn_as="outline",
        classes="runoff_l",
    )  # fmt: skip
    return command_page(
        record,
        units,
        title="Slopes by the water that they shed",
        lead=told["finding"],
        site_map=map_of_site(site, areas=[place_layer(table, _RANK_COLUMNS, look, units=units)]),
        content=(
            bars(table, "slope_unit", "runoff_l", caption="Runoff of one event", units=units),
            report_table(table, _RANK_COLUMNS, caption="Slopes, worst first", units=units,
                         places=_SLOPES, headings=_RANK_HEADINGS),
        ),
        pictures=pictures_of(folder, ("map_ranked_slopes.png", "ranked_slopes.png")),
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
    zones, months = (_without_idle_depths(table) for table in tables[:2])
    look = LayerLook(
        label=_ZONES, named="Zone {}", colour=symbology.ZONE_LINE_COLOUR, drawn_as="outline",
        classes="weekly_minutes",
    )  # fmt: skip
    failed = [f"Zone {one['zone']}: {one['reason']}" for one in told["failures"]]
    peak = told["peak_month"]
    return command_page(
        record,
        units,
        title="Irrigation schedule of a mean year",
        lead=f"The site takes most water in {calendar.month_name[peak]}."
        if peak
        else "The site takes no water in a mean year.",
        site_map=map_of_site(site, areas=[place_layer(zones, _CLOCK_COLUMNS, look, units=units)]),
        content=(
            *failed,
            bars(zones, "zone", "weekly_minutes", units=units,
                 caption="Minutes a week in the peak month"),
            report_table(zones, _CLOCK_COLUMNS, units=units, places=_ZONES,
                         caption="How the clock is set in the peak month"),
            report_table(months, _MONTH_COLUMNS, units=units, headings=_MONTH_HEADINGS,
                         caption="Every zone and month"),
        ),
        pictures=pictures_of(folder, ("calendar.png",)),
        method=tuple(
            f"{topic.replace('_', ' ').capitalize()}: {words}."
            for topic, words in told["methods"].items()
        ),
    )  # fmt: skip


def _without_idle_depths(table: ResultTable) -> ResultTable:
    """Depths of an irrigation are told only where there is one."""
    is_idle = np.asarray(table.columns["events"]) == 0
    depths = {
        name: np.where(is_idle, np.nan, table.columns[name])
        for name in ("net_depth_mm", "gross_depth_mm")
    }
    return replace(table, columns={**table.columns, **depths})


def _with_bound_rounded_up(zones: ResultTable) -> ResultTable:
    """A bound told with three digits must not be lower than it is; the gap is told in percent."""
    bound, gap = (np.asarray(zones.columns[n], dtype=np.float64) for n in ("du_lq_bound", "gap"))
    told = {"du_lq_bound": np.ceil(1000.0 * bound) / 1000.0, "gap": PERCENT * gap}
    return replace(zones, columns={**zones.columns, **told})


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
    has_changes = len(changes.columns["head_id"]) > 0
    return command_page(
        record,
        units,
        title="A more even layout, proposed",
        lead=told["finding"],
        site_map=map_of_site(
            site, points=[place_layer(changes, CHANGE_COLUMNS, CHANGE_LOOK, units=units)]
        ),
        content=(
            report_table(_with_bound_rounded_up(zones), _OPTIMIZED_COLUMNS, units=units,
                         headings=_OPTIMIZED_HEADINGS,
                         caption="Zones as they stand and as proposed"),
            report_table(changes, CHANGE_COLUMNS, units=units, places=_CHANGES,
                         caption="What to change")
            if has_changes
            else None,
        ),
        pictures=pictures_of(folder, ("proposal.png",)),
        method=(
            "Of the fittings tried, nozzle, arc, bearing and radius of every head are chosen so "
            "that the driest quarter of each zone gets as much as possible of the mean, within the "
            "limits stated in the options. The bound is proven: no choice within them is more even "
            "on the cells of this grid.",
        ),
    )  # fmt: skip
