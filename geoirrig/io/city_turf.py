"""Turf of a city: what grows where, and whose it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.city_records import CityTurf
from geoirrig.errors import ProblemList
from geoirrig.grid.point_location import sole_polygons
from geoirrig.grid.polygon_rings import polygon_boxes
from geoirrig.io.arrow_layer import ArrowLayer
from geoirrig.io.city_parcels import PlacedParcels, placed_polygons
from geoirrig.io.coded_text import CodedText, Words, coded_text
from geoirrig.io.column_values import BoolArray, check_required_columns, named_ids, texts
from geoirrig.io.columns import TURF, listed, nearest_hint
from geoirrig.io.drawn_outlines import DrawnOutlines
from geoirrig.io.open_layer import LayerTable
from geoirrig.io.parcel_faults import (
    LeftOutItem,
    ParcelFaults,
    grouped,
    note_rows_at_fault,
    numbers_by_row,
)
from geoirrig.io.read_turf import NO_COMPACTION, read_turf
from geoirrig.io.working_plane import PlaneOfWork
from geoirrig.physics.plant_water_use import (
    DEFAULT_PLANT_TYPE,
    DEFAULT_ROOT_DEPTH_MM,
    PLANT_TYPES,
    known_plant_type,
)
from geoirrig.records import ObjectArray
from geoirrig.units import FloatArray
from geoirrig.wording import in_words

# A part in another parcel that is smaller than this share of the polygon, or than this area, comes
# from drawing. Judgement, no source.
PART_SHARE, PART_AREA_M2 = 0.05, 0.25
# Turf on a kerb strip lies in no parcel, across the walk from its own; farther off, its place or
# its parcel_id is wrong. Judgement, no source: a walk and a strip take less.
KERB_STRIP_M = 10.0
_DRAWN_IN_M = 0.05  # corners on a lot line are taken this much nearer to the middle


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadTurf:
    """Turf in the order of its layer, with what is wrong with it."""

    records: CityTurf  # not yet sorted by parcel; −1 belongs to none
    left_out: tuple[LeftOutItem, ...]


def read_city_turf(
    layer: ArrowLayer,
    parcels: PlacedParcels,
    plane: PlaneOfWork,
    problems: ProblemList,
    faults: ParcelFaults,
    *,
    drawn: DrawnOutlines,
    has_terrain: bool,
) -> ReadTurf:
    """Turf with its parcel: the one that its ``parcel_id`` names, else the one that holds it.

    Parameters
    ----------
    layer : ArrowLayer
        The turf layer.
    parcels : PlacedParcels
        The parcels.
    plane : PlaneOfWork
        The working plane.
    problems : ProblemList
        Takes missing columns and warnings.
    faults : ParcelFaults
        Takes parcels with turf at fault, or with turf that is another's too.
    drawn : DrawnOutlines
        Those of the layer.
    has_terrain : bool
        Whether a raster tells the slope of turf that does not state it.
    """
    check_required_columns(layer.table, problems)
    placed = placed_polygons(layer, drawn, plane, problems)
    texture = coded_text(layer, "soil_texture")
    compaction = _with_default(coded_text(layer, "compaction"), NO_COMPACTION)
    plants = _plant_types(layer, problems)
    slope_pct, bad_slope = numbers_by_row(layer, "slope_pct")
    depth_mm, bad_depth = numbers_by_row(layer, "root_depth_mm")
    parcel, left_out = _owners(layer, placed.outlines, parcels, problems, faults)
    at_fault = (
        placed.is_bad
        | bad_slope
        | bad_depth
        | _is_unknown(texture, TURF.text("soil_texture").words)
        | _is_unknown(compaction, TURF.text("compaction").words)
    )

    def careful(table: LayerTable, found: ProblemList) -> None:
        read_turf(table, found)

    note_rows_at_fault(layer, parcel, at_fault, careful, faults)
    if not has_terrain:
        _note_unknown_slopes(layer, parcel, np.isnan(slope_pct) & ~bad_slope, faults)
    records = CityTurf(
        parcel=parcel,
        wkb=placed.outlines.wkb,
        box_m=polygon_boxes(placed.outlines.rings),
        area_m2=placed.area_m2(),
        soil_texture=texture.code,
        compaction=compaction.code,
        plant_type=plants.code,
        slope_pct=slope_pct,
        root_depth_mm=np.where(np.isnan(depth_mm), DEFAULT_ROOT_DEPTH_MM, depth_mm),
        textures=tuple(texture.words),
        compactions=tuple(compaction.words),
        plant_types=tuple(plants.words),
    )
    return ReadTurf(records=records, left_out=tuple(left_out))


# --- columns -------------------------------------------------------------------------------------


def _with_default(coded: CodedText, default: str) -> CodedText:
    """The same with a word in place of ""; a word may then stand twice, which harms nothing."""
    return CodedText(code=coded.code, words=Words.of([word or default for word in coded.words]))


def _is_unknown(coded: CodedText, known: tuple[str, ...]) -> BoolArray:
    return np.array([word not in known for word in coded.words], dtype=bool)[coded.code]


def _plant_types(layer: ArrowLayer, problems: ProblemList) -> CodedText:
    coded = coded_text(layer, "plant_type")
    types = [known_plant_type(word) for word in coded.words]
    used = np.bincount(coded.code, minlength=len(types)) > 0
    unknown = [w for w, t, u in zip(coded.words, types, used, strict=True) if t is None and u]
    if unknown:
        problems.warn(
            f"{layer.table.start}: plant_type is best one of {', '.join(PLANT_TYPES)}; got "
            f"{listed(unknown, at_most=3)}. Taken for {DEFAULT_PLANT_TYPE}."
            f"{nearest_hint(unknown[0], PLANT_TYPES)}"
        )
    return CodedText(code=coded.code, words=Words.of([t or DEFAULT_PLANT_TYPE for t in types]))


def _note_unknown_slopes(
    layer: ArrowLayer, parcel: NDArray[np.int32], is_unknown: BoolArray, faults: ParcelFaults
) -> None:
    rows = np.flatnonzero(is_unknown & (parcel >= 0))
    for number, own in grouped(parcel[rows]):
        table = layer.rows(rows[own])
        faults.add(
            number,
            f"{table.start}: the slope of {named_ids(table, np.ones(len(own), dtype=bool))} is not "
            "known: slope_pct is not stated, and there is no slope or elevation raster.",
        )


def _turf_id(layer: ArrowLayer, row: np.int64) -> str:
    column = layer.rows(np.array([row])).columns.get("turf_id")
    return f"(feature {layer.table.feature[row]})" if column is None else repr(texts(column)[0])


# --- whose turf ----------------------------------------------------------------------------------


def _owners(
    layer: ArrowLayer,
    outlines: DrawnOutlines,
    parcels: PlacedParcels,
    problems: ProblemList,
    faults: ParcelFaults,
) -> tuple[NDArray[np.int32], list[LeftOutItem]]:
    """Parcel of every polygon, −1 for none, and those that have none."""
    stated, unknown = _stated_parcels(layer, parcels)
    # Turf often ends on the lot line.
    seen = sole_polygons(parcels.index, outlines.rings, drawn_in_m=_DRAWN_IN_M)
    owner = np.where(stated >= 0, stated, seen)
    is_doubtful = (seen < 0) | ((stated >= 0) & (seen != stated))
    is_doubtful[list(unknown)] = False
    doubtful = np.flatnonzero(is_doubtful & (np.diff(outlines.rings.polygon_ring) > 0))
    left_out: list[LeftOutItem] = []
    shares = [sorted(own) for own in _parts_in_parcels(outlines.geometry(doubtful), parcels)]
    alike: _Misplaced = {}
    for row, own in zip(doubtful, shares, strict=True):
        named, inside = int(stated[row]), tuple(number for number, _, _ in own)
        owner[row] = _owner_of_parts(named, inside)
        if len(inside) > 1 or (named >= 0 and inside != (named,)):
            alike.setdefault((named, inside), []).append((row, [area for _, area, _ in own]))
        elif not inside:
            left_out.append(_nobodys(layer, row, "lies in no parcel"))
    _note_misplaced(layer, outlines, alike, parcels, problems, faults)
    for row, name in unknown.items():
        owner[row] = -1
        hint = nearest_hint(name, parcels.records.parcel_id.tolist()[:1000])
        reason = f"states parcel_id {name!r}, which the parcels layer lacks.{hint}"
        left_out.append(_nobodys(layer, row, reason))
    return owner.astype(np.int32), left_out


def _nobodys(layer: ArrowLayer, row: np.int64, reason: str) -> LeftOutItem:
    return LeftOutItem(layer="turf", item_id=_turf_id(layer, row).strip("'"), reason=reason)


def _stated_parcels(
    layer: ArrowLayer, parcels: PlacedParcels
) -> tuple[NDArray[np.int32], dict[np.int64, str]]:
    """Parcel that each polygon names, −1 for none, and by row the names that no parcel has."""
    coded = coded_text(layer, "parcel_id")
    # of parcels with the same id the first: all of them fail
    known = Words.of(parcels.records.parcel_id.tolist())
    of_word = coded.words.places_in(known).astype(np.int32)
    is_lacking = (of_word < 0) & ~coded.words.is_blank()
    rows = np.flatnonzero(is_lacking[coded.code])
    return of_word[coded.code], {row: coded.words[coded.code[row]] for row in rows}


def _parts_in_parcels(
    turf: ObjectArray, parcels: PlacedParcels
) -> list[list[tuple[int, float, float]]]:
    """Of each polygon: the parcels that hold a part worth speaking of, its area and share."""
    found: list[list[tuple[int, float, float]]] = [[] for _ in turf]
    if not len(turf):
        return found
    place, parcel = shapely.STRtree(parcels.geometry).query(turf, predicate="intersects")
    shared: FloatArray = shapely.area(shapely.intersection(turf[place], parcels.geometry[parcel]))
    whole = shapely.area(turf)
    for at, number, area in zip(place, parcel, shared, strict=True):
        if area > PART_AREA_M2 and area > PART_SHARE * whole[at]:
            found[at].append((int(number), float(area), float(area / whole[at])))
    return found


def _owner_of_parts(stated: int, inside: tuple[int, ...]) -> int:
    """Parcel of a polygon that is not plainly in one; −1 for none, or where its parcels fail."""
    return inside[0] if stated < 0 and len(inside) == 1 else stated


# Turf whose place is in doubt and its area in each parcel, by the parcel that it states (−1: none)
# and those that it lies in: what is alike is told together.
_Misplaced = dict[tuple[int, tuple[int, ...]], list[tuple[np.int64, list[float]]]]


def _note_misplaced(
    layer: ArrowLayer,
    outlines: DrawnOutlines,
    alike: _Misplaced,
    parcels: PlacedParcels,
    problems: ProblemList,
    faults: ParcelFaults,
) -> None:
    """Fail the parcels of misplaced turf; a kerb strip is a warning."""
    kerb_strips: list[np.int64] = []
    for (stated, inside), found in alike.items():
        rows = np.array([row for row, _ in found])
        if inside:
            reason = _in_other_parcels(layer, stated, inside, found, parcels)
            for number in inside if stated < 0 else [stated]:
                faults.add(number, reason)
            continue
        gap_m = shapely.distance(outlines.geometry(rows), parcels.geometry[stated])
        is_far = gap_m > KERB_STRIP_M
        kerb_strips += rows[gap_m <= KERB_STRIP_M].tolist()  # NaN: its parcel is not drawn
        if is_far.any():
            faults.add(
                stated,
                "Turf that states this parcel but lies in no parcel, as far as "
                f"{np.nanmax(gap_m):,.1f} m from this one: {_named(layer, rows[is_far])}. Correct "
                "its place or its parcel_id.",
            )
    if kerb_strips:
        problems.warn(
            f"turf: {_named(layer, np.array(kerb_strips))}: in no parcel, but at most "
            f"{KERB_STRIP_M:g} m from the one that parcel_id states, and counted there, as a kerb "
            "strip is."
        )


def _in_other_parcels(
    layer: ArrowLayer,
    stated: int,
    inside: tuple[int, ...],
    found: list[tuple[np.int64, list[float]]],
    parcels: PlacedParcels,
) -> str:
    """Why a parcel fails whose turf lies, as a whole or in part, in others."""
    areas = np.sum([areas for _, areas in found], axis=0)
    where = in_words(
        f"{str(parcels.records.parcel_id[number])!r} ({area:,.1f} m²)"
        for number, area in zip(inside, areas, strict=True)
    )
    turf = _named(layer, np.array([row for row, _ in found]))
    if stated >= 0 and len(inside) == 1:
        return f"Turf that states this parcel but lies in {where}: {turf}. Correct one of them."
    return f"Turf that lies in more than one parcel, {where}: {turf}. Divide it."


def _named(layer: ArrowLayer, rows: NDArray[np.int64]) -> str:
    table = layer.rows(rows)
    return named_ids(table, np.ones(len(rows), dtype=bool))
