"""Invented gardens in rows: two lawns each, some with a bed, heads on a lattice, three zones."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import shapely

from geoirrig.physics.radial_distribution import RadialProfile, trapezoid_profile
from geoirrig.records import SprinklerLayout, TurfAreas, ZonePlan
from geoirrig.surfaces.batch_measures import BatchGroups

PARCEL_M = (22.0, 30.0)
PARCELS_ACROSS = 100
TEXTURES = ("loam", "clay_loam", "silty_clay_loam", "sandy_loam", "silty_clay", "loamy_sand")
COMPACTIONS = ("none", "typical", "trafficked")
STREAM = RadialProfile(
    name="stream",
    distance_fraction=(0.0, 0.3, 0.6, 0.8, 1.0),
    relative_rate=(0.7, 1.0, 1.1, 0.6, 0.1),
)
HEADS_ACROSS, HEADS_DOWN = 4, 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Gardens:
    """What `batch_measures` takes."""

    layout: SprinklerLayout
    plan: ZonePlan
    turf: TurfAreas
    groups: BatchGroups


def many_lawns(n_parcels: int, *, seed: int = 7) -> Gardens:
    """Gardens of the same seed are the same; neighbours throw over their borders."""
    rng = np.random.default_rng(seed)
    number = np.arange(n_parcels)
    corner = np.column_stack([number % PARCELS_ACROSS, number // PARCELS_ACROSS]) * PARCEL_M
    lawn_corner = np.repeat(corner, 2, axis=0)
    lawn_corner[1::2, 1] += 17.0
    size = rng.uniform((8.0, 6.0), (15.0, 10.0), (2 * n_parcels, 2))
    lawn_corner += rng.uniform(1.0, 3.0, (2 * n_parcels, 2))
    geometry = _outlines(lawn_corner, size, rng)
    layout = _heads(lawn_corner, size, rng)
    n_zones, n_turf = int(layout.zone_index.max()) + 1, 2 * n_parcels
    cycles = rng.integers(1, 4, n_zones)
    minutes = np.where(rng.random(n_zones) < 0.2, rng.uniform(5.0, 40.0, n_zones), np.nan)
    return Gardens(
        layout=layout,
        plan=ZonePlan(
            zone=tuple(f"Z{zone}" for zone in range(n_zones)),
            run_minutes=minutes,
            cycles=cycles,
            soak_minutes=np.where(cycles > 1, rng.choice([5.0, 20.0, 60.0], n_zones), 0.0),
        ),
        turf=TurfAreas(
            turf_id=np.array([f"T{turf}" for turf in range(n_turf)], dtype=object),
            geometry=geometry,
            soil_texture=rng.choice(np.array(TEXTURES, dtype=object), n_turf),
            compaction=rng.choice(np.array(COMPACTIONS, dtype=object), n_turf),
            slope_pct=rng.choice([1.0, 3.5, 8.0, 20.0], n_turf),
            plant_type=np.full(n_turf, "cool_season_turf", dtype=object),
            root_depth_mm=np.full(n_turf, 150.0),
            attributes={},
        ),
        groups=BatchGroups(of_zone=np.arange(n_zones) // 3, of_turf=np.arange(n_turf) // 2),
    )


def _outlines(corner: np.ndarray, size: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Lawns of six corners, a little askew; every third has a bed in it, every tenth two parts."""
    shape = np.array([(0, 0), (0.5, 0.0), (1, 0), (1, 1), (0.5, 1.0), (0, 1)], dtype=float)
    points = corner[:, None] + shape * size[:, None] + rng.uniform(-0.4, 0.4, (len(corner), 6, 2))
    lawns = shapely.polygons(points)
    beds = shapely.buffer(shapely.points(corner + 0.5 * size), 1.3)
    west, south = corner.T
    strips = shapely.box(west + 1.0, south - 2.0, west + 6.0, south - 1.0)
    third, tenth = np.arange(len(corner)) % 3 == 0, np.arange(len(corner)) % 10 == 4
    lawns = np.where(third, shapely.difference(lawns, beds), lawns)
    return np.where(tenth, shapely.union(lawns, strips), lawns)


