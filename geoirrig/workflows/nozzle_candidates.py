"""What could stand in each place: nozzle, arc, start bearing and radius, from the nozzle table."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.spatial import cKDTree

from geoirrig.errors import ProblemList
from geoirrig.io.columns import LAYERS
from geoirrig.io.open_layer import read_layer
from geoirrig.io.read_heads import profiles_of, running_pressure
from geoirrig.io.read_nozzles import Nozzle, read_nozzles, read_profiles
from geoirrig.io.read_site import SiteSources, layer_places
from geoirrig.physics.nozzle_hydraulics import flow_and_radius
from geoirrig.physics.radial_distribution import RadialProfile
from geoirrig.records import IntArray, SprinklerLayout
from geoirrig.surfaces.sector_bearings import (
    edge_bearings_deg,
    sector_bearings_deg,
    share_on_turf,
    with_sector_sides,
)
from geoirrig.units import FloatArray

_WHOLE_TURN_DEG = 360.0
# Throws from a head to the next: head to head, with the tolerance of 10 % that 30 TAC 344.62(b)(1)
# has for spacing.
MOST_SPACING = 1.1
_ROTOR = "rotor"
_NEAR_THE_BEST = 0.05
_QUARTERS_DEG = (90.0, 180.0, 270.0, 360.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class NozzleTable:
    """Candidates: nozzles and profiles by name."""

    nozzles: Mapping[str, Nozzle]
    profiles: Mapping[str, RadialProfile]


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidateOptions:
    """How many candidates a place gets.

    Attributes
    ----------
    bearing_step_deg : float
        Start bearings are tried all round in this step; infinite: only with a side of the sector
        along a turf edge that the head stands on, or along a side of the sector now. [degree]
    radius_levels : int
        Radii tried from the least to the full throw of an adjustable nozzle, at least 2.
    least_on_turf : float
        Share of a candidate's sector that has to lie on turf, or as much as any has, to within a
        twentieth; judgement. [1]
    reaches_neighbour : bool
        Whether a candidate has to reach the nearest other head of the zone, a distance of at most
        `MOST_SPACING` throws, or to throw as far as any candidate of the place does.
    at_most : int
        Candidates kept of each place, those with the largest share of their sector on turf; what
        stands there now is kept besides.
    """

    bearing_step_deg: float = np.inf
    radius_levels: int = 3
    least_on_turf: float = 0.8
    reaches_neighbour: bool = True
    at_most: int = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fitting:
    """One candidate of a place."""

    nozzle: str
    arc_deg: float
    start_bearing_deg: float
    radius_m: float
    flow_lpm: float
    pressure_kpa: float


def read_nozzle_table(sources: SiteSources, problems: ProblemList) -> NozzleTable:
    """The candidates of a run: the nozzles and the profiles of its sources.

    Faults of the tables are noted here in the same words as by `load_site`, so that a run that
    does both tells each of them once.
    """
    places, _ = layer_places(sources, problems, required=("nozzles",))
    tables = {
        role: read_layer(*places[role], LAYERS[role], problems)
        for role in ("nozzles", "profiles")
        if role in places
    }
    nozzles, profiles = tables.get("nozzles"), tables.get("profiles")
    return NozzleTable(
        nozzles={} if nozzles is None else read_nozzles(nozzles, problems),
        profiles={} if profiles is None else read_profiles(profiles, problems),
    )


def place_candidates(
    places: SprinklerLayout,
    table: NozzleTable,
    turf: shapely.Geometry,
    options: CandidateOptions,
    *,
    n_standing: int,
) -> tuple[SprinklerLayout, IntArray]:
    """Candidates of every place, those of a place side by side.

    Parameters
    ----------
    places : SprinklerLayout
        Heads that stand, which are their own first candidate, then places for new ones. A nozzle
        whose rated range does not hold the pressure of a place is no candidate there, nor is one
        that does not fit the body.
    table : NozzleTable
        Nozzles.
    turf : shapely geometry
        All turf.
    options : CandidateOptions
        How many.
    n_standing : int
        How many of the places hold a head now.

    Returns
    -------
    tuple of SprinklerLayout and ndarray of int, shape (n_places + 1,)
        Candidates of place h are rows ``first[h]`` up to ``first[h + 1]``.

    Notes
    -----
    Arcs: those that the nozzle was tested at and that of the head now; for a nozzle tested at one
    arc only, the quarters of the circle too. A nozzle that is turned down keeps its flow: common
    practice, no source; the screw breaks the jet and takes little flow away.
    """
    shapely.prepare(turf)
    place: list[int] = []
    fittings: list[_Fitting] = []
    first = [0]
    neighbour_m = _nearest_m(places, n_standing)
    for number in range(len(places.x_m)):
        found = _fittings(places, number, table, turf, options)
        if options.reaches_neighbour:
            found = _reaching(found, float(neighbour_m[number]))
        found = _most_on_turf(found, places, number, turf, options)
        if number < n_standing:
            now = _as_it_stands(places, number)
            found = [now, *(one for one in found if one != now)]
        fittings += found
        place += [number] * len(found)
        first.append(len(place))
    return _fitted(places, np.array(place, dtype=np.int64), fittings, table, first), np.array(
        first, dtype=np.int64
    )


def _nearest_m(places: SprinklerLayout, n_standing: int) -> FloatArray:
    """Distance of each place to the nearest other head that stands; 0 where there is none.

    A new head is to throw as the others do: for it, at least the median of theirs counts.
    """
    points = np.column_stack([places.x_m, places.y_m])
    if n_standing < 2:
        return np.zeros(len(points))
    distance = np.asarray(cKDTree(points[:n_standing]).query(points, k=2)[0])
    usual = np.median(distance[:n_standing, 1])
    is_new = np.arange(len(points)) >= n_standing
    return np.where(is_new, np.maximum(distance[:, 0], usual), distance[:, 1])


def _reaching(fittings: list[_Fitting], neighbour_m: float) -> list[_Fitting]:
    """Fittings that throw to the neighbour, or as far as any of them does."""
    longest = max((one.radius_m for one in fittings), default=0.0)
    least = min(neighbour_m / MOST_SPACING, longest)
    return [one for one in fittings if one.radius_m >= least]


def _as_it_stands(places: SprinklerLayout, number: int) -> _Fitting:
    return _Fitting(
        nozzle=str(places.nozzle[number]),
        arc_deg=float(places.arc_deg[number]),
        start_bearing_deg=float(places.start_bearing_deg[number]),
        radius_m=float(places.radius_m[number]),
        flow_lpm=float(places.flow_lpm[number]),
        pressure_kpa=float(places.pressure_kpa[number]),
    )


def _fittings(
    places: SprinklerLayout,
    number: int,
    table: NozzleTable,
    turf: shapely.Geometry,
    options: CandidateOptions,
) -> list[_Fitting]:
    edges = edge_bearings_deg(turf, float(places.x_m[number]), float(places.y_m[number]))
    arc_now, bearing_now = float(places.arc_deg[number]), float(places.start_bearing_deg[number])
    if arc_now < _WHOLE_TURN_DEG:
        edges = with_sector_sides(edges, arc_now, bearing_now)
    found: list[_Fitting] = []
    for name, nozzle in table.nozzles.items():
        if not _fits(str(places.device[number]), nozzle.device):
            continue
        pressure = running_pressure(
            places.pressure_kpa[number : number + 1], nozzle, 0, ProblemList()
        )
        if pressure[0] < nozzle.pressure_min_kpa or pressure[0] > nozzle.pressure_max_kpa:
            continue
        for arc in _arcs_deg(nozzle, arc_now):
            flow, radius = flow_and_radius(pressure, np.array([arc]), nozzle)
            bearings = sector_bearings_deg(arc, edges, step_deg=options.bearing_step_deg)
            found += [
                _Fitting(
                    nozzle=name,
                    arc_deg=arc,
                    start_bearing_deg=float(bearing),
                    radius_m=float(throw),
                    flow_lpm=float(flow[0]),
                    pressure_kpa=float(pressure[0]),
                )
                for bearing in bearings
                for throw in _radii_m(float(radius[0]), nozzle.radius_min_m, options)
            ]
    return found


def _fits(device_now: str, device: str) -> bool:
    """Whether a nozzle fits the body that stands there; where either is not known, it may.

    Spray and rotary nozzles screw onto one body, a rotor is a body of its own (common practice, no
    source).
    """
    return not (device_now and device) or (device_now == _ROTOR) == (device == _ROTOR)


def _arcs_deg(nozzle: Nozzle, arc_now_deg: float) -> list[float]:
    tested = set(nozzle.arc_deg.tolist())
    more = _QUARTERS_DEG if len(tested) == 1 else ()
    return sorted({*tested, *more, arc_now_deg})


def _radii_m(full_m: float, least_m: float, options: CandidateOptions) -> FloatArray:
    """Radii to try; the least one is NaN where the throw cannot be turned down."""
    if not least_m < full_m:
        return np.array([full_m])
    return np.linspace(least_m, full_m, options.radius_levels)


def _most_on_turf(
    fittings: list[_Fitting],
    places: SprinklerLayout,
    number: int,
    turf: shapely.Geometry,
    options: CandidateOptions,
) -> list[_Fitting]:
    """Fittings that water turf: no head is aimed off it, however even that would be elsewhere."""
    if not fittings:
        return fittings
    share = share_on_turf(
        turf,
        float(places.x_m[number]),
        float(places.y_m[number]),
        radius_m=[one.radius_m for one in fittings],
        arc_deg=[one.arc_deg for one in fittings],
        start_bearing_deg=[one.start_bearing_deg for one in fittings],
    )
    least = min(options.least_on_turf, float(np.max(share)) - _NEAR_THE_BEST)
    first = np.argsort(-share, kind="stable")[: options.at_most]
    kept = np.sort(first[share[first] >= least])
    return [fittings[row] for row in kept]


def _fitted(
    places: SprinklerLayout,
    place: IntArray,
    fittings: list[_Fitting],
    table: NozzleTable,
    first: Iterable[int],
) -> SprinklerLayout:
    """The places with their fittings; a head as it stands keeps all that it states itself."""
    rows = layout_rows(places, place)
    nozzle = np.array([one.nozzle for one in fittings], dtype=object)
    own_index, own_profiles = profiles_of(nozzle, table.nozzles, table.profiles)
    n_old = len(places.profiles)
    is_now = np.zeros(len(place), dtype=bool)
    for number, start in enumerate(list(first)[:-1]):
        is_now[start] = start < len(place) and fittings[start] == _as_it_stands(places, number)

    def stated(name: str) -> FloatArray:
        values = [getattr(table.nozzles.get(one.nozzle), name, np.nan) for one in fittings]
        return np.where(is_now, getattr(rows, name), np.array(values, dtype=np.float64))

    device = [getattr(table.nozzles.get(one.nozzle), "device", "") for one in fittings]
    arrays: dict[str, Any] = {
        name: np.array([getattr(one, name) for one in fittings], dtype=np.float64)
        for name in ("arc_deg", "start_bearing_deg", "radius_m", "flow_lpm", "pressure_kpa")
    }
    for name in ("trajectory_deg", "pressure_min_kpa", "pressure_max_kpa", "rotation_s"):
        arrays[name] = stated(name)
    return dataclasses.replace(
        rows,
        nozzle=nozzle,
        device=np.where(is_now, rows.device, np.array(device, dtype=object)),
        profiles=(*places.profiles, *own_profiles),
        profile_index=np.where(is_now, rows.profile_index, own_index + n_old),
        **arrays,
    )


def layout_rows(layout: SprinklerLayout, rows: IntArray) -> SprinklerLayout:
    """Some rows of a layout, in any order and any number of times."""
    arrays = {
        each.name: getattr(layout, each.name)[rows]
        for each in dataclasses.fields(layout)
        if each.name not in ("profiles", "attributes")
    }
    columns = {name: values[rows] for name, values in layout.attributes.items()}
    return dataclasses.replace(layout, **arrays, attributes=columns)
