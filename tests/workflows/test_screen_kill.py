"""A screening killed at random moments goes on where it was, and ends in the same bytes.

The run is a process of its own, killed without warning; work units are made small, so that there
are many of them.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from geoirrig.io.unit_journal import journal_folder
from tests.workflows.small_city import write_small_city

N_KILLS = 20
RUN = """\
import sys, time
from pathlib import Path
from geoirrig.workflows import work_units
from geoirrig.workflows.screen_parcels import screen_parcels
from geoirrig.workflows.export_screening import export_screening
from geoirrig.workflows.unit_executors import ThisProcess, unit_executor
from tests.workflows.small_city import loaded

work_units.MOST_UNIT_CELLS = 30_000
folder, out, resume, workers = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3], int(sys.argv[4])
paths = {name: folder / file for name, file in (
    ("site", "city.gpkg"), ("programme", "programme.toml"))}
def run(executor):
    city = loaded(paths)
    print("read", flush=True)
    return screen_parcels(city, executor, out, run={}, resume=resume == "resume")
if __name__ == "__main__":
    if workers:
        with unit_executor(workers=workers) as executor:
            screening, journal = run(executor)
    else:
        screening, journal = run(ThisProcess())
    export_screening(screening, out, units="si", overwrite=True, options={})
    journal.remove()
"""


@pytest.fixture(scope="module")
def city(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("city")
    write_small_city(folder, 60, seed=8, faults_each=1)
    return folder


def start(city: Path, out: Path, *, resume: bool, workers: int = 0) -> subprocess.Popen[str]:
    how = "resume" if resume else "anew"
    return subprocess.Popen(
        [sys.executable, "-c", RUN, str(city), str(out), how, str(workers)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )


def finish(process: subprocess.Popen[str]) -> None:
    _, errors = process.communicate(timeout=120)
    assert process.returncode == 0, errors


def contents(out: Path) -> dict[str, bytes]:
    """Results by name; hidden folders are not results."""
    return {path.name: path.read_bytes() for path in sorted(out.iterdir()) if path.is_file()}


@pytest.mark.slow
def test_screen_killed_at_random_moments_ends_in_the_same_bytes(city: Path, tmp_path: Path) -> None:
    begun = time.monotonic()
    first = start(city, tmp_path / "undisturbed" / "out", resume=False)
    assert first.stdout is not None
    assert first.stdout.readline() == "read\n"
    reading_s = time.monotonic() - begun
    finish(first)
    rest_s = time.monotonic() - begun - reading_s
    expected = contents(tmp_path / "undisturbed" / "out")
    out = tmp_path / "killed" / "out"
    chance = random.Random(5)
    n_killed = n_with_units = 0
    while n_killed < N_KILLS:
        process = start(city, out, resume=journal_folder(out).is_dir())
        assert process.stdout is not None
        if chance.random() < 0.8:  # one in five is killed while it reads
            process.stdout.readline()
            time.sleep(chance.uniform(0.0, 0.6 * rest_s))
        else:
            time.sleep(chance.uniform(0.0, reading_s))
        process.send_signal(signal.SIGKILL)
        process.communicate(timeout=60)
        n_killed += process.returncode == -signal.SIGKILL
        done = sorted(journal_folder(out).glob("unit-*.npz"))
        n_with_units += bool(done)
        if process.returncode == 0:  # it was faster
            assert contents(out) == expected
            for path in out.iterdir():
                path.unlink()
            out.rmdir()
        elif out.is_dir():  # a run that was killed between its results and its last word
            found = contents(out)
            assert found.items() <= expected.items()
            # Killed again while these are exchanged: the summary, which goes last, says so.
            assert "summary.json" not in found or found == expected
    finish(start(city, out, resume=journal_folder(out).is_dir()))
    assert contents(out) == expected
    assert n_with_units > 3
    assert not journal_folder(out).exists()
    assert [path.name for path in out.parent.iterdir()] == ["out"]
    assert not [path for path in out.iterdir() if path.name.startswith(".")]


def test_screen_killed_pool_leaves_no_torn_unit(city: Path, tmp_path: Path) -> None:
    """The parent of a pool is killed; what lies in the journal is whole, and is gone on with."""
    whole = tmp_path / "whole" / "out"
    finish(start(city, whole, resume=False))
    out = tmp_path / "pool" / "out"
    process = start(city, out, resume=False, workers=2)
    assert process.stdout is not None
    process.stdout.readline()
    deadline = time.monotonic() + 60.0
    while not list(journal_folder(out).glob("unit-*.npz")) and time.monotonic() < deadline:
        time.sleep(0.005)
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=60)
    finish(start(city, out, resume=True))
    assert contents(out) == contents(whole)
