"""Heads: where they stand, and what their own columns and their nozzle make of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely

from geoirrig.errors import ProblemList
from geoirrig.io.column_values import (
    check_required_columns,
    filled_rows,
    has_column,
    named_ids,
    named_values,
    number_column,
    require_stated,
    row_ids,
    text_column,
)
from geoirrig.io.columns import nearest_hint
from geoirrig.io.geometries import point_coordinates
from geoirrig.io.open_layer import LayerTable
from geoirrig.io.read_nozzles import Nozzle
from geoirrig.io.working_plane import PlaneOfWork, coordinates_in_plane, grid_north_turn_deg
from geoirrig.physics.nozzle_hydraulics import throw_of_heads
from geoirrig.physics.radial_distribution import (
    TRAPEZOID_CORE_FRACTION,
    RadialProfile,
    trapezoid_profile,
)
from geoirrig.records import IntArray, ObjectArray, SprinklerLayout, ZonePlan
from geoirrig.units import FloatArray
from geoirrig.wording import counted

SAME_POSITION_M = 0.05  # heads of one zone nearer than this are taken for a double entry
_LOST_M = 1000.0  # farther from any turf a position or a CRS is wrong; judgement
_TOLERATED_TURN_DEG = 0.5  # judgement: less than an arc is set to by eye
_FULL_CIRCLE_DEG = 360.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedHeads:
    """Heads as their own layer states them, in SI; NaN and "" where it does not.

    Positions are in the working plane, NaN where there is none.
    """

    table: LayerTable
    head_id: ObjectArray
    zone: ObjectArray
    nozzle: ObjectArray
    x_m: FloatArray
    y_m: FloatArray
    arc_deg: FloatArray
    start_bearing_deg: FloatArray
    radius_m: FloatArray
    flow_lpm: FloatArray
    pressure_kpa: FloatArray
    trajectory_deg: FloatArray


def read_heads(table: LayerTable, plane: PlaneOfWork | None, problems: ProblemList) -> StatedHeads:
    """Heads as their layer states them.

    Parameters
    ----------
    table : LayerTable
        The heads layer.
    plane : PlaneOfWork or None
        The working plane; None where the turf gave none, and then positions stay unknown.
    problems : ProblemList
        Takes problems and warnings.
    """
    check_required_columns(table, problems)
    if table.n_rows == 0:
        problems.add(f"{table.start} holds no heads. Draw them first.")
    head_id = row_ids(table, problems)
    zone = text_column(table, "zone", problems)
    require_stated(table, "zone", zone == "", problems)
    arc = number_column(table, "arc_deg", problems)
    bearing = number_column(table, "start_bearing_deg", problems)
    _check_bearings(table, arc, bearing, problems)
    heads = StatedHeads(
        table=table,
        head_id=head_id,
        zone=zone,
        nozzle=text_column(table, "nozzle", problems),
        **_positions(table, plane, problems),
        arc_deg=np.where(np.isnan(arc), _FULL_CIRCLE_DEG, arc),
        start_bearing_deg=np.where(np.isnan(bearing), 0.0, bearing) % _FULL_CIRCLE_DEG,
        radius_m=number_column(table, "radius_m", problems),
        flow_lpm=number_column(table, "flow_lpm", problems),
        pressure_kpa=number_column(table, "pressure_kpa", problems),
        trajectory_deg=number_column(table, "trajectory_deg", problems),
    )
    number_column(table, "riser_m", problems)  # carried through, but its unit has to be right
    _check_throw_is_known(heads, problems)
    _warn_of_turned_north(heads, plane, problems)
    _warn_of_double_heads(heads, problems)
    return heads


def sprinkler_layout(
    heads: StatedHeads,
    nozzles: Mapping[str, Nozzle],
    profiles: Mapping[str, RadialProfile],
    zone_plan: ZonePlan,
    *,
    faulty_nozzles: frozenset[str] = frozenset(),
    problems: ProblemList,
) -> SprinklerLayout:
    """Heads with the flow, radius and profile that their nozzle gives where they state none.

    A head without a pressure runs at the tested pressure of its nozzle, at the lower median of
    them where there are several (with a warning). Flow and radius are taken at the head's pressure
    for every tested arc, then between the arcs.

    Parameters
    ----------
    heads : StatedHeads
        Heads of the site.
    nozzles : mapping of str to Nozzle
        Nozzle table.
    profiles : mapping of str to RadialProfile
        Measured profiles.
    zone_plan : ZonePlan
        Zones of these heads.
    faulty_nozzles : frozenset of str
        Nozzles whose fault has been noted already.
    problems : ProblemList
        Takes unknown nozzles, and the warnings.
    """
    is_known = np.array([name in nozzles for name in heads.nozzle], dtype=bool)
    is_unknown = (heads.nozzle != "") & ~is_known & ~np.isin(heads.nozzle, list(faulty_nozzles))
    if is_unknown.any():
        first = str(heads.nozzle[is_unknown][0])
        where = "" if nozzles else ", there is no usable nozzles table"
        problems.add(
            f"{heads.table.start}: unknown nozzle{where}; "
            f"{named_values(heads.table, heads.nozzle, is_unknown)}. Correct the name or add it to "
            f"the nozzles table.{nearest_hint(first, nozzles)}"
        )
    in_use = list(dict.fromkeys(heads.nozzle[is_known].tolist()))
    number = {name: place for place, name in enumerate(in_use)}
    nozzle = np.array([number.get(name, len(in_use)) for name in heads.nozzle.tolist()], np.int64)
    pressure, throw_lacks = heads.pressure_kpa.copy(), np.isnan(heads.flow_lpm + heads.radius_m)
    for place, name in enumerate(in_use):
        rows = nozzle == place
        n_assumed = int(np.count_nonzero(np.isnan(pressure[rows]) & throw_lacks[rows]))
        pressure[rows] = running_pressure(pressure[rows], nozzles[name], n_assumed, problems)
    tests = [*(nozzles[name] for name in in_use), None]
    stated_throw = (heads.flow_lpm, heads.radius_m)
    flow, radius = throw_of_heads(nozzle, tests, pressure, heads.arc_deg, stated_throw)
    stated = {
        name: np.array(
            [getattr(nozzles[n], name) if n in nozzles else np.nan for n in heads.nozzle],
            dtype=np.float64,
        )
        for name in ("pressure_min_kpa", "pressure_max_kpa", "rotation_s", "trajectory_deg")
    }
    profile_index, used_profiles = profiles_of(heads.nozzle, nozzles, profiles)
    zone_number = {zone: number for number, zone in enumerate(zone_plan.zone)}
    return SprinklerLayout(
        head_id=heads.head_id,
        zone_index=np.array([zone_number.get(zone, -1) for zone in heads.zone], dtype=np.int64),
        x_m=heads.x_m,
        y_m=heads.y_m,
        flow_lpm=flow,
        radius_m=radius,
        arc_deg=heads.arc_deg,
        start_bearing_deg=heads.start_bearing_deg,
        trajectory_deg=np.where(
            np.isnan(heads.trajectory_deg), stated["trajectory_deg"], heads.trajectory_deg
        ),
        profile_index=profile_index,
        profiles=used_profiles,
        nozzle=heads.nozzle,
        device=np.array([_device(name, nozzles) for name in heads.nozzle], dtype=object),
        pressure_kpa=pressure,
        pressure_min_kpa=stated["pressure_min_kpa"],
        pressure_max_kpa=stated["pressure_max_kpa"],
        rotation_s=stated["rotation_s"],
        attributes=heads.table.columns,
    )


def check_heads_reach_turf(
    layout: SprinklerLayout, turf: ObjectArray, table: LayerTable, problems: ProblemList
) -> None:
    """Warn of heads farther from any turf than they throw; a problem where all are, or far off.

    Parameters
    ----------
    layout : SprinklerLayout
        Heads with radius and position.
    turf : ndarray of shapely polygons
        Turf in the working plane; None entries are passed over.
    table : LayerTable
        The heads layer, for messages.
    problems : ProblemList
        Takes what is found.
    """
    is_placed = np.isfinite(layout.x_m)
    tree = shapely.STRtree(turf)
    if not is_placed.any() or len(tree) == 0 or all(g is None for g in turf):
        return
    heads = shapely.points(layout.x_m[is_placed], layout.y_m[is_placed])
    pairs, distance = tree.query_nearest(heads, all_matches=False, return_distance=True)
    gap_m = np.full(len(layout.head_id), np.nan)
    gap_m[np.flatnonzero(is_placed)[pairs[0]]] = distance
    is_lost = gap_m > _LOST_M
    is_off = gap_m > np.where(np.isnan(layout.radius_m), np.inf, layout.radius_m)
    if is_lost.any() or (is_off.any() and is_off[is_placed].all()):
        meant = is_lost if is_lost.any() else is_off
        problems.add(
            f"{table.start}: no turf is near; the nearest is "
            f"{float(np.nanmin(gap_m[meant])):.0f} m or more from {named_ids(table, meant)}. Check "
            "the CRS of both layers and the positions."
        )
    elif is_off.any():
        problems.warn(
            f"{table.start}: no turf within the throw of {named_ids(table, is_off)}; all their "
            "water is overspray."
        )


def _positions(
    table: LayerTable, plane: PlaneOfWork | None, problems: ProblemList
) -> dict[str, FloatArray]:
    coordinates = point_coordinates(table, problems)
    nowhere = np.full((table.n_rows, 2), np.nan)
    if coordinates is None or plane is None or table.crs is None:
        coordinates = nowhere
    else:
        coordinates = coordinates_in_plane(
            coordinates, table.crs, plane, place=table.place, problems=problems
        )
    return {"x_m": coordinates[:, 0].copy(), "y_m": coordinates[:, 1].copy()}


def _check_bearings(
    table: LayerTable, arc: FloatArray, bearing: FloatArray, problems: ProblemList
) -> None:
    """Note part-circle heads without a start bearing; a faulty bearing was noted already."""
    is_without = (
        (arc < _FULL_CIRCLE_DEG) & np.isnan(bearing) & ~filled_rows(table, "start_bearing_deg")
    )
    if is_without.any():
        problems.add(
            f"{table.start}: start_bearing_deg is needed where arc_deg is below 360; it is missing "
            f"for {named_ids(table, is_without)}. Give the compass bearing from which the arc "
            "sweeps clockwise."
        )


def _check_throw_is_known(heads: StatedHeads, problems: ProblemList) -> None:
    table = heads.table
    if "nozzle" not in table.columns and not (
        has_column(table, "radius_m") and has_column(table, "flow_lpm")
    ):
        problems.add(
            f"{table.start} needs either a column 'nozzle', or both a radius ('radius_m' or "
            "'radius_ft') and a flow ('flow_lpm' or 'flow_gpm'). Add one or the other."
        )
        return
    for name, values in (("radius_m", heads.radius_m), ("flow_lpm", heads.flow_lpm)):
        is_without = (heads.nozzle == "") & np.isnan(values) & ~filled_rows(table, name)
        if is_without.any():
            problems.add(
                f"{table.start}: no nozzle and no {name.split('_')[0]} for "
                f"{named_ids(table, is_without)}. Give the nozzle, or both radius and flow."
            )


def _warn_of_turned_north(
    heads: StatedHeads, plane: PlaneOfWork | None, problems: ProblemList
) -> None:
    """Say so where the layer's own grid north is another than that of the working CRS."""
    crs = heads.table.crs
    if plane is None or crs is None or not np.any(heads.arc_deg < _FULL_CIRCLE_DEG):
        return
    turn_deg = grid_north_turn_deg(crs, plane)
    if abs(turn_deg) > _TOLERATED_TURN_DEG:
        problems.warn(
            f"{heads.table.start}: bearings are taken from grid north of {plane.crs.name}; north "
            f"of the layer's own CRS, {crs.name}, has a bearing of {turn_deg:+.1f}° there. If "
            "start_bearing_deg was read from the latter, add that to it."
        )


