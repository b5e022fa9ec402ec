"""Run-on over a hillside: one event of three cycles, at several sizes, in one run.

Run it by hand: ``python tests/benchmarks/bench_run_on.py [--cells 1000000 4000000 10000000]``. All
cells are turf; the ground falls towards the south-east in waves, with roughness that makes pits.
Bands of zones cross it, three cells in ten are wetted by two of them; six soils.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from bench_runoff import hillside
from bench_terrain import forget_peak, resident_bytes

from geoirrig.records import AnalysisSettings
from geoirrig.surfaces.edge_runoff import edge_crossings, run_on_columns
from geoirrig.surfaces.precipitation_surface import event_in_turn
from geoirrig.surfaces.run_on_surface import run_on_surface, turf_flow

CYCLES, CYCLE_MINUTES, SOAK_MINUTES = 3, 10.0, 30.0


def rough_ground(n_side: int, cell_size_m: float) -> np.ndarray:
    """A tenth of fall, waves of 20 m and 5 mm of roughness, (n_side, n_side)."""
    random = np.random.default_rng(1)
    along = np.arange(n_side) * cell_size_m
    ground = -0.08 * along[:, None] - 0.06 * along[None, :]
    ground += 0.3 * np.sin(along[:, None] / 3.0) * np.sin(along[None, :] / 3.3)
    ground += 0.005 * random.standard_normal((n_side, n_side))
    return ground


def timed(n_side: int, model: str, n_zones: int) -> tuple[float, float, float, str]:
    """Seconds of the flow, of the event and of the edges, and what came out and was used."""
    precipitation, terrain, cells, turf, _ = hillside(n_side, n_zones)
    zones = np.ones(n_zones)
    event = event_in_turn(np.full(n_zones, CYCLES), CYCLE_MINUTES * zones, SOAK_MINUTES * zones)
    settings = AnalysisSettings(runoff_model=model)  # type: ignore[arg-type]
    ground = rough_ground(n_side, cells.grid.cell_size_m)
    forget_peak()
    before, start = resident_bytes("VmRSS"), time.perf_counter()
    flow = turf_flow(ground, cells, settings=settings)
    routed = time.perf_counter()
    run_on = run_on_surface(precipitation, terrain, cells, turf, event, flow, settings=settings)
    followed = time.perf_counter()
    crossings = edge_crossings(run_on, cells.turf_index, hardscape=None)
    columns = run_on_columns(run_on, crossings, cells.turf_index, len(turf.turf_id))
    told = time.perf_counter()
    used = (resident_bytes("VmHWM") - before) / n_side**2
    litres = cells.grid.cell_area_m2
    applied = litres * float(np.sum(run_on.applied_mm))
    kept = run_on.infiltrated_mm + run_on.stored_mm + run_on.ponded_mm
    left = float(np.sum(columns["leaving_l"]) - np.sum(columns["run_on_l"]))
    error = abs(applied - litres * float(np.sum(kept)) - left) / applied
    share = float(np.mean(run_on.run_on_depth_mm > 0.0))
    text = (
        f"{share:5.0%} get run-on, {left / applied:6.1%} leaves, balance {error:.0e}; "
        f"{used:.0f} bytes a cell"
    )
    return routed - start, followed - routed, told - followed, text


def main() -> None:
    """Print the seconds by size and model."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cells", type=int, nargs="+", default=[1_000_000, 4_000_000, 10_000_000])
    parser.add_argument("--zones", type=int, default=20)
    parser.add_argument("--models", nargs="+", default=["surface_storage", "green_ampt"])
    options = parser.parse_args()
    for model in options.models:
        timed(50, model, options.zones)  # compiles
        print(f"{model}, {options.zones} zones, {CYCLES} cycles of {CYCLE_MINUTES:g} min")
        for cells in options.cells:
            n_side = int(cells**0.5)
            flow, event, edges, text = timed(n_side, model, options.zones)
            print(
                f"{n_side * n_side:>10} cells: flow {flow:6.2f} s, event {event:6.2f} s "
                f"({1e9 * event / n_side**2:4.0f} ns a cell), edges {edges:5.2f} s; {text}"
            )


if __name__ == "__main__":
    main()
