"""Answers in a terminal: a few lines and a table or two."""

from __future__ import annotations

import calendar
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from geoirrig.units import UnitSystem, in_unit_system, unit_of_column

# SI column: short title, decimals in SI, decimals in US units.
_ZONE_COLUMNS = {
    "zone": ("Zone", 0, 0),
    "head_count": ("Heads", 0, 0),
    "mean_rate_mm_h": ("Rate", 1, 2),
    "du_lq": ("DU lq", 2, 2),
    "cu": ("CU", 2, 2),
    "overspray_fraction": ("Off", 2, 2),
    "run_minutes": ("Min", 1, 1),
    "planned_cycles": ("Cycles", 0, 0),
    "advised_cycles": ("Adv.", 0, 0),
    "runoff_l": ("Runoff", 0, 0),
}
_TURF_COLUMNS = {
    "turf_id": ("Turf", 0, 0),
    "mean_depth_mm": ("Depth", 1, 2),
    "du_lq": ("DU lq", 2, 2),
    "mean_slope_pct": ("Slope %", 1, 1),
    "minutes_to_runoff": ("Minutes", 0, 0),
    "runoff_l": ("Runoff", 0, 0),
    "runoff_probability": ("Chance", 2, 2),
    "runoff_rank": ("Rank", 0, 0),
}
_SCHEDULE_COLUMNS = {
    "zone": ("Zone", 0, 0),
    "interval_days": ("Every d", 0, 0),
    "net_depth_mm": ("Net", 1, 2),
    "gross_depth_mm": ("Gross", 1, 2),
    "run_minutes": ("Min", 1, 1),
    "cycles": ("Cycles", 0, 0),
    "cycle_minutes": ("of min", 1, 1),
    "soak_minutes": ("Soak min", 0, 0),
    "water_m3_year": ("Year", 0, 0),
}
_RANKING_COLUMNS = {
    "rank": ("Rank", 0, 0),
    "rank_interval": ("90 %", 0, 0),
    "slope_unit": ("Slope", 0, 0),
    "runoff_l": ("Runoff", 0, 0),
    "runoff_share": ("Share", 2, 2),
    "annual_runoff_one_cycle_l": ("A year", 0, 0),
    "annual_runoff_l": ("Cycled", 0, 0),
}
_COMPARISON_COLUMNS = {
    "nozzle_set": ("Nozzle set", 0, 0),
    "du_lq": ("DU lq", 2, 2),
    "mean_rate_mm_h": ("Rate", 1, 2),
    "runoff_l": ("Runoff", 0, 0),
    "water_l": ("Water", 0, 0),
    "water_m3_year": ("A year", 0, 1),
}
_NAMES = ("zone", "turf_id", "slope_unit", "nozzle_set")
_SLOPES_SHOWN = 20
_FINDINGS_SAID = 3


def print_report(summary: Mapping[str, Any], *, units: UnitSystem) -> None:
    """Print zones, turf and the water account of a summary on standard output."""
    console = Console(highlight=False)
    console.print(results_table("Zones, one event", _ZONE_COLUMNS, summary["zones"], units))
    console.print(results_table("Turf, one event", _TURF_COLUMNS, summary["turf"], units))
    console.print(
        "DU lq: low-quarter uniformity. Adv.: cycles that avoid runoff. Minutes: until the most "
        "sensitive 5 % of the turf runs off. Chance: share of soils of this texture that run off.",
        markup=False,
        soft_wrap=True,
    )
    totals = summary["totals"]
    applied, on_target, runoff = (
        _amount(totals, name, units) for name in ("applied_l", "on_target_l", "runoff_l")
    )
    console.print(
        f"Water applied {applied}; on the turf {on_target}; of that, runs off {runoff}.",
        markup=False,
        soft_wrap=True,
    )
    if in_unit_system("leaving_l", 0.0, units)[0] in totals:
        leaving, paved, off_site, ponded = (
            _amount(totals, name, units)
            for name in ("leaving_l", "to_hardscape_l", "off_site_l", "ponded_l")
        )
        console.print(
            f"Followed downhill, {leaving} leave the turf: {paved} onto hardscape, {off_site} off "
            f"the site. {ponded} stand in hollows.",
            markup=False,
            soft_wrap=True,
        )
    _print_layout_findings(console, summary["layout_findings"])
    for rules in summary.get("rules", ()):
        console.print(
            f"{rules['title']}: {rules['not_met_count']} not met, {rules['flagged_count']} "
            f"flagged, {rules['met_count']} met, {rules['not_evaluated_count']} not evaluated "
            f"(layer rule_findings). {rules['caution']}",
            markup=False,
            soft_wrap=True,
        )
    print_cautions(console, summary)


def _print_layout_findings(console: Console, findings: Sequence[Mapping[str, Any]]) -> None:
    """Count the findings about the layout by severity, and say the first of them."""
    if not findings:
        return
    count = Counter(finding["severity"] for finding in findings)
    by_severity = ", ".join(f"{count[s]} {s}" for s in ("high", "medium", "low") if count[s])
    console.print(f"Layout (layer layout_findings): {by_severity}.", markup=False, soft_wrap=True)
    for finding in findings[:_FINDINGS_SAID]:
        console.print(f"  {finding['finding']}", markup=False, soft_wrap=True)


