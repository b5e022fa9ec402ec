"""Commands of the main job: check a site, analyse it, try the sample."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from geoirrig.cli.loading import load
from geoirrig.cli.messages import print_json_line, print_warnings, told_to_the_user
from geoirrig.cli.option_groups import (
    LAYERS,
    REPORTED,
    SITE,
    JsonLines,
    OutputChoice,
    SiteChoice,
    with_options,
)
from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.wording import counted

SAMPLE_FOLDER = Path(__file__).parents[2] / "sample_gis"
SheetsOption = Annotated[
    bool, typer.Option("--sheets", help="Also write sheets.pdf, a page to scale for each zone.")
]


@with_options(site=LAYERS)
def validate(
    json: Annotated[
        bool, typer.Option("--json", help="Print the counts as JSON on standard output.")
    ] = False,
    json_lines: JsonLines = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
    *,
    site: SiteChoice,
) -> None:
    """Check the inputs and report every problem at once."""
    with told_to_the_user():
        from geoirrig.io.write_summary import plain_values, summary_text
        from geoirrig.workflows.load_site import load_site
        from geoirrig.workflows.site_counts import site_counts

        loaded = load_site(
            site.sources(),
            settings_file=site.settings_file,
            overrides=site.overrides,
            slope_is_needed=False,
        )
        counts = site_counts(loaded)
        if json_lines:
            print_json_line(result=plain_values(counts))
        elif json:
            print(summary_text(counts))
        elif not quiet:
            print_warnings(counts["warnings"])
            print(
                f"No problems found: {counted(counts['head_count'], 'head')} in "
                f"{counted(counts['zone_count'], 'zone')}, "
                f"{counted(counts['turf_count'], 'turf polygon')} of "
                f"{counts['turf_area_m2']:,.0f} m²."
            )


@with_options(site=SITE, output=REPORTED)
def analyze(
    run_on: Annotated[
        bool, typer.Option("--run-on", help="Follow excess water downhill; needs --elevation.")
    ] = False,
    rules: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME|FILE.toml",
            help="Check a rule set, built in or of your own; may be given several times.",
        ),
    ] = None,
    supply_lpm: Annotated[
        float | None,
        typer.Option(metavar="LPM", help="Flow that the source gives one zone, in L/min."),
    ] = None,
    sheets: SheetsOption = False,
    *,
    site: SiteChoice,
    output: OutputChoice,
) -> None:
    """Compute precipitation, coverage, uniformity and runoff risk of a site."""
    with told_to_the_user():
        chosen = site.having(run_on=run_on or None, supply_lpm=supply_lpm)
        _analyze("analyze", chosen, output, rules=rules or [], with_sheets=sheets)


@with_options(output=REPORTED.but(without=("overwrite",), out=Path("geoirrig-demo")))
def demo(sheets: SheetsOption = False, *, output: OutputChoice) -> None:
    """Run the main job on the sample site; an earlier demo in DIR is replaced."""
    with told_to_the_user():
        site = SAMPLE_FOLDER / "hillside_site.gpkg"
        if not site.is_file():
            raise GeoirrigError(
                f"The sample site is not at {SAMPLE_FOLDER}. Run the demo from a checkout of the "
                "project that was installed with 'pip install -e .'."
            )
        slope = SAMPLE_FOLDER / "hillside_slope_pct.tif"
        _analyze(
            "demo",
            SiteChoice.of(site=site, slope=slope),
            replace(output, overwrite=True),
            with_sheets=sheets,
        )


def _analyze(
    command: str,
    site: SiteChoice,
    output: OutputChoice,
    *,
    rules: Sequence[str] = (),
    with_sheets: bool,
) -> None:
    from geoirrig.cli.report_text import print_report
    from geoirrig.io.read_rules import read_rules, rule_files
    from geoirrig.workflows.analyze_site import analyze_site
    from geoirrig.workflows.export_analysis import export_analysis

    problems = ProblemList()
    rule_sets = read_rules(rules, problems)
    loaded = load(site, output, problems=problems, others={"rules": rule_files(rules)})
    analysis = analyze_site(loaded, rule_sets=rule_sets, progress=output.progress)
    summary = export_analysis(
        loaded,
        analysis,
        output.out,
        units=output.units,
        overwrite=output.overwrite,
        options={"command": command, **site.stated(), **({"rules": list(rules)} if rules else {})},
        with_report=output.report,
        with_sheets=with_sheets,
        progress=output.progress,
    )
    output.tell(summary, print_report)
