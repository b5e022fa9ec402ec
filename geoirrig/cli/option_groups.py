"""Options that several commands share, each group handed to the command as one value."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from geoirrig.cli.messages import print_json_line, print_step, print_warnings, speak_json_lines
from geoirrig.errors import InputError

if TYPE_CHECKING:
    from geoirrig.errors import ProblemList
    from geoirrig.io.read_site import SiteSources
    from geoirrig.units import UnitSystem

LAYER_ROLES = (
    "heads", "turf", "nozzles", "profiles", "zones", "hardscape", "parcels", "catch_cans",
)  # fmt: skip

# Options that are settings of the same name.
SETTING_OPTIONS = ("event_depth_mm", "runoff_model", "slope_method", "run_on", "supply_lpm")


# --- groups --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionGroup:
    """Options and what is made of them.

    Attributes
    ----------
    options : mapping
        Annotation and default of each option, by parameter name; ``...`` is no default.
    gather : callable
        Takes the options as keywords and makes the one value that the command gets.
    """

    options: Mapping[str, tuple[Any, Any]]
    gather: Callable[..., Any]

    def but(self, *, without: tuple[str, ...] = (), **defaults: Any) -> OptionGroup:
        """The same group with options left out, or with other defaults."""
        options = {
            name: (annotation, defaults.get(name, default))
            for name, (annotation, default) in self.options.items()
            if name not in without
        }
        return replace(self, options=options)


def with_options(**groups: OptionGroup) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command groups of options; each comes as the keyword argument of its name."""

    def decorate(command: Callable[..., None]) -> Callable[..., None]:
        own = inspect.signature(command, eval_str=True)

        @functools.wraps(command)
        def with_groups(**arguments: Any) -> None:
            gathered = {
                name: group.gather(**{option: arguments.pop(option) for option in group.options})
                for name, group in groups.items()
            }
            command(**arguments, **gathered)

        parameters = [p for name, p in own.parameters.items() if name not in groups]
        parameters += [
            inspect.Parameter(
                name,
                inspect.Parameter.KEYWORD_ONLY,
                default=inspect.Parameter.empty if default is ... else default,
                annotation=annotation,
            )
            for group in groups.values()
            for name, (annotation, default) in group.options.items()
        ]
        with_groups.__signature__ = own.replace(  # type: ignore[attr-defined]
            parameters=[p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in parameters]
        )
        return with_groups

    return decorate


def stated(options: Mapping[str, Any]) -> dict[str, Any]:
    """Options as the record of the run states them: names of files without their folders."""
    given = {name: value for name, value in options.items() if value is not None}
    return {
        name: value.name
        if isinstance(value, Path)
        else value.value
        if isinstance(value, StrEnum)
        else value
        for name, value in given.items()
    }


def check_range(
    problems: ProblemList, option: str, value: float | None, low: float, high: float
) -> None:
    """Note a number of the command line that is out of range; None was not given."""
    if value is not None and not low <= value <= high:
        problems.add(f"{option} must be from {low:,.12g} to {high:,.12g}; got {value:.12g}.")


# --- the site ------------------------------------------------------------------------------------


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


class SlopeMethodOption(StrEnum):
    """How slope follows from elevation."""

    horn_1981 = "horn_1981"
    zevenbergen_thorne_1987 = "zevenbergen_thorne_1987"


class RunoffModelOption(StrEnum):
    """How runoff is computed."""

    surface_storage = "surface_storage"
    green_ampt = "green_ampt"


@dataclass(frozen=True, slots=True)
class SiteChoice:
    """Where a site's parts are, and the settings given on the command line."""

    options: Mapping[str, Any]

    @classmethod
    def of(cls, **options: Any) -> SiteChoice:
        """A choice made by the program itself; what is not named is not given."""
        return cls({**dict.fromkeys(SITE.options), **options})

    def having(self, **settings: Any) -> SiteChoice:
        """The same choice with settings from options of the command's own."""
        return SiteChoice({**self.options, **settings})

    def sources(self, **others: Sequence[Path]) -> SiteSources:
        """The files, with those that the command reads beside the site, by role.

        Raises
        ------
        InputError
            If a layer is named without its file.
        """
        from geoirrig.io.open_layer import LayerSource
        from geoirrig.io.read_site import SiteSources

        given = self.options
        orphan = [
            f"--{role.replace('_', '-')}-layer was given without --{role.replace('_', '-')}."
            for role in LAYER_ROLES
            if given[f"{role}_layer"] is not None and given[role] is None
        ]
        if orphan:
            raise InputError(orphan)
        return SiteSources(
            site=given["site"],
            layers={
                role: LayerSource(path=given[role], layer=given[f"{role}_layer"])
                for role in LAYER_ROLES
                if given[role] is not None
            },
            slope=given["slope"],
            slope_unit=_value(given["slope_unit"]),
            elevation=given["elevation"],
            elevation_unit=_value(given["elevation_unit"]),
            others={
                "settings": () if given["settings"] is None else (given["settings"],),
                **{role: tuple(paths) for role, paths in others.items()},
            },
        )

    @property
    def files(self) -> tuple[Path, ...]:
        """All files that were given, whatever they are."""
        return tuple(value for value in self.options.values() if isinstance(value, Path))

    @property
    def settings_file(self) -> Path | None:
        """File of settings, if one was given."""
        found: Path | None = self.options["settings"]
        return found

    @property
    def overrides(self) -> dict[str, object]:
        """Settings that prevail over the file; None where the option was not given."""
        return {
            "cell_size_m": self.options["cell"],
            **{name: _value(self.options.get(name)) for name in SETTING_OPTIONS},
        }

    def stated(self) -> dict[str, Any]:
        """Files and units as given, for the record of the run; the settings state themselves."""
        settings = {"site", "settings", "cell", *SETTING_OPTIONS}
        return stated({k: v for k, v in self.options.items() if k not in settings})


