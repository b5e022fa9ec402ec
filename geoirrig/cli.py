"""The command line: arguments into one workflow call, results into files and messages."""

from __future__ import annotations

import functools
import inspect
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import Enum, StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

# Another installation's projection and driver data, as a GIS shell sets them, break our own.
for _variable in ("PROJ_DATA", "PROJ_LIB", "GDAL_DATA", "GDAL_DRIVER_PATH"):
    os.environ.pop(_variable, None)

import typer  # noqa: E402
from rich.console import Console  # noqa: E402

from geoirrig.errors import GeoirrigError, InputError  # noqa: E402

if TYPE_CHECKING:
    from geoirrig.io.read_site import SiteSources
    from geoirrig.units import UnitSystem

EXIT_WRONG_INPUT = 2
EXIT_PROGRAM_FAULT = 1
EXIT_STOPPED = 130  # what a shell reports for an interrupt
STOPPED = "geoirrig: stopped; no half-written results are left."
LAYER_ROLES = (
    "heads", "turf", "nozzles", "profiles", "zones", "hardscape", "parcels", "catch_cans",
)  # fmt: skip
SAMPLE_FOLDER = Path(__file__).parents[1] / "sample_gis"

app = typer.Typer(
    name="geoirrig",
    help="From sprinkler heads, turf and slope on a map to depth, coverage and runoff risk.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
stderr = Console(stderr=True, highlight=False, soft_wrap=True)


class RunoffModelOption(StrEnum):
    """How runoff is computed."""

    surface_storage = "surface_storage"
    green_ampt = "green_ampt"


class UnitsOption(StrEnum):
    """Unit system of tables, maps and messages."""

    si = "si"
    us = "us"


class SlopeUnitOption(StrEnum):
    """Unit of a slope raster."""

    percent = "percent"
    degrees = "degrees"
    ratio = "ratio"


class ElevationUnitOption(StrEnum):
    """Vertical unit of an elevation raster."""

    metre = "metre"
    foot = "foot"
    us_survey_foot = "us_survey_foot"


# --- options that every command on a site shares -------------------------------------------------

SiteArgument = Annotated[
    Path | None, typer.Argument(metavar="SITE.gpkg", help="GeoPackage with the input layers.")
]
CellOption = Annotated[
    float | None, typer.Option("--cell", metavar="M", help="Cell size in metres (0.25).")
]
SettingsOption = Annotated[
    Path | None, typer.Option("--settings", metavar="FILE.toml", help="File of settings.")
]
UnitsChoice = Annotated[UnitsOption, typer.Option("--units", help="Units of tables and maps.")]
OutOption = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the results.")]
OverwriteOption = Annotated[
    bool, typer.Option("--overwrite", help="Replace results that lie in DIR.")
]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print the summary as JSON on standard output.")
]
QuietOption = Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")]

_SITE_OPTIONS: dict[str, Any] = {
    "slope": Annotated[Path | None, typer.Option(metavar="FILE", help="Raster of slope.")],
    "slope_unit": Annotated[
        SlopeUnitOption | None, typer.Option(help="Its unit, if the band does not say.")
    ],
    "elevation": Annotated[Path | None, typer.Option(metavar="FILE", help="Raster of elevation.")],
    "elevation_unit": Annotated[
        ElevationUnitOption | None, typer.Option(help="Its unit, if the band does not say.")
    ],
}
for _role in LAYER_ROLES:
    _option_name = _role.replace("_", "-")
    _SITE_OPTIONS[_role] = Annotated[
        Path | None,
        typer.Option(f"--{_option_name}", metavar="FILE", help=f"File of the {_role} layer."),
    ]
    _SITE_OPTIONS[f"{_role}_layer"] = Annotated[
        str | None,
        typer.Option(f"--{_option_name}-layer", metavar="NAME", help="Its layer in that file."),
    ]


