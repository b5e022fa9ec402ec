"""Layers of an invented city as Arrow tables, built some blocks at a time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import shapely
from city_faults import Faults, spread_faults
from city_heads import Heads, heads_of_lawns, nozzle_names, nozzle_table, profile_table
from city_lots import (
    BACK,
    LOTS_ACROSS,
    LOTS_IN_BLOCK,
    ORIGIN_M,
    PARK,
    PARK_AT,
    PARK_EVERY,
    PAVED,
    VERGE,
    Areas,
    Bools,
    Floats,
    Ints,
    Lots,
    block_counts,
    lawns_and_paving,
    lots_of_blocks,
    outlines,
    polygons,
    street_polygons,
)
from numpy.typing import NDArray

CHUNK_BLOCKS = 64  # drawn with one generator: changing it changes the city
TEXTURES = ("sandy_loam", "loam", "silt_loam", "clay_loam", "silty_clay_loam", "silty_clay")
COMPACTIONS = ("none", "typical", "trafficked")
PLANTS = ("cool_season_turf", "warm_season_turf")


def city_tables(n_parcels: int, *, seed: int = 1, faults_each: int = 0) -> dict[str, pa.Table]:
    """Every layer and table of the city, by name; geometry is WKB in the column ``geometry``."""
    parts: dict[str, list[pa.Table]] = {}
    for tables in _chunks(n_parcels, seed, spread_faults(n_parcels, faults_each)):
        for name, table in tables.items():
            parts.setdefault(name, []).append(table)
    whole = {name: pa.concat_tables(tables) for name, tables in parts.items()}
    whole["nozzles"] = pa.Table.from_pandas(nozzle_table(), preserve_index=False)
    whole["profiles"] = pa.Table.from_pandas(profile_table(), preserve_index=False)
    return whole


def slope_pct(x_m: Floats, y_m: Floats) -> Floats:
    """Slope of the invented ground: wide flats, and hillsides up to 28 %."""
    x, y = x_m - ORIGIN_M[0], y_m - ORIGIN_M[1]
    wave = np.sin(x / 340.0 + 0.7) + np.sin(y / 270.0 + 0.3 * np.sin(x / 900.0))
    return np.asarray(1.0 + 27.0 * ((wave + 2.0) / 4.0) ** 3)


def _chunks(n_parcels: int, seed: int, faults: Faults) -> Iterator[dict[str, pa.Table]]:
    """Layers of the city, some blocks at a time."""
    counts = block_counts(n_parcels)
    first = np.cumsum(counts) - counts
    for chunk, start in enumerate(range(0, len(counts), CHUNK_BLOCKS)):
        rng = np.random.default_rng([seed, chunk])
        blocks = np.arange(start, min(start + CHUNK_BLOCKS, len(counts)))
        # Always whole chunks are drawn, so that what is cut off does not change the rest.
        drawn = np.arange(start, start + CHUNK_BLOCKS)
        size = np.where(drawn % PARK_EVERY == PARK_AT, LOTS_ACROSS + 1, LOTS_IN_BLOCK)
        lots = lots_of_blocks(drawn, first[start] + np.cumsum(size) - size, rng)
        lawns, paving = lawns_and_paving(lots, rng)
        heads = heads_of_lawns(lawns, outlines(lawns, lots), lots, rng)
        tables = {
            "heads": _heads_table(heads, lots, faults),
            "turf": _turf_table(lawns, lots, faults, rng),
            "hardscape": _hardscape_table(paving, lots, faults, blocks),
            "parcels": _parcels_table(lots, faults, rng),
        }
        tables["zones"] = _zones_table(tables["heads"])
        yield tables


def _joined(*parts: str | pa.Array) -> pa.StringArray:
    return pc.binary_join_element_wise(*parts, "")


def _numbered(parent: pa.StringArray, letter: str, number: Ints) -> pa.StringArray:
    """Ids of parts of a parcel: ``P000012-H07``."""
    digits = pc.utf8_lpad(pa.array(number + 1).cast(pa.string()), width=2, padding="0")
    return _joined(parent, f"-{letter}", digits)


def _count_within(lot: Ints) -> Ints:
    """0, 1, 2 … within every run of equal lots."""
    is_first = np.concatenate(([True], lot[1:] != lot[:-1]))[: len(lot)]
    start = np.flatnonzero(is_first)
    return np.arange(len(lot)) - np.repeat(start, np.diff(np.append(start, len(lot))))


def _number(values: Floats) -> pa.Array:
    return pa.array(values, from_pandas=True)  # NaN becomes null


def _chosen(words: tuple[str, ...] | list[str], row: Ints) -> pa.StringArray:
    return pa.array(words).take(pa.array(row))


def _wkb(geometry: NDArray[np.object_]) -> pa.Array:
    return pa.array(shapely.to_wkb(geometry), type=pa.binary())


def _point_wkb(x_m: Floats, y_m: Floats) -> pa.Array:
    """Points as WKB, without making an object of each."""
    wkb = np.empty(len(x_m), dtype=[("order", "u1"), ("type", "<u4"), ("x", "<f8"), ("y", "<f8")])
    wkb["order"], wkb["type"], wkb["x"], wkb["y"] = 1, 1, x_m, y_m
    offsets = np.arange(len(wkb) + 1, dtype=np.int32) * wkb.dtype.itemsize
    return pa.Array.from_buffers(
        pa.binary(), len(wkb), [None, pa.py_buffer(offsets), pa.py_buffer(wkb.tobytes())]
    )


def _heads_table(heads: Heads, lots: Lots, faults: Faults) -> pa.Table:
    number = lots.number[heads.lot]
    names = faults.parcel_ids(number)
    within = _count_within(heads.lot)
    nozzle = pc.if_else(
        pa.array(faults.has("head_lacks_flow", number) & (within == 0)),
        None,
        _chosen(nozzle_names(), heads.nozzle),
    )
    table = pa.table(
        {
            "head_id": _numbered(names, "H", within),
            "zone": _numbered(names, "Z", heads.zone),
            "nozzle": nozzle,
            "arc_deg": heads.arc_deg,
            "start_bearing_deg": _number(heads.start_bearing_deg),
            "pressure_kpa": heads.pressure_kpa,
            "radius_m": _number(heads.radius_m),
            "geometry": _point_wkb(heads.x_m, heads.y_m),
        }
    ).filter(pa.array(number < faults.n_parcels))
    stray = np.flatnonzero(faults.has("heads_of_nobody", lots.number))
    if len(stray) == 0:
        return table
    corner = lots.corner_m[stray]
    in_street = np.round(corner[:, 0] - 0.2 * (corner[:, 1] - corner[:, 0]), 3)
    names = faults.parcel_ids(lots.number[stray])
    nothing = np.full(len(stray), np.nan)
    strays = pa.table(
        {
            "head_id": _joined(names, "-stray"),
            "zone": _joined("stray-", names),
            "nozzle": _chosen(nozzle_names(), np.full(len(stray), 3)),
            "arc_deg": np.full(len(stray), 360.0),
            "start_bearing_deg": _number(nothing),
            "pressure_kpa": np.full(len(stray), 210.0),
            "radius_m": _number(nothing),
            "geometry": _point_wkb(*in_street.T),
        }
    )
    return pa.concat_tables([table, strays])


def _turf_table(lawns: Areas, lots: Lots, faults: Faults, rng: np.random.Generator) -> pa.Table:
    number = lots.number[lawns.lot]
    within = _count_within(lawns.lot)
    rings = outlines(lawns, lots)
    is_back = lawns.kind == BACK
    drawn = np.where(is_back, polygons(rings, rng.uniform(0.0, 0.25, len(number))), polygons(rings))
    is_moved = faults.has("turf_in_no_parcel", number) & (within == 0)
    is_across = faults.has("turf_in_two_parcels", number) & _is_rightmost(lawns)
    for row in np.flatnonzero(is_moved | is_across):
        shift = _onto_street(lawns, lots, row) if is_moved[row] else _over_side(lawns, lots, row)
        drawn[row] = shapely.affinity.translate(drawn[row], *np.round(shift, 3))
    names = faults.parcel_ids(number)
    middle = shapely.centroid(drawn)
    x, y = shapely.get_x(middle), shapely.get_y(middle)
    slope = slope_pct(x, y) * rng.uniform(0.7, 1.4, len(number))
    soil = np.sin(x / 410.0) + np.sin(y / 330.0 + 1.0) + 0.5 * np.sin((x + y) / 150.0)
    trodden = np.select(
        [lawns.kind == VERGE, lawns.kind == PARK], [2, 1], rng.integers(0, 2, len(number))
    )
    texture = _chosen(TEXTURES, np.digitize(soil, (-1.1, -0.4, 0.1, 0.6, 1.2)))
    is_odd = faults.has("unknown_texture", number) & (within == 0)
    return pa.table(
        {
            "turf_id": _numbered(names, "T", within),
            "parcel_id": pc.if_else(pa.array(is_moved | is_across), None, names),
            "soil_texture": pc.if_else(pa.array(is_odd), "clayish", texture),
            "compaction": _chosen(COMPACTIONS, trodden),
            "plant_type": _chosen(PLANTS, ((lots.block % 4 == 3)[lawns.lot]).astype(np.int64)),
            "slope_pct": np.round(slope, 1),
            "geometry": _wkb(drawn),
        }
    ).filter(pa.array(number < faults.n_parcels))


def _is_rightmost(lawns: Areas) -> Bools:
    """Whether a lawn is the one of its lot that comes nearest to the right side."""
    order = np.lexsort((-lawns.rectangle_m[:, 2], lawns.lot))
    is_it = np.zeros(len(order), dtype=bool)
    is_it[order[_count_within(lawns.lot[order]) == 0]] = True
    return is_it


def _onto_street(lawns: Areas, lots: Lots, row: int) -> Floats:
    """Shift of a lawn that puts all of it before its lot."""
    lot = lawns.lot[row]
    inward = (lots.corner_m[lot, 1] - lots.corner_m[lot, 0]) / lots.depth_m[lot]
    return np.asarray(-(lawns.rectangle_m[row, 3] + 1.5) * inward)


def _over_side(lawns: Areas, lots: Lots, row: int) -> Floats:
    """Shift of a lawn that puts the last metre of it over the right side of its lot."""
    lot = lawns.lot[row]
    along = (lots.corner_m[lot, 3] - lots.corner_m[lot, 0]) / lots.width_m[lot]
    return np.asarray((lots.width_m[lot] - lawns.rectangle_m[row, 2] + 1.0) * along)


def _hardscape_table(paving: Areas, lots: Lots, faults: Faults, blocks: Ints) -> pa.Table:
    kept = np.flatnonzero(lots.number[paving.lot] < faults.n_parcels)
    paving = paving.take(kept)
    streets = street_polygons(blocks)
    surface = _chosen(PAVED, paving.kind).to_pylist() + ["street"] * len(streets)
    drawn = np.concatenate((polygons(outlines(paving, lots)), streets))
    return pa.table({"surface": pa.array(surface), "geometry": _wkb(drawn)})


def _parcels_table(lots: Lots, faults: Faults, rng: np.random.Generator) -> pa.Table:
    corner = lots.corner_m.copy()
    is_wide = faults.has("parcels_overlap", lots.number)
    street = corner[is_wide, 3] - corner[is_wide, 0]
    over = 1.5 * street / np.hypot(*street.T)[:, np.newaxis]
    corner[is_wide, 2:] = np.round(corner[is_wide, 2:] + over[:, np.newaxis], 3)
    n = len(lots.number)
    # Blocks of one age; a few gardens had a grant already, some are rented out.
    built = 1950 + 7 * (lots.block % 9) + rng.integers(0, 6, n)
    use = np.where(lots.is_park, 2, rng.random(n) < 0.15)
    return pa.table(
        {
            "parcel_id": faults.parcel_ids(lots.number),
            "land_use": _chosen(("residential", "rental", "park"), use.astype(np.int64)),
            "built_year": built.astype(np.int32),
            "has_grant": rng.random(n) < 0.06,
            "geometry": _wkb(shapely.orient_polygons(shapely.polygons(corner))),
        }
    ).filter(pa.array(lots.number < faults.n_parcels))


def _zones_table(heads: pa.Table) -> pa.Table:
    """Every zone of the heads; most plans say nothing, some water in two cycles."""
    zone = heads["zone"].unique()
    cycles = np.where(np.arange(len(zone)) % 5 < 3, np.nan, 1.0 + np.arange(len(zone)) % 2)
    return pa.table(
        {
            "zone": zone,
            "cycles": _number(cycles).cast(pa.int32()),
            "soak_minutes": _number(np.where(cycles > 1.0, 30.0, np.nan)),
        }
    )
