"""Finite patches of an endless lattice of heads, laid on the grid by the real engine.

A patch holds every head that reaches the lattice cell looked at, so that the rates inside equal
those of the endless lattice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.precipitation_rate import wetted_sector_area
from geoirrig.physics.radial_distribution import RadialProfile, peak_to_mean_ratio
from geoirrig.records import SprinklerLayout
from geoirrig.surfaces.sector_superposition import sector_set, superpose_sectors

RADIUS_M = 5.0
# 97/56 is √3 to 5 parts in 100,000: a whole number of cells along both sides of a triangular
# lattice's rectangle.
TRIANGLE_COLS, TRIANGLE_ROWS = 56, 97
_NODES = np.linspace(0.0, 1.0, 101)


def _sampled(name: str, rate: np.ndarray) -> RadialProfile:
    return RadialProfile(
        name=name, distance_fraction=tuple(_NODES.tolist()), relative_rate=tuple(rate.tolist())
    )


CONE = RadialProfile(name="cone", distance_fraction=(0.0, 1.0), relative_rate=(1.0, 0.0))
UNIFORM = RadialProfile(name="uniform", distance_fraction=(0.0, 1.0), relative_rate=(1.0, 1.0))
PARABOLOID = _sampled("paraboloid", 1.0 - _NODES**2)
HALF_ELLIPSOID = _sampled("half_ellipsoid", np.sqrt(1.0 - _NODES**2))
RING_BETA_2_2 = _sampled("ring_beta_2_2", _NODES * (1.0 - _NODES))


@dataclass(frozen=True, slots=True, kw_only=True)
class LatticeField:
    """Rates over whole lattice cells, peak of one head 1 mm/h; wraps around at its edges."""

    rate_mm_h: np.ndarray  # (n_rows, n_cols)
    heads_reaching: np.ndarray
    cell_size_m: float


def layout_of(
    x_m: Sequence[float] | np.ndarray,
    y_m: Sequence[float] | np.ndarray,
    flow_lpm: float | np.ndarray,
    *,
    profile: RadialProfile,
    radius_m: float = RADIUS_M,
    arc_deg: float | np.ndarray = 360.0,
    start_bearing_deg: float | np.ndarray = 0.0,
) -> SprinklerLayout:
    """Heads that differ in place, flow and arc only."""
    n = len(x_m)
    unknown = np.full(n, np.nan)
    return SprinklerLayout(
        head_id=np.array([f"H{number}" for number in range(n)], dtype=object),
        zone_index=np.zeros(n, dtype=np.int64),
        x_m=np.asarray(x_m, dtype=np.float64),
        y_m=np.asarray(y_m, dtype=np.float64),
        flow_lpm=np.broadcast_to(np.asarray(flow_lpm, dtype=np.float64), n).copy(),
        radius_m=np.full(n, radius_m),
        arc_deg=np.broadcast_to(np.asarray(arc_deg, dtype=np.float64), n).copy(),
        start_bearing_deg=np.broadcast_to(
            np.asarray(start_bearing_deg, dtype=np.float64), n
        ).copy(),
        trajectory_deg=unknown,
        profile_index=np.zeros(n, dtype=np.int64),
        profiles=(profile,),
        nozzle=np.full(n, "", dtype=object),
        device=np.full(n, "", dtype=object),
        pressure_kpa=unknown,
        pressure_min_kpa=unknown,
        pressure_max_kpa=unknown,
        rotation_s=unknown,
        attributes={},
    )


def full_circle_flow_lpm(profile: RadialProfile, peak_mm_h: float = 1.0) -> float:
    """Flow of a head whose highest rate is the one given."""
    area = float(wetted_sector_area(RADIUS_M, 360.0))
    return peak_mm_h / peak_to_mean_ratio(profile) * area / 60.0


def lattice_field(
    profile: RadialProfile,
    side_x_m: float,
    side_y_m: float,
    shape: tuple[int, int],
    *,
    is_staggered: bool = False,
) -> LatticeField:
    """Rates over one rectangle of the lattice, with heads on its corners.

    ``is_staggered`` puts another head in the middle of every rectangle. Cells are square: ``shape``
    (rows, columns) goes with the sides, and y is stretched by the little that it does not.
    """
    n_rows, n_cols = shape
    cell = side_x_m / n_cols
    side_y = n_rows * cell
    assert abs(side_y / side_y_m - 1.0) < 1e-4
    across = math.ceil(RADIUS_M / side_x_m) + 1
    along = math.ceil(RADIUS_M / side_y) + 1
    x, y = np.meshgrid(
        np.arange(-across, across + 2) * side_x_m, np.arange(-along, along + 2) * side_y
    )
    x, y = x.ravel(), y.ravel()
    if is_staggered:
        x, y = np.append(x, x + 0.5 * side_x_m), np.append(y, y + 0.5 * side_y)
    grid = RasterGrid(left_m=0.0, top_m=side_y, cell_size_m=cell, n_rows=n_rows, n_cols=n_cols)
    layout = layout_of(x, y, full_circle_flow_lpm(profile), profile=profile)
    surface = superpose_sectors(sector_set(layout, grid), grid)
    return LatticeField(
        rate_mm_h=surface.rate_mm_h, heads_reaching=surface.heads_reaching, cell_size_m=cell
    )


def square_lattice(profile: RadialProfile, side_m: float, *, cells: int = 161) -> LatticeField:
    """One square of the lattice."""
    return lattice_field(profile, side_m, side_m, (cells, cells))


def triangular_lattice(profile: RadialProfile, side_m: float, *, times: int = 3) -> LatticeField:
    """Two rows of an equilateral lattice: a rectangle of side × √3·side."""
    shape = (TRIANGLE_ROWS * times, TRIANGLE_COLS * times)
    return lattice_field(profile, side_m, math.sqrt(3.0) * side_m, shape, is_staggered=True)


def wrapped_scheduling_coefficient(field: LatticeField, window_share: float) -> float:
    """Mean over the lowest mean in a square window, of this share of the field, that wraps."""
    rate = field.rate_mm_h
    side = max(1, round(math.sqrt(window_share * rate.size)))
    padded = np.pad(rate, ((0, side - 1), (0, side - 1)), mode="wrap")
    windows = np.lib.stride_tricks.sliding_window_view(padded, side, axis=0).mean(axis=-1)
    windows = np.lib.stride_tricks.sliding_window_view(windows, side, axis=1).mean(axis=-1)
    lowest = float(windows.min())
    return math.inf if lowest <= 0.0 else float(rate.mean()) / lowest
