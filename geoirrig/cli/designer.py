"""Commands for layouts: a surveyed plan in, a better layout proposed, results back on the plan."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from geoirrig.cli.loading import announce
from geoirrig.cli.messages import told_to_the_user
from geoirrig.cli.option_groups import OUTPUT, OutputChoice, stated, with_options
from geoirrig.errors import InputError, ProblemList

PLAN_OUTPUT = OUTPUT.but(without=("units_option",))


@with_options(output=PLAN_OUTPUT)
def plan_import(
    plan: Annotated[Path, typer.Argument(metavar="PLAN.dxf", help="The surveyed plan.")],
    roles: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.toml",
            help="What its layers and blocks stand for; without it a draft is written.",
        ),
    ] = None,
    control: Annotated[
        Path | None,
        typer.Option(metavar="FILE.csv", help="Points known on the plan and on the map."),
    ] = None,
    crs: Annotated[
        str | None,
        typer.Option(metavar="EPSG:CODE", help="Projected CRS of the points on the map."),
    ] = None,
    *,
    output: OutputChoice,
) -> None:
    """Bring a surveyed plan onto the map as input layers, or list what it holds."""
    with told_to_the_user():
        from geoirrig.cli.plan_text import print_plan_contents, print_plan_import
        from geoirrig.workflows.import_plan import draft_plan_roles, export_site, import_plan

        announce(output)
        options = {
            "command": "plan-import",
            **stated({"plan": plan, "roles": roles, "control": control, "crs": crs}),
        }
        if roles is None:
            if control is not None or crs is not None:
                raise InputError(
                    ["--control and --crs need --roles. Run without all three for a draft."]
                )
            contents = draft_plan_roles(
                plan, output.out, overwrite=output.overwrite, options=options
            )
            output.tell(contents, print_plan_contents)
            return
        if control is None or crs is None:
            missing = [
                name for name, given in (("--control", control), ("--crs", crs)) if given is None
            ]
            raise InputError(
                [
                    f"{' and '.join(missing)} must be given with --roles: the plan has no place on "
                    "the map of its own."
                ]
            )
        found = import_plan(
            plan, roles_file=roles, control_file=control, crs=crs, progress=output.progress
        )
        summary = export_site(
            found,
            output.out,
            overwrite=output.overwrite,
            options=options,
            progress=output.progress,
        )
        output.tell(summary, print_plan_import)


@with_options(output=PLAN_OUTPUT)
def plan_export(
    results: Annotated[
        Path, typer.Argument(metavar="DIR", help="Results of analyze or optimize to be drawn.")
    ],
    plan_transform: Annotated[
        Path,
        typer.Option(
            metavar="FILE", help="The import's summary.json, or the control points as CSV."
        ),
    ],
    crs: Annotated[
        str | None,
        typer.Option(metavar="EPSG:CODE", help="Projected CRS of control points in a CSV."),
    ] = None,
    *,
    output: OutputChoice,
) -> None:
    """Draw results in the coordinates of the surveyed plan, as DXF."""
    with told_to_the_user():
        from geoirrig.cli.plan_text import print_plan_export
        from geoirrig.workflows.export_plan import export_plan, plan_placement

        announce(output)
        problems = ProblemList()
        placement = plan_placement(plan_transform, crs=crs, problems=problems)
        summary = export_plan(
            results,
            placement,
            output.out,
            overwrite=output.overwrite,
            options={
                "command": "plan-export",
                **stated({"results": results, "plan_transform": plan_transform, "crs": crs}),
            },
            progress=output.progress,
        )
        output.tell(summary, print_plan_export)
