"""What the commands about plans print on standard output."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table

from geoirrig.units import METRES_PER_FOOT, UnitSystem

_MM_PER_M, _MM_PER_IN = 1000.0, 25.4


def print_plan_contents(summary: Mapping[str, Any], *, units: UnitSystem) -> None:
    """Print layers, blocks and attributes of a plan."""
    console = Console(highlight=False)
    console.print(
        f"Unit of the plan, as its header states it: {summary['plan_unit'] or 'not stated'}.",
        markup=False,
    )
    console.print(_table("Layers", summary["layers"]))
    for block in summary["blocks"]:
        console.print(
            f"Block {block['block']}, inserted on: {_cell(block['layers'])}",
            markup=False,
        )
        attributes = [
            {"attribute": name, "such as": examples}
            for name, examples in block["attributes"].items()
        ]
        console.print(_table(None, attributes or [{"attribute": "none"}]))
    console.print(
        "roles.toml is a draft: say in it what the layers and blocks stand for, then run again "
        "with --roles, --control and --crs.",
        markup=False,
        soft_wrap=True,
    )


def print_plan_import(summary: Mapping[str, Any], *, units: UnitSystem) -> None:
    """Print how well a plan lies on the map, and what came from it."""
    console = Console(highlight=False)
    points = [
        {
            "point": point["point"],
            "off (mm)": _millimetres(point["residual_m"]),
            "off by the others (mm)": _millimetres(point["left_out_residual_m"]),
            "": "wrong?" if point["is_blunder"] else "",
        }
        for point in summary["points"]
    ]
    console.print(_table("Control points", points))
    rms_mm = _MM_PER_M * summary["rms_m"]
    rotation_deg = round(summary["rotation_deg"], 4) + 0.0  # no "-0.0000"
    console.print(
        f"Scale {summary['metres_per_plan_unit']:.6g} m to a plan unit, turned clockwise by "
        f"{rotation_deg:.4f}°, RMS {rms_mm:.0f} mm ({rms_mm / _MM_PER_IN:.1f} in).",
        markup=False,
        soft_wrap=True,
    )
    layers = [
        {
            "layer": layer["layer"],
            "count": layer["count"],
            "area (m²)": _area(layer["area_m2"], 1.0),
            "area (ft²)": _area(layer["area_m2"], METRES_PER_FOOT**2),
        }
        for layer in summary["layers"]
    ]
    console.print(_table("Layers of SITE.gpkg", layers))
    _print_cautions(console, summary["cautions"])


def print_plan_export(summary: Mapping[str, Any], *, units: UnitSystem) -> None:
    """Print what was drawn."""
    console = Console(highlight=False)
    console.print(_table("Layers of plan_results.dxf", summary["layers"]))


def _millimetres(metres: float | None) -> str:
    return "" if metres is None else f"{_MM_PER_M * metres:,.0f}"


def _area(area_m2: float | None, unit_m2: float) -> str:
    return "" if area_m2 is None else f"{area_m2 / unit_m2:,.1f}"


def _print_cautions(console: Console, cautions: Sequence[str]) -> None:
    console.print("Before acting on this:", markup=False)
    for caution in cautions:
        console.print(f"  {caution}", markup=False, soft_wrap=True)


def _table(title: str | None, rows: Sequence[Mapping[str, Any]]) -> Table:
    table = Table(title=title, box=box.SIMPLE_HEAD, title_justify="left")
    names = list(rows[0]) if rows else []
    for number, name in enumerate(names):
        table.add_column(name.replace("_", " "), justify="left" if number == 0 else "right")
    for row in rows:
        table.add_row(*(_cell(row[name]) for name in names))
    return table


def _cell(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {_cell(item)}" for name, item in value.items())
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return "" if value is None else str(value)
