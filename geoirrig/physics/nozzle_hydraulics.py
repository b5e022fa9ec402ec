"""Flow and radius of throw of a nozzle at a pressure and an arc other than the tested ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoirrig.units import FloatArray

# Radius of throw goes with the fourth root of pressure inside the rated range. Engineering choice,
# no published table: ballistic computations for one drop size at a 25° trajectory give local
# exponents from 0.26 to 0.51, and 0.05 to 0.18 where drops shrink as pressure rises.
RADIUS_EXPONENT = 0.25
# Below the rated range the jet breaks up badly and the radius falls faster. Engineering choice, no
# source: throw without drag goes with the pressure itself, and drag leaves about its square root.
RADIUS_EXPONENT_BELOW_RANGE = 0.5

WATER_DENSITY_KG_M3 = 998.2  # fresh water at 20 °C
_PA_PER_KPA = 1000.0
_LPM_PER_MM2_M_S = 0.06  # 1 mm² × 1 m/s = 1 mL/s = 0.06 L/min


@dataclass(frozen=True, slots=True, kw_only=True)
class NozzleTests:
    """Tests of one nozzle, arrays of shape (n_tests,), and its rated range.

    Attributes
    ----------
    arc_deg, pressure_kpa, flow_lpm, radius_m : ndarray of float64
        What was set, and what was measured. At one arc, each pressure stands once.
    pressure_min_kpa, pressure_max_kpa : float
        Ends of the rated range; NaN where not stated.
    """

    arc_deg: FloatArray
    pressure_kpa: FloatArray
    flow_lpm: FloatArray
    radius_m: FloatArray
    pressure_min_kpa: float
    pressure_max_kpa: float


def flow_at_pressure(
    pressure_kpa: ArrayLike, tested_pressure_kpa: ArrayLike, tested_flow_lpm: ArrayLike
) -> FloatArray:
    """Flow of a nozzle at any pressure, from its tested pressures.

    Parameters
    ----------
    pressure_kpa : array_like
        Pressures at which the flow is wanted, > 0. [kPa]
    tested_pressure_kpa : array_like, shape (n_tests,)
        Tested pressures of one nozzle at one arc, > 0, each once, in any order. [kPa]
    tested_flow_lpm : array_like, shape (n_tests,)
        Flow at those pressures, ≥ 0. [L/min]

    Returns
    -------
    ndarray of float64, shape of ``pressure_kpa``
        Flow; NaN where the pressure is NaN. [L/min]

    Notes
    -----
    An orifice discharges q = K·√P. K of each test is q/√P; between two tests it changes linearly
    with pressure (K of a real nozzle drifts by a few per cent), beside them it is that of the
    nearest test. A regulated head is told by its tests: K falls as pressure rises.

    Examples
    --------
    >>> flow_at_pressure([100.0, 400.0], [100.0], [5.0]).tolist()  # twice the flow at 4 times P
    [5.0, 10.0]
    """
    pressure = np.asarray(pressure_kpa, dtype=np.float64)
    tested_pressure, tested_flow = _sorted_tests(tested_pressure_kpa, tested_flow_lpm)
    discharge_constant = tested_flow / np.sqrt(tested_pressure)
    return np.asarray(np.interp(pressure, tested_pressure, discharge_constant) * np.sqrt(pressure))


def radius_at_pressure(
    pressure_kpa: ArrayLike,
    tested_pressure_kpa: ArrayLike,
    tested_radius_m: ArrayLike,
    *,
    pressure_min_kpa: ArrayLike = np.nan,
    pressure_max_kpa: ArrayLike = np.nan,
) -> FloatArray:
    """Radius of throw of a nozzle at any pressure, from its tested pressures.

    Parameters
    ----------
    pressure_kpa : array_like
        Pressures at which the radius is wanted, > 0. [kPa]
    tested_pressure_kpa : array_like, shape (n_tests,)
        Tested pressures of one nozzle at one arc, > 0, each once, in any order. [kPa]
    tested_radius_m : array_like, shape (n_tests,)
        Radius of throw at those pressures, > 0. [m]
    pressure_min_kpa, pressure_max_kpa : array_like, broadcastable with ``pressure_kpa``
        Ends of the rated range; NaN where not stated, and then that end does not act. [kPa]

    Returns
    -------
    ndarray of float64, shape of ``pressure_kpa``
        Radius of throw; NaN where the pressure is NaN. [m]

    Notes
    -----
    With c = R/P^0.25 of each test, linear in pressure between tests and that of the nearest test
    beside them:

    - inside the rated range R = c·P^0.25, which gives back every tested radius;
    - above it R stays that of the upper end: the stream turns to mist and gains no distance;
    - below it R = R(P_min)·(P/P_min)^0.5.

    The exponents are engineering choices without a published table, see the constants. Where the
    tests themselves go beyond the stated range, the range prevails.

    Examples
    --------
    >>> radius_at_pressure([160.0, 810.0], [160.0], [4.0]).round(6).tolist()  # (810/160)^¼ = 1.5
    [4.0, 6.0]
    """
    pressure = np.asarray(pressure_kpa, dtype=np.float64)
    lower = np.asarray(pressure_min_kpa, dtype=np.float64)
    upper = np.asarray(pressure_max_kpa, dtype=np.float64)
    tested_pressure, tested_radius = _sorted_tests(tested_pressure_kpa, tested_radius_m)
    # A comparison with NaN is false, so that an end which is not stated does nothing.
    is_below, is_above = pressure < lower, pressure > upper
    within = np.where(is_below, lower, np.where(is_above, upper, pressure))
    coefficient = np.interp(
        within, tested_pressure, tested_radius / tested_pressure**RADIUS_EXPONENT
    )
    fall = np.where(is_below, pressure / within, 1.0) ** RADIUS_EXPONENT_BELOW_RANGE
    return np.asarray(coefficient * within**RADIUS_EXPONENT * fall)


def value_at_arc(
    arc_deg: ArrayLike, tested_arc_deg: ArrayLike, tested_value: ArrayLike, *, proportional: bool
) -> FloatArray:
    """Flow or radius at any arc, from the tested arcs.

    Parameters
    ----------
    arc_deg : array_like
        Arcs at which the value is wanted, in (0, 360]. [degree]
    tested_arc_deg : array_like, shape (n_tests,)
        Tested arcs of one nozzle at one pressure, in (0, 360], each once, in any order. [degree]
    tested_value : array_like, shape (n_tests,)
        Value at those arcs. [any unit]
    proportional : bool
        What happens beside the tested arcs: True for a flow, which goes with the arc from the
        nearest test (matched rate); False for a radius, which stays that of the nearest test.

    Returns
    -------
    ndarray of float64, shape of ``arc_deg``
        Value, linear in the arc between tests. [the unit of ``tested_value``]

    Examples
    --------
    >>> value_at_arc([45.0, 135.0], [90.0, 180.0], [2.0, 3.0], proportional=True).tolist()
    [1.0, 2.5]
    >>> value_at_arc([45.0, 135.0], [90.0, 180.0], [4.0, 5.0], proportional=False).tolist()
    [4.0, 4.5]
    """
    arc = np.asarray(arc_deg, dtype=np.float64)
    tested_arc, value = _sorted_tests(tested_arc_deg, tested_value)
    at_arc = np.asarray(np.interp(arc, tested_arc, value))
    if not proportional:
        return at_arc
    return np.asarray(at_arc * arc / np.clip(arc, tested_arc[0], tested_arc[-1]))


def flow_and_radius(
    pressure_kpa: FloatArray, arc_deg: FloatArray, tests: NozzleTests
) -> tuple[FloatArray, FloatArray]:
    """Flow and radius of throw of one nozzle at any pressures and arcs, from its tests.

    Parameters
    ----------
    pressure_kpa : ndarray, shape (n,)
        Pressures, > 0; NaN gives NaN. [kPa]
    arc_deg : ndarray, shape (n,)
        Arcs, in (0, 360]. [degree]
    tests : NozzleTests
        The nozzle.

    Returns
    -------
    tuple of ndarray, each of shape (n,)
        Flow [L/min] and radius of throw [m].

    Notes
    -----
    At each tested arc by `flow_at_pressure` and `radius_at_pressure`, then between the arcs by
    `value_at_arc`. That is linear in the tested values, so that the weight of a tested arc is what
    it gives for a value of one there and zero elsewhere.
    """
    tested_arc = np.unique(tests.arc_deg)
    flow, radius = np.zeros_like(arc_deg), np.zeros_like(arc_deg)
    for arc, unit_value in zip(tested_arc, np.eye(len(tested_arc)), strict=True):
        at_arc = tests.arc_deg == arc
        flow += value_at_arc(arc_deg, tested_arc, unit_value, proportional=True) * flow_at_pressure(
            pressure_kpa, tests.pressure_kpa[at_arc], tests.flow_lpm[at_arc]
        )
        radius += value_at_arc(
            arc_deg, tested_arc, unit_value, proportional=False
        ) * radius_at_pressure(
            pressure_kpa,
            tests.pressure_kpa[at_arc],
            tests.radius_m[at_arc],
            pressure_min_kpa=tests.pressure_min_kpa,
            pressure_max_kpa=tests.pressure_max_kpa,
        )
    return flow, radius


def throw_of_heads(
    nozzle: NDArray[np.integer],
    tests: Sequence[NozzleTests | None],
    pressure_kpa: FloatArray,
    arc_deg: FloatArray,
    stated: tuple[FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Flow and radius of heads: as stated, else what the tests of each head's nozzle give.

    Parameters
    ----------
    nozzle : ndarray of int, shape (n_heads,)
        Nozzle of each head, a place in ``tests``.
    tests : sequence of NozzleTests or None
        Tests of each nozzle; of one without, only what is stated is known.
    pressure_kpa, arc_deg : ndarray, shape (n_heads,)
        As for `flow_and_radius`. [kPa, degree]
    stated : tuple of ndarray, each of shape (n_heads,)
        Stated flow [L/min] and radius [m]; NaN where not stated.

    Returns
    -------
    tuple of ndarray, each of shape (n_heads,)
        Flow [L/min] and radius [m]; NaN where neither is known.
    """
    flow, radius = stated[0].copy(), stated[1].copy()
    open_rows = np.flatnonzero(np.isnan(flow) | np.isnan(radius))
    number = nozzle[open_rows].astype(np.min_scalar_type(len(tests)))  # short: they sort faster
    rows = open_rows[np.argsort(number, kind="stable")]
    pressure, arc = pressure_kpa[rows], arc_deg[rows]
    tested = np.full((2, len(rows)), np.nan)
    stop = 0
    for one, count in zip(tests, np.bincount(number, minlength=len(tests)).tolist(), strict=True):
        start, stop = stop, stop + count
        if one is not None and count:
            tested[:, start:stop] = flow_and_radius(pressure[start:stop], arc[start:stop], one)
    for values, looked_up in zip((flow, radius), tested, strict=True):
        own = values[rows]
        values[rows] = np.where(np.isnan(own), looked_up, own)
    return flow, radius


