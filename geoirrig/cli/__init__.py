"""The command line: arguments into one workflow call, results into files and messages."""

from __future__ import annotations

import atexit
import gc
import os
import signal
import sys
from typing import Annotated

# Another installation's projection and driver data, as a GIS shell sets them, break our own.
for _variable in ("PROJ_DATA", "PROJ_LIB", "GDAL_DATA", "GDAL_DRIVER_PATH"):
    os.environ.pop(_variable, None)

import typer  # noqa: E402

from geoirrig.cli.designer import optimize, plan_export, plan_import  # noqa: E402
from geoirrig.cli.main_job import analyze, demo, validate  # noqa: E402
from geoirrig.cli.messages import EXIT_STOPPED, STOPPED, stop, stop_again  # noqa: E402
from geoirrig.cli.planner import compare, screen  # noqa: E402
from geoirrig.cli.single_options import SingleOptionsCommand  # noqa: E402
from geoirrig.cli.slopes import rank, schedule  # noqa: E402
from geoirrig.cli.viewer import plugin_package  # noqa: E402

app = typer.Typer(
    name="geoirrig",
    help="From sprinkler heads, turf and slope on a map to depth, coverage and runoff risk.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback(invoke_without_command=True)
def geoirrig(
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """From sprinkler heads, turf and slope on a map to depth, coverage and runoff risk."""
    if version:
        from geoirrig import __version__

        print(__version__)
        raise typer.Exit


# What can be done with a site, a plan or a city; the viewer's plugin offers the same.
COMMANDS = (
    demo, validate, analyze, schedule, rank, compare, screen, optimize, plan_import, plan_export,
)  # fmt: skip
for _command in (*COMMANDS, plugin_package):
    app.command(cls=SingleOptionsCommand)(_command)


def main() -> None:
    """Run the command line."""
    # Asked to leave by another program: the second is how Windows asks a group of processes.
    for name in ("SIGTERM", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), stop)
    sys.unraisablehook = stop_again
    # What is large goes with its last reference, and the rest with the process: searching all that
    # the libraries make while they are loaded for cycles is only waited for.
    gc.disable()
    atexit.register(gc.freeze)  # there is one more search at the end, else
    try:
        app()
    except KeyboardInterrupt:
        print(STOPPED, file=sys.stderr)
        sys.exit(EXIT_STOPPED)
