"""Commands for retrofits: nozzle choices side by side, and parcels against a programme."""

from __future__ import annotations

import os
from itertools import chain
from pathlib import Path
from typing import Annotated

import typer

from geoirrig.cli.climate_options import CLIMATE, ClimateChoice
from geoirrig.cli.loading import announce
from geoirrig.cli.messages import exit_partly_done, told_to_the_user
from geoirrig.cli.option_groups import (
    REPORTED,
    SITE,
    OutputChoice,
    SiteChoice,
    check_range,
    with_options,
)
from geoirrig.errors import ProblemList


@with_options(site=SITE, climate=CLIMATE.but(without=("allowance",)), output=REPORTED)
def compare(
    nozzle_set: Annotated[
        list[Path],
        typer.Option(
            metavar="FILE.csv", help="Nozzles to try on the layout; may be given several times."
        ),
    ],
    net_depth_mm: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Net depth of an event in every zone (event depth)."),
    ] = None,
    *,
    site: SiteChoice,
    climate: ClimateChoice,
    output: OutputChoice,
) -> None:
    """Run one layout under several nozzle sets and put the answers side by side."""
    with told_to_the_user():
        from geoirrig.cli.report_text import print_comparison
        from geoirrig.io.read_nozzle_set import read_nozzle_sets
        from geoirrig.workflows.compare_nozzles import compare_nozzles
        from geoirrig.workflows.export_comparison import export_comparison
        from geoirrig.workflows.load_site import load_nozzle_sets
        from geoirrig.workflows.nozzle_set_measures import CompareOptions

        problems = ProblemList()
        record = climate.read(problems, alone=("run_time_method",))
        sets = read_nozzle_sets(nozzle_set, problems)
        check_range(problems, "--net-depth-mm", net_depth_mm, 0.1, 500.0)
        chosen = site.having(run_on=False)
        announce(output)
        loaded, alternatives = load_nozzle_sets(
            chosen.sources(nozzle_set=nozzle_set, **climate.files),
            sets,
            settings_file=chosen.settings_file,
            overrides=chosen.overrides,
            problems=problems,
        )
        found = compare_nozzles(
            loaded,
            alternatives,
            options=CompareOptions(net_depth_mm=net_depth_mm, schedule=climate.schedule_options()),
            climate=record,
            progress=output.progress,
        )
        summary = export_comparison(
            found,
            output.out,
            units=output.units,
            overwrite=output.overwrite,
            options={"command": "compare", **site.stated(), **climate.stated()},
            with_report=output.report,
            progress=output.progress,
        )
        output.tell(summary, print_comparison)


# What libraries are told before they are loaded for a city; what the user has set prevails.
CITY_ENVIRONMENT = {
    # No large matrices are multiplied: threads that wait for some would spin beside the work.
    "OPENBLAS_NUM_THREADS": "1",
    # Columns of millions are made once. Huge pages for them are cleared whole, which a virtual
    # machine that gets its memory late pays dearly, all the more with two processes at it.
    "NUMPY_MADVISE_HUGEPAGE": "0",
    # Arrow's own readers and writers have no store of their own either: see `keep_freed_memory`.
    "ARROW_DEFAULT_MEMORY_POOL": "system",
}


@with_options(site=SITE, climate=CLIMATE.but(without=("allowance",)), output=REPORTED)
def screen(
    programme: Annotated[
        Path, typer.Option(metavar="FILE.toml", help="The rebate programme: conditions and pay.")
    ],
    pressure_apart: Annotated[
        bool,
        typer.Option(
            "--pressure-apart", help="Tell the saving by pressure apart: one more run each."
        ),
    ] = False,
    workers: Annotated[
        int | None,
        typer.Option(metavar="N", help="Processes that work, one on each processor (all)."),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(metavar="tcp://HOST:PORT", help="A Dask cluster to hand the work to."),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Continue a run that was stopped.")
    ] = False,
    *,
    site: SiteChoice,
    climate: ClimateChoice,
    output: OutputChoice,
) -> None:
    """Hold every parcel of a city against a rebate programme: who qualifies, what it saves."""
    from geoirrig.io.checksums import checksums_beside

    for name, value in CITY_ENVIRONMENT.items():
        os.environ.setdefault(name, value)
    files = (*site.files, *chain(*climate.files.values()), programme)
    # begun first: a large city takes as long as the libraries below, which need one processor
    with told_to_the_user(), checksums_beside(files if workers != 1 else ()) as checksum:
        from geoirrig.cli.report_text import print_screening
        from geoirrig.io.unit_journal import check_journal
        from geoirrig.workflows.export_screening import export_screening
        from geoirrig.workflows.load_city import ScreenOptions, is_worth_starting, load_city
        from geoirrig.workflows.screen_parcels import screen_parcels
        from geoirrig.workflows.unit_executors import unit_executor

        problems = ProblemList()
        check_range(problems, "--workers", workers, 1, 1024)
        if workers is not None and scheduler is not None:
            problems.add("Give --workers or --scheduler, not both.")
        chosen = site.having(run_on=False)
        announce(output)
        check_journal(output.out, resume=resume)
        sources = chosen.sources(**climate.files)
        is_sound = not problems.problems and is_worth_starting(sources, programme)
        who = {"workers": workers, "scheduler": scheduler} if is_sound else {"workers": 1}
        with unit_executor(**who) as executor:
            record = climate.read(problems, alone=("run_time_method",))
            city = load_city(
                sources,
                programme,
                climate=record,
                settings_file=chosen.settings_file,
                overrides=chosen.overrides,
                options=ScreenOptions(
                    schedule=climate.schedule_options(), pressure_apart=pressure_apart
                ),
                problems=problems,
                checksum=checksum,
                progress=output.progress,
            )
            run = {"command": "screen", **site.stated(), **climate.stated()}
            screening, journal = screen_parcels(
                city, executor, output.out, run=run, resume=resume, progress=output.progress
            )
            summary = export_screening(
                screening,
                output.out,
                units=output.units,
                overwrite=output.overwrite,
                options=run,
                executor=executor,
                with_report=output.report,
                progress=output.progress,
            )
            journal.remove()
        output.tell(summary, print_screening)
        if summary["failures"]:
            exit_partly_done(
                f"parcel {failure['parcel_id']}: {failure['reason']}"
                for failure in summary["failures"]
            )
