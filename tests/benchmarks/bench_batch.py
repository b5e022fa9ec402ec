"""Many gardens in one pass: time a turf cell, its parts, memory, and the pipeline of one site.

Run it by hand: ``python tests/benchmarks/bench_batch.py [--parcels 2000]``. Gardens are those of
``tests/surfaces/many_lawns.py``: two lawns of about 90 m² each, 32 heads, three zones. Time is
processor time of one thread. The pipeline of one site is timed garden by garden.
"""

from __future__ import annotations

import argparse
import sys
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from geoirrig.records import AnalysisSettings
from geoirrig.surfaces.batch_measures import BatchMeasures, batch_measures
from geoirrig.surfaces.turf_cells import area_index, site_grid
from tests.surfaces.many_lawns import Gardens, many_lawns, one_garden
from tests.surfaces.test_batch_measures import one_by_one

SETTINGS = AnalysisSettings()


def measured(gardens: Gardens) -> BatchMeasures:
    """The pass."""
    return batch_measures(
        gardens.layout, gardens.plan, gardens.turf, settings=SETTINGS, groups=gardens.groups
    )


def least_seconds(work: Callable[[], object], rounds: int) -> float:
    """Shortest processor time of some rounds."""
    taken = []
    for _ in range(rounds):
        start = time.thread_time()
        work()
        taken.append(time.thread_time() - start)
    return min(taken)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--parcels", type=int, default=2000)
    parser.add_argument("--rounds", type=int, default=7)
    options = parser.parse_args()
    gardens = many_lawns(options.parcels)
    few = [one_garden(gardens, number) for number in range(min(10, options.parcels))]
    found = measured(gardens)  # compiles
    one_by_one(few[0], SETTINGS)
    n_cells = found.turf_area_m2.sum() / SETTINGS.cell_size_m**2
    few_cells = sum(measured(garden).turf_area_m2.sum() for garden in few) / SETTINGS.cell_size_m**2
    batch = least_seconds(lambda: measured(gardens), options.rounds) / n_cells
    singly = least_seconds(lambda: [one_by_one(garden, SETTINGS) for garden in few], 2) / few_cells
    grid = site_grid(gardens.turf, gardens.layout, cell_size_m=SETTINGS.cell_size_m)
    window = grid.n_rows * grid.n_cols
    library = least_seconds(lambda: area_index(gardens.turf.geometry, grid), 2) / n_cells
    tracemalloc.start()
    measured(gardens)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    print(f"parcels {options.parcels}, heads {len(gardens.layout.x_m)}, turf cells {n_cells:.0f}")
    print(f"one pass: {1e9 * batch:.0f} ns a turf cell")
    print(f"garden by garden: {1e9 * singly:.0f} ns a turf cell, ratio {singly / batch:.1f}")
    print(
        f"turf by the raster library, {window / n_cells:.1f} cells of the window a turf cell: "
        f"{1e9 * library:.0f} ns a turf cell"
    )
    print(f"peak {peak / len(gardens.layout.x_m):.0f} bytes a head, arrays outside the pass")
    if not np.isfinite(found.runoff_l).all():
        raise SystemExit("A garden has no runoff.")


if __name__ == "__main__":
    main()
