"""Layouts of one zone: how even, how surely, how fast.

Run it by hand: ``python tests/benchmarks/bench_optimize.py [--seconds 60] [--seeds 0 1 2]
[--moved 0.4]``; ``--smoke`` only sees that it still works. Heads stand on a lattice, those inside
moved at random by a little; each has 6 nozzles of 3.0 to 5.6 m and 38 to 41 mm/h and 3 arcs, turned
to the edges. Flow and overspray are limited to those of a layout of 4.6 m throughout, own rates to
a spread of 10 %.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from itertools import product

import numpy as np

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.optimisation.limits import LayoutLimits
from geoirrig.optimisation.nozzle_choices import NozzleChoices, nozzle_choices
from geoirrig.optimisation.optimum import most_even_layout
from geoirrig.optimisation.search import columns_of, uniformity_of
from geoirrig.physics.radial_distribution import trapezoid_profile
from geoirrig.records import SprinklerLayout

CELL_M, SPREAD_PCT = 0.25, 10.0
RADII_M = (3.0, 3.7, 4.3, 4.6, 5.2, 5.6)
RATES_MM_H = (38.0, 40.0, 39.0, 41.0, 40.0, 38.0)
CORES = (0.2, 0.6, 0.4, 0.5, 0.3, 0.6)
TODAY = 3  # nozzle of every head as it stands
ZONES = {12: (4, 3, 4.7), 30: (6, 5, 4.5)}  # heads across and along, pitch in metres
SMALL = {4: (2, 2, 4.5)}


def edge_sector(x: float, y: float, width: float, height: float) -> tuple[float, float]:
    """Arc and start bearing of what a head at (x, y) has to water of a rectangle."""
    west, east, south, north = x == 0.0, x == width, y == 0.0, y == height
    starts = {
        (1, 0, 0, 0): (180.0, 0.0), (0, 1, 0, 0): (180.0, 180.0), (0, 0, 1, 0): (180.0, 270.0),
        (0, 0, 0, 1): (180.0, 90.0), (1, 0, 1, 0): (90.0, 0.0), (1, 0, 0, 1): (90.0, 90.0),
        (0, 1, 1, 0): (90.0, 270.0), (0, 1, 0, 1): (90.0, 180.0),
    }  # fmt: skip
    return starts.get((int(west), int(east), int(south), int(north)), (360.0, 0.0))


def zone(
    across: int, along: int, pitch_m: float, *, moved_m: float = 0.4, seed: int = 0
) -> tuple[NozzleChoices, np.ndarray]:
    """Choices of a made-up zone, and the layout as it stands."""
    rng = np.random.default_rng(seed)
    width, height = (across - 1) * pitch_m, (along - 1) * pitch_m
    candidates, first, today = [], [0], []
    for row in range(along):
        for col in range(across):
            x, y = col * pitch_m, row * pitch_m
            arc_now, start_now = edge_sector(x, y, width, height)
            x += rng.uniform(-moved_m, moved_m) * (0 < col < across - 1)
            y += rng.uniform(-moved_m, moved_m) * (0 < row < along - 1)
            for nozzle in range(len(RADII_M)):
                for arc in (90.0, 180.0, 360.0):
                    last = (start_now + arc_now - arc) % 360.0
                    for start in sorted({start_now, last} if arc < 360.0 else {0.0}):
                        if (nozzle, arc, start) == (TODAY, arc_now, start_now):
                            today.append(len(candidates))
                        candidates.append((x, y, nozzle, arc, start))
            first.append(len(candidates))
    grid = RasterGrid.covering(-6.0, -6.0, width + 6.0, height + 6.0, cell_size_m=CELL_M)
    x, y = grid.cell_centre_x_m(), grid.cell_centre_y_m()
    on_turf = ((x > 0.0) & (x < width)) & ((y > 0.0) & (y < height))[:, np.newaxis]
    choices = nozzle_choices(
        _layout(np.array(candidates)),
        np.array(first),
        grid,
        is_scored=on_turf,
        on_turf=on_turf,
        may_be_left_out=np.zeros(across * along, dtype=bool),
    )
    return choices, np.array(today)


def _layout(rows: np.ndarray) -> SprinklerLayout:
    x, y, nozzle, arc, start = rows.T
    kind = nozzle.astype(np.int64)
    radius = np.array(RADII_M)[kind]
    n, unknown = len(rows), np.full(len(rows), np.nan)
    words = np.full(n, "", dtype=object)
    return SprinklerLayout(
        head_id=np.arange(n).astype(object), zone_index=np.zeros(n, dtype=np.int64), x_m=x, y_m=y,
        flow_lpm=np.array(RATES_MM_H)[kind] * np.pi * radius**2 * arc / 360.0 / 60.0,
        radius_m=radius, arc_deg=arc, start_bearing_deg=start, trajectory_deg=unknown,
        profile_index=kind, profiles=tuple(trapezoid_profile(core) for core in CORES),
        nozzle=words, device=words, pressure_kpa=unknown, pressure_min_kpa=unknown,
        pressure_max_kpa=unknown, rotation_s=unknown, attributes={},
    )  # fmt: skip


def main() -> None:
    """Print a line for each zone."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--heads", type=int, nargs="+", choices=ZONES, default=list(ZONES))
    parser.add_argument("--seeds", type=int, nargs="+", default=[0])
    parser.add_argument("--moved", type=float, default=0.4, help="metres at most along each axis")
    parser.add_argument("--smoke", action="store_true", help="4 heads, 5 seconds")
    options = parser.parse_args()
    zones = SMALL if options.smoke else {heads: ZONES[heads] for heads in options.heads}
    seconds = 5.0 if options.smoke else options.seconds
    print("heads  seed  choices  cells  before  after   bound   gap %   seconds  processor s")
    for (n_heads, lattice), seed in product(zones.items(), options.seeds):
        choices, today = zone(*lattice, moved_m=options.moved, seed=seed)
        flow = choices.flow_lpm[today].sum()
        limits = LayoutLimits(
            flow_lpm=flow,
            overspray_fraction=choices.overspray_lpm[today].sum() / flow,
            matched_rate_spread_pct=SPREAD_PCT,
        )
        free = replace(limits, matched_rate_spread_pct=np.inf)
        before = uniformity_of(today, columns_of(choices, free))  # compiles too
        wall, processor = time.perf_counter(), time.process_time()
        found = most_even_layout(choices, limits, today, gap=0.001, seconds=seconds)
        wall, processor = time.perf_counter() - wall, time.process_time() - processor
        print(
            f"{n_heads:5d}  {seed:4d}  {len(choices.flow_lpm):7d}  {len(choices.cell_row):5d}  "
            f"{before:.4f}  {found.uniformity:.4f}  {found.bound:.4f}  {100.0 * found.gap:6.3f}  "
            f"{wall:7.1f}  {processor:11.1f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
