"""The main job as a whole against reading and writing alone, its memory, and how it grows.

Run it by hand: ``python tests/benchmarks/bench_analyze.py [--smoke]``. Everything is measured in
processes of their own, started by this one, in alternating rounds:

A  ``geoirrig analyze`` as a user runs it, with compiled kernels in the cache;
B  a process that imports the same libraries, reads and checks the inputs and writes the same
   outputs, maps included, of an analysis computed beforehand; the time it takes to get that
   analysis from a file is taken off.

Then the computing part by itself (from the inputs in memory to the finished analysis) is timed at
1, 2 and 4 times the cells for both runoff models, and the peak memory of A at many cells is taken.
"""

from __future__ import annotations

import argparse
import gc
import json
import math
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

CELL_M = 0.25
MODELS = ("surface_storage", "green_ampt")
MOST_RATIO, MOST_GIB = 3.0, 1.0
MANY_CELLS = 20_000_000
BIG_SITE = Path(__file__).with_name("big_site.py")


# --- parts that run in processes of their own; they alone import the libraries -------------------


def prepare(folder: Path) -> None:
    """Compute and keep the analysis that B writes."""
    import pickle

    from geoirrig.workflows.analyze_site import analyze_site

    analysis = analyze_site(_loaded(folder, CELL_M))
    (folder / "analysis.pickle").write_bytes(pickle.dumps(analysis, protocol=5))
    print(json.dumps(analysis.grid.n_rows * analysis.grid.n_cols))


def read_and_write(folder: Path) -> None:
    """B: all that the main job does, but for the computing."""
    import pickle

    gc.disable()  # as A does
    from geoirrig import cli  # noqa: F401  as A does
    from geoirrig.errors import ProblemList
    from geoirrig.io.read_site import read_site
    from geoirrig.records import AnalysisSettings
    from geoirrig.workflows import analyze_site  # noqa: F401  as A does
    from geoirrig.workflows.export_analysis import export_analysis
    from geoirrig.workflows.load_site import LoadedSite

    problems = ProblemList()
    reading = read_site(_sources(folder), problems, cell_size_m=CELL_M)
    problems.raise_if_any()
    start = time.perf_counter()
    analysis = pickle.loads((folder / "analysis.pickle").read_bytes())
    fetching_s = time.perf_counter() - start
    site = LoadedSite(
        inputs=reading.complete(tuple(problems.warnings)),
        settings=AnalysisSettings(),
        grid=analysis.grid,
        cells=None,  # type: ignore[arg-type]  # nothing that writes asks for them
        terrain=None,  # type: ignore[arg-type]
    )
    export_analysis(site, analysis, folder / "out_b", units="si", overwrite=True, options={})
    print(json.dumps({"fetching_s": fetching_s}))


def compute(folder: Path, cell_sizes_m: list[float], rounds: int) -> None:
    """Time of the computing part by model and cell size, after a warm-up on the coarsest cells.

    Green-Ampt takes long enough to be timed once.
    """
    from geoirrig.surfaces.terrain_surface import terrain_surface
    from geoirrig.surfaces.turf_cells import site_grid, turf_cells
    from geoirrig.workflows.analyze_site import analyze_site
    from geoirrig.workflows.load_site import LoadedSite

    rows = []
    for model in MODELS:
        loaded = [_loaded(folder, cell, model) for cell in cell_sizes_m]
        times: list[list[float]] = [[] for _ in loaded]
        analyze_site(loaded[0])
        for _ in range(rounds if model == MODELS[0] else 1):
            for site, own_times in zip(loaded, times, strict=True):
                start = time.perf_counter()
                turf, size = site.inputs.turf, site.settings.cell_size_m
                grid = site_grid(turf, site.inputs.layout, cell_size_m=size)
                cells = turf_cells(turf, grid)
                terrain = terrain_surface(site.inputs.terrain, turf, cells)
                analyze_site(
                    LoadedSite(
                        inputs=site.inputs, settings=site.settings, grid=grid, cells=cells,
                        terrain=terrain,
                    )
                )  # fmt: skip
                own_times.append(time.perf_counter() - start)
        rows += [
            {
                "model": model,
                "cell_m": site.grid.cell_size_m,
                "cells": site.grid.n_rows * site.grid.n_cols,
                "seconds": statistics.median(own_times),
            }
            for site, own_times in zip(loaded, times, strict=True)
        ]
    print(json.dumps(rows))


def _sources(folder: Path):  # type: ignore[no-untyped-def]
    from geoirrig.io.read_site import SiteSources

    return SiteSources(site=folder / "site.gpkg", slope=folder / "slope_pct.tif")


def _loaded(folder: Path, cell_m: float, model: str = MODELS[0]):  # type: ignore[no-untyped-def]
    from geoirrig.workflows.load_site import load_site

    return load_site(_sources(folder), overrides={"cell_size_m": cell_m, "runoff_model": model})


# --- the measuring process; it imports nothing large, so that a child's peak is the child's own ---


def measured(command: list[str]) -> tuple[float, float, str]:
    """Wall time [s], peak memory [MiB] and standard output of a command."""
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    output = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - start
    process.stdout.close()
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{' '.join(command)} ended with exit code {process.returncode}")
    per_mib = 2.0**20 if sys.platform == "darwin" else 2.0**10
    return seconds, usage.ru_maxrss / per_mib, output


def part(name: str, folder: Path, *arguments: str) -> list[str]:
    """Command that runs one of the parts above."""
    return [sys.executable, __file__, "--part", name, "--folder", str(folder), *arguments]


