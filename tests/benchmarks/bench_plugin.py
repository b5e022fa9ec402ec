"""What the viewer's plugin adds to a command: ``python tests/benchmarks/bench_plugin.py``.

The command alone; the headless viewer that only starts and prints the algorithm's help; and the
viewer that runs the algorithm. What the last takes beyond the first two is the plugin's overhead.
Processor seconds of a process with its children, least of several rounds, so that other work on
the machine counts little. Without the viewer only the command is measured.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

SAMPLES = Path(__file__).parents[2] / "sample_gis"
SITE, SLOPE = SAMPLES / "hillside_site.gpkg", SAMPLES / "hillside_slope_pct.tif"
VIEWER = "qgis_process.bin"
MOST_SECONDS = 1.0


def processor_seconds(arguments: list[str], *, environment: dict[str, str], rounds: int) -> float:
    """Least processor time of a program and what it starts."""
    taken = []
    for _ in range(rounds):
        child = subprocess.Popen(arguments, stdout=subprocess.DEVNULL, env=environment)
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode != 0:
            sys.exit(f"{arguments} ended with code {child.returncode}")
        taken.append(usage.ru_utime + usage.ru_stime)
    return min(taken)


def viewer_environment(folder: Path) -> dict[str, str]:
    """A profile of its own, with the packaged plugin."""
    geoirrig = [sys.executable, "-m", "geoirrig"]
    subprocess.run([*geoirrig, "plugin-package", "--out", folder], check=True, capture_output=True)
    with zipfile.ZipFile(folder / "geoirrig_viewer.zip") as archive:
        archive.extractall(folder / "plugins")
    (folder / "runtime").mkdir(mode=0o700)
    # The viewer brings its own Python, and takes another one for it that comes first in PATH.
    own = str(Path(sys.executable).parent)
    environment = os.environ | {
        "PATH": os.pathsep.join(p for p in os.environ["PATH"].split(os.pathsep) if p != own),
        "QT_QPA_PLATFORM": "offscreen",
        "XDG_RUNTIME_DIR": str(folder / "runtime"),
        "QGIS_CUSTOM_CONFIG_PATH": str(folder / "profile"),
        "QGIS_PLUGINPATH": str(folder / "plugins"),
        "GEOIRRIG_PYTHON": sys.executable,
        "GDAL_PAM_ENABLED": "NO",
    }
    enable = [VIEWER, "plugins", "enable", "geoirrig_viewer"]
    subprocess.run(enable, env=environment, check=True, capture_output=True)
    return environment


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="one round of the shortest command")
    smoke = parser.parse_args().smoke
    rounds = 1 if smoke else 5
    print(f"{'processor seconds':<34} {'validate':>9} {'analyze':>9}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        out = folder / "out"
        inputs = {
            "validate": ([SITE, f"--slope={SLOPE}"], [f"--SITE={SITE}", f"--SLOPE={SLOPE}"]),
            "analyze": (
                [SITE, f"--slope={SLOPE}", f"--out={out}", "--overwrite"],
                [f"--SITE={SITE}", f"--SLOPE={SLOPE}", f"--OUT={out}", "--OVERWRITE=true"],
            ),
        }
        commands = list(inputs)[: 1 if smoke else 2]
        plain_environment = dict(os.environ)
        plain = [
            processor_seconds(
                [sys.executable, "-m", "geoirrig", command, *map(str, inputs[command][0])],
                environment=plain_environment,
                rounds=rounds,
            )
            for command in commands
        ]
        print(f"{'the command alone':<34} " + " ".join(f"{s:9.2f}" for s in plain))
        if shutil.which(VIEWER) is None:
            print(f"The viewer ({VIEWER}) is not installed: its part is not measured.")
            return
        environment = viewer_environment(folder)
        started, run = (
            [
                processor_seconds(
                    [VIEWER, verb, f"geoirrig:{command}", *(inputs[command][1] if given else [])],
                    environment=environment,
                    rounds=rounds,
                )
                for command in commands
            ]
            for verb, given in (("help", False), ("run", True))
        )
        over = [r - s - p for r, s, p in zip(run, started, plain, strict=True)]
        print(f"{'the viewer, started only':<34} " + " ".join(f"{s:9.2f}" for s in started))
        print(f"{'the viewer, running it':<34} " + " ".join(f"{s:9.2f}" for s in run))
        print(f"{'overhead of the plugin':<34} " + " ".join(f"{s:9.2f}" for s in over))
        if not smoke and max(over) > MOST_SECONDS:
            sys.exit(f"The plugin adds more than {MOST_SECONDS:g} s.")


if __name__ == "__main__":
    main()
