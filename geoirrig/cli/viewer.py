"""The plugin for the GIS viewer: every command of this command line as an algorithm."""

from __future__ import annotations

import inspect
import types
from collections.abc import Callable, Iterable
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

import typer

from geoirrig.cli.messages import told_to_the_user
from geoirrig.cli.option_groups import LAYER_ROLES

_TITLES = {
    "demo": "Try the sample site",
    "validate": "Check the inputs of a site",
    "analyze": "Analyse a site",
    "schedule": "Schedule the zones of a site",
    "rank": "Rank slopes by runoff",
    "compare": "Compare nozzle sets",
    "screen": "Screen parcels for a rebate programme",
    "optimize": "Propose a more even layout",
    "plan-import": "Bring a surveyed plan onto the map",
    "plan-export": "Draw results on a surveyed plan",
}
_PARAMETER_TITLES = {
    "out": "Folder for the results",
    "site": "GeoPackage of the site",
    "cell": "Cell size [m]",
    "latitude": "Latitude of the station [°]",
    "max_spread_pct": "Spread of the heads' own rates [%]",
    "overwrite": "Replace results that lie in the folder",
    "crs": "CRS of the points on the map",
    "units_option": "Units of tables and maps",
    "results": "Folder of results",
    "nozzle_set": "Nozzle sets",
    "rules": "Rule sets, separated by semicolons",
    "run_on": "Follow excess water downhill",
    "report": "Also write a page to be mailed",
    "sheets": "Also write map sheets",
}
_GEOMETRY = {
    "heads": "point", "turf": "polygon", "zones": "any", "hardscape": "polygon",
    "parcels": "polygon", "catch_cans": "point", "nozzles": "any", "profiles": "any",
}  # fmt: skip
_RASTERS = ("slope", "elevation")
# Answered by the plugin itself, or by how it runs the command.
_LEFT_OUT = ("json", "json_lines", "quiet", *(f"{role}_layer" for role in LAYER_ROLES))
# Options of the groups that most users need, first and last in the dialog; others are folded away.
_FIRST = ("site", "slope", "elevation", "climate")
_LAST = ("units_option", "report", "overwrite", "out")

Kind = Literal[
    "number", "integer", "text", "choice", "switch", "crs", "file", "folder", "vector", "raster",
    "results",
]  # fmt: skip


def plugin_package(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the archive.")],
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace an archive that lies in DIR.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Write the plugin for the GIS viewer as an archive that its plugin manager installs."""
    with told_to_the_user():
        from geoirrig import __version__
        from geoirrig.cli import COMMANDS
        from geoirrig.io.output_folder import whole_output
        from geoirrig.io.write_plugin import PLUGIN_FILE, write_plugin

        commands = command_table(COMMANDS)
        with whole_output(out, overwrite=overwrite) as folder:
            write_plugin(folder / PLUGIN_FILE, commands, version=__version__)
        if not quiet:
            print(f"The plugin is {out / PLUGIN_FILE}")


def command_table(commands: Iterable[Callable[..., None]]) -> list[dict[str, Any]]:
    """Every command with its parameters, as plain values for the plugin.

    Each is read from the signature that makes the command line itself, so that the two agree.
    """
    return [_command(command) for command in commands]


def _command(command: Callable[..., None]) -> dict[str, Any]:
    name = command.__name__.replace("_", "-")
    text = inspect.getdoc(command) or ""
    own = inspect.signature(command, follow_wrapped=False).parameters
    # The command's own options, before those of its groups were added.
    first_hand = inspect.signature(inspect.unwrap(command)).parameters
    asked = [name for name in own if name not in _LEFT_OUT]
    ordered = [
        *(name for name in _FIRST if name in asked),
        *(name for name in asked if name in first_hand and name not in _FIRST),
        *(name for name in asked if name not in (*_FIRST, *first_hand, *_LAST)),
        *(name for name in _LAST if name in asked),
    ]
    return {
        "name": name,
        "title": _TITLES.get(name, name),
        "summary": text.partition("\n")[0],
        "help": text,
        "parameters": [
            _parameter(own[name], is_plain=name in (*_FIRST, *first_hand, *_LAST))
            for name in ordered
        ],
    }


def _parameter(parameter: inspect.Parameter, *, is_plain: bool) -> dict[str, Any]:
    name = parameter.name
    kind_type, told = get_args(parameter.annotation)[:2]
    kind_type, is_multiple = _plain_type(kind_type)
    kind = _kind(name, kind_type, told)
    default = None if parameter.default is inspect.Parameter.empty else parameter.default
    # A name given first stands where the default would: `Option("--units")`.
    declared = [text for text in (told.default, *(told.param_decls or ())) if _is_option(text)]
    is_argument = isinstance(told, typer.models.ArgumentInfo)
    option = None if is_argument else (declared or [f"--{name.replace('_', '-')}"])[0]
    return {
        "name": name.removesuffix("_option").upper(),
        "title": _PARAMETER_TITLES.get(name) or _title(name, kind),
        "help": told.help or "",
        "kind": kind,
        "option": option,
        "layer_option": f"{option}-layer" if kind == "vector" else None,
        "geometry": _GEOMETRY.get(name),
        "required": parameter.default is inspect.Parameter.empty,
        "multiple": is_multiple,
        "choices": [str(word) for word in kind_type] if kind == "choice" else [],
        "extension": _extension(told.metavar) if kind == "file" else "",
        "default": None if isinstance(default, Path) else default,
        "advanced": not is_plain and parameter.default is not inspect.Parameter.empty,
    }


def _is_option(text: object) -> bool:
    return isinstance(text, str) and text.startswith("--")


def _plain_type(annotated: Any) -> tuple[Any, bool]:
    """The type without "or none", and whether several may be given."""
    if isinstance(annotated, types.UnionType):
        (annotated,) = (part for part in get_args(annotated) if part is not types.NoneType)
    if get_origin(annotated) is list:
        return get_args(annotated)[0], True
    return annotated, False


def _kind(name: str, kind_type: type, told: Any) -> Kind:
    if issubclass(kind_type, StrEnum):
        return "choice"
    if kind_type is Path:
        return _kind_of_path(name, told.metavar or "")
    if name == "crs":
        return "crs"
    kinds: dict[type, Kind] = {bool: "switch", int: "integer", float: "number", str: "text"}
    return kinds[kind_type]


def _kind_of_path(name: str, metavar: str) -> Kind:
    if name == "out":
        return "results"
    if name in LAYER_ROLES:
        return "vector"
    if name in _RASTERS:
        return "raster"
    return "folder" if metavar == "DIR" else "file"


def _title(name: str, kind: Kind) -> str:
    """The name in words, with the unit that it ends in."""
    from geoirrig.units import unit_of_column

    stem, unit = unit_of_column(name) if kind in ("number", "integer") else (name, None)
    words = stem.replace("_", " ").capitalize()
    return f"{words} [{unit.printed}]" if unit else words


def _extension(metavar: str | None) -> str:
    """``csv`` of ``FILE.csv``; empty where any file will do."""
    _, dot, extension = (metavar or "").rpartition(".")
    return extension if dot else ""
