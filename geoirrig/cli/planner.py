"""Commands for retrofits: nozzle choices side by side, and parcels against a programme."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from geoirrig.cli.climate_options import CLIMATE, ClimateChoice
from geoirrig.cli.loading import announce, announce_compiling
from geoirrig.cli.messages import told_to_the_user
from geoirrig.cli.option_groups import (
    OUTPUT,
    SITE,
    OutputChoice,
    SiteChoice,
    check_range,
    with_options,
)
from geoirrig.errors import ProblemList


@with_options(site=SITE, climate=CLIMATE.but(without=("allowance",)), output=OUTPUT)
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
        announce_compiling(output)
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
            progress=output.progress,
        )
        output.tell(summary, print_comparison)
