"""Every benchmark runs, small and once; what it measures is looked at by hand."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SMALL = {
    "bench_analyze.py": ["--smoke"],
    "bench_batch.py": ["--parcels", "3", "--rounds", "1"],
    "bench_optimize.py": ["--smoke"],
    "bench_plan.py": ["--smoke"],
    "bench_plugin.py": ["--smoke"],
    "bench_run_on.py": ["--cells", "2500"],
    "bench_rank.py": ["--smoke"],
    "bench_runoff.py": ["--cells", "2500"],
    "bench_screen.py": ["--smoke"],
    "bench_superposition.py": ["--heads", "200", "--rounds", "1"],
    "bench_terrain.py": ["--cells", "10000", "--rounds", "1"],
}
PRINTED = {
    "bench_analyze.py": ("Whole run", "peak MiB", "times B", "Computing part", "µs a cell"),
    "bench_batch.py": ("ns a turf cell", "ratio", "raster library", "bytes a head"),
    "bench_optimize.py": ("choices", "bound", "gap %"),
    "bench_plan.py": ("200 entities", "read and place", "whole import"),
    "bench_plugin.py": ("the command alone",),
    "bench_run_on.py": ("surface_storage", "green_ampt", "balance", "bytes a cell"),
    "bench_rank.py": ("ratio", "rank, polygons", "rank, slope classes"),
    "bench_runoff.py": ("surface_storage", "green_ampt"),
    "bench_screen.py": ("read and write", "peak MiB", "two workers", "times as long"),
    "bench_superposition.py": ("ratio", "difference"),
    "bench_terrain.py": ("gdaldem slope", "whole process", "ratio", "bytes a cell"),
}
FOLDER = Path(__file__).parent


def test_benchmarks_are_all_listed_here() -> None:
    assert {path.name for path in FOLDER.glob("bench_*.py")} == set(SMALL)


@pytest.mark.parametrize("name", SMALL)
def test_benchmark_small_run_prints_its_table(name: str) -> None:
    finished = subprocess.run(
        [sys.executable, str(FOLDER / name), *SMALL[name]],
        capture_output=True,
        text=True,
        check=False,
    )
    assert finished.returncode == 0, finished.stderr
    for heading in PRINTED[name]:
        assert heading in finished.stdout


def test_big_site_same_seed_gives_the_same_tables(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(FOLDER))
    from big_site import site_tables

    first, second = site_tables(3, 5), site_tables(3, 5)
    assert set(first) == {"heads", "turf", "hardscape", "nozzles", "profiles", "zones"}
    assert len(first["heads"]) == 3 * 40
    for name, table in first.items():
        assert table.equals(second[name]), name
