"""Slope and flow direction of a large elevation raster against ``gdaldem slope``, in one run.

Run it by hand: ``python tests/benchmarks/bench_terrain.py``; ``--cells 10000`` only sees that it
still works. Timings want a machine with nothing else to do. Both sides are whole processes that
read a GeoTIFF of elevations and write one of slopes; ours computes the flow directions
(D-infinity) as well. Its own computing time and its peak memory, above the input and the two
float32 results, are printed beside them. The first run after an installation compiles; it is made
and thrown away. Elevations are whole multiples of 1/256 m, so that gdaldem's sums, which are in
single precision, do not round and the slopes can be compared.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import rasterio

from geoirrig.physics.flow_direction import flow_bearing_deg
from geoirrig.physics.terrain_slope import terrain_slope_pct

PIXEL_M = 0.5
MOST_BYTES_A_CELL = 12.0
MOST_TIMES_GDAL = 4.0


def rough_elevation_m(side: int, *, seed: int = 4) -> np.ndarray:
    """A hillside with mounds of 20 m and roughness of centimetres; float32, no level ground."""
    from scipy import ndimage  # not needed by the process that is timed

    rng = np.random.default_rng(seed)
    coarse = rng.normal(0.0, 1.5, (side // 40 + 4, side // 40 + 4))
    mounds = ndimage.zoom(coarse, 40, order=1)[:side, :side]
    row, col = np.arange(side)[:, None], np.arange(side)
    plane = 300.0 - 0.06 * PIXEL_M * row - 0.09 * PIXEL_M * col
    elevation = plane + mounds + rng.normal(0.0, 0.03, (side, side))
    return (np.round(256.0 * elevation) / 256.0).astype(np.float32)


def write_raster(path: Path, values: np.ndarray) -> None:
    """A plain GeoTIFF."""
    with rasterio.open(path, "w", **profile_of(values)) as dataset:
        dataset.write(values, 1)


def profile_of(values: np.ndarray) -> dict[str, object]:
    """What describes a GeoTIFF of these values."""
    height, width = values.shape
    return {
        "driver": "GTiff",
        "height": height,
        "width": width,
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:32611",
        "transform": rasterio.Affine(PIXEL_M, 0.0, 500_000.0, 0.0, -PIXEL_M, 4_000_000.0),
    }


def resident_bytes(name: str) -> int:
    """Memory of this process, "VmRSS" now or "VmHWM" at its peak; 0 where the system is mute."""
    status = Path("/proc/self/status")
    if not status.exists():
        return 0
    line = next(line for line in status.read_text().splitlines() if line.startswith(name))
    return 1024 * int(line.split()[1])


def forget_peak() -> None:
    """Let the peak of memory start anew."""
    clear = Path("/proc/self/clear_refs")
    if clear.exists():
        clear.write_text("5")


def whole_process(source: Path, result: Path) -> None:
    """Read, compute, write: what the timed process of our side does. Prints its own measures."""
    with rasterio.open(source) as dataset:
        elevation = dataset.read(1)
    forget_peak()
    before = resident_bytes("VmRSS")
    start = time.perf_counter()
    slope = terrain_slope_pct(elevation, pixel_width_m=PIXEL_M, pixel_height_m=PIXEL_M)
    seconds_slope = time.perf_counter() - start
    bearing = flow_bearing_deg(elevation, pixel_width_m=PIXEL_M, pixel_height_m=PIXEL_M)
    seconds = time.perf_counter() - start
    above = resident_bytes("VmHWM") - before - slope.nbytes - bearing.nbytes
    write_raster(result, slope)
    print(seconds_slope, seconds - seconds_slope, max(0.0, above) / elevation.size)


def timed(command: list[str]) -> tuple[float, str]:
    """Seconds that a command takes, and what it prints."""
    start = time.perf_counter()
    finished = subprocess.run(command, check=True, capture_output=True, text=True)
    return time.perf_counter() - start, finished.stdout


def largest_difference_pct(first: Path, second: Path) -> float:
    """Between two rasters of slope, away from the border, which gdaldem leaves out."""
    with rasterio.open(first) as one, rasterio.open(second) as other:
        inside = (slice(1, -1), slice(1, -1))
        return float(np.max(np.abs(one.read(1)[inside] - other.read(1)[inside])))


def main() -> None:
    """Print times, their ratio, memory and the largest difference."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", type=int, default=25_000_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--whole-process", nargs=2, type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.whole_process:
        whole_process(*options.whole_process)
        return
    gdaldem = shutil.which("gdaldem")
    side = round(options.cells**0.5)
    with tempfile.TemporaryDirectory() as folder:
        source, ours, theirs = (Path(folder) / f"{n}.tif" for n in ("dem", "ours", "theirs"))
        write_raster(source, rough_elevation_m(side))
        command = [sys.executable, __file__, "--whole-process", str(source), str(ours)]
        timed(command)  # compiles, where that has not been done yet
        rounds = []
        for _ in range(options.rounds):
            gdal = float("nan")
            if gdaldem:
                gdal, _ = timed([gdaldem, "slope", "-p", "-q", str(source), str(theirs)])
            own, printed = timed(command)
            rounds.append((gdal, own, *map(float, printed.split())))
        gdal, own, slope, bearing, above = np.median(rounds, axis=0)
        print(f"cells {side * side}, median of {options.rounds} rounds")
        print(f"gdaldem slope, whole process       {gdal:8.3f} s")
        print(f"slope and direction, whole process {own:8.3f} s, ratio {own / gdal:.2f}")
        print(
            f"slope array {slope:.3f} s, direction array {bearing:.3f} s, both over gdaldem's "
            f"process: ratio {(slope + bearing) / gdal:.2f}"
        )
        print(f"peak memory above input and results: {above:.2f} bytes a cell")
        if gdaldem:
            print(
                f"largest difference of slope: {largest_difference_pct(ours, theirs):.1e} percent"
            )
    if side * side >= 1_000_000 and (own > MOST_TIMES_GDAL * gdal or above > MOST_BYTES_A_CELL):
        raise SystemExit("Slower or larger than it should be.")


if __name__ == "__main__":
    main()
