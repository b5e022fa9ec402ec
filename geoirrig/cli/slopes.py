"""Commands for slopes: how to set the clock, and which slope comes first."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import Annotated, Any

import typer

from geoirrig.cli.climate_options import CLIMATE, ClimateChoice
from geoirrig.cli.loading import load
from geoirrig.cli.messages import exit_partly_done, told_to_the_user
from geoirrig.cli.option_groups import (
    REPORTED,
    SITE,
    OutputChoice,
    SiteChoice,
    check_range,
    with_options,
)
from geoirrig.errors import InputError, ProblemList


@with_options(site=SITE, climate=CLIMATE.but(climate=...), output=REPORTED)
def schedule(*, site: SiteChoice, climate: ClimateChoice, output: OutputChoice) -> None:
    """Set run minutes, cycles and soaks of every zone and month from the climate."""
    with told_to_the_user():
        from geoirrig.cli.report_text import print_schedule
        from geoirrig.workflows.export_schedule import export_schedule
        from geoirrig.workflows.schedule_zones import schedule_zones
        from geoirrig.workflows.site_water import lay_out_water

        problems = ProblemList()
        record = climate.read(problems)
        loaded = load(site.having(run_on=False), output, problems=problems, others=climate.files)
        if record is None:
            raise InputError(["--climate FILE is needed."])
        output.progress("Laying out the water of each zone")
        water = lay_out_water(loaded)
        found = schedule_zones(
            loaded, water, record, options=climate.schedule_options(), progress=output.progress
        )
        summary = export_schedule(
            loaded,
            water,
            found,
            output.out,
            units=output.units,
            overwrite=output.overwrite,
            options={"command": "schedule", **site.stated(), **climate.stated()},
            with_report=output.report,
            progress=output.progress,
        )
        output.tell(summary, print_schedule)
        if found.failures:
            exit_partly_done(_without_schedule(found.failures))


@with_options(site=SITE, climate=CLIMATE.but(without=("allowance",)), output=REPORTED)
def rank(
    split_slopes: Annotated[
        bool,
        typer.Option(
            "--split-slopes", help="Rank connected parts of one slope class, not whole polygons."
        ),
    ] = False,
    least_part_m2: Annotated[
        float, typer.Option(metavar="M2", help="Smaller parts are joined to their neighbours.")
    ] = 4.0,
    realisations: Annotated[
        int, typer.Option(metavar="N", help="Soils drawn for every lawn.")
    ] = 200,
    seed: Annotated[int, typer.Option(metavar="N", help="Of the draws; one seed, one answer.")] = 1,
    *,
    site: SiteChoice,
    climate: ClimateChoice,
    output: OutputChoice,
) -> None:
    """Rank slopes by the runoff they shed, worst first, with 90 % intervals."""
    with told_to_the_user():
        from geoirrig.cli.report_text import print_ranking
        from geoirrig.workflows.export_ranking import export_ranking
        from geoirrig.workflows.rank_slopes import RankOptions, rank_slopes
        from geoirrig.workflows.schedule_zones import schedule_zones
        from geoirrig.workflows.site_water import lay_out_water

        problems = ProblemList()
        record = climate.read(problems)
        check_range(problems, "--least-part-m2", least_part_m2, 0.0, 1e6)
        check_range(problems, "--realisations", realisations, 20, 100_000)
        check_range(problems, "--seed", seed, 0, 2**32 - 1)
        chosen = RankOptions(
            by_slope_class=split_slopes,
            least_part_m2=least_part_m2,
            realisations=realisations,
            seed=seed,
        )
        loaded = load(site.having(run_on=False), output, problems=problems, others=climate.files)
        output.progress("Laying out the water of each zone")
        water = lay_out_water(loaded)
        found = None
        if record is not None:
            found = schedule_zones(
                loaded, water, record, options=climate.schedule_options(), progress=output.progress
            )
        ranking = rank_slopes(
            loaded,
            water,
            options=chosen,
            schedule=None if found is None else found.schedule,
            progress=output.progress,
        )
        failures = () if found is None else found.failures
        methods: dict[str, Any] = {}
        if found is not None:  # its warnings hold those of the site
            ranking = dataclasses.replace(ranking, warnings=found.warnings)
            methods = dataclasses.asdict(found.options)
        summary = export_ranking(
            loaded,
            ranking,
            output.out,
            units=output.units,
            overwrite=output.overwrite,
            failures=failures,
            options={"command": "rank", **site.stated(), **climate.stated(), **methods},
            with_report=output.report,
            progress=output.progress,
        )
        output.tell(summary, print_ranking)
        if failures:
            exit_partly_done(_without_schedule(failures))


def _without_schedule(failures: Iterable[Mapping[str, Any]]) -> list[str]:
    return [f"zone {failure['zone']}: {failure['reason']}" for failure in failures]
