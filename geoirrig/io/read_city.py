"""Everything about a city, read in bulk: what concerns one parcel fails that parcel alone."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.city_records import (
    BoolArray,
    CityHeads,
    CityInputs,
    CityTurf,
    HeadState,
    LeftOut,
    packed_bytes,
)
from geoirrig.errors import ProblemList
from geoirrig.expressions.grammar import ValueKind
from geoirrig.grid.polygon_rings import polygon_boxes
from geoirrig.grid.ring_kernels import Rings
from geoirrig.io.arrow_layer import ArrowLayer, read_arrow_layers
from geoirrig.io.checksums import Checksum, file_sha256
from geoirrig.io.city_heads import (
    NozzleTables,
    PlacedHeads,
    StatedCityHeads,
    city_nozzles,
    head_positions,
    head_state,
    placed_heads,
    read_city_heads,
)
from geoirrig.io.city_parcels import note_overlaps, read_city_parcels
from geoirrig.io.city_retrofit import heads_under_nozzle_set
from geoirrig.io.city_turf import read_city_turf
from geoirrig.io.city_zones import (
    Rows,
    heads_in_order,
    note_bad_plans,
    read_city_zone_plan,
    zones_of_heads,
)
from geoirrig.io.coded_text import CodedText, Words, coded_text, is_repeated
from geoirrig.io.column_values import check_required_columns, named_ids
from geoirrig.io.columns import LAYERS, listed
from geoirrig.io.drawn_outlines import drawn_outlines
from geoirrig.io.geometries import polygons
from geoirrig.io.open_layer import read_layer
from geoirrig.io.parcel_faults import (
    LeftOutItem,
    ParcelFaults,
    grouped,
    note_repeated_ids,
)
from geoirrig.io.read_nozzles import (
    check_profiles_known,
    read_nozzles,
    read_profiles,
)
from geoirrig.io.read_site import SiteSources, input_files, layer_places
from geoirrig.io.replace_nozzles import pressure_step, warn_of_raised_pressure
from geoirrig.io.working_plane import PlaneOfWork, plane_of_work
from geoirrig.processors import submit_after, threads_beside
from geoirrig.records import InputFile, NozzleSet
from geoirrig.units import FloatArray

CITY_LAYERS = ("heads", "turf", "parcels", "zones")
REQUIRED_LAYERS = ("parcels", "turf", "heads")


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenCity:
    """The layers of a city in bulk, before anything is made of them."""

    layers: Mapping[str, ArrowLayer]
    repeated: Mapping[str, BoolArray]  # by layer: rows without an id of their own
    nozzle: CodedText  # of the heads
    tables: NozzleTables
    files: tuple[InputFile, ...]

    @property
    def parcel_columns(self) -> dict[str, ValueKind]:
        """Columns of the parcels layer with what their values are: number, text or truth."""
        if "parcels" not in self.layers:
            return {}
        kinds: dict[str, ValueKind] = {}
        parcels = self.layers["parcels"].table.columns
        for name in parcels:
            kind = parcels[name].dtype.kind
            kinds[name] = "truth" if kind == "b" else "number" if kind in "iuf" else "text"
        return kinds

    @property
    def nozzles_in_use(self) -> tuple[str, ...]:
        """Nozzles that heads name."""
        return tuple(word for word in self.nozzle.words if word)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedCity:
    """A city in its working plane."""

    inputs: CityInputs
    plane: PlaneOfWork


def open_city(
    sources: SiteSources, problems: ProblemList, *, checksum: Checksum = file_sha256
) -> OpenCity:
    """Read the layers of a city in bulk.

    Parameters
    ----------
    sources : SiteSources
        Files, GeoPackage or GeoParquet for the larger layers.
    problems : ProblemList
        Takes missing layers and columns, files that cannot be read, faults of the nozzle table.
    checksum : callable, optional
        What reckons the checksum of a file.
    """
    places, _ = layer_places(sources, problems, required=REQUIRED_LAYERS)
    with threads_beside(1) as aside:
        files = aside.submit(input_files, sources, ProblemList(), checksum)
        roles = [role for role in CITY_LAYERS if role in places]
        read = read_arrow_layers(
            [(*places[role], LAYERS[role]) for role in roles],
            problems,
            carried=frozenset(["parcels"]),
        )
        layers = {r: layer for r, layer in zip(roles, read, strict=True) if layer is not None}
        repeated = {
            role: aside.submit(is_repeated, layers[role], f"{role.removesuffix('s')}_id")
            for role in REQUIRED_LAYERS
            if role in layers
        }
        tables = _nozzle_tables(places, problems)
        nozzle = CodedText(code=np.empty(0, dtype=np.int32), words=Words.of([]))
        if "heads" in layers:
            nozzle = coded_text(layers["heads"], "nozzle")
        return OpenCity(
            layers=layers,
            repeated={role: found.result() for role, found in repeated.items()},
            nozzle=nozzle,
            tables=tables,
            files=files.result(),
        )


def read_city(
    opened: OpenCity,
    problems: ProblemList,
    *,
    nozzle_set: NozzleSet | None,
    has_terrain: bool,
    pressure_apart: bool = False,
) -> PlacedCity | None:
    """A city ready to be worked; None where it has a fault of its own, not of single parcels.

    Parameters
    ----------
    opened : OpenCity
        Its layers.
    problems : ProblemList
        Takes the faults of the city and warnings.
    nozzle_set : NozzleSet or None
        The retrofit; None leaves every head as it is.
    has_terrain : bool
        Whether a raster tells the slope of turf that does not state it.
    pressure_apart : bool
        Whether the existing nozzles at the new pressures are wanted too.
    """
    layers, faults = opened.layers, ParcelFaults()
    empty = [role for role in REQUIRED_LAYERS if role in layers and not layers[role].n_rows]
    for role in empty:
        problems.add(f"{layers[role].table.start} holds nothing. Draw the {role} first.")
    if empty or not set(REQUIRED_LAYERS) <= layers.keys():
        _check_columns(layers, problems)
        return None
    # What is found aside is added last, part by part: messages have one order.
    overlaps, faults_of_heads = ParcelFaults(), ParcelFaults()
    stating, placing, running, changing, planning = (ProblemList() for _ in range(5))
    with threads_beside(3) as aside:
        of_heads = aside.submit(
            read_city_heads, layers["heads"], opened.nozzle, opened.tables, stating
        )
        outlines = drawn_outlines(layers["turf"])
        plane = _plane(layers["turf"], outlines.rings, problems)
        if plane is None:
            _check_columns(layers, problems)
            return None
        of_positions = aside.submit(head_positions, layers["heads"], plane, placing)
        parcels = read_city_parcels(
            layers["parcels"],
            plane,
            problems,
            faults,
            is_repeated=opened.repeated["parcels"],
        )
        search = aside.submit(note_overlaps, parcels, overlaps)
        of_plan = submit_after(
            aside,
            lambda heads: read_city_zone_plan(layers.get("zones"), heads.zone.words, planning),
            of_heads,
        )
        of_existing = submit_after(
            aside,
            lambda heads: head_state(heads, heads.nozzle.words, opened.tables, running),
            of_heads,
        )
        of_states = submit_after(
            aside,
            _states,
            of_heads,
            of_existing,
            nozzle_set,
            opened.tables,
            changing,
            pressure_apart=pressure_apart,
        )
        of_places = submit_after(
            aside,
            placed_heads,
            of_heads,
            of_positions,
            parcels,
            plane,
            opened.tables,
            faults_of_heads,
        )
        in_order = submit_after(
            aside,
            lambda heads, placed, plan: heads_in_order(heads.zone, placed.parcel, plan),
            of_heads,
            of_places,
            of_plan,
        )
        turf = read_city_turf(
            layers["turf"],
            parcels,
            plane,
            problems,
            faults,
            drawn=outlines,
            has_terrain=has_terrain,
        )
        heads, placed = of_heads.result(), of_places.result()
        states, plan, ordered = of_states.result(), of_plan.result(), in_order.result()
        for told in (stating, placing, running, changing):
            problems.take(told)
        if nozzle_set is not None:
            _warn_of_raised_pressure(nozzle_set.name, heads, placed, states, problems)
        faults.take(faults_of_heads)
        for role, owner in (("turf", turf.records.parcel), ("heads", placed.parcel)):
            note_repeated_ids(layers[role], owner, opened.repeated[role], faults)
        search.result()
    faults.take(overlaps)
    problems.take(planning)
    if "zones" in layers:
        note_bad_plans(layers["zones"], heads.zone, placed.parcel, plan, faults)
    if problems.problems:
        return None
    _note_heads_without_throw(heads, placed.parcel, states, opened.tables, faults)
    kept = ~faults.is_failed(len(parcels.records.parcel_id))
    zones, order, zone_of_head = zones_of_heads(heads.zone, placed.parcel, plan, ordered, kept)
    left_out = (*turf.left_out, *placed.left_out)
    _warn_of_left_out(left_out, problems)
    inputs = CityInputs(
        plane=plane.record,
        parcels=parcels.records,
        turf=_sorted_turf(turf.records, kept),
        heads=_sorted_heads(heads, placed, states, order, zone_of_head, opened.tables),
        zones=zones,
        failures=faults.failures(),
        left_out=_left_out(left_out),
        files=opened.files,
        warnings=tuple(problems.warnings),
    )
    return PlacedCity(inputs=inputs, plane=plane)


# --- the city as a whole -------------------------------------------------------------------------


def _check_columns(layers: Mapping[str, ArrowLayer], problems: ProblemList) -> None:
    """Nothing can be placed, but the columns can be looked at."""
    for layer in layers.values():
        check_required_columns(layer.table, problems)


def _plane(turf: ArrowLayer, outlines: Rings, problems: ProblemList) -> PlaneOfWork | None:
    """The working plane; the ends of the turf tell where it lies as well as all corners would."""
    if turf.table.crs is None:
        return None
    box = polygon_boxes(outlines)
    box = box[np.isfinite(box).all(axis=1)]
    if not len(box):
        faults = ProblemList()
        polygons(turf.rows(np.arange(turf.n_rows)), faults)  # says what there is instead
        if not faults.problems:
            faults.add(f"{turf.table.start} holds no polygons. Draw the turf first.")
        problems.take(faults)
        return None
    west, south, _, _ = np.min(box, axis=0)
    _, _, east, north = np.max(box, axis=0)
    frame = np.array([shapely.box(west, south, east, north)], dtype=object)
    return plane_of_work(turf.table.crs, frame, place=turf.table.place, problems=problems)


def _nozzle_tables(places: Mapping[str, tuple[Path, str]], problems: ProblemList) -> NozzleTables:
    profiles = None
    if "profiles" in places:
        table = read_layer(*places["profiles"], LAYERS["profiles"], problems)
        profiles = {} if table is None else read_profiles(table, problems)
    nozzles = {}
    if "nozzles" in places:
        table = read_layer(*places["nozzles"], LAYERS["nozzles"], problems)
        if table is not None:
            nozzles = read_nozzles(table, problems)
            check_profiles_known(table, nozzles, profiles, problems)
    return NozzleTables(nozzles=nozzles, profiles=profiles or {})


def _warn_of_left_out(items: tuple[LeftOutItem, ...], problems: ProblemList) -> None:
    for layer in ("turf", "heads"):
        own = [item for item in items if item.layer == layer]
        count = sum(item.count for item in own)
        if own:
            named = listed([item.item_id for item in own[:3]])
            problems.warn(
                f"{layer}: {count:,} {'belongs' if count == 1 else 'belong'} to no parcel and "
                f"{'is' if count == 1 else 'are'} left out"
                f"{', among them' if count > len(own[:3]) else ':'} {named}. The table 'left_out' "
                "says why."
            )


def _left_out(items: tuple[LeftOutItem, ...]) -> LeftOut:
    return LeftOut(
        layer=tuple(item.layer for item in items),
        item_id=tuple(item.item_id for item in items),
        reason=tuple(item.reason for item in items),
        count=tuple(item.count for item in items),
    )


# --- heads before and after ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _States:
    words: Words
    existing: HeadState
    retrofit: HeadState
    at_new_pressure: HeadState | None
    stated_pressure_kpa: FloatArray  # under the nozzle set
    is_replaced: BoolArray
    is_regulated: BoolArray


def _states(
    heads: StatedCityHeads,
    existing: HeadState,
    nozzle_set: NozzleSet | None,
    tables: NozzleTables,
    problems: ProblemList,
    *,
    pressure_apart: bool,
) -> _States:
    if nozzle_set is None:
        none = np.zeros(len(heads.pressure_kpa), dtype=bool)
        return _States(
            words=heads.nozzle.words,
            existing=existing,
            retrofit=existing,
            at_new_pressure=None,
            stated_pressure_kpa=heads.pressure_kpa,
            is_replaced=none,
            is_regulated=none,
        )
    changed = heads_under_nozzle_set(heads, nozzle_set, tables, problems)
    words = changed.heads.nozzle.words  # begins with those of the layer
    at_new_pressure = None
    step = pressure_step(nozzle_set) if pressure_apart else None
    if step is not None:
        moved = heads_under_nozzle_set(heads, step, tables, ProblemList())
        at_new_pressure = head_state(moved.heads, words, tables, ProblemList())
    return _States(
        words=words,
        existing=existing,
        retrofit=head_state(changed.heads, words, tables, problems),
        at_new_pressure=at_new_pressure,
        stated_pressure_kpa=changed.heads.pressure_kpa,
        is_replaced=changed.is_replaced,
        is_regulated=changed.is_regulated,
    )


def _warn_of_raised_pressure(
    name: str, heads: StatedCityHeads, placed: PlacedHeads, states: _States, problems: ProblemList
) -> None:
    owned = placed.parcel >= 0
    rows = slice(None) if owned.all() else owned
    now, new = heads.pressure_kpa[rows], states.stated_pressure_kpa[rows]
    warn_of_raised_pressure(name, now, new, problems)


def _note_heads_without_throw(
    heads: StatedCityHeads,
    parcel: NDArray[np.int32],
    states: _States,
    tables: NozzleTables,
    faults: ParcelFaults,
) -> None:
    """Heads that have a flow now but none in the retrofit, and the like."""
    has_no_tests = np.array([word not in tables.nozzles for word in states.words], dtype=bool)
    if not has_no_tests.any():
        return
    for state in (states.existing, states.retrofit):
        without = has_no_tests[state.nozzle]
        without &= np.isnan(state.flow_lpm) | np.isnan(state.radius_m)
        rows = np.flatnonzero(without & (parcel >= 0))
        for number, own in grouped(parcel[rows]):
            if number not in faults.reasons:
                table = heads.layer.rows(rows[own[:1]])
                faults.add(
                    number,
                    f"{table.start}: {len(own)} heads have no flow or no radius, the first is "
                    f"{named_ids(table, np.ones(1, dtype=bool))}. Correct its nozzle, or state "
                    "both.",
                )


# --- in the order of the parcels -----------------------------------------------------------------


def _sorted_turf(turf: CityTurf, kept: BoolArray) -> CityTurf:
    rows = np.flatnonzero((turf.parcel >= 0) & kept[turf.parcel])
    rows = rows[np.argsort(turf.parcel[rows], kind="stable")]
    if np.array_equal(rows, np.arange(len(turf.parcel))):
        return turf
    return dataclasses.replace(
        turf,
        wkb=packed_bytes(turf.wkb.of_rows(rows)),
        **{
            field.name: getattr(turf, field.name)[rows]
            for field in dataclasses.fields(turf)
            if isinstance(getattr(turf, field.name), np.ndarray)
        },
    )


def _sorted_heads(
    heads: StatedCityHeads,
    placed: PlacedHeads,
    states: _States,
    rows: Rows,
    zone: NDArray[np.int32],
    tables: NozzleTables,
) -> CityHeads:
    nozzles, profiles = city_nozzles(states.words, tables)

    taken: dict[int, NDArray[Any]] = {}  # states may share an array, and go on sharing it

    def in_order(state: HeadState) -> HeadState:
        columns = {}
        for field in dataclasses.fields(HeadState):
            values = getattr(state, field.name)
            if id(values) not in taken:
                taken[id(values)] = values[rows]
            columns[field.name] = taken[id(values)]
        return HeadState(**columns)

    moved, existing = states.at_new_pressure, in_order(states.existing)
    return CityHeads(
        zone=zone,
        x_m=placed.x_m[rows],
        y_m=placed.y_m[rows],
        arc_deg=heads.arc_deg[rows],
        start_bearing_deg=heads.start_bearing_deg[rows],
        existing=existing,
        retrofit=existing if states.retrofit is states.existing else in_order(states.retrofit),
        at_new_pressure=None if moved is None else in_order(moved),
        is_replaced=states.is_replaced[rows],
        is_regulated=states.is_regulated[rows],
        nozzles=nozzles,
        profiles=profiles,
    )