def with_site_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that say where a site's parts are.

    The command gets them as one mapping, ``site_options``.
    """
    own = inspect.signature(command, eval_str=True)

    @functools.wraps(command)
    def with_options(**arguments: Any) -> None:
        site_options = {name: arguments.pop(name) for name in _SITE_OPTIONS}
        command(site_options=site_options, **arguments)

    parameters = [p for p in own.parameters.values() if p.name != "site_options"]
    parameters += [
        inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=None, annotation=kind)
        for name, kind in _SITE_OPTIONS.items()
    ]
    with_options.__signature__ = own.replace(  # type: ignore[attr-defined]
        parameters=[p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in parameters]
    )
    return with_options


def _sources(site: Path | None, site_options: dict[str, Any]) -> SiteSources:
    from geoirrig.io.open_layer import LayerSource
    from geoirrig.io.read_site import SiteSources

    orphan = [
        f"--{role.replace('_', '-')}-layer was given without --{role.replace('_', '-')}."
        for role in LAYER_ROLES
        if site_options[f"{role}_layer"] is not None and site_options[role] is None
    ]
    if orphan:
        raise InputError(orphan)
    slope_unit, elevation_unit = site_options["slope_unit"], site_options["elevation_unit"]
    return SiteSources(
        site=site,
        layers={
            role: LayerSource(path=site_options[role], layer=site_options[f"{role}_layer"])
            for role in LAYER_ROLES
            if site_options[role] is not None
        },
        slope=site_options["slope"],
        slope_unit=None if slope_unit is None else slope_unit.value,
        elevation=site_options["elevation"],
        elevation_unit=None if elevation_unit is None else elevation_unit.value,
    )


def _stated_options(site_options: dict[str, Any], **others: Any) -> dict[str, Any]:
    """Options of the command line as the record of the run states them: names, not folders."""
    given = {**{k: v for k, v in site_options.items() if v is not None}, **others}
    return {
        name: value.name
        if isinstance(value, Path)
        else value.value
        if isinstance(value, Enum)
        else value
        for name, value in given.items()
    }


# --- commands ------------------------------------------------------------------------------------


@app.callback(invoke_without_command=True)
def geoirrig(
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """From sprinkler heads, turf and slope on a map to depth, coverage and runoff risk."""
    if version:
        from geoirrig import __version__

        print(__version__)
        raise typer.Exit


@app.command()
@with_site_options
def validate(
    site: SiteArgument = None,
    cell: CellOption = None,
    json: JsonOption = False,
    quiet: QuietOption = False,
    *,
    site_options: dict[str, Any],
) -> None:
    """Check the inputs and report every problem at once."""
    with _told_to_the_user():
        from geoirrig.io.write_summary import summary_text
        from geoirrig.workflows.load_site import load_site
        from geoirrig.workflows.site_counts import site_counts

        loaded = load_site(
            _sources(site, site_options), overrides={"cell_size_m": cell}, slope_is_needed=False
        )
        counts = site_counts(loaded)
        if json:
            print(summary_text(counts))
        elif not quiet:
            _print_warnings(counts["warnings"])
            print(
                f"No problems found: {counts['head_count']} heads in {counts['zone_count']} zones, "
                f"{counts['turf_count']} turf polygons of {counts['turf_area_m2']:,.0f} m²."
            )


@app.command()
@with_site_options
def analyze(
    out: OutOption,
    site: SiteArgument = None,
    cell: CellOption = None,
    event_depth_mm: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Mean depth of an event, for zones without a plan (12.7)."),
    ] = None,
    runoff_model: Annotated[
        RunoffModelOption | None, typer.Option(help="How runoff is computed (surface_storage).")
    ] = None,
    settings: SettingsOption = None,
    units: UnitsChoice = UnitsOption.si,
    overwrite: OverwriteOption = False,
    json: JsonOption = False,
    quiet: QuietOption = False,
    *,
    site_options: dict[str, Any],
) -> None:
    """Compute precipitation, coverage, uniformity and runoff risk of a site."""
    with _told_to_the_user():
        _analyze(
            _sources(site, site_options),
            out,
            settings_file=settings,
            overrides={
                "cell_size_m": cell,
                "event_depth_mm": event_depth_mm,
                "runoff_model": None if runoff_model is None else runoff_model.value,
            },
            units=units.value,
            overwrite=overwrite,
            json=json,
            quiet=quiet,
            options=_stated_options(site_options, command="analyze"),
        )


@app.command()
def demo(
    out: OutOption = Path("geoirrig-demo"),
    units: UnitsChoice = UnitsOption.si,
    json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Run the main job on the sample site; an earlier demo in DIR is replaced."""
    with _told_to_the_user():
        from geoirrig.io.read_site import SiteSources

        site = SAMPLE_FOLDER / "hillside_site.gpkg"
        if not site.is_file():
            raise GeoirrigError(
                f"The sample site is not at {SAMPLE_FOLDER}. Run the demo from a checkout of the "
                "project that was installed with 'pip install -e .'."
            )
        _analyze(
            SiteSources(site=site, slope=SAMPLE_FOLDER / "hillside_slope_pct.tif"),
            out,
            settings_file=None,
            overrides={},
            units=units.value,
            overwrite=True,
            json=json,
            quiet=quiet,
            options={"command": "demo"},
        )


