"""What the user is told: progress, warnings, what went wrong, and the exit code."""

from __future__ import annotations

import _thread
import json
import os
import signal
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, NoReturn

import typer
from rich.console import Console

from geoirrig.errors import GeoirrigError, InputError, was_interrupted

EXIT_PROGRAM_FAULT = 1
EXIT_WRONG_INPUT = 2
EXIT_PARTLY_DONE = 3
EXIT_STOPPED = 130  # what a shell reports for an interrupt
_FAILURES_SHOWN = 20
_SECONDS_UNTIL_AGAIN = 0.02
STOPPED = "geoirrig: stopped; no half-written results are left."

stderr = Console(stderr=True, highlight=False, soft_wrap=True)
_json_lines: ContextVar[bool] = ContextVar("json_lines", default=False)


def speak_json_lines(wanted: bool) -> bool:
    """Tell what follows as JSON lines on standard output, for a program that reads along."""
    _json_lines.set(wanted)
    return wanted


def print_json_line(**said: Any) -> None:
    """Print one line of JSON at once: ``message`` and ``progress``, ``problems`` or ``result``."""
    print(json.dumps(said), flush=True)


def print_step(step: str, share: float | None = None) -> None:
    """Name a step of the work as it begins; ``share`` is what is done of all, where it is known."""
    if _json_lines.get():
        print_json_line(message=step, progress=share)
    else:
        stderr.print(f"{step} …", markup=False)


def _print_problems(problems: Iterable[str], *, heading: str = "") -> None:
    """Say what is wrong: each problem behind a dash, or after the program's name if it is alone."""
    if _json_lines.get():
        print_json_line(problems=list(problems))
    elif heading:
        stderr.print(f"geoirrig: {heading}", markup=False)
        for problem in problems:
            stderr.print(f"  - {problem}", markup=False)
    else:
        for problem in problems:
            stderr.print(f"geoirrig: {problem}", markup=False)


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
        heading = f"{count} problem{'s' if count > 1 else ''} in the input; nothing was written."
        _print_problems(error.problems, heading=heading)
        raise typer.Exit(EXIT_WRONG_INPUT) from None
    except GeoirrigError as error:
        _print_problems([str(error)])
        raise typer.Exit(EXIT_WRONG_INPUT) from None
    except KeyboardInterrupt:
        _leave_as_stopped()
    except (typer.Exit, BrokenPipeError):  # a reader that hangs up is no fault
        raise
    except Exception as error:
        if was_interrupted(error):
            _leave_as_stopped()
        if "GEOIRRIG_TRACEBACK" in os.environ:
            raise
        stderr.print(
            f"geoirrig: a fault of the program: {type(error).__name__}: {error}. No half-written "
            "results are left. Please report it, with the output of the same command under "
            "GEOIRRIG_TRACEBACK=1.",
            markup=False,
        )
        raise typer.Exit(EXIT_PROGRAM_FAULT) from None


def _leave_as_stopped() -> NoReturn:
    stderr.print(STOPPED, markup=False)
    raise typer.Exit(EXIT_STOPPED) from None


def stop(_signal: int, _frame: object) -> NoReturn:
    """Leave as an interrupt does, so that half-written results are removed."""
    raise KeyboardInterrupt


def stop_again(lost: sys.UnraisableHookArgs) -> None:
    """Send an interrupt anew that came where Python can raise none, such as in a finaliser."""
    if isinstance(lost.exc_value, KeyboardInterrupt):
        again = threading.Timer(_SECONDS_UNTIL_AGAIN, _stop_main_thread)
        again.daemon = True
        again.start()
    else:
        sys.__unraisablehook__(lost)


def _stop_main_thread() -> None:
    main = threading.main_thread().ident
    if hasattr(signal, "pthread_kill") and main is not None:  # which ends its sleep, too
        signal.pthread_kill(main, signal.SIGTERM)
    else:
        _thread.interrupt_main(signal.SIGTERM)
