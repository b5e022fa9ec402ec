"""The invented hillside civic ground: its ground, turf, paving, heads, nozzles and plan.

Local coordinates in metres, x to the east and y to the north, uphill. Nothing here is surveyed:
the place, the names and the nozzle models do not exist. Six faults are built in on purpose: five
carry a note in the column ``note`` of the heads, the sixth is a steep bank under fast sprays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Point = tuple[float, float]
Ring = list[Point]

# --- ground --------------------------------------------------------------------------------------

# Slope towards the north, by belts: the rise over run south of each northing, then beyond it [1],
# the northing where it changes [m] and how gently it does [m].
FIRST_RISE = 0.008
RISE_CHANGES = ((16.0, 0.035, 1.5), (39.5, 0.245, 1.0), (54.0, -0.255, 0.8), (72.0, 0.100, 1.2))
CROSS_FALL = 0.008  # rise towards the east
KNOLL = (104.0, 40.0, 1.2, 7.0)  # centre x, centre y, height and spread of the memorial knoll [m]


def elevation_and_slope(
    x_m: NDArray[np.float64], y_m: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Elevation [m] of the invented ground, and the length of its exact gradient [%].

    The rise to the north is a sum of logistic steps, so the elevation is a sum of their integrals
    w·ln(1 + exp((y − y₀)/w)); a round knoll h·exp(−d²/2s²) stands on it.
    """
    elevation = 120.0 + FIRST_RISE * y_m + CROSS_FALL * x_m
    rise_y = np.full(np.broadcast_shapes(x_m.shape, y_m.shape), FIRST_RISE)
    rise_x = np.full(rise_y.shape, CROSS_FALL)
    for northing, change, width in RISE_CHANGES:
        reach = (y_m - northing) / width
        elevation = elevation + change * width * np.logaddexp(0.0, reach)
        rise_y = rise_y + change / (1.0 + np.exp(-reach))
    knoll_x, knoll_y, height, spread = KNOLL
    east, north = x_m - knoll_x, y_m - knoll_y
    knoll = height * np.exp(-(east**2 + north**2) / (2.0 * spread**2))
    rise_x = rise_x - knoll * east / spread**2
    rise_y = rise_y - knoll * north / spread**2
    return elevation + knoll, 100.0 * np.hypot(rise_x, rise_y)


# --- turf and paving -----------------------------------------------------------------------------

BANK_CENTRE = (72.0, 32.0)
BANK_ROWS = (10.0, 14.0, 18.0, 22.0)  # radii of the rows of heads on the stage bank [m]
BANK_HALF_ANGLE_DEG = 60.0
MEMORIAL = (20.0, 63.0, 2.5)  # centre and radius of the memorial stone [m]


def at_bearing(centre: Point, distance_m: float, bearing_deg: float) -> Point:
    """The point at a distance and a compass bearing from another."""
    angle = math.radians(bearing_deg)
    return centre[0] + distance_m * math.sin(angle), centre[1] + distance_m * math.cos(angle)


def arc_points(centre: Point, radius_m: float, first_deg: float, last_deg: float) -> Ring:
    """Points every 2 degrees on an arc, from one compass bearing to another."""
    count = round(abs(last_deg - first_deg) / 2.0)
    step = (last_deg - first_deg) / count
    return [at_bearing(centre, radius_m, first_deg + step * k) for k in range(count + 1)]


def bank_sector(inner_m: float, outer_m: float) -> Ring:
    """Ring of the part of the stage bank between two radii."""
    angle = BANK_HALF_ANGLE_DEG
    return arc_points(BANK_CENTRE, outer_m, -angle, angle) + arc_points(
        BANK_CENTRE, inner_m, angle, -angle
    )


def rectangle(left: float, bottom: float, right: float, top: float) -> Ring:
    """Ring of a rectangle, clockwise."""
    return [(left, bottom), (left, top), (right, top), (right, bottom)]


# Rings run clockwise, so that the turf lies to the right of every edge. The layout of heads
# along the edges relies on it.
FORECOURT_WEST = rectangle(0, 0, 36, 9)
FORECOURT_EAST: Ring = [(40, 0), (40, 6), (46, 12), (76, 12), (76, 0)]
VERGE = rectangle(84, 0, 87, 24)
PLAY_LAWN = rectangle(0, 18, 50, 38)
TERRACE = rectangle(0, 55, 40, 71)
MEMORIAL_LAWN: Ring = [(96, 30), (100, 58), (116, 58), (116, 34)]
HILL_LAWN = rectangle(0, 74, 60, 86)
LOOKOUT_LAWN: Ring = [(66, 74), (66, 86), (90, 88), (96, 80), (90, 74)]
GATE_LAWN: Ring = [(104, 64), (106, 73), (117, 76), (117, 64)]

