"""Nozzle table and radial profiles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.errors import ProblemList, named_rows
from geoirrig.io.column_values import (
    check_required_columns,
    filled_rows,
    has_column,
    missing_column,
    number_column,
    require_stated,
    text_column,
)
from geoirrig.io.columns import listed, nearest_hint
from geoirrig.io.open_layer import LayerTable
from geoirrig.physics.nozzle_hydraulics import NozzleTests
from geoirrig.physics.radial_distribution import RadialProfile
from geoirrig.records import ObjectArray
from geoirrig.units import FloatArray

_FULL_CIRCLE_DEG = 360.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Nozzle(NozzleTests):
    """One nozzle: its tests, and what else is stated of it.

    Attributes
    ----------
    device, profile : str
        "" where not stated.
    radius_min_m : float
        Least radius to which its throw can be turned down; NaN: it throws as tested.
    rotation_s, trajectory_deg, unit_cost : float
        NaN where not stated.
    """

    name: str
    device: str
    profile: str
    radius_min_m: float
    rotation_s: float
    trajectory_deg: float
    unit_cost: float


_TESTED = ("pressure_kpa", "flow_lpm", "radius_m")
_STATED_ONCE = (
    "radius_min_m",
    "pressure_min_kpa",
    "pressure_max_kpa",
    "rotation_s",
    "trajectory_deg",
    "unit_cost",
)


def read_nozzles(table: LayerTable, problems: ProblemList) -> dict[str, Nozzle]:
    """Nozzles by name; those at fault are left out, with the problem noted.

    Parameters
    ----------
    table : LayerTable
        The nozzles table: one row per tested pressure and arc.
    problems : ProblemList
        Takes problems.
    """
    check_required_columns(table, problems)
    names = text_column(table, "nozzle", problems)
    require_stated(table, "nozzle", names == "", problems)
    numbers = {
        name: number_column(table, name, problems) for name in (*_TESTED, "arc_deg", *_STATED_ONCE)
    }
    for name in _TESTED:
        require_stated(table, name, ~filled_rows(table, name), problems)
    numbers["arc_deg"] = np.where(
        np.isnan(numbers["arc_deg"]), _FULL_CIRCLE_DEG, numbers["arc_deg"]
    )
    words = {name: text_column(table, name, problems) for name in ("device", "profile")}
    nozzles: dict[str, Nozzle] = {}
    for name in dict.fromkeys(names[names != ""].tolist()):
        rows = np.flatnonzero(names == name)
        nozzles[name] = _nozzle(table, name, rows, numbers, words, problems)
    return {name: nozzle for name, nozzle in nozzles.items() if len(nozzle.arc_deg)}


def _nozzle(
    table: LayerTable,
    name: str,
    rows: NDArray[np.intp],
    numbers: Mapping[str, FloatArray],
    words: Mapping[str, ObjectArray],
    problems: ProblemList,
) -> Nozzle:
    """One nozzle from its rows; without tests where none of them is usable."""
    once = {n: _one_number(table, name, n, numbers[n][rows], problems) for n in _STATED_ONCE}
    low, high = once["pressure_min_kpa"], once["pressure_max_kpa"]
    if low > high:
        problems.add(
            f"{table.start}: pressure_min must not be above pressure_max; got {low:g} and "
            f"{high:g} kPa for nozzle {name!r}. Correct the table."
        )
    tests = {n: numbers[n][rows] for n in ("arc_deg", *_TESTED)}
    least, tested = once["radius_min_m"], np.nanmin(tests["radius_m"], initial=np.inf)
    if least > tested:
        problems.add(
            f"{table.start}: radius_min must not be above a tested radius; got {least:g} and "
            f"{tested:g} m for nozzle {name!r}. Correct the table."
        )
    is_whole = np.isfinite(np.array([tests[n] for n in _TESTED])).all(axis=0)
    tests = {n: values[is_whole] for n, values in tests.items()}
    keys = list(zip(tests["arc_deg"].tolist(), tests["pressure_kpa"].tolist(), strict=True))
    for arc, pressure in sorted({key for key in keys if keys.count(key) > 1})[:1]:
        problems.add(
            f"{table.start}: nozzle {name!r} has more than one row for arc {arc:g}° at "
            f"{pressure:g} kPa. Keep one."
        )
        tests = {n: values[:0] for n, values in tests.items()}
    return Nozzle(
        name=name,
        device=_one_word(table, name, "device", words["device"][rows], problems),
        profile=_one_word(table, name, "profile", words["profile"][rows], problems),
        arc_deg=tests["arc_deg"],
        pressure_kpa=tests["pressure_kpa"],
        flow_lpm=tests["flow_lpm"],
        radius_m=tests["radius_m"],
        radius_min_m=least,
        pressure_min_kpa=low,
        pressure_max_kpa=high,
        rotation_s=once["rotation_s"],
        trajectory_deg=once["trajectory_deg"],
        unit_cost=once["unit_cost"],
    )


def _one_word(
    table: LayerTable, nozzle: str, column: str, values: ObjectArray, problems: ProblemList
) -> str:
    stated = list(dict.fromkeys(v for v in values.tolist() if v))
    if len(stated) > 1:
        problems.add(
            f"{table.start}: {column} must be the same in every row of a nozzle; nozzle "
            f"{nozzle!r} has {listed(stated)}. Keep one."
        )
    return stated[0] if stated else ""


def _one_number(
    table: LayerTable, nozzle: str, column: str, values: FloatArray, problems: ProblemList
) -> float:
    stated = np.unique(values[~np.isnan(values)])
    if len(stated) > 1:
        problems.add(
            f"{table.start}: {column} must be the same in every row of a nozzle; nozzle "
            f"{nozzle!r} has {', '.join(f'{v:g}' for v in stated)}. Keep one."
        )
    return float(stated[0]) if len(stated) else float("nan")


def check_profiles_known(
    table: LayerTable,
    nozzles: Mapping[str, Nozzle],
    profiles: Mapping[str, RadialProfile] | None,
    problems: ProblemList,
) -> None:
    """Note nozzles that name a profile which the profiles table does not hold.

    Parameters
    ----------
    table : LayerTable
        The nozzles table, for messages.
    nozzles : mapping of str to Nozzle
        Nozzles by name.
    profiles : mapping of str to RadialProfile, or None
        Profiles that were read or were at fault, by name; None where there is no such table.
    problems : ProblemList
        Takes the problem.
    """
    known = profiles or {}
    stated = {name: nozzle.profile for name, nozzle in nozzles.items()}
    for name, profile in _names_and_profiles(table):  # nozzles at fault are looked at too
        stated.setdefault(name, profile)
    unknown = [(name, profile) for name, profile in stated.items() if profile not in ("", *known)]
    if not unknown:
        return
    rows = named_rows("nozzle", unknown)
    where = "there is no profiles table" if profiles is None else "the profiles table lacks it"
    problems.add(
        f"{table.start}: unknown profile, {where}; {rows}. Add the profile or leave the column "
        f"empty.{nearest_hint(unknown[0][1], known)}"
    )


def _names_and_profiles(table: LayerTable) -> list[tuple[str, str]]:
    silent = ProblemList()  # faults of these columns were noted when the table was read
    columns = (text_column(table, name, silent).tolist() for name in ("nozzle", "profile"))
    return list(zip(*columns, strict=True))


def read_profiles(table: LayerTable, problems: ProblemList) -> dict[str, RadialProfile]:
    """Radial profiles by name.

    A profile comes as fractions of the radius with relative rates, or as distances with measured
    rates of a bench leg. Of a bench leg the furthest distance is the radius; where the rate there
    is above zero, one more node of zero, one spacing further out, becomes the edge.
    """
    check_required_columns(table, problems)
    distance_name, rate_name = _profile_columns(table, problems)
    if distance_name is None or rate_name is None:
        return {}
    distance = number_column(table, distance_name, problems)
    rate = number_column(table, rate_name, problems)
    names = text_column(table, "profile", problems)
    require_stated(table, "profile", names == "", problems)
    for column in (distance_name, rate_name):
        require_stated(table, column, ~filled_rows(table, column), problems)
    profiles: dict[str, RadialProfile] = {}
    is_bench_leg = distance_name == "distance_m"
    for name in dict.fromkeys(names[names != ""].tolist()):
        rows = names == name
        profile = _profile(table, name, distance[rows], rate[rows], is_bench_leg, problems)
        if profile is not None:
            profiles[name] = profile
    return profiles


def _profile_columns(table: LayerTable, problems: ProblemList) -> tuple[str | None, str | None]:
    """Names of the distance and the rate column; noted where neither pair is whole."""
    for pair in (("distance_fraction", "relative_rate"), ("distance_m", "rate_mm_h")):
        if all(has_column(table, name) for name in pair):
            return pair
    fractions = has_column(table, "distance_fraction") or has_column(table, "relative_rate")
    wanted = ("distance_fraction", "relative_rate") if fractions else ("distance_m", "rate_mm_h")
    if fractions or any(has_column(table, name) for name in wanted):
        for name in wanted:
            if not has_column(table, name):
                problems.add(missing_column(table, name))
    else:
        problems.add(
            f"{table.start} needs the columns 'distance_fraction' and 'relative_rate', or "
            "distance and rate of a bench leg ('distance_m' or 'distance_ft', 'rate_mm_h' or "
            "'rate_in_h')."
        )
    return None, None


def _profile(
    table: LayerTable,
    name: str,
    distance: FloatArray,
    rate: FloatArray,
    is_bench_leg: bool,
    problems: ProblemList,
) -> RadialProfile | None:
    if not np.isfinite([distance, rate]).all():
        return None  # noted with its column
    fault = _profile_fault(distance, rate)
    if fault is not None:
        problems.add(f"{table.start}: profile {name!r} {fault}")
        return None
    if is_bench_leg:
        if rate[-1] > 0.0:
            distance = np.append(distance, 2.0 * distance[-1] - distance[-2])
            rate = np.append(rate, 0.0)
        distance = distance / distance[-1]
    return RadialProfile(
        name=name,
        distance_fraction=tuple(distance.tolist()),
        relative_rate=tuple(rate.tolist()),
    )


def _profile_fault(distance: FloatArray, rate: FloatArray) -> str | None:
    """What keeps nodes from being a profile, as the end of a sentence."""
    if len(distance) < 2:
        return f"has {len(distance)} node. Give at least 2."
    falls = np.flatnonzero(np.diff(distance) <= 0.0)
    if len(falls):
        at = int(falls[0])
        return (
            f"has distances that do not rise: {distance[at]:g} is followed by "
            f"{distance[at + 1]:g}. Sort its rows outward, each distance once."
        )
    if not (rate > 0.0).any():
        return "has no rate above 0. Correct its rates."
    return None
