"""Screening a city against reading its inputs and writing its results alone, in the same run.

Run it by hand: ``python tests/benchmarks/bench_screen.py [--parcels 10000 100000] [--smoke]``.
Every job is a process of its own, timed from its start to its end; a screening is the command as a
user gives it, and the time in which its units are worked is told too. Every other round goes
backwards: on a virtual machine, a job gets memory that the one before it has left sooner than other
memory, so none is to follow the same one always. The peak memory of a job, in a run of its own, is
that of all its processes together (proportional set size: shared pages count once), looked at every
quarter of a second.
"""

from __future__ import annotations

import argparse
import atexit
import gc
import os
import pickle
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

MOST_RATIO, MOST_MIB, LEAST_SPEED_UP, MOST_GROWTH = 3.0, 3072.0, 1.7, 11.0
WORKING, DONE = '{"message": "Working ', '{"message": "Holding '  # steps of a screening
ROLES = ("heads", "turf", "parcels", "zones", "nozzles", "profiles")


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One job: how long it took, also to work the units, and the most memory that it had."""

    seconds: float
    working_s: float
    peak_mib: float


def layer_files(folder: Path) -> dict[str, Path]:
    """Layers of a city that are files of their own, by role."""
    return {r: p for r in ROLES for p in folder.glob(f"{r}.*") if p.suffix in (".parquet", ".csv")}


def job(name: str, folder: Path) -> None:
    """What a process of its own does; it looks for cycles of objects as little as `screen` does."""
    gc.disable()
    atexit.register(gc.freeze)
    from geoirrig.io.open_layer import LayerSource
    from geoirrig.io.read_site import SiteSources

    site = folder / "city.gpkg"
    sources = SiteSources(
        site=site if site.exists() else None,
        layers={role: LayerSource(path=path) for role, path in layer_files(folder).items()},
    )
    if name == "keep":
        keep_results(sources, folder)
    else:
        read_and_write_alone(sources, folder, makes_geometry=name == "alone")


def read_and_write_alone(sources: object, folder: Path, *, makes_geometry: bool) -> None:
    """The inputs into memory and the results onto the disk, with nothing in between.

    The layers are tables of Arrow. Turf and parcels are made geometries, and the layer of parcels
    is written from these; or their outlines stay bytes throughout.
    """
    from geoirrig.errors import ProblemList
    from geoirrig.io.read_city import open_city
    from geoirrig.io.write_geoparquet import (
        arrow_bytes,
        arrow_table,
        write_csv_in_bulk,
        write_geoparquet,
    )
    from geoirrig.io.write_layers import write_layers
    from geoirrig.records import ResultTable
    from geoirrig.workflows.kept_memory import keep_freed_memory

    keep_freed_memory()  # as a screening does
    opened = open_city(sources, ProblemList())  # type: ignore[arg-type]
    made = ("turf", "parcels") if makes_geometry else ()
    drawn = {role: opened.layers[role].geometry() for role in made}
    columns, outlines, plane = pickle.loads((folder / "results.pickle").read_bytes())
    with tempfile.TemporaryDirectory() as place:
        out = Path(place)
        table = ResultTable(
            name="parcels", columns=columns, geometry=drawn.get("parcels"),
            geometry_type="MultiPolygon",
        )  # fmt: skip
        write_layers(
            out / "screening.gpkg", [table], plane, units="si", run_info={},
            outlines={} if makes_geometry else {"parcels": outlines},
        )  # fmt: skip
        arrow = arrow_table(columns)
        write_csv_in_bulk(out / "screening.csv", arrow)
        write_geoparquet(
            out / "screening.parquet", arrow, arrow_bytes(outlines), plane, ["Polygon"]
        )


def keep_results(sources: object, folder: Path) -> None:
    """Screen once, which compiles too, and keep what is written by those that only write."""
    from geoirrig.workflows.load_city import load_city
    from geoirrig.workflows.screen_parcels import screen_parcels
    from geoirrig.workflows.unit_executors import unit_executor

    with tempfile.TemporaryDirectory() as place, unit_executor(workers=2) as executor:
        city = load_city(sources, folder / "programme.toml")  # type: ignore[arg-type]
        screening, journal = screen_parcels(city, executor, Path(place) / "out", run={})
        journal.remove()
    kept = (dict(screening.parcels.columns), city.inputs.parcels.wkb, city.inputs.plane)
    (folder / "results.pickle").write_bytes(pickle.dumps(kept))


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What is done, and by how many workers where it is a screening."""

    name: str
    workers: int = 0

    def command(self, folder: Path, out: Path) -> list[str]:
        """What is started."""
        if not self.workers:
            return [sys.executable, __file__, "--job", self.name, "--folder", str(folder)]
        site, programme = folder / "city.gpkg", folder / "programme.toml"
        layers = [(f"--{role}", str(path)) for role, path in layer_files(folder).items()]
        return [
            *(sys.executable, "-m", "geoirrig", "screen"),
            *([str(site)] if site.exists() else chain(*layers)),
            *("--programme", str(programme), "--out", str(out), "--json-lines"),
            *("--workers", str(self.workers)),
        ]


