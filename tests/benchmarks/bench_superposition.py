"""Superposition against the same arithmetic in NumPy, head by head, in one run.

Run it by hand: ``python tests/benchmarks/bench_superposition.py [--arcs full]``; ``--smoke`` only
sees that it still works. Timings want a machine with nothing else to do. Both sides evaluate the
profile as a sum of hinges, cut the sector by half planes, scale each head to its flow, add it to
the grid and count the heads; the NumPy side works on the head's bounding box.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.radial_distribution import hinges, trapezoid_profile
from geoirrig.surfaces.sector_superposition import SectorSet, bearing_vector, superpose_sectors

CELL_M = 0.25
RADIUS_M = 5.0
CALLS_A_ROUND = 20  # of the compiled side, so that both sides are timed over a like span
CORE = 0.6
ARCS_DEG = {"mixed": [90.0, 180.0, 270.0, 360.0, 123.0], "full": [360.0]}


def random_sectors(
    n_heads: int, *, arcs: str = "mixed", seed: int = 20
) -> tuple[RasterGrid, SectorSet]:
    """Heads at head-to-head density on a square site, arcs as a designer mixes them."""
    rng = np.random.default_rng(seed)
    side_m = RADIUS_M * np.sqrt(n_heads)
    grid = RasterGrid.covering(
        -RADIUS_M, -RADIUS_M, side_m + RADIUS_M, side_m + RADIUS_M, cell_size_m=CELL_M
    )
    base, knots, slopes = hinges(trapezoid_profile(CORE))
    bearing = rng.uniform(0.0, 360.0, n_heads)
    arc = rng.choice(ARCS_DEG[arcs], n_heads)
    edges = np.column_stack([*bearing_vector(bearing), *bearing_vector(bearing + arc)])
    sectors = SectorSet(
        col=(rng.uniform(0.0, side_m, n_heads) - grid.left_m) / CELL_M,
        row=(grid.top_m - rng.uniform(0.0, side_m, n_heads)) / CELL_M,
        radius=np.full(n_heads, RADIUS_M / CELL_M),
        flow_mm_h=rng.uniform(2.0, 12.0, n_heads) * 60.0 / CELL_M**2,
        arc_deg=arc,
        edges=edges,
        rise_east=np.zeros(n_heads),
        rise_north=np.zeros(n_heads),
        base=np.full(n_heads, base),
        hinge_start=len(knots) * np.arange(n_heads + 1),
        knots=np.tile(knots, n_heads).astype(np.float32),
        slopes=np.tile(slopes, n_heads).astype(np.float32),
    )
    return grid, sectors


def superpose_with_numpy(sectors: SectorSet, grid: RasterGrid) -> tuple[np.ndarray, np.ndarray]:
    """Every head on its bounding box; the same sector, hinges, scaling and count."""
    rate = np.zeros(grid.shape)
    count = np.zeros(grid.shape, dtype=np.uint8)
    for h in range(len(sectors.col)):
        col, row, radius = sectors.col[h], sectors.row[h], sectors.radius[h]
        r0, r1 = max(0, int(row - radius) - 1), min(grid.n_rows, int(row + radius) + 2)
        c0, c1 = max(0, int(col - radius) - 1), min(grid.n_cols, int(col + radius) + 2)
        east = np.arange(c0, c1) + 0.5 - col
        north = row - (np.arange(r0, r1)[:, None] + 0.5)
        x = np.sqrt(east * east + north * north) / radius
        inside = x <= 1.0
        if sectors.arc_deg[h] < 360.0:
            e0, n0, e1, n1 = sectors.edges[h]
            after = n0 * east - e0 * north >= -1e-9
            before = e1 * north - n1 * east >= -1e-9
            inside &= (after & before) if sectors.arc_deg[h] <= 180.0 else (after | before)
        value = np.full(x.shape, sectors.base[h])
        for k in range(sectors.hinge_start[h], sectors.hinge_start[h + 1]):
            value += sectors.slopes[k] * np.maximum(0.0, sectors.knots[k] - x)
        value = np.where(inside, value, 0.0)
        rate[r0:r1, c0:c1] += value * (sectors.flow_mm_h[h] / value.sum())
        count[r0:r1, c0:c1] += inside
    return rate, count


def main() -> None:
    """Print times, their ratio and the largest relative difference."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--heads", type=int, default=10_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--arcs", choices=ARCS_DEG, default="mixed")
    parser.add_argument("--smoke", action="store_true", help="200 heads, one round")
    options = parser.parse_args()
    if options.smoke:
        options.heads, options.rounds = 200, 1
    grid, sectors = random_sectors(options.heads, arcs=options.arcs)
    result = superpose_sectors(sectors, grid)  # compiles
    reference, count = superpose_with_numpy(sectors, grid)
    ours, theirs = [], []
    for _ in range(options.rounds):
        start = time.perf_counter()
        for _ in range(CALLS_A_ROUND):
            superpose_sectors(sectors, grid)
        ours.append((time.perf_counter() - start) / CALLS_A_ROUND)
        start = time.perf_counter()
        superpose_with_numpy(sectors, grid)
        theirs.append(time.perf_counter() - start)
    difference = np.max(np.abs(result.rate_mm_h - reference)) / reference.max()
    miscounted = np.count_nonzero(result.heads_reaching != count)
    cells = grid.n_rows * grid.n_cols
    print(f"heads {options.heads}, arcs {options.arcs}, cells {cells}, radius {RADIUS_M} m")
    for name, summary in (("median", np.median), ("least", np.min)):
        mine, other = summary(ours), summary(theirs)
        print(
            f"{name} of {options.rounds} rounds: compiled {mine:.4f} s, NumPy {other:.4f} s,",
            end=" ",
        )
        print(f"ratio {other / mine:.1f}")
    print(
        f"largest difference over the peak {difference:.1e}; cells counted otherwise {miscounted}"
    )
    if difference > 1e-5 or miscounted:
        raise SystemExit("The two sides disagree.")


if __name__ == "__main__":
    main()
