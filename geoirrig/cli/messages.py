"""What the user is told: progress, warnings, what went wrong, and the exit code."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import NoReturn

import typer
from rich.console import Console

from geoirrig.errors import GeoirrigError, InputError

EXIT_PROGRAM_FAULT = 1
EXIT_WRONG_INPUT = 2
EXIT_PARTLY_DONE = 3
EXIT_STOPPED = 130  # what a shell reports for an interrupt
_FAILURES_SHOWN = 20
STOPPED = "geoirrig: stopped; no half-written results are left."

stderr = Console(stderr=True, highlight=False, soft_wrap=True)


def print_warnings(warnings: Iterable[str]) -> None:
    """Print warnings on standard error."""
    for warning in warnings:
        stderr.print(f"Warning: {warning}", markup=False)


def exit_partly_done(failures: Iterable[str]) -> NoReturn:
    """Say what failed, and leave with the code for it: the rest is done and written."""
    listed = list(failures)
    for failure in listed[:_FAILURES_SHOWN]:
        stderr.print(f"Failed: {failure}", markup=False)
    if len(listed) > _FAILURES_SHOWN:
        stderr.print(
            f"… and {len(listed) - _FAILURES_SHOWN:,} more, as the results say.", markup=False
        )
    raise typer.Exit(EXIT_PARTLY_DONE)


@contextmanager
def told_to_the_user() -> Iterator[None]:
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


def stop(_signal: int, _frame: object) -> NoReturn:
    """Leave as an interrupt does, so that half-written results are removed."""
    raise KeyboardInterrupt
