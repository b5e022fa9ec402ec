"""From what each zone does to what each parcel is screened by."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.city_records import BoolArray, CityInputs, HeadState, Number
from geoirrig.physics.application_uniformity import (
    depth_multiplier_low_quarter,
    run_time_multiplier_low_half,
)
from geoirrig.physics.retrofit_saving import (
    WateringState,
    annual_runoff_l,
    annual_water_l,
    saving_by_cause,
)
from geoirrig.units import LITRES_PER_M3, FloatArray
from geoirrig.workflows.schedule_options import RunTimeMethod
from geoirrig.workflows.work_units import AT_NEW_PRESSURE, EXISTING, RETROFIT

Columns = dict[str, NDArray[Any]]
SOILS = ("runoff_fraction", "runoff_fraction_low", "runoff_fraction_high")
_DEVICES = ("fixed_spray", "rotary_nozzle", "rotor")
_NO_DEVICE = len(_DEVICES)
_SIDES = {"before": EXISTING, "after": RETROFIT}
CAUSES = ("pressure", "evenness", "overspray", "runoff")


@dataclass(frozen=True, slots=True, kw_only=True)
class CityMeasures:
    """Measures of all zones in every state, and slopes of all turf; see `worked_unit`.

    A state that changes nothing has the arrays of the existing one.
    """

    zones: Mapping[str, Mapping[str, FloatArray]]  # by state and measure, each (n_zones,)
    mean_slope_pct: FloatArray  # (n_turf,)
    max_slope_pct: FloatArray
    failures: tuple[tuple[int, str], ...]  # parcels that could not be worked


def parcel_columns(
    city: CityInputs, heads: Columns, measures: CityMeasures, *, run_time_method: RunTimeMethod
) -> Columns:
    """Everything that is measured on a parcel, before money.

    Parameters
    ----------
    city : CityInputs
        The city.
    heads : dict of str to ndarray
        As `head_columns` gives them.
    measures : CityMeasures
        What its zones do.
    run_time_method : {"low_half", "low_quarter"}
        What makes the gross from the net depth.

    Returns
    -------
    dict of str to ndarray, each of shape (n_parcels,)
        Names of `geoirrig.parcel_quantities`, and beside them the saving by cause.

    Notes
    -----
    The saving is that at equal need: both states water the turf that is served now. Where the
    retrofit serves more or less of it, ``need_change_m3_year`` says what that adds or takes; it is
    not claimed as a saving.
    """
    return {
        **heads,
        **_ground_columns(city, measures),
        **_evenness_columns(city, measures),
        **_water_columns(city, measures, run_time_method),
    }


# --- heads and ground ----------------------------------------------------------------------------


def head_columns(city: CityInputs) -> Columns:
    """What is known of the heads of every parcel before any unit is worked."""
    heads, zones, n_parcels = city.heads, city.zones, len(city.parcels.parcel_id)
    of_zone = _stretches(heads.zone, len(zones.parcel))
    of_parcel = _stretches(zones.parcel[heads.zone], n_parcels)
    device = np.array([_device_number(name) for name in heads.nozzles.device], dtype=np.int8)
    count = of_parcel.count()
    columns: Columns = {
        "head_count": count,
        "replaced_head_count": of_parcel.count(heads.is_replaced),
        "regulated_head_count": of_parcel.count(heads.is_regulated),
        "zone_count": np.bincount(zones.parcel, minlength=n_parcels),
    }
    own_device = device[heads.existing.nozzle]
    of_device = [of_parcel.count(own_device == d) for d in range(len(_DEVICES))]
    for name, number in zip(_DEVICES, of_device, strict=True):
        columns[f"{name}_fraction"] = _ratio(number, count)
    columns["existing_device"] = _existing_device(of_device, count)
    is_mixed = _has_several_devices(of_zone, device[heads.retrofit.nozzle])
    columns["mixed_device_zone_count"] = np.bincount(zones.parcel[is_mixed], minlength=n_parcels)
    columns["heads_outside_pressure_range"] = of_parcel.count(_outside_range(city, heads.retrofit))
    columns["pressure_in_range"] = columns["heads_outside_pressure_range"] == 0
    changed = of_zone.count(heads.is_replaced)
    in_part = (changed > 0) & (changed < of_zone.count())
    columns["whole_zone_converted"] = (
        np.bincount(zones.parcel[in_part], minlength=n_parcels) == 0  # a zone of which some change
    )
    for side, state in (("before", heads.existing), ("after", heads.retrofit)):
        low, high = of_parcel.extremes(state.pressure_kpa)
        columns[f"lowest_pressure_{side}_kpa"] = low
        columns[f"highest_pressure_{side}_kpa"] = high
    new_nozzle = heads.is_replaced & (heads.existing.nozzle != heads.retrofit.nozzle)
    columns["new_nozzle_count"] = of_parcel.count(new_nozzle)
    unit_cost = heads.nozzles.unit_cost[heads.retrofit.nozzle[new_nozzle]]
    parcel, known = zones.parcel[heads.zone[new_nozzle]], np.isfinite(unit_cost)
    columns["nozzle_cost"] = _total(parcel[known], unit_cost[known], n_parcels)
    columns["unpriced_nozzle_count"] = np.bincount(parcel[~known], minlength=n_parcels)
    return columns


def _device_number(name: str) -> int:
    return _DEVICES.index(name) if name in _DEVICES else -1


def _existing_device(of_device: list[NDArray[np.int64]], count: NDArray[np.int64]) -> Any:
    """The one kind of device of all heads, "mixed", or None where not known."""
    names = np.full(len(count), None, dtype=object)
    names[(count > 0) & (np.sum(of_device, axis=0) == count)] = "mixed"
    for name, number in zip(_DEVICES, of_device, strict=True):
        names[(count > 0) & (number == count)] = name
    return names


def _has_several_devices(of_zone: _Stretches, device: NDArray[np.int8]) -> BoolArray:
    """Whether the heads of each zone have more than one kind of device; −1 is not known."""
    highest = of_zone.of_each(np.maximum, device, -1)
    lowest = of_zone.of_each(np.minimum, np.where(device < 0, _NO_DEVICE, device), _NO_DEVICE)
    return np.asarray(lowest < highest)


def _outside_range(city: CityInputs, state: HeadState) -> BoolArray:
    nozzles = city.heads.nozzles
    low, high = nozzles.pressure_min_kpa[state.nozzle], nozzles.pressure_max_kpa[state.nozzle]
    return np.asarray((state.pressure_kpa < low) | (state.pressure_kpa > high))


def _ground_columns(city: CityInputs, measures: CityMeasures) -> Columns:
    turf, n_parcels = city.turf, len(city.parcels.parcel_id)
    area = _total(turf.parcel, turf.area_m2, n_parcels)
    slope = np.where(np.isnan(measures.mean_slope_pct), 0.0, measures.mean_slope_pct)
    known = np.isfinite(measures.mean_slope_pct)
    _, steepest = _stretches(turf.parcel, n_parcels).extremes(measures.max_slope_pct)
    return {
        "turf_area_m2": area,
        "mean_slope_pct": _ratio(
            np.bincount(turf.parcel, weights=slope * turf.area_m2, minlength=n_parcels),
            np.bincount(turf.parcel, weights=known * turf.area_m2, minlength=n_parcels),
        ),
        "max_slope_pct": steepest,
    }


# --- zones ---------------------------------------------------------------------------------------


def _evenness_columns(city: CityInputs, measures: CityMeasures) -> Columns:
    parcel, n_parcels = city.zones.parcel, len(city.parcels.parcel_id)
    served = measures.zones[EXISTING]["served_area_m2"]
    of_parcel = _stretches(parcel, n_parcels)
    columns: Columns = {"served_area_m2": _total(parcel, served, n_parcels)}
    for side, state in _SIDES.items():
        own = measures.zones[state]
        area = np.nan_to_num(own["served_area_m2"])
        _, fastest = of_parcel.extremes(own["mean_rate_mm_h"])
        _, spread = of_parcel.extremes(own["matched_rate_spread_pct"])
        landed = _total(parcel, own["flow_lpm"] * own["on_target_fraction"], n_parcels)
        columns |= {
            f"mean_rate_{side}_mm_h": _mean(parcel, own["mean_rate_mm_h"], area, n_parcels),
            f"max_rate_{side}_mm_h": fastest,
            f"du_lq_{side}": _mean(parcel, own["du_lq"], area, n_parcels),
            f"du_lh_{side}": _mean(parcel, own["du_lh"], area, n_parcels),
            f"matched_rate_spread_{side}_pct": spread,
            f"overspray_fraction_{side}": 1.0
            - _ratio(landed, _total(parcel, own["flow_lpm"], n_parcels)),
        }
    return columns


def _water_columns(city: CityInputs, measures: CityMeasures, method: RunTimeMethod) -> Columns:
    n_parcels = len(city.parcels.parcel_id)
    # Zones that reach no turf now take no part: what they give, no turf asked for.
    serving = measures.zones[EXISTING]["served_area_m2"] > 0.0
    parcel = city.zones.parcel[serving]
    zones = {
        state: {name: values[serving] for name, values in own.items()}
        for state, own in measures.zones.items()
    }
    columns: Columns = {}
    saved, avoided = [], []
    for soil in SOILS:
        before = _watering(zones[EXISTING], method, soil)
        after = _watering(zones[RETROFIT], method, soil)
        same_need = _at_need_of(after, before)
        water_before, water_after = annual_water_l(before), annual_water_l(same_need)
        saved.append(_m3(parcel, water_before - water_after, n_parcels))
        avoided.append(_m3(parcel, annual_runoff_l(before) - annual_runoff_l(same_need), n_parcels))
        if soil != SOILS[0]:
            continue
        for side, state in (("before", before), ("after", after)):
            landed = annual_water_l(state) * state.on_target_fraction
            columns[f"water_{side}_m3_year"] = _m3(parcel, annual_water_l(state), n_parcels)
            columns[f"runoff_fraction_{side}"] = _ratio(
                _m3(parcel, annual_runoff_l(state), n_parcels), _m3(parcel, landed, n_parcels)
            )
        columns["need_change_m3_year"] = _m3(parcel, annual_water_l(after) - water_after, n_parcels)
        columns |= _causes(parcel, zones, (before, same_need), method, n_parcels)
    for name, values in (("water_saved", saved), ("runoff_avoided", avoided)):
        columns[f"{name}_m3_year"] = values[0]
        columns[f"{name}_low_m3_year"] = np.min(values, axis=0)
        columns[f"{name}_high_m3_year"] = np.max(values, axis=0)
    return columns


def _causes(
    parcel: Number,
    zones: Mapping[str, Mapping[str, FloatArray]],
    states: tuple[WateringState, WateringState],
    method: RunTimeMethod,
    n_parcels: int,
) -> Columns:
    """The saving by cause; the parts of pressure only where that state was worked."""
    before, after = states
    moved = None
    if AT_NEW_PRESSURE in zones:
        own = _watering(zones[AT_NEW_PRESSURE], method, SOILS[0])
        moved = _at_need_of(own, before)
    parts = saving_by_cause(before, after, at_new_pressure=moved)
    causes = CAUSES if moved is not None else CAUSES[1:]
    return {
        f"saving_by_{cause}_m3_year": _m3(parcel, getattr(parts, f"{cause}_l"), n_parcels)
        for cause in causes
    }


def _watering(zones: Mapping[str, FloatArray], method: RunTimeMethod, soil: str) -> WateringState:
    multiplier = (
        run_time_multiplier_low_half(zones["du_lh"])
        if method == "low_half"
        else depth_multiplier_low_quarter(_positive(zones["du_lq"]))
    )
    return WateringState(
        net_need_mm_year=zones["net_need_mm_year"],
        served_area_m2=zones["served_area_m2"],
        run_time_multiplier=multiplier,
        on_target_fraction=zones["served_fraction"],
        runoff_fraction=zones[soil],
    )


def _positive(values: FloatArray) -> FloatArray:
    return np.where(values > 0.0, values, np.nan)


def _at_need_of(state: WateringState, other: WateringState) -> WateringState:
    """The same nozzles on the turf that another state serves."""
    return dataclasses.replace(
        state, net_need_mm_year=other.net_need_mm_year, served_area_m2=other.served_area_m2
    )


# --- rows of an owner that stand together --------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretches:
    """Where the rows of each owner are, of rows that stand owner by owner."""

    owner: Number  # those that have any, rising
    start: NDArray[np.int64]
    n_rows: int
    n_owners: int

    def of_each(self, combine: np.ufunc, values: NDArray[Any], nothing: float) -> NDArray[Any]:
        """The values of each owner combined; ``nothing`` where it has no rows."""
        found = np.full(self.n_owners, nothing, dtype=values.dtype)
        found[self.owner] = combine.reduceat(values, self.start)
        return found

    def count(self, is_meant: BoolArray | None = None) -> NDArray[np.int64]:
        """How many of its rows are meant; all if absent."""
        counts = np.zeros(self.n_owners, dtype=np.int64)
        counts[self.owner] = (
            np.diff(self.start, append=self.n_rows)
            if is_meant is None
            else np.add.reduceat(is_meant, self.start, dtype=np.int64)
        )
        return counts

    def extremes(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Lowest and highest of the values of each owner, NaN where none is known."""
        return self.of_each(np.fmin, values, np.nan), self.of_each(np.fmax, values, np.nan)