def one_garden(gardens: Gardens, parcel: int) -> Gardens:
    """A garden by itself."""
    zones, turf = np.arange(3 * parcel, 3 * parcel + 3), np.arange(2 * parcel, 2 * parcel + 2)
    heads = gardens.layout.zone_index // 3 == parcel
    layout = rows(gardens.layout, heads)
    return Gardens(
        layout=replace(layout, zone_index=layout.zone_index - 3 * parcel),
        plan=replace(rows(gardens.plan, zones), zone=gardens.plan.zone[:3]),
        turf=rows(gardens.turf, turf),
        groups=BatchGroups(of_zone=np.zeros(3, np.int64), of_turf=np.zeros(2, np.int64)),
    )


def rows(record: Any, wanted: np.ndarray) -> Any:
    """Some rows of the arrays of a record."""
    values = {field.name: getattr(record, field.name) for field in fields(record)}
    return replace(record, **{k: v[wanted] for k, v in values.items() if isinstance(v, np.ndarray)})


def _heads(corner: np.ndarray, size: np.ndarray, rng: np.random.Generator) -> SprinklerLayout:
    """Heads in rows; quarter circles in corners, halves on sides. The front lawn has two zones."""
    n_lawns, per_lawn = len(corner), HEADS_ACROSS * HEADS_DOWN
    col, row = (part.ravel() for part in np.meshgrid(range(HEADS_ACROSS), range(HEADS_DOWN)))
    place = np.column_stack([col / (HEADS_ACROSS - 1), row / (HEADS_DOWN - 1)])
    x, y = (corner[:, None] + place * size[:, None]).reshape(-1, 2).T
    west, east = col == 0, col == HEADS_ACROSS - 1
    south, north = row == 0, row == HEADS_DOWN - 1
    arc = np.where((west | east) & (south | north), 90.0, 360.0)
    arc = np.where((west | east) ^ (south | north), 180.0, arc)
    bearing = np.select(
        [west & south, west & north, east & north, east & south, west, north, east, south],
        [0.0, 90.0, 180.0, 270.0, 0.0, 90.0, 180.0, 270.0],
    )
    is_front = np.repeat(np.arange(n_lawns) % 2 == 0, per_lawn)
    part = np.tile((col * 2) // HEADS_ACROSS, n_lawns)
    zone = 3 * np.repeat(np.arange(n_lawns) // 2, per_lawn) + np.where(is_front, part, 2)
    radius = np.repeat(np.maximum(size[:, 0] / 3, size[:, 1] / 3), per_lawn)
    radius = radius * rng.uniform(0.9, 1.15, len(x))
    turned = rng.uniform(-8.0, 8.0, len(x))
    arc = np.minimum(360.0, np.tile(arc, n_lawns) * rng.uniform(0.95, 1.4, len(x)))
    n = len(x)
    unknown, unnamed = np.full(n, np.nan), np.full(n, "", dtype=object)
    return SprinklerLayout(
        head_id=np.array([f"H{head}" for head in range(n)], dtype=object),
        zone_index=zone,
        x_m=x + rng.normal(0.0, 0.05, n),
        y_m=y + rng.normal(0.0, 0.05, n),
        flow_lpm=rng.uniform(0.35, 0.75, n) * radius**2 * arc / 360.0,
        radius_m=radius,
        arc_deg=arc,
        start_bearing_deg=(np.tile(bearing, n_lawns) + turned) % 360.0,
        trajectory_deg=unknown,
        profile_index=np.arange(n) % 2,
        profiles=(trapezoid_profile(0.6), STREAM),
        nozzle=unnamed,
        device=unnamed,
        pressure_kpa=unknown,
        pressure_min_kpa=unknown,
        pressure_max_kpa=unknown,
        rotation_s=unknown,
        attributes={},
    )