def _analyze(
    sources: SiteSources,
    out: Path,
    *,
    settings_file: Path | None,
    overrides: dict[str, object],
    units: UnitSystem,
    overwrite: bool,
    json: bool,
    quiet: bool,
    options: dict[str, Any],
) -> None:
    from geoirrig.compilation import needs_compiling
    from geoirrig.io.output_folder import check_output_folder
    from geoirrig.io.write_summary import summary_text
    from geoirrig.workflows.analyze_site import analyze_site
    from geoirrig.workflows.export_analysis import export_analysis
    from geoirrig.workflows.load_site import load_site

    def progress(step: str) -> None:
        if not quiet:
            stderr.print(f"{step} …", markup=False)

    check_output_folder(out, overwrite=overwrite)
    progress("Reading and checking the inputs")
    site = load_site(sources, settings_file=settings_file, overrides=overrides)
    if needs_compiling():
        progress("Compiling for this machine; later runs do without (about half a minute)")
    analysis = analyze_site(site, progress=progress)
    summary = export_analysis(
        site,
        analysis,
        out,
        units=units,
        overwrite=overwrite,
        options=options,
        progress=progress,
    )
    if json:
        print(summary_text(summary))
    elif not quiet:
        _print_warnings(summary["warnings"])
        from geoirrig.maps.report_text import print_report

        print_report(summary, units=units)
        print(f"Results are in {out}")


# --- messages ------------------------------------------------------------------------------------


def _print_warnings(warnings: list[str]) -> None:
    for warning in warnings:
        stderr.print(f"Warning: {warning}", markup=False)


@contextmanager
def _told_to_the_user() -> Iterator[None]:
    """Turn what goes wrong into sentences on standard error and the exit code."""
    try:
        yield
    except InputError as error:
        count = len(error.problems)
        stderr.print(
            f"geoirrig: {count} problem{'s' if count > 1 else ''} in the input; nothing was "
            "written.",
            markup=False,
        )
        for problem in error.problems:
            stderr.print(f"  - {problem}", markup=False)
        raise typer.Exit(EXIT_WRONG_INPUT) from None
    except GeoirrigError as error:
        stderr.print(f"geoirrig: {error}", markup=False)
        raise typer.Exit(EXIT_WRONG_INPUT) from None
    except KeyboardInterrupt:
        stderr.print(STOPPED, markup=False)
        raise typer.Exit(EXIT_STOPPED) from None
    except (typer.Exit, BrokenPipeError):  # a reader that hangs up is no fault
        raise
    except Exception as error:
        if "GEOIRRIG_TRACEBACK" in os.environ:
            raise
        stderr.print(
            f"geoirrig: a fault of the program: {type(error).__name__}: {error}. No half-written "
            "results are left. Please report it, with the output of the same command under "
            "GEOIRRIG_TRACEBACK=1.",
            markup=False,
        )
        raise typer.Exit(EXIT_PROGRAM_FAULT) from None


def _stop(_signal: int, _frame: object) -> NoReturn:
    """Leave as an interrupt does, so that half-written results are removed."""
    raise KeyboardInterrupt


def main() -> None:
    """Run the command line."""
    signal.signal(signal.SIGTERM, _stop)
    try:
        app()
    except KeyboardInterrupt:
        print(STOPPED, file=sys.stderr)
        sys.exit(EXIT_STOPPED)
