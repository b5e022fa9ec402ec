"""Commands of the main job: check a site, analyse it, try the sample."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from geoirrig.cli.messages import print_warnings, told_to_the_user
from geoirrig.cli.option_groups import (
    LAYERS,
    OUTPUT,
    SITE,
    OutputChoice,
    SiteChoice,
    with_options,
)
from geoirrig.errors import GeoirrigError

if TYPE_CHECKING:
    from geoirrig.io.read_site import SiteSources
    from geoirrig.workflows.load_site import LoadedSite

SAMPLE_FOLDER = Path(__file__).parents[2] / "sample_gis"


@with_options(site=LAYERS)
def validate(
    json: Annotated[
        bool, typer.Option("--json", help="Print the counts as JSON on standard output.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
    *,
    site: SiteChoice,
) -> None:
    """Check the inputs and report every problem at once."""
    with told_to_the_user():
        from geoirrig.io.write_summary import summary_text
        from geoirrig.workflows.load_site import load_site
        from geoirrig.workflows.site_counts import site_counts

        loaded = load_site(
            site.sources(),
            settings_file=site.settings_file,
            overrides=site.overrides,
            slope_is_needed=False,
        )
        counts = site_counts(loaded)
        if json:
            print(summary_text(counts))
        elif not quiet:
            print_warnings(counts["warnings"])
            print(
                f"No problems found: {counts['head_count']} heads in {counts['zone_count']} zones, "
                f"{counts['turf_count']} turf polygons of {counts['turf_area_m2']:,.0f} m²."
            )


@with_options(site=SITE, output=OUTPUT)
def analyze(*, site: SiteChoice, output: OutputChoice) -> None:
    """Compute precipitation, coverage, uniformity and runoff risk of a site."""
    with told_to_the_user():
        _analyze(
            site.sources(),
            output,
            settings_file=site.settings_file,
            overrides=site.overrides,
            options={"command": "analyze", **site.stated()},
        )


@with_options(output=OUTPUT.but(without=("overwrite",), out=Path("geoirrig-demo")))
def demo(*, output: OutputChoice) -> None:
    """Run the main job on the sample site; an earlier demo in DIR is replaced."""
    with told_to_the_user():
        from geoirrig.io.read_site import SiteSources

        site = SAMPLE_FOLDER / "hillside_site.gpkg"
        if not site.is_file():
            raise GeoirrigError(
                f"The sample site is not at {SAMPLE_FOLDER}. Run the demo from a checkout of the "
                "project that was installed with 'pip install -e .'."
            )
        _analyze(
            SiteSources(site=site, slope=SAMPLE_FOLDER / "hillside_slope_pct.tif"),
            replace(output, overwrite=True),
            settings_file=None,
            overrides={},
            options={"command": "demo"},
        )


def load(
    sources: SiteSources,
    output: OutputChoice,
    *,
    settings_file: Path | None,
    overrides: dict[str, object],
) -> LoadedSite:
    """Read a site for a command that writes results, and say when kernels will be compiled."""
    from geoirrig.compilation import needs_compiling
    from geoirrig.io.output_folder import check_output_folder
    from geoirrig.workflows.load_site import load_site

    check_output_folder(output.out, overwrite=output.overwrite)
    output.progress("Reading and checking the inputs")
    site = load_site(sources, settings_file=settings_file, overrides=overrides)
    if needs_compiling():
        output.progress("Compiling for this machine; later runs do without (about half a minute)")
    return site


def _analyze(
    sources: SiteSources,
    output: OutputChoice,
    *,
    settings_file: Path | None,
    overrides: dict[str, object],
    options: dict[str, Any],
) -> None:
    from geoirrig.io.write_summary import summary_text
    from geoirrig.workflows.analyze_site import analyze_site
    from geoirrig.workflows.export_analysis import export_analysis

    site = load(sources, output, settings_file=settings_file, overrides=overrides)
    analysis = analyze_site(site, progress=output.progress)
    summary = export_analysis(
        site,
        analysis,
        output.out,
        units=output.units,
        overwrite=output.overwrite,
        options=options,
        progress=output.progress,
    )
    if output.json:
        print(summary_text(summary))
    elif not output.quiet:
        print_warnings(summary["warnings"])
        from geoirrig.cli.report_text import print_report

        print_report(summary, units=output.units)
        print(f"Results are in {output.out}")