def orifice_flow(
    diameter_mm: ArrayLike, pressure_kpa: ArrayLike, discharge_coefficient: ArrayLike = 1.0
) -> FloatArray:
    """Flow through a round orifice into the open air.

    Use it to judge a stated flow; a nozzle's own tests are better where there are any.

    Parameters
    ----------
    diameter_mm : array_like
        Diameter of the orifice, ≥ 0. [mm]
    pressure_kpa : array_like, broadcastable with the above
        Pressure at the nozzle, ≥ 0. [kPa]
    discharge_coefficient : array_like, broadcastable with the above
        Flow over that of an ideal orifice; 0.90 to 0.98 for real nozzles. [1]

    Returns
    -------
    ndarray of float64
        Flow. [L/min]

    Notes
    -----
    Torricelli with water at 20 °C: q = C·(π/4)·d²·√(2P/ρ), which is 0.0667·C·d²·√P here and
    29.85·C·d²·√P with inches, psi and US gallons per minute. The approach velocity is neglected.
    The Hydraulic Institute's data book prints the same as 19.636·C·d²·√h, head h in feet, and
    gives 90 to 95 % of the ideal flow for real nozzles.

    Examples
    --------
    >>> float(orifice_flow(4.0, 300.0).round(1))  # 0.0667·4²·√300
    18.5
    """
    area_mm2 = np.pi / 4.0 * np.asarray(diameter_mm, dtype=np.float64) ** 2
    pressure_pa = _PA_PER_KPA * np.asarray(pressure_kpa, dtype=np.float64)
    jet_m_s = np.sqrt(2.0 * pressure_pa / WATER_DENSITY_KG_M3)
    coefficient = np.asarray(discharge_coefficient, dtype=np.float64)
    return np.asarray(_LPM_PER_MM2_M_S * coefficient * area_mm2 * jet_m_s)


def _sorted_tests(at: ArrayLike, value: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Tests in rising order of what was set, so that the order of the rows does not matter."""
    tested_at = np.atleast_1d(np.asarray(at, dtype=np.float64))
    order = np.argsort(tested_at, kind="stable")
    return tested_at[order], np.atleast_1d(np.asarray(value, dtype=np.float64))[order]
