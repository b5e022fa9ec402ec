"""Results back onto the surveyed plan: a DXF in plan coordinates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyogrio
import pyproj
import shapely

from geoirrig import __version__
from geoirrig.errors import GeoirrigError, InputError, ProblemList
from geoirrig.io.columns import listed
from geoirrig.io.file_formats import GEOPACKAGE, file_read, vector_format
from geoirrig.io.open_layer import layer_names
from geoirrig.io.output_folder import whole_output
from geoirrig.io.plan_entities import PLAN_UNITS, require_ezdxf
from geoirrig.io.read_control_points import read_control_points
from geoirrig.io.read_plan_transform import StoredPlacement, read_stored_placement
from geoirrig.io.result_columns import si_name
from geoirrig.io.working_plane import horizontal_crs, metres_per_unit
from geoirrig.io.write_plan import PlanLayerDrawing, write_plan
from geoirrig.io.write_summary import write_summary
from geoirrig.physics.plan_transform import TransformMethod
from geoirrig.records import ObjectArray, ResultTable
from geoirrig.report.write_report import write_report
from geoirrig.units import UnitSystem, length_text, to_si
from geoirrig.workflows.place_plan import map_crs, place_plan
from geoirrig.workflows.reports.plan_export import REPORTED_LAYERS, drawing_report
from geoirrig.workflows.run_record import Progress

PLAN_FILE = "plan_results.dxf"
# Files of an output folder, and what of them belongs on a plan: the id or words of each label.
RESULT_FILES = ("results.gpkg", "proposal.gpkg")
DRAWN_LAYERS: dict[str, tuple[str, ...]] = {
    "dry_spots": ("dry_spot_id",),
    "overspray": ("overspray_id",),
    "runoff_hotspots": ("hotspot_id",),
    "layout_findings": ("finding", "kind"),
    "changes": ("head_id",),
    "head_results": ("head_id",),
}
_HEAD_LAYERS = ("changes", "head_results")  # points of these are heads, of others marks
_BEARINGS = ("new_start_bearing_deg", "start_bearing_deg")  # the first that a layer has
_ATTRIBUTES_AT_MOST = 60  # of one head
_FAR_OFF_M = 5000.0  # from the middle of the control points to any result; judgement


def plan_placement(
    transform_file: Path,
    *,
    crs: str | None = None,
    method: TransformMethod = "similarity",
    problems: ProblemList | None = None,
) -> StoredPlacement:
    """Where the plan lies, from the summary of its import or from control points.

    Parameters
    ----------
    transform_file : Path
        ``summary.json`` of `import_plan`, or a CSV of control points.
    crs : str, optional
        Projected CRS of the control points; needed for a CSV.
    method : {"similarity", "affine"}
        What is fitted to a CSV.
    problems : ProblemList, optional
        Takes warnings, and what was found in other inputs of the run.

    Raises
    ------
    InputError, GeoirrigError
        If neither gives a transform.
    """
    if transform_file.suffix.lower() != ".csv":
        if crs is not None:
            raise GeoirrigError(
                f"--crs goes with control points in a CSV; {transform_file.name!r} states its CRS "
                "itself. Leave --crs out."
            )
        return read_stored_placement(transform_file)
    problems = ProblemList() if problems is None else problems
    points = read_control_points(transform_file, problems)
    chosen = None
    if crs is None:
        problems.add("--crs is needed with control points. Name the CRS they were surveyed in.")
    else:
        chosen = map_crs(crs, problems)
    problems.raise_if_any()
    if points is None or chosen is None:
        raise GeoirrigError("The control points were not read, and their problems not raised.")
    silent = ProblemList()  # the plan's header is not at hand to compare the scale with
    placed = place_plan(points, chosen, method=method, header_unit=None, problems=silent)
    if placed is None:
        raise InputError(silent.problems)
    codes = {name: code for code, (name, _) in PLAN_UNITS.items()}
    code = codes[placed.plan_units[0]] if len(placed.plan_units) == 1 else 0
    if placed.plan_units[:1] == ("foot",):
        code = codes["foot"]
    return StoredPlacement(
        transform=placed.transform, crs=chosen, unit_code=code, control_xy=points.plan_xy
    )


def export_plan(  # noqa: PLR0913 - as the exports of the other commands, and the problems
    results: Path,
    placement: StoredPlacement,
    out_dir: Path,
    *,
    overwrite: bool,
    options: Mapping[str, Any],
    with_report: bool = False,
    problems: ProblemList | None = None,
    progress: Progress = lambda _: None,
) -> dict[str, Any]:
    """Draw the layers of a folder of results in plan coordinates.

    Parameters
    ----------
    results : Path
        Output folder of an analysis or a proposal, or a GeoPackage from one.
    placement : StoredPlacement
        Where the plan lies.
    out_dir : Path
        The folder for ``plan_results.dxf`` and ``summary.json``.
    overwrite : bool
        Whether files that lie there may be replaced.
    options : mapping
        Options of the command line, for the record.
    with_report : bool, optional
        Whether ``report.html`` is written too.
    problems : ProblemList, optional
        Takes warnings.
    progress : callable, optional
        Told the name of each step as it begins.

    Returns
    -------
    dict
        The summary that was written.

    Raises
    ------
    GeoirrigError
        If there are no results to draw, or ezdxf is missing.
    OutputError
        If the DXF cannot be written.
    """
    require_ezdxf()
    problems = ProblemList() if problems is None else problems
    progress("Reading the results")
    files = _result_files(results)
    drawings = [
        _drawing(path, layer, placement)
        for path in files
        for layer in layer_names(path)
        if layer in DRAWN_LAYERS
    ]
    if not drawings:
        raise GeoirrigError(
            f"{str(results)!r} has none of the layers that are drawn: {listed(DRAWN_LAYERS)}. "
            "Give the folder that analyze or optimize wrote."
        )
    metres = placement.transform.scale * metres_per_unit(horizontal_crs(placement.crs))
    _warn_of_another_site(drawings, placement, metres, problems)
    with whole_output(out_dir, overwrite=overwrite) as folder:
        progress("Drawing them on the plan")
        counts = write_plan(
            folder / PLAN_FILE,
            drawings,
            unit_code=placement.unit_code,
            metres_per_plan_unit=metres,
        )
        inputs = tuple(file_read("results", path) for path in files)
        summary = {
            "version": __version__,
            "inputs": [asdict(file) for file in inputs],
            "options": dict(options),
            "plan_unit_code": placement.unit_code,
            "metres_per_plan_unit": metres,
            "layers": [{"layer": layer, "count": count} for layer, count in counts.items()],
            "warnings": list(problems.warnings),
        }
        if with_report:
            progress("Writing the report")
            tables, units = _plan_tables(files, placement, metres)
            page = drawing_report(tables, inputs, summary, units=units, crs_name=placement.crs.name)
            write_report(folder / "report.html", page)
        write_summary(folder / "summary.json", summary)
    return summary


def _result_files(results: Path) -> list[Path]:
    if results.is_dir():
        found = [results / name for name in RESULT_FILES if (results / name).is_file()]
        if not found:
            raise GeoirrigError(
                f"{str(results)!r} holds none of {listed(RESULT_FILES)}. Give the folder that "
                "analyze or optimize wrote."
            )
        return found
    if vector_format(results) is not GEOPACKAGE:
        raise GeoirrigError(f"{str(results)!r} is not a GeoPackage. Give one, or its folder.")
    return [results]


def _on_plan(path: Path, layer: str, placement: StoredPlacement) -> tuple[Any, ObjectArray]:
    """Frame of a result layer, and its geometry in plan coordinates."""
    frame = pyogrio.read_dataframe(path, layer=layer, force_2d=True)
    if not isinstance(frame, geopandas.GeoDataFrame) or frame.crs is None:
        raise GeoirrigError(f"Layer {layer!r} of {path.name!r} has no geometry or no CRS.")
    own = pyproj.CRS.from_user_input(frame.crs.to_wkt())
    if not own.equals(placement.crs, ignore_axis_order=True):
        frame = frame.to_crs(placement.crs)
    geometry: ObjectArray = np.asarray(frame.geometry, dtype=object)
    placed = shapely.transform(geometry, placement.transform.to_plan)
    return frame, np.asarray(placed, dtype=object)


def _plan_tables(
    files: Sequence[Path], placement: StoredPlacement, metres_per_plan_unit: float
) -> tuple[list[ResultTable], UnitSystem]:
    """Result layers in SI, on the plan in metres, and the unit system that they were written in."""
    tables: list[ResultTable] = []
    units: UnitSystem = "si"
    for path in files:
        for layer in layer_names(path):
            if layer not in REPORTED_LAYERS:
                continue
            frame, placed = _on_plan(path, layer, placement)
            columns: dict[str, Any] = {}
            for written in frame.columns.drop(frame.geometry.name):
                name, unit = si_name(written)
                values = frame[written].to_numpy()
                units = units if unit is None else "us"
                columns[name] = values if unit is None else to_si(values, unit)
            in_metres = shapely.transform(placed, lambda xy: xy * metres_per_plan_unit)
            geometry = np.asarray(in_metres, dtype=object)
            tables.append(ResultTable(name=layer, columns=columns, geometry=geometry))
    return tables, units


def _drawing(path: Path, layer: str, placement: StoredPlacement) -> PlanLayerDrawing:
    frame, placed = _on_plan(path, layer, placement)
    geometry: ObjectArray = np.asarray(frame.geometry, dtype=object)
    columns = [name for name in frame.columns if name != frame.geometry.name]
    named = next((name for name in DRAWN_LAYERS[layer] if name in columns), None)
    is_points = all(g is None or g.geom_type == "Point" for g in geometry)
    ordered = columns if named is None else [named, *(c for c in columns if c != named)]
    return PlanLayerDrawing(
        name=layer,
        is_heads=layer in _HEAD_LAYERS,
        geometry=placed,
        labels=_words(frame, named),
        attributes={
            name: frame[name].tolist() for name in ordered[:_ATTRIBUTES_AT_MOST] if is_points
        },
        bearing_deg=_plan_bearings(frame, placement),
    )


def _warn_of_another_site(
    drawings: Sequence[PlanLayerDrawing],
    placement: StoredPlacement,
    metres_per_plan_unit: float,
    problems: ProblemList,
) -> None:
    """A transform of another plan draws without any fault, where nobody looks for it."""
    drawn = np.concatenate([drawing.geometry for drawing in drawings])
    middle = shapely.Point(placement.transform.plan_centre)
    away_m = np.nanmin(shapely.distance(drawn, middle), initial=np.inf) * metres_per_plan_unit
    if _FAR_OFF_M < away_m < np.inf:
        problems.warn(
            f"The results lie {away_m / 1000.0:,.0f} km or more from the middle of the control "
            "points. Check that the transform is that of this plan."
        )
        return
    if placement.control_xy is None:
        return
    box = shapely.box(*placement.control_xy.min(axis=0), *placement.control_xy.max(axis=0))
    span = float(np.max(np.ptp(placement.control_xy, axis=0)))
    corners = shapely.points(shapely.get_coordinates(drawn))
    beyond = float(np.max(shapely.distance(corners, box), initial=0.0))
    if beyond > span:  # by the span itself: judgement
        farthest, wide = (length_text(x * metres_per_plan_unit, ",.0f") for x in (beyond, span))
        problems.warn(
            f"Results lie as far as {farthest} beyond the control points, which span {wide}. Check "
            "that they are of the site of this plan; a fit says little beyond its points."
        )


def _words(frame: Any, column: str | None) -> Sequence[str]:
    if column is None:
        return [""] * len(frame)
    return [
        "" if value is None or value != value else str(value) for value in frame[column].tolist()
    ]


def _plan_bearings(frame: Any, placement: StoredPlacement) -> Sequence[float]:
    column = next((name for name in _BEARINGS if name in frame.columns), None)
    if column is None:
        return [float("nan")] * len(frame)
    bearing = np.array(
        [value if isinstance(value, float) else np.nan for value in frame[column]],
        dtype=np.float64,
    )
    return np.asarray(placement.transform.plan_bearing_deg(bearing)).tolist()  # type: ignore[no-any-return]