def _stretches(owner: Number, n_owners: int) -> _Stretches:
    """Of rows in rising order of their owners."""
    start = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]][: len(owner)])
    return _Stretches(owner=owner[start], start=start, n_rows=len(owner), n_owners=n_owners)


# --- sums over the rows of a parcel --------------------------------------------------------------


def _m3(parcel: Number, litres: FloatArray, n_parcels: int) -> FloatArray:
    return _total(parcel, litres, n_parcels) / LITRES_PER_M3


def _total(parcel: Number, values: FloatArray, n_parcels: int) -> FloatArray:
    """Sums by parcel; a value that is not known makes the sum unknown."""
    return np.bincount(parcel, weights=values, minlength=n_parcels).astype(np.float64)


def _mean(parcel: Number, values: FloatArray, weights: FloatArray, n_parcels: int) -> FloatArray:
    """Weighted means by parcel of the rows with a weight."""
    counts = weights > 0.0
    total = np.bincount(parcel[counts], weights=(values * weights)[counts], minlength=n_parcels)
    return _ratio(total, np.bincount(parcel[counts], weights=weights[counts], minlength=n_parcels))


def _ratio(part: NDArray[Any], whole: NDArray[Any]) -> FloatArray:
    whole = np.asarray(whole, dtype=np.float64)
    ratio: FloatArray = np.divide(part, whole, out=np.full(len(whole), np.nan), where=whole > 0.0)
    return ratio