def _warn_of_double_heads(heads: StatedHeads, problems: ProblemList) -> None:
    is_placed = np.isfinite(heads.x_m)
    rows = np.flatnonzero(is_placed)
    points = np.asarray(shapely.points(heads.x_m[is_placed], heads.y_m[is_placed]), dtype=object)
    first, second = shapely.STRtree(points).query(
        points, predicate="dwithin", distance=SAME_POSITION_M
    )
    later = first < second
    first, second = rows[first[later]], rows[second[later]]
    is_same_zone = heads.zone[first] == heads.zone[second]
    pairs = list(zip(first[is_same_zone], second[is_same_zone], strict=True))
    if pairs:
        named = " and ".join(repr(str(heads.head_id[row])) for row in pairs[0])
        more = f" (and {len(pairs) - 1} more pairs)" if len(pairs) > 1 else ""
        problems.warn(
            f"{heads.table.start}: two heads of one zone stand within {SAME_POSITION_M * 1000:g} "
            f"mm of each other: head_id {named}{more}. Is one of them a double entry?"
        )


def running_pressure(
    pressure_kpa: FloatArray, nozzle: Nozzle, n_assumed: int, problems: ProblemList
) -> FloatArray:
    """Pressures of the heads of a nozzle, with the nozzle's own where a head states none."""
    tested = np.unique(nozzle.pressure_kpa)
    own = float(tested[(len(tested) - 1) // 2])  # an actual test, never a mean of two
    if len(tested) > 1 and n_assumed:
        problems.warn(
            f"Nozzle {nozzle.name!r} was tested at {len(tested)} pressures and "
            f"{counted(n_assumed, 'head')} with it state none; {own:g} kPa is taken. State "
            "pressure_kpa to be sure."
        )
    return np.where(np.isnan(pressure_kpa), own, pressure_kpa)


def _device(nozzle: str, nozzles: Mapping[str, Nozzle]) -> str:
    """Kind of device that carries a nozzle; "" where not known."""
    return nozzles[nozzle].device if nozzle in nozzles else ""


def profiles_of(
    nozzle: ObjectArray, nozzles: Mapping[str, Nozzle], profiles: Mapping[str, RadialProfile]
) -> tuple[IntArray, tuple[RadialProfile, ...]]:
    """Which profile each of some heads' nozzles has, and the profiles in use, each once."""
    used: dict[RadialProfile, int] = {}
    of_nozzle: dict[str, int] = {}
    for name in dict.fromkeys(nozzle.tolist()):
        measured = profiles.get(nozzles[name].profile) if name in nozzles else None
        core = TRAPEZOID_CORE_FRACTION.get(_device(name, nozzles), TRAPEZOID_CORE_FRACTION[""])
        of_nozzle[name] = used.setdefault(measured or trapezoid_profile(core), len(used))
    index = np.array([of_nozzle[name] for name in nozzle.tolist()], dtype=np.int64)
    return index, tuple(used)
