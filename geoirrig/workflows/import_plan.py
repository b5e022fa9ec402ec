"""A surveyed plan into the input layers of a site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.file_formats import file_read
from geoirrig.io.plan_entities import damage_told, open_plan, plan_unit, unit_code, warn_of_unseen
from geoirrig.io.plan_roles import PlanRoles, read_plan_roles
from geoirrig.io.read_control_points import read_control_points
from geoirrig.io.read_plan import (
    read_plan,
)
from geoirrig.records import InputFile, ResultTable, WorkingPlane
from geoirrig.workflows.place_plan import PlanPlacement, map_crs, place_plan
from geoirrig.workflows.plan_layers import site_layers
from geoirrig.workflows.run_record import Progress

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
        files=(
            file_read("plan", plan),
            file_read("roles", roles_file),
            file_read("control", control_file),
        ),
        warnings=tuple(problems.warnings),
    )
