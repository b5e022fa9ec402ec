"""How a unit of a city is worked: the engine on its parcels, in every state of their heads."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.city_records import Number
from geoirrig.errors import was_interrupted
from geoirrig.physics.nozzle_hydraulics import throw_of_heads
from geoirrig.records import (
    SprinklerLayout,
    TerrainSurface,
    TurfAreas,
    ZonePlan,
)
from geoirrig.surfaces.batch_measures import BatchGroups, BatchMeasures, batch_measures
from geoirrig.units import FloatArray
from geoirrig.workflows.cycle_collection import without_cycle_collection
from geoirrig.workflows.work_units import (
    EXISTING,
    KEPT_MEASURES,
    SLOPES,
    ZONE_MEASURES,
    UnitTask,
    Worked,
)


class _Throws(NamedTuple):
    """How the heads throw in each state, (n_states, n_heads)."""

    flow_lpm: FloatArray
    radius_m: FloatArray
    profile: Number


@without_cycle_collection()
def worked_unit(task: UnitTask) -> Worked:
    """The measures of one unit; parcels that cannot be worked are named, the others are done.

    Returns
    -------
    mapping of str to ndarray
        By state, `KEPT_MEASURES` of every zone, (n_measures, n_zones); ``slopes``, `SLOPES` of
        every polygon, (2, n_turf); and ``failed_parcel`` with ``reason``.
    """
    try:
        return _worked(
            task, np.ones(len(task.zone_parcel), bool), np.ones(len(task.turf_wkb), bool)
        )
    except Exception as error:
        if was_interrupted(error):
            raise KeyboardInterrupt from error
        # one parcel spoils the unit: find out which, and work the others
        return _worked_one_by_one(task)


def _worked(task: UnitTask, zone_is_in: NDArray[np.bool_], turf_is_in: NDArray[np.bool_]) -> Worked:
    """Measures of some zones and polygons of a unit; NaN for the others."""
    turf = _turf(task, turf_is_in)
    terrain: TerrainSurface | None = None
    failed: dict[int, str] = {}
    slopes = np.full((len(SLOPES), len(turf_is_in)), np.nan)
    slopes[:, turf_is_in] = turf.slope_pct
    if task.ground is not None:
        # what reads rasters takes long to load, and most cities state their slopes
        from geoirrig.workflows.unit_terrain import unit_terrain

        terrain, slopes[:, turf_is_in], failed = unit_terrain(task, task.ground, turf, turf_is_in)
    throws = _throws(task)
    wanted = zone_is_in & _changed_zones(task, throws)
    kept = np.full((len(KEPT_MEASURES), *wanted.shape), np.nan)
    layout = _layout(task, wanted, throws)
    need_mm = task.net_need_mm_year[turf_is_in]
    kept[:, wanted] = _measures(task, wanted, layout, turf, need_mm, terrain)
    existing = kept[:, _place_of_existing(task)]
    states = {
        name: np.where(wanted[state], kept[:, state], existing)
        for state, name in enumerate(task.states)
    }
    return {"slopes": slopes, **_failures(failed), **states}


def _failures(failed: Mapping[int, str]) -> dict[str, NDArray[np.generic]]:
    return {
        "failed_parcel": np.array(list(failed), dtype=np.int32),
        "reason": np.array(list(failed.values()), dtype=str),
    }


def _place_of_existing(task: UnitTask) -> int:
    return list(task.states).index(EXISTING)


def _throws(task: UnitTask) -> _Throws:
    """Looked up for all states at once."""
    states = list(task.states.values())
    nozzle = np.concatenate([state.nozzle for state in states])
    flow, radius = throw_of_heads(
        nozzle,
        task.nozzles.tests,
        np.concatenate([state.pressure_kpa for state in states]),
        np.tile(task.arc_deg, len(states)),
        (
            np.concatenate([state.flow_lpm for state in states]),
            np.concatenate([state.radius_m for state in states]),
        ),
    )
    shape = len(states), len(task.arc_deg)
    profile = task.nozzles.profile[nozzle]
    return _Throws(flow.reshape(shape), radius.reshape(shape), profile.reshape(shape))


def _changed_zones(task: UnitTask, throws: _Throws) -> NDArray[np.bool_]:
    """Zones of parcels that a state waters otherwise than the existing one; all of that one.

    Elsewhere the measures are the same as in that one.
    """
    existing = _place_of_existing(task)
    differs = np.zeros(throws.profile.shape, dtype=bool)
    for column in throws:
        differs |= column != column[existing]
    parcels, parcel_of_zone = np.unique(task.zone_parcel, return_inverse=True)
    is_changed = np.zeros((len(differs), len(parcels)), dtype=bool)
    for is_other, head_differs in zip(is_changed, differs, strict=True):
        is_other[parcel_of_zone[task.head_zone[head_differs]]] = True
    is_changed[existing] = True
    return is_changed[:, parcel_of_zone]


def _measures(
    task: UnitTask,
    wanted: NDArray[np.bool_],
    layout: SprinklerLayout,
    turf: TurfAreas,
    need_mm: FloatArray,
    terrain: TerrainSurface | None,
) -> FloatArray:
    """What is kept of the zones that are wanted in each state, (n_measures, n_wanted).

    Zones, and their heads with them, follow state by state.
    """
    state, zone = np.nonzero(wanted)
    plan = ZonePlan(
        zone=("",) * len(zone),
        # Every state gives its turf the event depth: minutes set for the nozzles that are there
        # would give others more or less water, and call that a saving.
        run_minutes=np.full(len(zone), np.nan),
        cycles=task.cycles[zone].astype(np.int64),
        soak_minutes=task.soak_minutes[zone],
    )
    groups = BatchGroups(
        of_zone=task.zone_parcel[zone].astype(np.int64),
        of_turf=task.turf_parcel[turf.turf_id.astype(np.int64)].astype(np.int64),
        state_of_zone=state,
    )
    measures = batch_measures(
        layout, plan, turf, settings=task.settings, groups=groups, terrain=terrain
    )
    kept = [getattr(measures, measure) for measure in ZONE_MEASURES]
    return np.array([*kept, _need_of_zones(measures, need_mm)])


def _worked_one_by_one(task: UnitTask) -> Worked:
    """Every parcel alone; those that cannot be worked are named with what went wrong."""
    shape = len(KEPT_MEASURES), len(task.zone_parcel)
    whole: dict[str, NDArray[np.generic]] = {
        "slopes": np.full((len(SLOPES), len(task.turf_parcel)), np.nan),
        **{state: np.full(shape, np.nan) for state in task.states},
    }
    failed: dict[int, str] = {}
    for parcel in np.unique(task.zone_parcel).tolist():
        zone_is_in, turf_is_in = task.zone_parcel == parcel, task.turf_parcel == parcel
        try:
            own = _worked(task, zone_is_in, turf_is_in)
        except Exception as error:
            if was_interrupted(error):
                raise KeyboardInterrupt from error
            failed[parcel] = f"It could not be worked: {type(error).__name__}: {error}."
            continue
        failed |= dict(zip(own["failed_parcel"].tolist(), own["reason"].tolist(), strict=True))
        whole["slopes"][:, turf_is_in] = own["slopes"][:, turf_is_in]
        for state in task.states:
            whole[state][:, zone_is_in] = own[state][:, zone_is_in]
    return {**whole, **_failures(failed)}


def _turf(task: UnitTask, is_in: NDArray[np.bool_]) -> TurfAreas:
    """Polygons of a unit; those that no raster is laid on stay the bytes that they are."""
    n_turf, geometry = int(np.count_nonzero(is_in)), task.turf_wkb[is_in]
    if task.ground is not None:
        geometry = np.asarray(shapely.from_wkb(geometry), dtype=object)
    return TurfAreas(
        turf_id=np.flatnonzero(is_in).astype(object),
        geometry=geometry,
        soil_texture=task.soil_texture[is_in],
        compaction=task.compaction[is_in],
        slope_pct=task.slope_pct[is_in],
        plant_type=np.full(n_turf, "", dtype=object),
        root_depth_mm=np.full(n_turf, np.nan),
        attributes={},
    )


def _layout(task: UnitTask, wanted: NDArray[np.bool_], throws: _Throws) -> SprinklerLayout:
    """Heads of the zones wanted in each state; what the measures do not look at is left empty."""
    is_in = wanted.take(task.head_zone, axis=1)
    head = np.concatenate([np.flatnonzero(of_state) for of_state in is_in])
    number = np.cumsum(wanted).reshape(wanted.shape) - 1
    unknown = np.broadcast_to(np.nan, len(head))
    nothing = np.broadcast_to(np.array("", dtype=object), len(head))
    return SprinklerLayout(
        head_id=nothing,
        zone_index=number.take(task.head_zone, axis=1)[is_in],
        x_m=task.x_m[head],
        y_m=task.y_m[head],
        flow_lpm=throws.flow_lpm[is_in],
        radius_m=throws.radius_m[is_in],
        arc_deg=task.arc_deg[head],
        start_bearing_deg=task.start_bearing_deg[head],
        trajectory_deg=unknown,
        profile_index=throws.profile[is_in].astype(np.int64),
        profiles=task.profiles,
        nozzle=nothing,
        device=nothing,
        pressure_kpa=unknown,
        pressure_min_kpa=unknown,
        pressure_max_kpa=unknown,
        rotation_s=unknown,
        attributes={},
    )


def _need_of_zones(measures: BatchMeasures, need_mm: FloatArray) -> FloatArray:
    """Mean need of the plants on the area that each zone serves."""
    n_zones = len(measures.flow_lpm)
    area = np.bincount(measures.pair_zone, weights=measures.pair_area_m2, minlength=n_zones)
    total = np.bincount(
        measures.pair_zone,
        weights=measures.pair_area_m2 * need_mm[measures.pair_turf],
        minlength=n_zones,
    )
    need: FloatArray = np.divide(total, area, out=np.full(n_zones, np.nan), where=area > 0.0)
    return need