# turf_id, ring, holes, parcel, soil texture, compaction, plant type, root depth [mm]
TURF: list[tuple[str, Ring, list[Ring], str, str, str, str, float]] = [
    ("forecourt_west", FORECOURT_WEST, [], "P-01", "sandy_loam", "none", "cool_season", 150.0),
    ("forecourt_east", FORECOURT_EAST, [], "P-01", "loam", "trafficked", "cool_season", 120.0),
    ("car_park_verge", VERGE, [], "P-02", "clay_loam", "trafficked", "cool_season", 100.0),
    ("play_lawn", PLAY_LAWN, [], "P-01", "clay_loam", "typical", "cool_season", 150.0),
    ("stage_bank", bank_sector(10, 22), [], "P-02", "silty_clay", "none", "cool_season", 120.0),
    (
        "upper_terrace",
        TERRACE,
        [arc_points(MEMORIAL[:2], MEMORIAL[2], 358.0, 0.0)],
        "P-03",
        "loam",
        "none",
        "cool_season",
        180.0,
    ),
    ("memorial_lawn", MEMORIAL_LAWN, [], "P-02", "silt_loam", "typical", "warm_season", 200.0),
    ("hill_lawn", HILL_LAWN, [], "P-03", "clay", "none", "warm_season", 200.0),
    ("lookout_lawn", LOOKOUT_LAWN, [], "P-03", "sandy_clay_loam", "none", "warm_season", 200.0),
    ("gate_lawn", GATE_LAWN, [], "P-03", "sandy_loam", "trafficked", "cool_season", 120.0),
]

# surface, ring
HARDSCAPE: list[tuple[str, Ring]] = [
    ("concrete walk", rectangle(0, -2, 120, 0)),
    (
        "paved plaza",
        [(0, 9), (0, 18), (84, 18), (84, 12), (46, 12), (40, 6), (40, 0), (36, 0), (36, 9)],
    ),
    ("asphalt drive", rectangle(76, 0, 84, 12)),
    ("asphalt car park", rectangle(87, 0, 118, 26)),
    ("concrete walk", rectangle(50, 18, 52, 38)),
    ("stage paving", [*arc_points(BANK_CENTRE, 10.0, -60.0, 60.0), (84, 18), (60, 18)]),
    ("gravel walk", bank_sector(22, 24)),
    ("memorial stone", arc_points(MEMORIAL[:2], MEMORIAL[2], 358.0, 0.0)),
    ("stone walk", [(93, 30), (97, 58), (100, 58), (96, 30)]),
    ("asphalt walk", rectangle(0, 71, 103, 74)),
]

CIVIC_HALL: Ring = [
    (-3, -3), (-3, 46), (49, 46), (49, 40), (52, 40), (52, 18), (80, 18), (80, -3),
]  # fmt: skip
STAGE_AND_CAR_PARK: Ring = [
    (80, -3), (80, 18), (52, 18), (52, 40), (49, 40), (49, 60), (121, 60), (121, -3),
]  # fmt: skip
UPPER_GARDENS: Ring = [(-3, 46), (-3, 91), (121, 91), (121, 60), (49, 60), (49, 46)]

# parcel_id, ring, land use
PARCELS: list[tuple[str, Ring, str]] = [
    ("P-01", CIVIC_HALL, "civic hall"),
    ("P-02", STAGE_AND_CAR_PARK, "stage and car park"),
    ("P-03", UPPER_GARDENS, "upper gardens"),
]

# --- heads ---------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Head:
    """One head as a row of the heads layer."""

    head_id: str
    zone: str
    nozzle: str
    x_m: float
    y_m: float
    arc_deg: float
    start_bearing_deg: float | None
    pressure_kpa: float
    radius_m: float | None = None
    riser_m: float = 0.10
    note: str | None = None


def bearing_deg(start: Point, end: Point) -> float:
    """Compass bearing of one point from another."""
    return math.degrees(math.atan2(end[0] - start[0], end[1] - start[1])) % 360.0


