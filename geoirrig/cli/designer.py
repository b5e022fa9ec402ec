"""Commands for layouts: a surveyed plan in, a better layout proposed, results back on the plan."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from geoirrig.cli.loading import announce, load
from geoirrig.cli.messages import told_to_the_user
from geoirrig.cli.option_groups import (
    REPORTED,
    SITE,
    OutputChoice,
    SiteChoice,
    check_range,
    stated,
    with_options,
)
from geoirrig.errors import InputError, ProblemList

PLAN_OUTPUT = REPORTED.but(without=("units_option",))


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
        from geoirrig.workflows.draft_plan_roles import draft_plan_roles
        from geoirrig.workflows.export_imported_plan import export_site
        from geoirrig.workflows.import_plan import import_plan

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
                plan,
                output.out,
                overwrite=output.overwrite,
                options=options,
                with_report=output.report,
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
            with_report=output.report,
            progress=output.progress,
        )
        output.tell(summary, print_plan_import)


@with_options(site=SITE, output=REPORTED)
def optimize(
    add_heads: Annotated[
        int, typer.Option(metavar="N", help="Heads that may be added on the whole site.")
    ] = 0,
    max_overspray: Annotated[
        float | None,
        typer.Option(
            metavar="FRACTION", help="Share of a zone's flow that may miss the turf (as today)."
        ),
    ] = None,
    max_spread_pct: Annotated[
        float | None,
        typer.Option(
            metavar="PCT", help="Spread of the heads' own rates in a zone (as today, or 10)."
        ),
    ] = None,
    supply_lpm: Annotated[
        float | None,
        typer.Option(
            metavar="LPM",
            help="Flow that the supply gives one zone (as today; free with --add-heads).",
        ),
    ] = None,
    allow_more_runoff: Annotated[
        bool, typer.Option("--allow-more-runoff", help="Let an event run off more than today.")
    ] = False,
    short_throws: Annotated[
        bool,
        typer.Option("--short-throws", help="Try throws that fall short of the next head too."),
    ] = False,
    gap: Annotated[
        float,
        typer.Option(metavar="FRACTION", help="Stop a zone when it is this close to its bound."),
    ] = 0.001,
    seconds: Annotated[
        float,
        typer.Option(
            metavar="S",
            help="Stop the search of a zone after this time; where zones trade turf, twice.",
        ),
    ] = 60.0,
    *,
    site: SiteChoice,
    output: OutputChoice,
) -> None:
    """Propose a more even nozzle, arc, bearing and radius for every head, with a proven bound.

    Candidates are all nozzles of the table. Limits not stated are today's; no turf may go dry.
    """
    with told_to_the_user():
        from geoirrig.cli.library_output import libraries_silenced
        from geoirrig.cli.proposal_text import print_proposal
        from geoirrig.workflows.export_proposal import export_proposal
        from geoirrig.workflows.nozzle_candidates import CandidateOptions, read_nozzle_table
        from geoirrig.workflows.optimize_layout import optimize_layout
        from geoirrig.workflows.zone_case import OptimizeOptions

        problems = ProblemList()
        check_range(problems, "--add-heads", add_heads, 0, 100)
        check_range(problems, "--max-overspray", max_overspray, 0.0, 1.0)
        check_range(problems, "--max-spread-pct", max_spread_pct, 0.0, 1000.0)
        check_range(problems, "--gap", gap, 0.0, 1.0)
        check_range(problems, "--seconds", seconds, 0.1, 86_400.0)
        chosen = site.having(run_on=False, supply_lpm=supply_lpm)
        table = read_nozzle_table(chosen.sources(), problems)
        loaded = load(chosen, output, problems=problems)
        limits = OptimizeOptions(
            flow_lpm=loaded.settings.supply_lpm,
            overspray_fraction=max_overspray,
            matched_rate_spread_pct=max_spread_pct,
            runoff_may_rise=allow_more_runoff,
            add_heads=add_heads,
            gap=gap,
            seconds_a_zone=seconds,
            candidates=CandidateOptions(reaches_neighbour=not short_throws),
        )
        with libraries_silenced():
            found = optimize_layout(loaded, table, options=limits, progress=output.progress)
        summary = export_proposal(
            found,
            output.out,
            units=output.units,
            overwrite=output.overwrite,
            options={"command": "optimize", **site.stated()},
            limits=limits,
            with_report=output.report,
            progress=output.progress,
        )
        output.tell(summary, print_proposal)


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
            with_report=output.report,
            problems=problems,
            progress=output.progress,
        )
        output.tell(summary, print_plan_export)
