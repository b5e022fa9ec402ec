"""The command line as a test calls it: in this process, or as a program of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import click.testing
from typer.testing import CliRunner

from geoirrig.cli import app


def run(*arguments: object) -> click.testing.Result:
    """Run a command in this process; anything but a tidy exit fails the test."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    return result


def run_program(
    *arguments: object, environment: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run the installed program, where exit code, streams or environment are the point."""
    return subprocess.run(
        [sys.executable, "-m", "geoirrig", *map(str, arguments)],
        capture_output=True,
        encoding="utf-8",
        env={**os.environ, **(environment or {})},
        timeout=300,
        check=False,
    )


def refusal(result: click.testing.Result, folder: Path) -> str:
    """Text of a refusal; asserts exit 2, an empty stdout and nothing in the output folder.

    The folder is the one that the results would have gone to.
    """
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert not folder.exists()
    if folder.parent.is_dir():
        assert [p.name for p in folder.parent.iterdir() if "partial" in p.name] == []
    return result.stderr