def edge_heads(ring: Ring, spacing_m: float) -> list[tuple[Point, float, float]]:
    """Heads along the edges of an area: position, arc over the area, bearing of its first edge.

    Every edge is cut into equal gaps, not wider than the spacing but for 2 % of it. The ring is
    clockwise, so the arc sweeps clockwise from the way ahead to the way back.
    """
    heads = []
    for k, corner in enumerate(ring):
        ahead, behind = ring[(k + 1) % len(ring)], ring[k - 1]
        gaps = max(1, math.ceil(math.dist(corner, ahead) / spacing_m - 0.02))
        first = bearing_deg(corner, ahead)
        heads.append((corner, (bearing_deg(corner, behind) - first) % 360.0, first))
        for gap in range(1, gaps):
            share = gap / gaps
            x, y = (a + share * (b - a) for a, b in zip(corner, ahead, strict=True))
            heads.append(((x, y), 180.0, first))
    return heads


def area_heads(
    prefix: str, ring: Ring, spacing_m: float, inner: list[Point], **common: Any
) -> list[Head]:
    """Heads along the edges of an area and at the given places inside, numbered in that order."""
    placed: list[tuple[Point, float, float | None]] = [*edge_heads(ring, spacing_m)]
    placed += [(place, 360.0, None) for place in inner]
    return [
        Head(
            head_id=f"{prefix}-{number:02d}",
            x_m=x,
            y_m=y,
            arc_deg=float(round(arc)),
            start_bearing_deg=None if start is None else float(round(start) % 360),
            **common,
        )
        for number, ((x, y), arc, start) in enumerate(placed, start=1)
    ]


def bank_heads() -> list[Head]:
    """Heads in four curved rows on the stage bank; the two lowest rows share a valve."""
    counts, zones = (6, 8, 10, 12), ("Z07", "Z07", "Z08", "Z09")
    heads: list[Head] = []
    for row, (radius, count, zone) in enumerate(zip(BANK_ROWS, counts, zones, strict=True)):
        # On the crest the arc is drawn in so that a 4.5 m throw stays on the bank.
        drawn_in = math.degrees(math.asin(4.5 / (2.0 * radius))) if row == 3 else 0.0
        for k in range(count):
            angle = -BANK_HALF_ANGLE_DEG + 2.0 * BANK_HALF_ANGLE_DEG * k / (count - 1)
            # Swept clockwise from `first` to `last`, both relative to the outward bearing.
            first, last = {0: (-90.0, 90.0), 3: (90.0 + drawn_in, 270.0 - drawn_in)}.get(
                row, (0.0, 360.0)
            )
            if k == 0:  # the western end: nothing lies to the left of the radius
                first, last = {0: (0.0, 90.0), 3: (first, 180.0)}.get(row, (0.0, 180.0))
            elif k == count - 1:
                first, last = {0: (-90.0, 0.0), 3: (180.0, last)}.get(row, (180.0, 360.0))
            x, y = at_bearing(BANK_CENTRE, radius, angle)
            full = last - first == 360.0
            heads.append(
                Head(
                    head_id=f"SB-{len(heads) + 1:02d}",
                    zone=zone,
                    nozzle="FS-4.5",
                    x_m=x,
                    y_m=y,
                    arc_deg=float(round(last - first)),
                    start_bearing_deg=None if full else float(round(angle + first) % 360),
                    pressure_kpa=200.0,
                    riser_m=0.15,
                )
            )
    return heads


def grid_points(xs: range, ys: range) -> list[Point]:
    """Points of a rectangular grid, row by row."""
    return [(float(x), float(y)) for y in ys for x in xs]


def drawn_back(head: Head) -> Head:
    """Two inner heads stand near a slanting edge: their arcs leave that side out."""
    if (head.x_m, head.y_m) == (46.0, 6.0):
        return replace(head, arc_deg=270.0, start_bearing_deg=0.0)
    if (head.x_m, head.y_m) == (90.0, 80.0):
        return replace(head, arc_deg=180.0, start_bearing_deg=180.0)
    return head


