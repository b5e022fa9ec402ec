"""The reports of the import of a plan: what lies on the map, or what the plan holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geoirrig import symbology
from geoirrig.maps.map_sheet import amount_text
from geoirrig.records import InputFile, ResultTable
from geoirrig.report.report_page import (
    KeyFigure,
    PlaceLayer,
    ReportMap,
    ReportPage,
    ReportTable,
    TableColumn,
)
from geoirrig.units import (
    METRES_PER_FOOT,
    MM_PER_INCH,
    MM_PER_M,
    SQUARE_METRES_PER_SQUARE_FOOT,
    length_text,
)
from geoirrig.wording import counted
from geoirrig.workflows.place_plan import PlanPlacement
from geoirrig.workflows.reports.frame import HEAD_LOOK, filled_sections, framed_bounds
from geoirrig.workflows.reports.parts import (
    number_column,
    origin,
    records_table,
    report_table,
)
from geoirrig.workflows.reports.places import LayerLook, left_off_note, place_layer
from geoirrig.workflows.reports.plan_questions import (
    MOST_OFF_FRACTION,
    NOMINAL_RADIUS_M,
    QUESTIONS,
    PlanHeads,
    ahead_text,
    beside_text,
    control_places,
    left_out_m,
    nothing_asked_text,
    plan_heads,
    plan_questions,
    sectors,
)

if TYPE_CHECKING:  # the import itself asks for its report
    from geoirrig.workflows.import_plan import ImportedPlan

_ARCS, _POINTS = "arcs of heads", "control points"
_HOVERED = 6
_AREA_IDS = {"turf": "turf_id", "hardscape": "surface", "parcels": "parcel_id"}
# As the styles for a viewer have them; the lowest first.
_LOOKS = {
    "hardscape": LayerLook(label="hardscape", colour=symbology.HARDSCAPE_COLOUR, drawn_as="area",
                           hovered=_HOVERED),
    "turf": LayerLook(label="turf", named="Turf {}", colour=symbology.TURF_LINE_COLOUR,
                      fill=symbology.TURF_COLOUR, drawn_as="area", hovered=_HOVERED),
    "parcels": LayerLook(label="parcels", named="Parcel {}", colour=symbology.TURF_LINE_COLOUR,
                         drawn_as="outline", is_shown=False, hovered=_HOVERED),
    "heads": replace(HEAD_LOOK, hovered=_HOVERED),
}  # fmt: skip
_METHOD = (
    "The plan is laid on the map by least squares through the control points. A residual is the "
    "point on the map less where the fit puts it; “by the others” is the same by the fit to all "
    "other points, which shows a blunder that pulls the fit towards itself. A fit says little "
    "beyond its points.",
    "Heads, arcs and areas are as drawn, turned and scaled with the plan. Arcs become chords, "
    "small gaps are closed, heights are dropped.",
    "The questions are asked of the drawing alone, by limits that are a judgement: a head more "
    f"than {beside_text()} off all turf; an arc of which more than {100.0 * MOST_OFF_FRACTION:.0f} "
    f"% lies off the turf within {ahead_text()} of the head, whatever its radius; turf without a "
    "head; a control point off by more than 0.10 m (4 in) by the others, or, where one is a "
    "blunder, that one alone, since it pulls the fit away from the others. A good answer may be "
    "that the plan is right. Spacing, nozzles and evenness are asked of by an analysis.",
)


def import_report(found: ImportedPlan, told: Mapping[str, Any]) -> ReportPage:
    """The page about a plan that lies on the map.

    Parameters
    ----------
    found : ImportedPlan
        The plan as input layers.
    told : mapping
        The summary of the run.
    """
    tables = {table.name: _with_numbers(table) for table in found.tables}
    questions = _titled(plan_questions(tables, found.placement))
    heads = plan_heads(tables)
    has_questions = len(questions.columns["Number"]) > 0
    return ReportPage(
        title=f"A plan on the map: {_plan_name(found.files)}",
        lead=_lead(told, questions, found.placement),
        units="si",
        figures=_figures(told),
        map=_map(found, tables, heads, questions),
        sections=filled_sections(
            (
                "What to ask of the plan",
                (
                    report_table(questions, ("Number", "Question"), units="si",
                                 places=QUESTIONS,
                                 caption="Questions; a number leads to its place on the map")
                    if has_questions
                    else nothing_asked_text(tables),
                ),
            ),
            ("How it lies on the map", (_point_table(told["points"]), _fit_text(told))),
            (
                "What was read",
                (
                    _layer_table(told["layers"]),
                    *(_input_table(table) for table in tables.values()),
                ),
            ),
        ),
        method=_METHOD,
        provenance=origin(found.files, told["options"], crs_name=found.plane.crs_name),
        warnings=found.warnings,
        cautions=tuple(told["cautions"]),
    )  # fmt: skip


def contents_report(
    told: Mapping[str, Any], files: Sequence[InputFile], cautions: Sequence[str]
) -> ReportPage:
    """The page about what a plan holds, before anybody has said what its layers stand for.

    Parameters
    ----------
    told : mapping
        The summary of the run.
    files : sequence of InputFile
        The plan.
    cautions : sequence of str
        What the reader ought to know.
    """
    layers = [{**layer, "kinds": _counts(layer["kinds"])} for layer in told["layers"]]
    blocks = [
        {
            **block,
            "layers": _counts(block["layers"]),
            "attributes": "; ".join(
                f"{tag}: {', '.join(seen)}" for tag, seen in block["attributes"].items()
            ),
        }
        for block in told["blocks"]
    ]
    block_titles = {
        "block": "Block", "inserts": "Inserts", "layers": "On layers",
        "attributes": "Attributes, with examples",
    }  # fmt: skip
    return ReportPage(
        title=f"What a plan holds: {_plan_name(files)}",
        lead=f"{counted(len(layers), 'layer')} and {counted(len(blocks), 'block')}. Nothing lies "
        "on the map yet: say in roles.toml what layers and blocks stand for, then run again with "
        "--roles, --control and --crs.",
        units="si",
        figures=(KeyFigure(label="Unit of the plan", value=told["plan_unit"] or "not stated"),),
        map=None,
        sections=filled_sections(
            (
                "Contents",
                (
                    records_table(layers, {"layer": "Layer", "count": "Things", "kinds": "Kinds"},
                                  caption="Layers"),
                    records_table(blocks, block_titles, caption="Blocks that are inserted"),
                ),
            ),
        ),
        method=(
            "Counted is what stands in the model space, with the content of its blocks. roles.toml "
            "is guessed from the names alone.",
        ),
        provenance=origin(files, told["options"], crs_name="none before the plan is placed"),
        warnings=tuple(told["warnings"]),
        cautions=tuple(cautions),
    )  # fmt: skip


def _counts(numbers: Mapping[str, int]) -> str:
    return ", ".join(f"{count:,} {name}" for name, count in numbers.items())


def _plan_name(files: Sequence[InputFile]) -> str:
    return next(file.name for file in files if file.role == "plan")


def _titled(questions: ResultTable) -> ResultTable:
    """Questions in columns named as a reader is told them."""
    columns = questions.columns
    return replace(
        questions, columns={"Number": columns["finding_id"], "Question": columns["finding"]}
    )


def _with_numbers(table: ResultTable) -> ResultTable:
    """The same with columns as numbers where all that is stated in them is one."""
    columns = {name: _as_numbers(values) for name, values in table.columns.items()}
    if table.geometry is not None and table.geometry_type != "Point":
        columns["area_m2"] = shapely.area(table.geometry)
    return replace(table, columns=columns)


def _as_numbers(values: Any) -> Any:
    stated = [value for value in values if value is not None]
    if stated and all(isinstance(value, float) for value in stated):
        return np.array([np.nan if value is None else value for value in values])
    return values


# --- in words and figures ------------------------------------------------------------------------


def _lead(told: Mapping[str, Any], questions: ResultTable, placement: PlanPlacement) -> str:
    counts = {layer["layer"]: layer["count"] for layer in told["layers"]}
    turf = counts.get("turf", 0)
    read = (
        f"{counted(counts.get('heads', 0), 'head')} and {counted(turf, 'turf polygon')} lie on the "
        f"map; {_agreement(told, placement)}"
    )
    asked = len(questions.columns["Number"])
    if not asked:
        return f"{read} What is asked of the plan below raises no question."
    return f"{read} {counted(asked, 'question')} {'is' if asked == 1 else 'are'} asked of the plan."


def _agreement(told: Mapping[str, Any], placement: PlanPlacement) -> str:
    blunder = placement.fit.blunder
    if blunder is None:
        return (
            f"the {len(told['points'])} control points agree to {_small_length(told['rms_m'])} "
            "(RMS)."
        )
    name = str(placement.points.point[blunder])
    off = length_text(float(left_out_m(placement)[blunder]), ".2f")
    return (
        f"control point “{name}” lies {off} from where the others put it, and pulls the plan with "
        "it."
    )


def _small_length(length_m: float) -> str:
    millimetres = MM_PER_M * length_m
    return f"{millimetres:,.0f} mm ({millimetres / MM_PER_INCH:,.1f} in)"


def _figures(told: Mapping[str, Any]) -> tuple[KeyFigure, ...]:
    layers = {layer["layer"]: layer for layer in told["layers"]}
    heads, turf = layers.get("heads"), layers.get("turf")
    rms = MM_PER_M * told["rms_m"]
    metres = told["metres_per_plan_unit"]
    return (
        KeyFigure(label="Heads", value="0" if heads is None else f"{heads['count']:,}"),
        _area_figure("Turf", 0.0 if turf is None else turf["area_m2"]),
        KeyFigure(label="Control points", value=f"{len(told['points']):,}"),
        KeyFigure(
            label="RMS of the fit",
            value=f"{rms:,.0f} mm",
            also=f"{rms / MM_PER_INCH:,.1f} in",
        ),
        KeyFigure(
            label="A unit of the plan",
            value=f"{metres:.6g} m",
            also=f"{metres / METRES_PER_FOOT:.6g} ft",
        ),
        KeyFigure(label="Turned clockwise", value=f"{round(told['rotation_deg'], 4) + 0.0:.4f}°"),
    )


def _area_figure(label: str, area_m2: float) -> KeyFigure:
    """An area with the decimals of the tables below."""
    return KeyFigure(
        label=label,
        value=f"{area_m2:,.1f} m²",
        also=f"{area_m2 / SQUARE_METRES_PER_SQUARE_FOOT:,.1f} ft²",
    )


def _fit_text(told: Mapping[str, Any]) -> str:
    units = " or ".join(told["plan_unit_by_scale"]) or "no unit that plans are drawn in"
    return (
        f"The header of the plan states {told['plan_unit'] or 'no unit'}; by the control points "
        f"its unit is {told['metres_per_plan_unit']:.6g} m: {units}. The fit is "
        f"{'a similarity' if told['transform']['method'] == 'similarity' else 'affine'}, with "
        f"{counted(told['degrees_of_freedom'], 'degree')} of freedom left."
    )


def _point_table(points: Sequence[Mapping[str, Any]]) -> ReportTable:
    columns = [
        TableColumn(
            title="Point", meaning="", texts=tuple(p["point"] for p in points), is_name=True
        )
    ]
    for key, title, meaning in (
        ("residual_m", "Off", "The point on the map less where the fit puts it."),
        ("left_out_residual_m", "Off by the others", "The same by the fit to all other points."),
    ):
        off_mm = MM_PER_M * np.array([p[key] for p in points], dtype=np.float64)
        columns += [
            number_column(f"{title} [mm]", off_mm, decimals=0, meaning=meaning),
            number_column(f"{title} [in]", off_mm / MM_PER_INCH, decimals=1, meaning=meaning),
        ]
    columns.append(
        TableColumn(
            title="Blunder",
            meaning="Whether it disagrees with the others more than scatter explains.",
            texts=tuple("likely" if p["is_blunder"] else "no" for p in points),
        )
    )
    return ReportTable(caption="Control points", columns=tuple(columns), places=_POINTS)


def _layer_table(layers: Sequence[Mapping[str, Any]]) -> ReportTable:
    area_m2 = np.array([layer["area_m2"] for layer in layers], dtype=np.float64)
    count = np.array([layer["count"] for layer in layers], dtype=np.float64)
    return ReportTable(
        caption="Layers of SITE.gpkg",
        columns=(
            TableColumn(
                title="Layer",
                meaning="",
                texts=tuple(layer["layer"] for layer in layers),
                is_name=True,
            ),
            number_column("Count", count, decimals=0),
            *_area_columns(area_m2, meaning="Area of all its polygons."),
        ),
    )


def _area_columns(area_m2: Any, *, meaning: str) -> list[TableColumn]:
    """An area in both unit systems."""
    area_ft2 = area_m2 / SQUARE_METRES_PER_SQUARE_FOOT
    return [
        number_column("Area [m²]", area_m2, decimals=1, meaning=meaning),
        number_column("Area [ft²]", area_ft2, decimals=1, meaning=meaning),
    ]


def _input_table(table: ResultTable) -> ReportTable:
    """The first rows of a layer as it was written; areas in both unit systems."""
    told = report_table(
        table,
        [column for column in _columns(table) if column != "area_m2"],
        units="si",
        places=table.name,
        caption=f"Layer {table.name} of SITE.gpkg",
    )
    if "area_m2" not in table.columns:
        return told
    area_m2 = table.columns["area_m2"][: len(told.columns[0].texts)]
    both = _area_columns(area_m2, meaning="Area of the polygon.")
    return replace(told, columns=(*told.columns, *both))


def _columns(table: ResultTable) -> list[str]:
    """The column that names a row, then the others."""
    name = "head_id" if table.name == "heads" else _AREA_IDS[table.name]
    others = [column for column in table.columns if column != name]
    return [name, *others] if name in table.columns else others


# --- the map -------------------------------------------------------------------------------------


def _map(
    found: ImportedPlan,
    tables: Mapping[str, ResultTable],
    heads: PlanHeads | None,
    questions: ResultTable,
) -> ReportMap:
    layers = [
        *(_input_layer(tables[name]) for name in _LOOKS if name in tables and name != "heads"),
        *((_arc_layer(heads), _input_layer(tables["heads"])) if heads is not None else ()),
        _point_layer(found),
        place_layer(
            questions,
            ("Number", "Question"),
            LayerLook(label=QUESTIONS, named="Question {}", drawn_as="ring", hovered=1,
                      colour=symbology.HEAD_FINDING_COLOUR),
            units="si",
        ),
    ]  # fmt: skip
    drawn = tuple(layer for layer in layers if layer is not None)
    radius = amount_text("radius_m", NOMINAL_RADIUS_M, "si")
    radius_us = amount_text("radius_m", NOMINAL_RADIUS_M, "us")
    return ReportMap(
        bounds_m=framed_bounds(layer.geometry for layer in drawn),
        metres_per_unit=found.plane.metres_per_unit,
        layers=drawn,
        has_both_scales=True,
        note=" ".join((
            f"Arcs reach as far as the plan states, {radius} ({radius_us}) where it does not: "
            "look whether they point onto the turf.",
            left_off_note({name: len(table.geometry) for name, table in tables.items()
                           if table.geometry is not None}),
        )).strip(),
    )  # fmt: skip


def _input_layer(table: ResultTable) -> PlaceLayer | None:
    return place_layer(table, _columns(table), _LOOKS[table.name], units="si")


def _arc_layer(heads: PlanHeads) -> PlaceLayer | None:
    """Wetted sectors of part circles."""
    rows = np.flatnonzero(heads.is_part_circle)
    table = ResultTable(
        name=_ARCS,
        columns={
            "head_id": heads.head_id[rows],
            "arc_deg": heads.arc_deg[rows],
            "start_bearing_deg": heads.start_bearing_deg[rows],
        },
        geometry=sectors(heads)[rows],
        geometry_type="Polygon",
    )
    look = LayerLook(
        label=_ARCS, named="Arc of head {}", colour=symbology.ZONE_LINE_COLOUR,
        drawn_as="dashed_outline", hovered=_HOVERED,
    )  # fmt: skip
    return place_layer(table, tuple(table.columns), look, units="si")


def _point_layer(found: ImportedPlan) -> PlaceLayer | None:
    points = found.placement.points
    table = ResultTable(
        name=_POINTS,
        columns={
            "point": np.array([str(name) for name in points.point], dtype=object),
            "off the fit": np.array(
                [_small_length(float(off)) for off in _off_m(found)], dtype=object
            ),
        },
        geometry=control_places(found.placement),
        geometry_type="Point",
    )
    look = LayerLook(
        label=_POINTS, named="Control point {}", colour=symbology.HEAD_ADDED_COLOUR,
        drawn_as="ring", hovered=_HOVERED,
    )  # fmt: skip
    return place_layer(table, ("point", "off the fit"), look, units="si")


def _off_m(found: ImportedPlan) -> Any:
    return np.hypot(*found.placement.fit.residual.T) * found.placement.metres_per_map_unit
