"""Heads of an invented city, where a designer would put them, and what they are.

Along an edge of a lawn heads are half circles, in its corners as wide as the corner, inside full
circles in rows; the nozzle is the one of the table whose throw fits the spacing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from city_lots import (
    BACK,
    CHAMFER,
    ELL,
    FRONT,
    PARK,
    PARK_LAWNS,
    SIDE,
    VERGE,
    Areas,
    Bools,
    Floats,
    Ints,
    Lots,
    Rings,
    laid,
)

# Throws of the invented nozzles; of each throw there is a fixed spray and a rotary nozzle. [m]
SPRAY_RADII_M = (1.8, 2.4, 3.0, 3.7, 4.6)
ROTOR_RADIUS_M = 10.0
# Rate of heads on a square of their own throw, invented but usual. [mm/h]
SPRAY_RATE_MM_H, ROTARY_RATE_MM_H, ROTOR_RATE_MM_H = 40.0, 11.0, 13.0
SPRAY, ROTARY, ROTOR = range(3)
DEVICES = ("fixed_spray", "rotary_nozzle", "rotor")
PREFIXES = ("FS", "RN", "RT")
DESIGN_PRESSURE_KPA = (210.0, 280.0, 310.0)
PRESSURE_LIMITS_KPA = ((140.0, 280.0), (170.0, 380.0), (240.0, 450.0))
UNIT_COSTS = (2.6, 8.5, 21.0)
TESTED_SHARES = (0.8, 1.0, 1.25)  # of the design pressure
PROFILES = {
    "spray fan": (1.30, 1.08, 1.00, 0.90, 0.56, 0.00),
    "rotary stream": (1.20, 1.10, 1.00, 0.80, 0.45, 0.00),
    "rotor stream": (1.15, 1.05, 1.00, 0.85, 0.50, 0.00),
}
STRIP_WIDTH_M, STRIP_SPACING_M, STRIP_THROW_M = 2.4, 3.6, 2.2
STRETCH = 0.2  # part of a gap by which a row may be too long for its heads
MOST_ZONES = PARK_LAWNS
HEADS_OF_ONE_VALVE = 14  # a lawn with more is watered in two halves


@dataclass(frozen=True, slots=True, kw_only=True)
class Heads:
    """Heads of some lots, in the order of the lots and of their zones; arrays of shape (n,)."""

    lot: Ints  # row of `Lots`
    zone: Ints  # number in the lot, from 0
    x_m: Floats
    y_m: Floats
    arc_deg: Floats
    start_bearing_deg: Floats  # NaN for full circles
    nozzle: Ints  # row of `nozzle_names`
    pressure_kpa: Floats
    radius_m: Floats  # own radius of heads that were screwed down, else NaN


def nozzle_names() -> list[str]:
    """Names of the nozzles: five sprays, five rotary nozzles, one rotor."""
    sizes = [f"{radius:g}" for radius in SPRAY_RADII_M]
    both = [f"{PREFIXES[device]}-{size}" for device in (SPRAY, ROTARY) for size in sizes]
    return [*both, f"{PREFIXES[ROTOR]}-{ROTOR_RADIUS_M:g}"]


def nozzle_radii_m() -> Floats:
    """Radius of each nozzle at its design pressure."""
    return np.array((*SPRAY_RADII_M, *SPRAY_RADII_M, ROTOR_RADIUS_M))


def nozzle_devices() -> Ints:
    """Device of each nozzle."""
    return np.repeat((SPRAY, ROTARY, ROTOR), (len(SPRAY_RADII_M), len(SPRAY_RADII_M), 1))


def nozzle_table() -> pd.DataFrame:
    """Three tested pressures of every nozzle; flow goes with the root of pressure."""
    rate = (SPRAY_RATE_MM_H, ROTARY_RATE_MM_H, ROTOR_RATE_MM_H)
    profile = list(PROFILES)
    rows = [
        (
            name, DEVICES[device], profile[device], *PRESSURE_LIMITS_KPA[device],
            UNIT_COSTS[device], share * DESIGN_PRESSURE_KPA[device],
            round(rate[device] / 60.0 * radius**2 * share**0.5, 3),
            round(radius * share**0.25, 3),
        )
        for name, device, radius in zip(
            nozzle_names(), nozzle_devices().tolist(), nozzle_radii_m().tolist(), strict=True
        )
        for share in TESTED_SHARES
    ]  # fmt: skip
    columns = ("nozzle", "device", "profile", "pressure_min_kpa", "pressure_max_kpa", "unit_cost",
               "pressure_kpa", "flow_lpm", "radius_m")  # fmt: skip
    return pd.DataFrame(rows, columns=list(columns))


def profile_table() -> pd.DataFrame:
    """Invented bench profiles, one for each device."""
    rows = [
        (name, round(k / (len(rates) - 1), 3), rate)
        for name, rates in PROFILES.items()
        for k, rate in enumerate(rates)
    ]
    return pd.DataFrame(rows, columns=["profile", "distance_fraction", "relative_rate"])


def retrofit_set() -> pd.DataFrame:
    """A retrofit: every spray becomes the rotary nozzle of its throw, at a regulated pressure."""
    names = nozzle_names()
    n = len(SPRAY_RADII_M)
    return pd.DataFrame(
        {
            "from_nozzle": names[:n],
            "to_nozzle": names[n : 2 * n],
            "pressure_kpa": DESIGN_PRESSURE_KPA[ROTARY],
        }
    )


def heads_of_lawns(lawns: Areas, rings: Rings, lots: Lots, rng: np.random.Generator) -> Heads:
    """Heads of every irrigated lawn."""
    # Some gardens have no system; faults lie in lots of even number, which all have one.
    is_watered = (rng.random(len(lots.number)) > 0.04) | (lots.number % 2 == 0)
    largest = rng.choice((3.7, 4.6), len(lots.number), p=(0.1, 0.9))[lawns.lot]
    spacing = _spacing_m(lawns, np.where(lawns.kind == PARK, ROTOR_RADIUS_M, largest))
    edge = _along_edges(rings, spacing)
    inner = _inside(lawns, lots, spacing)
    area, x, y, arc, start = (np.concatenate(pair) for pair in zip(edge, inner, strict=True))
    zone = _zones(area, x, y, lawns, lots)
    kept = np.flatnonzero(is_watered[lawns.lot[area]])
    kept = kept[np.argsort(lawns.lot[area[kept]] * (MOST_ZONES + 1) + zone[kept], kind="stable")]
    area, zone = area[kept], zone[kept]
    lot = lawns.lot[area]
    knocked = np.where(rng.random(len(lot)) < 0.05, rng.normal(0.0, 30.0, len(lot)), 0.0)
    is_strip = _sides_m(lawns).min(axis=1) < STRIP_WIDTH_M
    wanted = np.where(is_strip, STRIP_THROW_M, 0.93 * spacing)
    nozzle, radius = _nozzles(wanted[area], lot, zone, lots, rng)
    return Heads(
        lot=lot,
        zone=_renumbered(lot, zone, len(lots.number)),
        x_m=np.round(x[kept], 3),
        y_m=np.round(y[kept], 3),
        arc_deg=arc[kept],
        start_bearing_deg=np.round(start[kept] + knocked) % 360.0,  # a few were knocked round
        nozzle=nozzle,
        pressure_kpa=_pressures_kpa(lot, lots, rng),
        radius_m=radius,
    )


def _sides_m(lawns: Areas) -> Floats:
    """Length of lawns along their two directions, (n, 2)."""
    return np.abs(lawns.rectangle_m[:, 2:] - lawns.rectangle_m[:, :2])


def _spacing_m(lawns: Areas, largest_m: Floats) -> Floats:
    """Spacing that fits the shorter side in equal gaps not wider than the largest throw."""
    short = _sides_m(lawns).min(axis=1)
    fitted = short / np.maximum(1.0, np.ceil(short / largest_m - STRETCH))
    return np.where(short < STRIP_WIDTH_M, STRIP_SPACING_M, np.maximum(fitted, STRIP_WIDTH_M))


def _gaps(length_m: Floats, spacing_m: Floats) -> Ints:
    return np.maximum(1, np.ceil(length_m / spacing_m - STRETCH)).astype(np.int64)


def _along_edges(rings: Rings, spacing_m: Floats) -> tuple[Ints, Floats, Floats, Floats, Floats]:
    """Area, place, arc and start bearing of heads along edges, each edge in equal gaps.

    The ring is clockwise, so the arc sweeps clockwise from the way ahead to the way back.
    """
    corner, after, ring = rings.corner_m, rings.following, rings.ring
    way = corner[after] - corner
    ahead = np.degrees(np.arctan2(way[:, 0], way[:, 1]))
    back = np.empty_like(ahead)
    back[after] = ahead + 180.0
    gaps = _gaps(np.hypot(*way.T), spacing_m[ring])
    edge = np.repeat(np.arange(len(corner)), gaps)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(gaps) - gaps, gaps)
    at = corner[edge] + (step / gaps[edge])[:, np.newaxis] * way[edge]
    start = np.round(ahead) % 360.0
    arc = np.where(step == 0, np.round(back - ahead)[edge] % 360.0, 180.0)
    return ring[edge], at[:, 0], at[:, 1], arc, start[edge]


def _inside(
    lawns: Areas, lots: Lots, spacing_m: Floats
) -> tuple[Ints, Floats, Floats, Floats, Floats]:
    """Area, place, arc and (absent) start bearing of heads in rows inside lawns."""
    sides = _sides_m(lawns)
    across, along = (_gaps(side, spacing_m) for side in sides.T)
    count = (across - 1) * (along - 1)
    area = np.repeat(np.arange(len(count)), count)
    step = np.arange(len(area)) - np.repeat(np.cumsum(count) - count, count)
    st = np.stack(
        (
            (step % np.maximum(across - 1, 1)[area] + 1) / across[area],
            (step // np.maximum(across - 1, 1)[area] + 1) / along[area],
        ),
        axis=-1,
    )
    # Distance into what was cut, in shares of its sides; heads in it or near it are left out.
    mirrored = lawns.is_mirrored[area]
    near = 0.3 * spacing_m[area, np.newaxis] / sides[area]
    into = (np.where(mirrored, 1.0 - st, st) + near - (1.0 - lawns.cut[area])) / lawns.cut[area]
    is_off = ((lawns.shape[area] == ELL) & (into > 0.0).all(axis=1)) | (
        (lawns.shape[area] == CHAMFER) & (into.sum(axis=1) > 1.0)
    )
    area, st = area[~is_off], st[~is_off]
    at = laid(lawns, lots, area, st)
    full = np.full(len(area), 360.0)
    return area, at[:, 0], at[:, 1], full, np.full(len(area), np.nan)


def _zones(area: Ints, x_m: Floats, y_m: Floats, lawns: Areas, lots: Lots) -> Ints:
    """Valve of every head: front, verge, side and back; a large back in halves; a park by lawn."""
    kind = lawns.kind[area]
    code = np.select([kind == FRONT, kind == VERGE, kind == SIDE], [0, 1, 2], 3)
    corner = lots.corner_m[lawns.lot[area]]
    street = corner[:, 3] - corner[:, 0]
    along = ((x_m - corner[:, 0, 0]) * street[:, 0] + (y_m - corner[:, 0, 1]) * street[:, 1]) / (
        np.hypot(*street.T)
    )
    middle = lawns.rectangle_m[:, [0, 2]].mean(axis=1)[area]
    is_large = np.bincount(area, minlength=len(lawns.lot))[area] > HEADS_OF_ONE_VALVE
    code = np.where((kind == BACK) & is_large & (along > middle), 4, code)
    first = np.searchsorted(lawns.lot, lawns.lot)  # lawns are in the order of the lots
    return np.where(kind == PARK, area - first[area], code)


def _renumbered(lot: Ints, zone: Ints, n_lots: int) -> Ints:
    """Zones of each lot numbered without gaps."""
    is_there = np.zeros((n_lots, MOST_ZONES), dtype=bool)
    is_there[lot, zone] = True
    return np.asarray((np.cumsum(is_there, axis=1) - 1)[lot, zone], dtype=np.int64)


def _nozzles(
    wanted_m: Floats, lot: Ints, zone: Ints, lots: Lots, rng: np.random.Generator
) -> tuple[Ints, Floats]:
    """Nozzle of every head, and its own radius where it was screwed down.

    Most zones have sprays; some were changed to rotary nozzles, and repairs have put a wrong device
    or a wrong throw here and there.
    """
    n, n_sizes = len(lot), len(SPRAY_RADII_M)
    is_changed = rng.random((len(lots.number), MOST_ZONES)) < 0.12
    is_changed |= rng.random((len(lots.number), 1)) < 0.08  # the whole garden
    size = np.minimum(np.searchsorted(np.array(SPRAY_RADII_M), wanted_m), n_sizes - 1)
    draw = rng.random(n)
    size = np.where(draw < 0.01, np.maximum(size - 1, 0), size)
    size = np.where(draw > 0.99, np.minimum(size + 1, n_sizes - 1), size)
    is_rotary = is_changed[lot, zone] ^ (rng.random(n) < 0.012)
    nozzle = np.where(lots.is_park[lot], 2 * n_sizes, size + n_sizes * is_rotary)
    is_screwed: Bools = rng.random(n) < 0.04
    radius = np.round(nozzle_radii_m()[nozzle] * rng.uniform(0.8, 0.95, n), 2)
    return nozzle.astype(np.int64), np.where(is_screwed, radius, np.nan)


def _pressures_kpa(lot: Ints, lots: Lots, rng: np.random.Generator) -> Floats:
    """Pressure at every head: the lot's own, a third of the lots regulated, less a little loss."""
    n = len(lots.number)
    street = np.clip(rng.normal(285.0, 45.0, n), 180.0, 400.0)
    own = np.where(rng.random(n) < 0.33, 210.0, street)
    own = np.where(lots.is_park, 330.0, own)
    return np.asarray(np.round(own[lot] - np.abs(rng.normal(0.0, 6.0, len(lot)))))
