"""The viewer without its window: its Python bindings and its headless runner, with our plugin."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from geoirrig.io.write_plugin import PLUGIN_FILE, PLUGIN_FOLDER
from tests.external import REQUIRE_ALL, require_program
from tests.run_command import run

VIEWER_PYTHON = "/usr/bin/python3"


def require_bindings(module: str, package: str) -> None:
    """Skip, or fail where all programs are required, unless Debian's Python has a module."""
    probe = [VIEWER_PYTHON, "-c", f"import {module}"]
    if Path(VIEWER_PYTHON).exists() and subprocess.run(probe, capture_output=True).returncode == 0:
        return
    reason = f"{VIEWER_PYTHON} has no module {module} (Debian package {package})"
    if os.environ.get(REQUIRE_ALL) == "1":
        pytest.fail(f"{reason}, and {REQUIRE_ALL}=1 requires it")
    pytest.skip(reason)


def viewer_environment(folder: Path) -> dict[str, str]:
    """Environment for the viewer's programs, with a profile of its own in the folder."""
    runtime = folder / "runtime"
    runtime.mkdir(mode=0o700, exist_ok=True)
    kept = {name: os.environ[name] for name in ("HOME", "LANG") if name in os.environ}
    # The viewer brings its own Python, and takes another one for it that comes first in PATH.
    own = str(Path(sys.executable).parent)
    path = [part for part in os.environ["PATH"].split(os.pathsep) if part != own]
    return kept | {
        "PATH": os.pathsep.join(path),
        "QT_QPA_PLATFORM": "offscreen",
        "XDG_RUNTIME_DIR": str(runtime),
        "QGIS_CUSTOM_CONFIG_PATH": str(folder / "profile"),
        "GDAL_PAM_ENABLED": "NO",  # no files of statistics beside the samples
    }


def run_in_viewer(script: Path, folder: Path, *arguments: object, **variables: str) -> Any:
    """Run a script in the viewer's own Python; what it prints is read as JSON.

    Its profile lies in the folder; ``variables`` are added to its environment.
    """
    done = subprocess.run(
        [VIEWER_PYTHON, str(script), *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
        env=viewer_environment(folder) | variables,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadlessRunner:
    """The headless runner, with the packaged plugin in a fresh profile."""

    program: str
    environment: dict[str, str]

    @classmethod
    def with_plugin(cls, folder: Path) -> HeadlessRunner:
        """The runner; the plugin comes from the archive that the command line writes."""
        # Debian's own wrapper passes an option that the program refuses.
        program = require_program("qgis_process.bin")
        assert run("plugin-package", "--out", folder).exit_code == 0
        with zipfile.ZipFile(folder / PLUGIN_FILE) as archive:
            archive.extractall(folder / "plugins")
        runner = cls(
            program=program,
            environment=viewer_environment(folder)
            | {"QGIS_PLUGINPATH": str(folder / "plugins"), "GEOIRRIG_PYTHON": sys.executable},
        )
        enabled = runner.call("plugins", "enable", PLUGIN_FOLDER)
        assert enabled.returncode == 0, enabled.stderr
        return runner

    def call(
        self, *arguments: str, environment: Mapping[str, str] | None = None
    ) -> subprocess.CompletedProcess[str]:
        """Run the program to its end."""
        return subprocess.run(
            [self.program, *arguments],
            capture_output=True,
            encoding="utf-8",
            env=self.environment | dict(environment or {}),
            timeout=300,
            check=False,
        )

    def begin(self, algorithm: str, **inputs: object) -> subprocess.Popen[str]:
        """Start an algorithm and leave it running; both streams come as one."""
        return subprocess.Popen(
            [self.program, "run", f"geoirrig:{algorithm}", *_inputs(inputs)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            env=self.environment,
        )

    def algorithm(
        self, algorithm: str, environment: Mapping[str, str] | None = None, **inputs: object
    ) -> dict[str, Any]:
        """Run an algorithm that is to succeed, and return its results."""
        done = self.call(
            "--json", "run", f"geoirrig:{algorithm}", *_inputs(inputs), environment=environment
        )
        assert done.returncode == 0, done.stderr + done.stdout
        results: dict[str, Any] = json.loads(done.stdout)["results"]
        return results

    def refusal(
        self, algorithm: str, environment: Mapping[str, str] | None = None, **inputs: object
    ) -> str:
        """Run an algorithm that is to fail, and return what it says."""
        done = self.call("run", f"geoirrig:{algorithm}", *_inputs(inputs), environment=environment)
        assert done.returncode == 1, done.stdout
        assert "Traceback" not in done.stderr
        return done.stderr


def _inputs(inputs: Mapping[str, object]) -> list[str]:
    return [f"--{name}={value}" for name, value in inputs.items()]