def measured(job: Job, folder: Path, *, is_watched: bool = False) -> Measured:
    """Run a job in a process of its own; watching its memory takes time, so that is another run."""
    from geoirrig.cli.messages import EXIT_PARTLY_DONE  # the command line is not for jobs to load
    from geoirrig.cli.planner import CITY_ENVIRONMENT

    with tempfile.TemporaryDirectory() as place:
        begun = time.perf_counter()
        process = subprocess.Popen(
            job.command(folder, Path(place) / "out"),
            stdout=subprocess.PIPE, encoding="utf-8", env={**os.environ, **CITY_ENVIRONMENT},
        )  # fmt: skip
        with ThreadPoolExecutor(1) as beside:
            peak = beside.submit(peak_mib, process) if is_watched else None
            told = [(time.perf_counter(), line) for line in process.stdout or ()]
            code = process.wait()
            seconds = time.perf_counter() - begun
    if code not in (0, EXIT_PARTLY_DONE):
        raise SystemExit(f"{job.name} failed: {told[-1:]}")
    working = [when for when, line in told if line.startswith((WORKING, DONE))]
    return Measured(
        seconds=seconds,
        working_s=working[-1] - working[0] if working else 0.0,
        peak_mib=peak.result() if peak else 0.0,
    )


def peak_mib(process: subprocess.Popen[str]) -> float:
    """Most memory of a process and all below it, until it ends."""
    peak = 0.0
    while process.poll() is None:
        peak = max(peak, tree_mib(process.pid))
        time.sleep(0.25)
    return peak


JOBS = {
    "read and write": Job(name="alone"),
    "read without geometry": Job(name="tables"),
    "screen, 2 workers": Job(name="screen", workers=2),
    "screen, 1 worker": Job(name="screen", workers=1),
}


def tree_mib(pid: int) -> float:
    """Proportional set size of a process and all below it, in MiB."""
    total, todo = 0.0, [pid]
    while todo:
        own = todo.pop()
        try:
            for line in Path(f"/proc/{own}/smaps_rollup").read_text().splitlines():
                if line.startswith("Pss:"):
                    total += float(line.split()[1]) / 1024.0
            for task in Path(f"/proc/{own}/task").iterdir():
                todo += map(int, (task / "children").read_text().split())
        except (OSError, ValueError):  # it ended meanwhile
            continue
    return total


def print_speed_up(n_parcels: int, by_one: list[Measured], by_two: list[Measured]) -> None:
    """Print how much faster two workers are, also from round to round, and in the units alone."""
    one, two = (statistics.median(run.seconds for run in runs) for runs in (by_one, by_two))
    rounds = [a.seconds / b.seconds for a, b in zip(by_one, by_two, strict=True)]
    print(
        f"{n_parcels:>7}   two workers are {one / two:.2f} times as fast as one, in single rounds "
        f"{min(rounds):.2f} to {max(rounds):.2f}"
    )
    one, two = (statistics.median(run.working_s for run in runs) for runs in (by_one, by_two))
    print(
        f"{n_parcels:>7}   they work the units in {two:.2f} s, {one / two:.2f} times as fast as one"
    )


def main() -> None:
    """Write the cities, run the jobs in turn, print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--parcels", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--format", choices=("gpkg", "parquet"), default="gpkg")
    parser.add_argument("--folder", type=Path, help="where the cities are, or will be, kept")
    parser.add_argument("--smoke", action="store_true", help="small and once: does it run?")
    parser.add_argument("--job", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.job:
        job(options.job, options.folder)
        return
    from city import write_city  # its libraries are not for the jobs to load

    sizes, rounds = ([40, 80], 1) if options.smoke else (options.parcels, options.rounds)
    with tempfile.TemporaryDirectory() as place:
        root = options.folder or Path(place)
        times = {}
        print("parcels   job                    seconds   ratio   peak MiB")
        for n_parcels in sizes:
            folder = root / f"{options.format}_{n_parcels}"
            if not (folder / "programme.toml").exists():
                write_city(folder, n_parcels, file_format=options.format)
            measured(Job(name="keep"), folder)  # compiles, fills the caches, keeps the results
            found: dict[str, list[Measured]] = {name: [] for name in JOBS}
            for number in range(rounds):
                for name in reversed(JOBS) if number % 2 else JOBS:
                    found[name].append(measured(JOBS[name], folder))
            peaks = {
                name: measured(one, folder, is_watched=True).peak_mib for name, one in JOBS.items()
            }
            for name, runs in found.items():
                seconds = statistics.median(run.seconds for run in runs)
                times[n_parcels, name] = seconds
                ratio = seconds / times[n_parcels, "read and write"]
                print(
                    f"{n_parcels:>7}   {name:<21} {seconds:8.2f} {ratio:7.2f} {peaks[name]:10.0f}"
                )
            print_speed_up(n_parcels, found["screen, 1 worker"], found["screen, 2 workers"])
        if len(sizes) > 1:
            growth = times[sizes[-1], "screen, 2 workers"] / times[sizes[0], "screen, 2 workers"]
            print(f"{sizes[0]} to {sizes[-1]} parcels: {growth:.2f} times as long")
    print(
        f"Wanted: ratio at most {MOST_RATIO:g}, peak below {MOST_MIB:g} MiB, two workers at least "
        f"{LEAST_SPEED_UP:g} times as fast, ten times the parcels at most {MOST_GROWTH:g} times"
    )


if __name__ == "__main__":
    main()