def print_schedule(summary: Mapping[str, Any], *, units: UnitSystem) -> None:
    """Print how the clock is set in the month that takes most water, on standard output."""
    console = Console(highlight=False)
    month = summary["peak_month"]
    if month is None:
        console.print("No zone needs water in any month.", markup=False)
    else:
        title = f"Zones in {calendar.month_name[month]}, the month that takes most water"
        console.print(results_table(title, _SCHEDULE_COLUMNS, summary["zones"], units))
    for topic, words in summary["methods"].items():
        console.print(
            f"{topic.replace('_', ' ').capitalize()}: {words}.", markup=False, soft_wrap=True
        )
    print_cautions(console, summary)


def print_ranking(summary: Mapping[str, Any], *, units: UnitSystem) -> None:
    """Print the worst slopes and what they shed, on standard output."""
    console = Console(highlight=False)
    slopes = [
        {**slope, "rank_interval": f"{slope['rank_low']}–{slope['rank_high']}"}
        for slope in summary["slopes"]
    ]
    title = "Slopes, worst first, one event"
    console.print(results_table(title, _RANKING_COLUMNS, slopes[:_SLOPES_SHOWN], units))
    if len(slopes) > _SLOPES_SHOWN:
        console.print(f"… and {len(slopes) - _SLOPES_SHOWN} more in ranking.csv.", markup=False)
    console.print(summary["finding"], markup=False, soft_wrap=True)
    legend = "90 %: interval of the rank, over soils as different as lawns of one texture are."
    if in_unit_system("annual_runoff_l", 0.0, units)[0] in summary["totals"]:
        legend += (
            " A year, Cycled: runoff of a mean year with each event in one cycle, and with the "
            "scheduled cycles and soaks."
        )
    console.print(legend, markup=False, soft_wrap=True)
    print_cautions(console, summary)


def print_comparison(summary: Mapping[str, Any], *, units: UnitSystem) -> None:
    """Print the nozzle sets side by side, on standard output."""
    console = Console(highlight=False)
    title = "The layout as it stands and under each set, one event"
    console.print(results_table(title, _COMPARISON_COLUMNS, summary["sets"], units))
    console.print(summary["finding"], markup=False, soft_wrap=True)
    for text in summary["unchanged"]:
        console.print(text, markup=False, soft_wrap=True)
    print_cautions(console, summary)


def print_screening(summary: Mapping[str, Any], *, units: UnitSystem) -> None:
    """Print what the programme does with the parcels, on standard output."""
    console = Console(highlight=False)
    table = Table(title="Parcels", title_justify="left", box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    table.add_column("Refused by")
    table.add_column("Parcels", justify="right")
    for condition, count in summary["refused_by"].items():
        table.add_row(Text(str(condition)), f"{count:,}")
    if summary["refused_by"]:
        console.print(table)
    console.print(summary["finding"], markup=False, soft_wrap=True)
    console.print(f"Funding: {summary['funding_rule']}", markup=False, soft_wrap=True)
    n_items = summary["left_out_count"]
    if n_items:
        items = (
            "1 head or turf polygon belongs to no parcel and is left out"
            if n_items == 1
            else f"{n_items:,} heads or turf polygons belong to no parcel and are left out"
        )
        console.print(
            f"{items}; table left_out says why.",
            markup=False,
            soft_wrap=True,
        )
    print_cautions(console, summary)


def print_cautions(console: Console, summary: Mapping[str, Any]) -> None:
    """Print what to know before acting, on standard output."""
    console.print("Before acting on this:", markup=False)
    for caution in summary["cautions"]:
        console.print(f"  {caution}", markup=False, soft_wrap=True)


def results_table(
    title: str,
    columns: Mapping[str, tuple[str, int, int]],
    records: Sequence[Mapping[str, Any]],
    units: UnitSystem,
) -> Table:
    """Records as a table; ``columns`` give a short title and the decimals in SI and US units."""
    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    names = {column: in_unit_system(column, 0.0, units)[0] for column in columns}
    present = records[0].keys() if records else names.values()
    columns = {column: look for column, look in columns.items() if names[column] in present}
    for column, (heading, _, _) in columns.items():
        unit = _unit_of(names[column])
        table.add_column(
            f"{heading} ({unit})" if unit else heading,
            justify="left" if column in _NAMES else "right",
            overflow="fold",
            min_width=14 if column in _NAMES[1:] else None,
        )
    for record in records:
        cells = []
        for column, (_, si_decimals, us_decimals) in columns.items():
            decimals = si_decimals if units == "si" else us_decimals
            cells.append(Text(_shown(record[names[column]], decimals)))
        table.add_row(*cells)
    return table


def _unit_of(column: str) -> str:
    unit = unit_of_column(column)[1]
    return "" if unit is None else unit.printed


def _shown(value: Any, decimals: int) -> str:
    if value is None or isinstance(value, str):
        return value or "–"
    return f"{value:,.{decimals}f}" if np.isfinite(value) else "–"


def _amount(totals: Mapping[str, Any], name: str, units: UnitSystem) -> str:
    column = in_unit_system(name, 0.0, units)[0]
    return f"{float(totals[column]):,.0f} {_unit_of(column)}"