def _value(choice: StrEnum | float | None) -> Any:
    return choice.value if isinstance(choice, StrEnum) else choice


def _file(help_text: str, *names: str, metavar: str = "FILE") -> tuple[Any, Any]:
    return Annotated[Path | None, typer.Option(*names, metavar=metavar, help=help_text)], None


_SITE_OPTIONS: dict[str, tuple[Any, Any]] = {
    "site": (
        Annotated[
            Path | None,
            typer.Argument(metavar="SITE.gpkg", help="GeoPackage with the input layers."),
        ],
        None,
    ),
    "cell": (
        Annotated[
            float | None, typer.Option("--cell", metavar="M", help="Cell size in metres (0.25).")
        ],
        None,
    ),
    "settings": _file("File of settings.", "--settings", metavar="FILE.toml"),
    "slope": _file("Raster of slope."),
    "slope_unit": (
        Annotated[SlopeUnitOption | None, typer.Option(help="Its unit, if the band does not say.")],
        None,
    ),
    "elevation": _file("Raster of elevation."),
    "elevation_unit": (
        Annotated[
            ElevationUnitOption | None, typer.Option(help="Its unit, if the band does not say.")
        ],
        None,
    ),
    "slope_method": (
        Annotated[
            SlopeMethodOption | None,
            typer.Option(help="How slope follows from elevation (horn_1981)."),
        ],
        None,
    ),
}
for _role in LAYER_ROLES:
    _name = _role.replace("_", "-")
    _SITE_OPTIONS[_role] = _file(f"File of the {_role} layer.", f"--{_name}")
    _SITE_OPTIONS[f"{_role}_layer"] = (
        Annotated[
            str | None,
            typer.Option(f"--{_name}-layer", metavar="NAME", help="Its layer in that file."),
        ],
        None,
    )

LAYERS = OptionGroup(options=_SITE_OPTIONS, gather=lambda **options: SiteChoice(options))
SITE = replace(
    LAYERS,
    options={
        **_SITE_OPTIONS,
        "event_depth_mm": (
            Annotated[
                float | None,
                typer.Option(
                    metavar="MM", help="Mean depth of an event, for zones without a plan (12.7)."
                ),
            ],
            None,
        ),
        "runoff_model": (
            Annotated[
                RunoffModelOption | None,
                typer.Option(help="How runoff is computed (surface_storage)."),
            ],
            None,
        ),
    },
)


# --- the results ---------------------------------------------------------------------------------


class UnitsOption(StrEnum):
    """Unit system of tables, maps and messages."""

    si = "si"
    us = "us"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputChoice:
    """Where the results go and what is printed."""

    out: Path
    units_option: UnitsOption = UnitsOption.si
    overwrite: bool = False
    json: bool = False
    json_lines: bool = False
    quiet: bool = False
    report: bool = False

    @property
    def units(self) -> UnitSystem:
        """The unit system."""
        return self.units_option.value

    def progress(self, step: str, share: float | None = None) -> None:
        """Name a step of the work as it begins, unless quiet; and the share done, where known."""
        if not self.quiet:
            print_step(step, share)

    def tell(self, summary: Mapping[str, Any], print_answer: Callable[..., None]) -> None:
        """Print the answer as asked for: as JSON, in words, or not at all."""
        from geoirrig.io.write_summary import plain_values, summary_text

        if self.json_lines:
            print_json_line(result=plain_values(summary))
        elif self.json:
            print(summary_text(summary))
        elif not self.quiet:
            print_warnings(summary["warnings"])
            print_answer(summary, units=self.units)
            print(f"Results are in {self.out}")


JsonLines = Annotated[
    bool,
    typer.Option(
        "--json-lines",
        callback=speak_json_lines,
        help="Print steps, problems and the summary as lines of JSON, for another program.",
    ),
]
OUTPUT = OptionGroup(
    options={
        "out": (
            Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the results.")],
            ...,
        ),
        "units_option": (
            Annotated[UnitsOption, typer.Option("--units", help="Units of tables and maps.")],
            UnitsOption.si,
        ),
        "overwrite": (
            Annotated[bool, typer.Option("--overwrite", help="Replace results that lie in DIR.")],
            False,
        ),
        "json": (
            Annotated[
                bool, typer.Option("--json", help="Print the summary as JSON on standard output.")
            ],
            False,
        ),
        "json_lines": (JsonLines, False),
        "quiet": (
            Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")],
            False,
        ),
    },
    gather=OutputChoice,
)
# Of the commands whose results can be told on a page.
REPORTED = replace(
    OUTPUT,
    options={
        **OUTPUT.options,
        "report": (
            Annotated[
                bool,
                typer.Option("--report", help="Also write report.html, one page to be mailed."),
            ],
            False,
        ),
    },
)