def sound_heads() -> list[Head]:
    """The layout as it was meant."""
    heads = [
        replace(head, zone="Z01" if head.x_m < 16.0 else "Z02")
        for head in area_heads(
            "FW", FORECOURT_WEST, 4.5, [(4.5 * k, 4.5) for k in range(1, 8)],
            zone="", nozzle="FS-4.5", pressure_kpa=200.0,
        )
    ]  # fmt: skip
    heads += area_heads(
        "FE", FORECOURT_EAST, 6.0, grid_points(range(46, 76, 6), range(6, 7)),
        zone="Z03", nozzle="RN-6", pressure_kpa=280.0,
    )  # fmt: skip
    heads += area_heads("CV", VERGE, 3.0, [], zone="Z04", nozzle="FS-3", pressure_kpa=200.0)
    heads += [
        replace(head, zone="Z05" if head.x_m < 25.0 else "Z06")
        for head in area_heads(
            "PL", PLAY_LAWN, 10.0, grid_points(range(10, 50, 10), range(28, 29)),
            zone="", nozzle="RT-10", pressure_kpa=310.0,
        )
    ]  # fmt: skip
    heads += bank_heads()
    heads += area_heads(
        "UT", TERRACE, 8.0, grid_points(range(8, 40, 8), range(63, 64)),
        zone="Z10", nozzle="RN-8", pressure_kpa=280.0,
    )  # fmt: skip
    inner = [
        (103.2, 38.5),
        (110.0, 40.0),
        (104.0, 44.5),
        (110.0, 46.0),
        (104.8, 50.5),
        (110.0, 52.0),
    ]
    heads += area_heads(
        "ML", MEMORIAL_LAWN, 6.0, inner, zone="Z11", nozzle="RN-6", pressure_kpa=280.0
    )
    heads += area_heads("HL", HILL_LAWN, 12.0, [], zone="Z12", nozzle="RT-12", pressure_kpa=310.0)
    heads += area_heads(
        "LL", LOOKOUT_LAWN, 6.0, grid_points(range(72, 96, 6), range(80, 81)),
        zone="Z13", nozzle="RN-6", pressure_kpa=280.0,
    )  # fmt: skip
    heads = [drawn_back(head) for head in heads]
    heads += area_heads(
        "GL", GATE_LAWN, 4.5, [(111.8, 68.3)], zone="Z14", nozzle="FS-4.5", pressure_kpa=200.0
    )
    return heads


def heads_with_faults() -> list[Head]:
    """The layout as it stands: what a few seasons and repairs have made of it."""
    as_built = []
    for head in sound_heads():
        place = (head.x_m, head.y_m)
        if head.zone == "Z10" and place == (24.0, 55.0):
            continue  # taken out; its neighbour was moved into the gap
        if head.zone == "Z10" and place == (16.0, 55.0):
            head = replace(head, x_m=22.0, note="moved when a neighbour was taken out: 14 m gap")
        elif head.zone == "Z03" and place in ((58.0, 0.0), (64.0, 0.0)):
            head = replace(
                head, nozzle="FS-4.5", pressure_kpa=200.0, note="spray fitted after mower damage"
            )
        elif head.zone == "Z02" and place == (27.0, 0.0):
            head = replace(head, arc_deg=250.0, note="arc knocked round: throws over the walk")
        elif head.zone == "Z12" and place == (36.0, 86.0):
            head = replace(head, pressure_kpa=170.0, note="far end of the lateral, low pressure")
        elif head.zone == "Z04" and place == (87.0, 12.0):
            head = replace(head, nozzle="FS-4.5", note="nozzle too large for a 3 m strip")
        as_built.append(head)
    return as_built


# --- nozzles, profiles, plan, catch cans ---------------------------------------------------------

# Invented models. nozzle, device, profile, trajectory [deg], rotation [s], least and highest
# pressure [kPa], unit cost; then pressure [kPa], arc [deg] or None, flow [L/min], radius [m].
NozzleHead = tuple[str, str, str | None, float, float | None, float, float, float]
NOZZLES: list[tuple[NozzleHead, list[tuple[float, float | None, float, float]]]] = [
    (
        ("FS-3", "fixed_spray", None, 15.0, None, 140.0, 275.0, 2.5),
        [(150.0, None, 5.2, 2.8), (200.0, None, 6.0, 3.0), (250.0, None, 6.7, 3.1)],
    ),
    (
        ("FS-4.5", "fixed_spray", "spray_bench_a", 25.0, None, 140.0, 275.0, 2.5),
        [(150.0, None, 11.7, 4.2), (200.0, None, 13.5, 4.5), (250.0, None, 15.1, 4.7)],
    ),
    (
        ("RN-6", "rotary_nozzle", "rotary_bench_b", 20.0, 24.0, 200.0, 380.0, 9.0),
        [(200.0, None, 5.6, 5.5), (280.0, None, 6.6, 6.0), (350.0, None, 7.4, 6.2)],
    ),
    (
        ("RN-8", "rotary_nozzle", "rotary_bench_b", 22.0, 24.0, 210.0, 380.0, 9.0),
        [(210.0, None, 10.1, 7.5), (280.0, None, 11.7, 8.0), (350.0, None, 13.1, 8.3)],
    ),
    (
        ("RT-10", "rotor", "rotor_bench_c", 25.0, 65.0, 240.0, 450.0, 22.0),
        [(250.0, None, 18.0, 9.6), (310.0, None, 20.0, 10.0), (400.0, None, 22.7, 10.5)],
    ),
    (
        ("RT-12", "rotor", "rotor_bench_c", 25.0, 75.0, 240.0, 450.0, 24.0),
        [
            (250.0, 90.0, 6.9, 11.5),
            (250.0, 180.0, 13.1, 11.5),
            (250.0, 360.0, 25.6, 11.5),
            (310.0, 90.0, 7.6, 12.0),
            (310.0, 180.0, 14.6, 12.0),
            (310.0, 360.0, 28.5, 12.0),
            (400.0, 90.0, 8.6, 12.6),
            (400.0, 180.0, 16.6, 12.6),
            (400.0, 360.0, 32.4, 12.6),
        ],
    ),
]