def analyze_command(folder: Path, cell_m: float, model: str = MODELS[0]) -> list[str]:
    """Command of A."""
    return [
        sys.executable, "-m", "geoirrig", "analyze", str(folder / "site.gpkg"),
        "--slope", str(folder / "slope_pct.tif"), "--cell", repr(cell_m), "--runoff-model", model,
        "--out", str(folder / "out_a"), "--overwrite", "--quiet",
    ]  # fmt: skip


def compare_whole(folder: Path, rounds: int) -> int:
    """Print A, B and their ratio; the number of cells."""
    for model in MODELS:
        measured(analyze_command(folder, CELL_M, model))  # compile; fill the file cache
    cells = int(json.loads(measured(part("prepare", folder))[2]))
    found: dict[str, list[float]] = {name: [] for name in ("A", "B", "A_green_ampt")}
    peaks: dict[str, list[float]] = {name: [] for name in found}
    for _ in range(rounds):
        for name, command in (
            ("A", analyze_command(folder, CELL_M)),
            ("B", part("read-and-write", folder)),
            ("A_green_ampt", analyze_command(folder, CELL_M, MODELS[1])),
        ):
            seconds, peak_mib, output = measured(command)
            if name == "B":
                seconds -= json.loads(output)["fetching_s"]
            found[name].append(seconds)
            peaks[name].append(peak_mib)
    print(f"Whole run, {cells:,} cells of {CELL_M} m; medians of {rounds} rounds, in turn")
    print("                                     wall s  peak MiB  times B (median of rounds)")
    for name, label in (
        ("A", "A analyze, surface_storage"),
        ("A_green_ampt", "A analyze, green_ampt"),
        ("B", "B imports, reading and writing only"),
    ):
        ratio = statistics.median(a / b for a, b in zip(found[name], found["B"], strict=True))
        print(
            f"{label:<36} {statistics.median(found[name]):6.2f} {max(peaks[name]):9.0f}  "
            f"{ratio:5.2f}"
        )
    print(f"Wanted: A at most {MOST_RATIO:g} times B, and at most {1024 * MOST_GIB:.0f} MiB\n")
    return cells


def compare_cell_counts(folder: Path, rounds: int) -> None:
    """Print the time of the computing part against the number of cells."""
    sizes = [CELL_M, CELL_M / math.sqrt(2.0), CELL_M / 2.0]
    command = part("compute", folder, "--rounds", str(rounds), "--cells", *map(repr, sizes))
    rows = json.loads(measured(command)[2])
    print("Computing part only, in one process after a warm-up")
    print(f"{MODELS[0]}: medians of {rounds} rounds; {MODELS[1]}: one round")
    print("model             cell m       cells   times   seconds   times   µs a cell")
    for row in rows:
        first = next(r for r in rows if r["model"] == row["model"])
        print(
            f"{row['model']:<16} {row['cell_m']:7.4f} {row['cells']:11,} "
            f"{row['cells'] / first['cells']:7.2f} {row['seconds']:9.3f} "
            f"{row['seconds'] / first['seconds']:7.2f} {1e6 * row['seconds'] / row['cells']:11.3f}"
        )
    print()


def measure_memory(folder: Path, cells_at_first: int, n_cells: int) -> None:
    """Print what a cell costs: peak memory at many cells less that at half of them.

    At few cells the maps set the peak, and at many the arrays do.
    """
    found = {}
    for wanted in (n_cells // 2, n_cells):
        cell_m = CELL_M * math.sqrt(cells_at_first / wanted)
        found[wanted] = measured(analyze_command(folder, cell_m))
    slope = (found[n_cells][1] - found[n_cells // 2][1]) * 2.0**20 / (n_cells - n_cells // 2)
    print("Peak memory of A        cells       MiB    wall s")
    for wanted, (seconds, peak_mib, _) in found.items():
        print(f"{MODELS[0]:<16} {wanted:12,} {peak_mib:9.0f} {seconds:9.1f}")
    print(f"{slope:.0f} bytes for every further cell")


def main() -> None:
    """Measure everything, or run one part of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--lawns", type=int, default=50, help="40 heads and 800 m² each")
    parser.add_argument("--many-cells", type=int, default=MANY_CELLS, help="0: leave memory out")
    parser.add_argument("--smoke", action="store_true", help="small and once: does it run?")
    parser.add_argument("--part", choices=["prepare", "read-and-write", "compute"])
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--cells", type=float, nargs="*", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.part == "prepare":
        prepare(options.folder)
    elif options.part == "read-and-write":
        read_and_write(options.folder)
    elif options.part == "compute":
        compute(options.folder, options.cells, options.rounds)
    else:
        rounds, lawns, many = options.rounds, options.lawns, options.many_cells
        if options.smoke:
            rounds, lawns, many = 1, 2, 0
        measure_all(rounds, lawns, many)


def measure_all(rounds: int, lawns: int, many_cells: int) -> None:
    """Build the site in a folder of its own and print all tables."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        measured([sys.executable, str(BIG_SITE), str(folder), "--lawns", str(lawns)])
        print(f"Site: {lawns} lawns, {40 * lawns:,} heads, about {0.08 * lawns:g} ha of turf\n")
        cells = compare_whole(folder, rounds)
        compare_cell_counts(folder, rounds)
        if many_cells:
            measure_memory(folder, cells, many_cells)


if __name__ == "__main__":
    main()
