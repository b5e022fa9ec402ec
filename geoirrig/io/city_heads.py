"""Heads of a city: where they stand, whose they are, and what their nozzles make of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.city_records import CityNozzles, HeadState
from geoirrig.errors import ProblemList
from geoirrig.io.arrow_layer import ArrowLayer, point_coordinates_of
from geoirrig.io.city_parcels import PlacedParcels, parcel_of_points
from geoirrig.io.coded_text import CodedText, Words, coded_text
from geoirrig.io.column_values import (
    BoolArray,
    check_required_columns,
    has_column,
    row_ids,
)
from geoirrig.io.open_layer import LayerTable
from geoirrig.io.parcel_faults import (
    LeftOutItem,
    ParcelFaults,
    note_rows_at_fault,
    numbers_by_row,
)
from geoirrig.io.read_heads import (
    profiles_of,
    read_heads,
    running_pressure,
    sprinkler_layout,
)
from geoirrig.io.read_nozzles import Nozzle
from geoirrig.io.read_zones import read_zone_plan
from geoirrig.io.working_plane import PlaneOfWork, coordinates_in_plane
from geoirrig.physics.radial_distribution import RadialProfile
from geoirrig.units import FloatArray
from geoirrig.wording import counted

_FULL_CIRCLE_DEG = 360.0
_MOST_NAMED = 1000  # heads that are left out, named one by one in the results


@dataclass(frozen=True, slots=True, kw_only=True)
class NozzleTables:
    """Nozzles and measured profiles by name."""

    nozzles: Mapping[str, Nozzle]
    profiles: Mapping[str, RadialProfile]


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedCityHeads:
    """What their columns state of the heads, in the order of the layer, in SI; NaN: nothing."""

    layer: ArrowLayer
    zone: CodedText
    nozzle: CodedText
    arc_deg: FloatArray
    start_bearing_deg: FloatArray
    radius_m: FloatArray
    flow_lpm: FloatArray
    pressure_kpa: FloatArray
    at_fault: BoolArray  # rows that cannot be used


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedHeads:
    """Where the heads stand and whose they are, in the order of the layer."""

    x_m: FloatArray
    y_m: FloatArray
    parcel: NDArray[np.int32]  # −1: nobody's
    left_out: tuple[LeftOutItem, ...]


def read_city_heads(
    layer: ArrowLayer, nozzle: CodedText, tables: NozzleTables, problems: ProblemList
) -> StatedCityHeads:
    """Heads as the columns of their layer state them.

    Parameters
    ----------
    layer : ArrowLayer
        The heads layer.
    nozzle : CodedText
        Its nozzles.
    tables : NozzleTables
        Nozzles; a head whose nozzle is not among them fails its parcel.
    problems : ProblemList
        Takes missing columns.
    """
    check_required_columns(layer.table, problems)
    _check_throw_is_stated(layer, tables, problems)
    zone = coded_text(layer, "zone")
    at_fault = zone.is_blank()
    numbers: dict[str, FloatArray] = {}
    for name in ("arc_deg", "start_bearing_deg", "radius_m", "flow_lpm", "pressure_kpa"):
        numbers[name], is_bad = numbers_by_row(layer, name)
        at_fault |= is_bad
    for name in ("trajectory_deg", "riser_m"):  # which are only to be right
        if has_column(layer.table, name):
            at_fault |= numbers_by_row(layer, name)[1]
    arc, bearing = numbers["arc_deg"], numbers["start_bearing_deg"]
    at_fault |= (arc < _FULL_CIRCLE_DEG) & np.isnan(bearing)
    if np.isnan(arc).any():  # most often it is not, and a city has millions
        arc = np.where(np.isnan(arc), _FULL_CIRCLE_DEG, arc)
    bearing = np.where(np.isnan(bearing), 0.0, bearing)
    np.remainder(bearing, _FULL_CIRCLE_DEG, out=bearing)
    unknown = np.array([bool(w) and w not in tables.nozzles for w in nozzle.words], dtype=bool)
    throw_lacks = np.isnan(numbers["radius_m"]) | np.isnan(numbers["flow_lpm"])
    at_fault |= unknown[nozzle.code] | (nozzle.is_blank() & throw_lacks)
    return StatedCityHeads(
        layer=layer,
        zone=zone,
        nozzle=nozzle,
        arc_deg=arc,
        start_bearing_deg=bearing,
        radius_m=numbers["radius_m"],
        flow_lpm=numbers["flow_lpm"],
        pressure_kpa=numbers["pressure_kpa"],
        at_fault=at_fault,
    )


def head_positions(
    layer: ArrowLayer, plane: PlaneOfWork, problems: ProblemList
) -> tuple[FloatArray, FloatArray]:
    """East and north [m] of the heads in the working plane; NaN where there is no position."""
    coordinates = point_coordinates_of(layer)
    if layer.table.crs is None:
        coordinates = np.full_like(coordinates, np.nan)
    else:
        coordinates = coordinates_in_plane(
            coordinates, layer.table.crs, plane, place=layer.table.place, problems=problems
        )
    return np.ascontiguousarray(coordinates[:, 0]), np.ascontiguousarray(coordinates[:, 1])


def placed_heads(
    heads: StatedCityHeads,
    position: tuple[FloatArray, FloatArray],
    parcels: PlacedParcels,
    plane: PlaneOfWork,
    tables: NozzleTables,
    faults: ParcelFaults,
) -> PlacedHeads:
    """Find the parcel in which each head stands.

    Parameters
    ----------
    heads : StatedCityHeads
        What their columns state.
    position : tuple of ndarray
        As `head_positions` gives it.
    parcels : PlacedParcels
        The parcels.
    plane, tables : PlaneOfWork, NozzleTables
        The working plane, and the nozzles.
    faults : ParcelFaults
        Takes parcels with a head at fault: without flow, zone or bearing, out of range …
    """
    x_m, y_m = position
    parcel = parcel_of_points(parcels, x_m, y_m)

    def careful(table: LayerTable, found: ProblemList) -> None:
        stated = read_heads(table, plane, found)
        plan = read_zone_plan(None, stated.zone, found)
        sprinkler_layout(stated, tables.nozzles, tables.profiles, plan, problems=found)

    note_rows_at_fault(heads.layer, parcel, heads.at_fault | np.isnan(x_m), careful, faults)
    return PlacedHeads(
        x_m=x_m, y_m=y_m, parcel=parcel, left_out=_nobodys_heads(heads.layer, parcel)
    )


def head_state(
    heads: StatedCityHeads,
    words: Words,
    tables: NozzleTables,
    problems: ProblemList,
) -> HeadState:
    """The heads with the pressures that they run at, as `sprinkler_layout` finds them for a site.

    Parameters
    ----------
    heads : StatedCityHeads
        As stated, or with nozzles and pressures of a nozzle set.
    words : Words
        Names that the codes of ``heads.nozzle`` point into.
    tables : NozzleTables
        Nozzle table and profiles.
    problems : ProblemList
        Takes the warning that a pressure was assumed.
    """
    code, pressure, is_unstated = (
        heads.nozzle.code,
        heads.pressure_kpa,
        np.isnan(heads.pressure_kpa),
    )
    assumes = is_unstated & (np.isnan(heads.flow_lpm) | np.isnan(heads.radius_m))
    n_assumed = np.bincount(code[assumes], minlength=len(words))
    is_used = np.bincount(code, minlength=len(words)) > 0
    own, unknown = np.full(len(words), np.nan), np.full(1, np.nan)
    for number, name in enumerate(words):
        if name in tables.nozzles and is_used[number]:
            nozzle, count = tables.nozzles[name], int(n_assumed[number])
            own[number] = running_pressure(unknown, nozzle, count, problems)[0]
    if is_unstated.any():
        pressure = np.where(is_unstated, own[code], pressure)
    return HeadState(
        nozzle=code,
        pressure_kpa=pressure,
        flow_lpm=heads.flow_lpm,
        radius_m=heads.radius_m,
    )


def city_nozzles(
    words: Words, tables: NozzleTables
) -> tuple[CityNozzles, tuple[RadialProfile, ...]]:
    """What the tables say of each nozzle name, NaN and "" where nothing; the profiles in use."""
    found = [tables.nozzles.get(word) for word in words]
    profile, used = profiles_of(words.array(), tables.nozzles, tables.profiles)

    def stated(name: str) -> FloatArray:
        return np.array([np.nan if n is None else getattr(n, name) for n in found], np.float64)

    nozzles = CityNozzles(
        name=tuple(words),
        device=tuple("" if n is None else n.device for n in found),
        pressure_min_kpa=stated("pressure_min_kpa"),
        pressure_max_kpa=stated("pressure_max_kpa"),
        unit_cost=stated("unit_cost"),
        tests=tuple(found),
        profile=profile.astype(np.int32),
    )
    return nozzles, used


# --- checks --------------------------------------------------------------------------------------


def _check_throw_is_stated(layer: ArrowLayer, tables: NozzleTables, problems: ProblemList) -> None:
    table = layer.table
    states_throw = has_column(table, "radius_m") and has_column(table, "flow_lpm")
    if "nozzle" not in table.columns and not states_throw:
        problems.add(
            f"{table.start} needs either a column 'nozzle', or both a radius ('radius_m' or "
            "'radius_ft') and a flow ('flow_lpm' or 'flow_gpm'). Add one or the other."
        )
    elif not tables.nozzles and not states_throw and not problems.problems:
        problems.add(
            f"{table.start} names nozzles, but there is no usable nozzles table. Add the layer "
            "'nozzles' or give --nozzles FILE."
        )


def _nobodys_heads(layer: ArrowLayer, parcel: NDArray[np.int32]) -> tuple[LeftOutItem, ...]:
    rows = np.flatnonzero(parcel < 0)
    if not len(rows):
        return ()
    ids = row_ids(layer.rows(rows[:_MOST_NAMED]), ProblemList())
    items = [
        LeftOutItem(layer="heads", item_id=str(head_id), reason="stands in no parcel")
        for head_id in ids
    ]
    if len(rows) > _MOST_NAMED:
        count = len(rows) - _MOST_NAMED
        items.append(
            LeftOutItem(
                layer="heads",
                item_id=counted(count, "more head"),
                reason=f"stand{'s' if count == 1 else ''} in no parcel",
                count=count,
            )
        )
    return tuple(items)