# Invented bench legs: rate, relative, at 0, 0.2, 0.4, 0.6, 0.8 and 1 of the radius.
PROFILE_DISTANCES = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
PROFILES = {
    "spray_bench_a": (1.30, 1.08, 1.00, 0.90, 0.56, 0.00),
    "rotary_bench_b": (1.25, 1.10, 1.00, 0.78, 0.45, 0.00),
    "rotor_bench_c": (1.20, 1.06, 1.00, 0.84, 0.50, 0.00),
}

# zone, run minutes, cycles, soak minutes, station; None: the plan says nothing.
ZONES: list[tuple[str, float | None, int | None, float | None, str]] = [
    ("Z01", None, None, None, "forecourt west, left"),
    ("Z02", None, None, None, "forecourt west, right"),
    ("Z03", 70.0, 2, 30.0, "forecourt east"),
    ("Z04", None, None, None, "car park verge"),
    ("Z05", 64.0, 2, 30.0, "play lawn, left"),
    ("Z06", 64.0, 2, 30.0, "play lawn, right"),
    ("Z07", 20.0, 1, 0.0, "stage bank, foot"),
    ("Z08", 20.0, 1, 0.0, "stage bank, middle"),
    ("Z09", 20.0, 1, 0.0, "stage bank, crest"),
    ("Z10", None, None, None, "upper terrace"),
    ("Z11", 72.0, 3, 40.0, "memorial lawn"),
    ("Z12", None, None, None, "hill lawn"),
    ("Z13", 72.0, 4, 45.0, "lookout lawn"),
    ("Z14", None, None, None, "gate lawn"),
]

# A ten-minute catch test of zone Z01: x, y [m] and depth [mm], all invented.
CATCH_CAN_MINUTES = 10.0
CATCH_CANS = [
    (1.1, 1.1, 6.1), (4.5, 1.2, 6.9), (7.9, 1.1, 5.6), (11.2, 1.2, 6.4),
    (1.2, 3.4, 6.7), (4.4, 3.3, 7.4), (7.8, 3.5, 6.2), (11.3, 3.4, 6.6),
    (1.1, 5.6, 6.3), (4.6, 5.7, 7.1), (7.9, 5.6, 5.9), (11.2, 5.5, 6.2),
    (1.2, 7.9, 5.4), (4.5, 7.8, 6.6), (7.8, 7.9, 5.2), (11.3, 7.8, 5.8),
]  # fmt: skip

# Two nozzle sets to compare the layout with: rotary nozzles for the 4.5 m sprays of the zones laid
# out with them; and the mending of three faulty heads, one by one. Every head keeps the pressure
# that it has, which is the least that the rotary nozzles take: a new nozzle raises none.
NOZZLE_SETS: dict[str, list[tuple[object, ...]]] = {
    "hillside_rotary": [
        ("from_nozzle", "to_nozzle", "zone"),
        *[("FS-4.5", "RN-6", zone) for zone in ("Z01", "Z02", "Z07", "Z08", "Z09", "Z14")],
    ],
    "hillside_repairs": [
        ("head_id", "nozzle"),
        ("FE-13", "RN-6"),
        ("FE-14", "RN-6"),
        ("CV-14", "FS-3"),
    ],
}
