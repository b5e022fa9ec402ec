"""A surveyed plan into the input layers of a site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geoirrig import __version__
from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.file_formats import file_sha256
from geoirrig.io.output_folder import whole_output
from geoirrig.io.plan_contents import draft_roles_text, plan_contents
from geoirrig.io.plan_entities import damage_told, open_plan, plan_unit, unit_code, warn_of_unseen
from geoirrig.io.plan_roles import PlanRoles, read_plan_roles
from geoirrig.io.read_control_points import read_control_points
from geoirrig.io.read_plan import (
    read_plan,
)
from geoirrig.io.write_layers import write_layers
from geoirrig.io.write_summary import write_summary
from geoirrig.records import InputFile, ResultTable, WorkingPlane
from geoirrig.report.write_report import write_report
from geoirrig.workflows.place_plan import PlanPlacement, map_crs, place_plan
from geoirrig.workflows.plan_layers import site_layers
from geoirrig.workflows.reports.plan_import import contents_report, import_report
from geoirrig.workflows.run_record import Progress

SITE_FILE = "SITE.gpkg"
DRAFT_ROLES_FILE = "roles.toml"
PLAN_CAUTIONS = (
    "A plan shows what was drawn: check heads, arcs and edges on the ground before acting.",
)
_FULL_CIRCLE_DEG = 360.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportedPlan:
    """A plan as input layers, with how well it lies on the map."""

    plane: WorkingPlane
    tables: tuple[ResultTable, ...]
    placement: PlanPlacement
    roles: PlanRoles
    plan_unit: str | None  # as the header states it
    plan_unit_code: int
    ignored_texts: int
    unread: Mapping[str, int]
    files: tuple[InputFile, ...]
    warnings: tuple[str, ...]


def import_plan(
    plan: Path,
    *,
    roles_file: Path,
    control_file: Path,
    crs: str,
    problems: ProblemList | None = None,
    progress: Progress = lambda _: None,
) -> ImportedPlan:
    """Read a plan and bring it onto the map.

    Parameters
    ----------
    plan : Path
        DXF file.
    roles_file : Path
        TOML file: what layers and blocks stand for.
    control_file : Path
        CSV of control points.
    crs : str
        Projected CRS of their map coordinates.
    problems : ProblemList, optional
        What was found in other inputs of the run.
    progress : callable, optional
        Told the name of each step as it begins.

    Raises
    ------
    InputError
        With every problem of plan, roles and control points.
    GeoirrigError
        If the DXF library is not installed.
    """
    problems = ProblemList() if problems is None else problems
    roles = read_plan_roles(roles_file, problems)
    points = read_control_points(control_file, problems)
    chosen_crs = map_crs(crs, problems)
    progress("Reading the plan")
    drawing = None
    try:
        drawing = open_plan(plan, problems)
    except GeoirrigError as error:
        problems.add(str(error))
    placement = None
    if points is not None and chosen_crs is not None and drawing is not None:
        placement = place_plan(
            points,
            chosen_crs,
            method="similarity" if roles is None else roles.transform,
            header_unit=plan_unit(drawing),
            problems=problems,
        )
    if drawing is None or roles is None or placement is None or chosen_crs is None:
        problems.raise_if_any()
        raise GeoirrigError("The plan was not read, and its problems were not raised.")
    place = f"Plan {plan.name!r}"
    warn_of_unseen(drawing, place, problems)
    progress("Bringing heads and areas onto the map")
    with damage_told(place):
        surveyed = read_plan(
            drawing,
            roles,
            metres_per_plan_unit=placement.metres_per_plan_unit,
            place=place,
            problems=problems,
        )
    plane, tables = site_layers(surveyed, placement, chosen_crs, place, problems)
    if surveyed.ignored_texts:
        problems.warn(
            f"{place}: texts that are no block attributes, not read: {surveyed.ignored_texts}."
        )
    if surveyed.unread:
        kinds = ", ".join(f"{count} {kind}" for kind, count in surveyed.unread.items())
        problems.warn(f"{place}: {kinds} on the named layers have no outline and were not read.")
    problems.raise_if_any()
    if plane is None:
        raise GeoirrigError("The plan has no place, and its problems were not raised.")
    unit = plan_unit(drawing)
    return ImportedPlan(
        plane=plane.record,
        tables=tables,
        placement=placement,
        roles=roles,
        plan_unit=None if unit is None else unit[0],
        plan_unit_code=unit_code(drawing),
        ignored_texts=surveyed.ignored_texts,
        unread=surveyed.unread,
        files=_files(plan=plan, roles=roles_file, control=control_file),
        warnings=tuple(problems.warnings),
    )


def export_site(
    found: ImportedPlan,
    out_dir: Path,
    *,
    overwrite: bool,
    options: Mapping[str, Any],
    with_report: bool = False,
    progress: Progress = lambda _: None,
) -> dict[str, Any]:
    """Write the input layers as ``SITE.gpkg``, and the summary, whole or not at all.

    Parameters
    ----------
    found : ImportedPlan
        What `import_plan` gave.
    out_dir : Path
        The folder; made if it is not there.
    overwrite : bool
        Whether results that lie there may be replaced.
    options : mapping
        Options of the command line, for the record.
    with_report : bool, optional
        Whether ``report.html`` is written too.
    progress : callable, optional
        Told the name of each step as it begins.

    Returns
    -------
    dict
        The summary that was written.

    Raises
    ------
    OutputError
        If the results cannot be written.
    """
    summary = plan_summary(found, options)
    info = {
        "version": __version__,
        "crs": found.plane.crs_name,
        "scale": f"{found.placement.transform.scale:.9g}",
        "rotation_deg": f"{found.placement.transform.rotation_deg:.6f}",
        "rms_m": f"{summary['rms_m']:.4f}",
        **{f"input {file.role}": f"{file.name} sha256 {file.sha256}" for file in found.files},
        **{f"warning {n}": text for n, text in enumerate(found.warnings, start=1)},
        **{f"caution {n}": text for n, text in enumerate(PLAN_CAUTIONS, start=1)},
    }
    with whole_output(out_dir, overwrite=overwrite) as folder:
        progress("Writing the layers")
        write_layers(folder / SITE_FILE, found.tables, found.plane, units="si", run_info=info)
        if with_report:
            progress("Writing the report")
            write_report(folder / "report.html", import_report(found, summary))
        write_summary(folder / "summary.json", summary)
    return summary


def plan_summary(found: ImportedPlan, options: Mapping[str, Any]) -> dict[str, Any]:
    """Scale, rotation, residuals, counts and warnings of an import."""
    areas = {
        table.name: float(np.sum(shapely.area(table.geometry)))
        for table in found.tables
        if table.geometry is not None and table.geometry_type != "Point"
    }
    return {
        "version": __version__,
        "inputs": [asdict(file) for file in found.files],
        "options": dict(options),
        "crs": found.plane.crs_name,
        **found.placement.record(),
        "plan_unit": found.plan_unit,
        "plan_unit_code": found.plan_unit_code,
        "flatten_tolerance_m": found.roles.flatten_tolerance_m,
        "closing_gap_m": found.roles.closing_gap_m,
        "layers": [
            {"layer": table.name, "count": _count(table), "area_m2": areas.get(table.name)}
            for table in found.tables
        ],
        "ignored_texts": found.ignored_texts,
        "unread": dict(found.unread),
        "warnings": list(found.warnings),
        "cautions": list(PLAN_CAUTIONS),
    }


def draft_plan_roles(
    plan: Path,
    out_dir: Path,
    *,
    overwrite: bool,
    options: Mapping[str, Any],
    with_report: bool = False,
) -> dict[str, Any]:
    """List what a plan holds and write a roles file to edit; for a plan without one.

    Parameters
    ----------
    plan : Path
        DXF file.
    out_dir : Path
        The folder for ``roles.toml`` and ``summary.json``.
    overwrite : bool
        Whether files that lie there may be replaced.
    options : mapping
        Options of the command line, for the record.
    with_report : bool, optional
        Whether ``report.html`` is written too.

    Returns
    -------
    dict
        The summary that was written: unit, extent, layers, blocks, attributes, counts.

    Raises
    ------
    GeoirrigError
        If the plan cannot be read.
    OutputError
        If the files cannot be written.
    """
    problems = ProblemList()
    drawing = open_plan(plan, problems)
    warn_of_unseen(drawing, f"Plan {plan.name!r}", problems)
    with damage_told(f"Plan {plan.name!r}"):
        contents = plan_contents(drawing)
    files = _files(plan=plan)
    summary = {
        "version": __version__,
        "inputs": [asdict(file) for file in files],
        "options": dict(options),
        **contents.record(),
        "warnings": list(problems.warnings),
    }
    with whole_output(out_dir, overwrite=overwrite) as folder:
        text = draft_roles_text(contents)
        (folder / DRAFT_ROLES_FILE).write_text(text, encoding="utf-8", newline="\n")
        if with_report:
            write_report(folder / "report.html", contents_report(summary, files, PLAN_CAUTIONS))
        write_summary(folder / "summary.json", summary)
    return summary


def _count(table: ResultTable) -> int:
    return 0 if table.geometry is None else len(table.geometry)


def _files(**paths: Path) -> tuple[InputFile, ...]:
    return tuple(
        InputFile(role=role, name=path.name, sha256=file_sha256(path))
        for role, path in paths.items()
    )
