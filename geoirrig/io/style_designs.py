"""How every result layer is drawn, before it is spelled out in a style language."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from geoirrig import symbology
from geoirrig.symbology import SCALES, ClassScale
from geoirrig.units import UnitSystem


@dataclass(frozen=True, slots=True, kw_only=True)
class Symbol:
    """Fill, line and, for points, the size of a circle."""

    fill: str | None  # None: outline only
    line: str
    line_mm: float = 0.26
    opacity: float = 1.0
    marker_mm: float | None = None  # None: an area


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A step of a legend: values above ``lower`` up to ``upper``, or what ``test`` says."""

    label: str
    symbol: Symbol
    test: Literal["range", "has_text", "is_text", "else", "all"] = "range"
    text: str = ""  # of the test "is_text"; ours, never the user's
    lower: float = -math.inf
    upper: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A style before it is spelled out: the column, or quotient of two, that its rules look at."""

    name: str
    description: str
    columns: tuple[str, ...]
    rules: tuple[Rule, ...]
    heading: str | None = None  # over the steps of the legend
    label_column: str | None = None


# Quantities of the layers that compare nozzle sets, the default first.
_COMPARED = {
    "comparison": ("mean_rate_mm_h", "du_lq", "runoff_l"),
    "zone_comparison": ("mean_rate_mm_h", "du_lq", "runoff_l"),
}


def layer_designs(layer: str, units: UnitSystem) -> tuple[Design, ...]:
    """Designs of a result layer, the default first; empty for an unknown layer."""
    single = {
        "head_results": _head_findings,
        "heads": _plain_heads,
        "changes": _changes,
        "rule_findings": _rule_findings,
        "turf": _plain_turf,
        "hardscape": _plain_hardscape,
    }
    if layer in single:
        return (single[layer](),)
    if layer == "parcels":
        return (_parcel_status(), _plain_parcels())
    area = Symbol(fill="#ffffff", line=symbology.TURF_LINE_COLOUR)
    if layer == "turf_results":
        return tuple(
            _scale_design(SCALES[column], area, units, no_value=label)
            for column, label in (
                ("runoff_probability", "not known"),
                ("du_lq", "no water reaches it"),
                ("mean_depth_mm", "not known"),
                ("mean_slope_pct", "not known"),
            )
        )
    if layer == "zone_results":
        return (
            _zone_outlines(),
            _scale_design(SCALES["du_lq"], area, units, no_value="serves no turf"),
            _scale_design(SCALES["mean_rate_mm_h"], area, units, no_value="serves no turf"),
        )
    if layer in _COMPARED:
        return tuple(
            _scale_design(SCALES[column], area, units, no_value="not known")
            for column in _COMPARED[layer]
        )
    if layer == "zone_schedule":
        weekly = _scale_design(SCALES["weekly_minutes"], area, units, no_value="not scheduled")
        return (replace(weekly, label_column="zone"), _zone_outlines())
    if layer == "ranked_slopes":
        return tuple(
            replace(
                _scale_design(SCALES[column], area, units, no_value="not known"),
                label_column="rank",
            )
            for column in ("runoff_l", "runoff_depth_mm", "runoff_probability", "mean_slope_pct")
        )
    return _place_designs(layer, area, units)


def _place_designs(layer: str, area: Symbol, units: UnitSystem) -> tuple[Design, ...]:
    """Designs of the layers of places with a finding; empty for any other layer."""
    if layer == "dry_spots":
        line = replace(area, line=symbology.DRY_SPOT_COLOUR, line_mm=0.4)
        quotient = ("mean_depth_mm", "zone_mean_depth_mm")
        scale = SCALES["share_of_zone_mean"]
        return (_finding_design(scale, line, units, columns=quotient, of="of the zone's mean"),)
    if layer == "overspray":
        line = replace(area, line=symbology.OVERSPRAY_COLOUR, line_mm=0.4, opacity=0.8)
        scale = SCALES["overspray_depth_mm"]
        return (_finding_design(scale, line, units, columns=("mean_depth_mm",), of="per event"),)
    if layer == "layout_findings":
        return (_severities(),)
    if layer == "edge_runoff":
        dot = Symbol(fill="#ffffff", line="#ffffff", marker_mm=2.2)
        scale = SCALES["leaving_l"]
        return (_finding_design(scale, dot, units, columns=(scale.column,), of="per event"),)
    if layer == "runoff_hotspots":
        line = replace(area, line=symbology.HOTSPOT_COLOUR, line_mm=0.6)
        scale = SCALES["mean_runoff_depth_mm"]
        return (_finding_design(scale, line, units, columns=(scale.column,), of="of runoff"),)
    return ()


def _steps(scale: ClassScale, symbol: Symbol, units: UnitSystem, of: str = "") -> list[Rule]:
    unit = scale.printed_unit(units)
    return [
        Rule(
            label=f"{label_with_unit(step.label, unit)} {of}".rstrip(),
            symbol=replace(symbol, fill=step.colour),
            lower=step.lower,
            upper=step.upper,
        )
        for step in scale.classes(units)
    ]


def _scale_design(scale: ClassScale, symbol: Symbol, units: UnitSystem, *, no_value: str) -> Design:
    """All areas, those without a value too; the legend has a heading."""
    blank = Rule(
        label=no_value, symbol=replace(symbol, fill=symbology.NO_VALUE_COLOUR), test="else"
    )
    return Design(
        name=scale.title,
        description=f"Classes of {scale.heading(units)}",
        columns=(scale.column,),
        rules=(*_steps(scale, symbol, units), blank),
        heading=scale.title,
    )


def _finding_design(
    scale: ClassScale,
    symbol: Symbol,
    units: UnitSystem,
    *,
    columns: tuple[str, ...],
    of: str,
) -> Design:
    """Found places, which always have a value; ``of`` says in each label what is measured."""
    return Design(
        name=scale.title,
        description=f"Classes of {scale.heading(units)}",
        columns=columns,
        rules=tuple(_steps(scale, symbol, units, of)),
    )


def _zone_outlines() -> Design:
    outline = Symbol(fill=None, line=symbology.ZONE_LINE_COLOUR, line_mm=0.5)
    return Design(
        name="Served area, with the zone's name",
        description="Outline of the turf that each zone serves",
        columns=("zone",),
        rules=(Rule(label="served area of a zone", symbol=outline, test="all"),),
        label_column="zone",
    )


def _head_findings() -> Design:
    found = Symbol(fill=symbology.HEAD_FINDING_COLOUR, line="#ffffff", marker_mm=2.6)
    well = Symbol(fill=symbology.HEAD_COLOUR, line="#ffffff", marker_mm=1.8)
    return Design(
        name="Findings",
        description="Heads with a finding stand out",
        columns=("finding",),
        rules=(
            Rule(label="with a finding", symbol=found, test="has_text"),
            Rule(label="without a finding", symbol=well, test="else"),
        ),
    )


def _plain_heads() -> Design:
    dot = Symbol(fill=symbology.HEAD_COLOUR, line="#ffffff", marker_mm=1.8)
    return _all_alike("Heads", "head", dot)


def _plain_turf() -> Design:
    area = Symbol(fill=symbology.TURF_COLOUR, line=symbology.TURF_LINE_COLOUR)
    return _all_alike("Turf", "turf", area)


def _plain_hardscape() -> Design:
    area = Symbol(fill=symbology.HARDSCAPE_COLOUR, line=symbology.HARDSCAPE_COLOUR)
    return _all_alike("Hardscape", "paved ground", area)


def _plain_parcels() -> Design:
    outline = Symbol(fill=None, line=symbology.TURF_LINE_COLOUR, line_mm=0.4)
    return _all_alike("Parcels", "parcel", outline)


def _all_alike(name: str, label: str, symbol: Symbol) -> Design:
    return Design(
        name=name,
        description="All alike",
        columns=(),
        rules=(Rule(label=label, symbol=symbol, test="all"),),
    )


def _changes() -> Design:
    """Heads of a proposal that an installer has to see to, with their names."""
    return Design(
        name="Changes",
        description="Heads to refit and heads to add",
        columns=("change",),
        rules=tuple(
            Rule(
                label=label,
                symbol=Symbol(fill=colour, line="#ffffff", marker_mm=size_mm),
                test="is_text",
                text=word,
            )
            for word, label, colour, size_mm in (
                ("add a head", "head to add", symbology.HEAD_ADDED_COLOUR, 3.4),
                ("refit", "head to refit", symbology.HEAD_FINDING_COLOUR, 2.6),
            )
        ),
        label_column="head_id",
    )


def _severities() -> Design:
    """Findings about the layout, the severest largest and darkest."""
    return Design(
        name="Severity",
        description="Findings about the layout by their severity",
        columns=("severity",),
        rules=tuple(
            Rule(
                label=f"{word} severity",
                symbol=Symbol(fill=colour, line="#ffffff", marker_mm=size_mm),
                test="is_text",
                text=word,
            )
            for word, colour, size_mm in symbology.SEVERITY_MARKS
        ),
    )


def _parcel_status() -> Design:
    """Parcels of a screening by what the programme makes of them, funded ones first."""
    line = Symbol(fill=None, line=symbology.TURF_LINE_COLOUR, line_mm=0.1)
    steps = tuple(
        Rule(
            label=label,
            symbol=replace(line, fill=colour),
            lower=number - 0.5,
            upper=number + 0.5,
        )
        for number, (label, colour) in enumerate(
            zip(symbology.STATUS_LABELS, symbology.STATUS_COLOURS, strict=True)
        )
    )
    return Design(
        name="Rebates",
        description="Parcels that are funded, eligible, not eligible, or could not be worked",
        columns=("status_code",),
        rules=steps[::-1],
    )


def _rule_findings() -> Design:
    found = Symbol(fill=symbology.HEAD_FINDING_COLOUR, line=symbology.TURF_LINE_COLOUR, opacity=0.6)
    well = Symbol(fill=None, line=symbology.TURF_LINE_COLOUR)
    return Design(
        name="Rules",
        description="Zones and turf with a rule that is not met, flagged or not evaluated",
        columns=("finding",),
        rules=(
            Rule(label="not met, flagged or not evaluated", symbol=found, test="has_text"),
            Rule(label="met", symbol=well, test="else"),
        ),
    )


def label_with_unit(label: str, unit: str) -> str:
    """``5 – 10`` with its unit; words such as ``no water`` need none."""
    return f"{label} {unit}" if unit and label[-1].isdigit() else label
