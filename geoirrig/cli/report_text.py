"""The answer in a terminal: a few lines and two tables."""

from __future__ import annotations

from collections.abc import Mapping
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


def print_report(summary: Mapping[str, Any], *, units: UnitSystem) -> None:
    """Print zones, turf and the water account of a summary on standard output."""
    console = Console(highlight=False)
    console.print(_table("Zones, one event", _ZONE_COLUMNS, summary["zones"], units))
    console.print(_table("Turf, one event", _TURF_COLUMNS, summary["turf"], units))
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
    console.print("Before acting on this:", markup=False)
    for caution in summary["cautions"]:
        console.print(f"  {caution}", markup=False, soft_wrap=True)


def _table(
    title: str,
    columns: Mapping[str, tuple[str, int, int]],
    records: list[Mapping[str, Any]],
    units: UnitSystem,
) -> Table:
    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    names = {column: in_unit_system(column, 0.0, units)[0] for column in columns}
    for column, (heading, _, _) in columns.items():
        unit = _unit_of(names[column])
        table.add_column(
            f"{heading} ({unit})" if unit else heading,
            justify="left" if column in ("zone", "turf_id") else "right",
            overflow="fold",
            min_width=14 if column == "turf_id" else None,
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
