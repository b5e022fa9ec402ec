"""The invented surveyed court: a plan as DXF in feet, its roles, control points and nozzles.

Nothing here is surveyed: the place, the names and the nozzle models do not exist. The plan has
coordinates of its own, in feet, turned by 17° against the map. Four faults are built in on purpose;
the README of this folder names them.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import ezdxf
from ezdxf.document import Drawing

METRES_PER_FOOT = 0.3048
ROTATION_DEG = 17.0  # a bearing on the plan plus this is the bearing on the map
PLAN_ORIGIN_FT = (1000.0, 500.0)  # of the court's south-west corner on the plan …
MAP_ORIGIN_M = (512_700.0, 4_643_250.0)  # … and on the map, EPSG:32611

Place = tuple[float, float]
Corner = tuple[float, float, float]  # x, y [ft] in the court, and the bulge towards the next

NORTH_LAWN: list[Corner] = [
    (0, 36, 0), (45, 36, 0), (45, 56, math.tan(math.pi / 8)), (35, 66, 0), (0, 66, 0),
]  # fmt: skip
SOUTH_LAWN: list[Corner] = [(0, 0, 0), (30, 0, 0), (30, 30, 0), (0, 30, 0)]
ISLAND = ((15.0, 15.0), 4.0)  # planting in the south lawn: centre and radius
STRIP: list[Corner] = [(52, 36, 0), (82, 36, 0), (82, 42, 0), (52, 42, 0)]
WALK: list[Corner] = [(-4, 30, 0), (84, 30, 0), (84, 36, 0), (-4, 36, 0)]
TERRACE: list[Corner] = [
    (52, 42, 0), (84, 42, 0), (84, 68, 0), (45, 68, 0), (45, 36, 0), (52, 36, 0),
]  # fmt: skip
PARCEL: list[Corner] = [(-6, -6, 0), (86, -6, 0), (86, 70, 0), (-6, 70, 0)]

# id, valve, model, arc [°], bearing on the plan of the arc's first edge, x, y [ft]
HEADS: list[tuple[str, str, str, float, float, float, float]] = [
    ("N1", "1", "SPRAY-15", 90, 0, 0, 36),
    ("N2", "1", "SPRAY-15", 180, 270, 15, 36),
    ("N3", "1", "SPRAY-15", 180, 340, 30, 36),  # knocked round by 70°: waters the walk
    ("N4", "1", "SPRAY-15", 90, 270, 45, 36),
    ("N5", "1", "SPRAY-15", 180, 0, 0, 51),
    ("N6", "1", "SPRAY-15", 360, 0, 15, 51),
    ("N7", "1", "SPRAY-15", 360, 0, 30, 51),
    ("N8", "1", "SPRAY-15", 180, 180, 45, 51),
    ("N9", "1", "SPRAY-15", 90, 90, 0, 66),
    ("N10", "1", "SPRAY-15", 180, 90, 15, 66),
    ("N11", "1", "SPRAY-15", 180, 90, 30, 66),  # none stands at the round corner
    ("S1", "2", "SPRAY-15", 90, 0, 0, 0),
    ("S2", "2", "SPRAY-15", 180, 270, 15, 0),
    ("S3", "2", "SPRAY-15", 90, 270, 30, 0),
    ("S4", "2", "SPRAY-15", 180, 0, 0, 15),
    ("S5", "2", "SPRAY-15", 180, 180, 30, 15),
    ("S6", "2", "SPRAY-15", 90, 90, 0, 30),
    ("S7", "2", "SPRAY-15", 180, 90, 15, 30),
    ("S8", "2", "SPRAY-15", 90, 180, 30, 30),
    ("T1", "2", "SPRAY-12", 90, 0, 52, 36),
    ("T2", "2", "SPRAY-12", 180, 270, 67, 36),
    ("T3", "2", "SPRAY-12", 90, 270, 82, 36),
]

# nozzle, device, flow of the full circle [L/min], radius and least radius [m], tested pressure,
# least and greatest rated pressure [kPa], cost of one
NOZZLES: list[tuple[str, str, float, float, float, int, int, int, float]] = [
    ("SPRAY-08", "fixed_spray", 4.0, 2.4, 1.8, 210, 140, 280, 2.1),
    ("SPRAY-12", "fixed_spray", 9.2, 3.7, 2.8, 210, 140, 280, 2.1),
    ("SPRAY-15", "fixed_spray", 14.0, 4.6, 3.5, 210, 140, 280, 2.1),
    ("ROTARY-12", "rotary_nozzle", 2.8, 3.7, 2.8, 280, 210, 380, 8.4),
    ("ROTARY-15", "rotary_nozzle", 4.3, 4.6, 3.5, 280, 210, 380, 8.4),
    ("ROTARY-18", "rotary_nozzle", 6.1, 5.5, 4.2, 280, 210, 380, 8.8),
]
NOZZLE_COLUMNS = (
    "nozzle", "device", "flow_lpm", "radius_m", "radius_min_m", "pressure_kpa",
    "pressure_min_kpa", "pressure_max_kpa", "unit_cost",
)  # fmt: skip

# point, place in the court [ft], error of the survey east and north [m]
CONTROL: list[tuple[str, Place, Place]] = [
    ("CP1", (-6.0, -6.0), (0.006, -0.004)),
    ("CP2", (86.0, -6.0), (-0.008, 0.003)),
    ("CP3", (86.0, 70.0), (0.004, 0.007)),
    ("CP4", (-6.0, 70.0), (-0.003, -0.009)),
    ("CP5", (48.0, 33.0), (0.001, 0.003)),
]

ROLES = """\
# What the layers and blocks of surveyed_court.dxf stand for.
transform = "similarity"
flatten_tolerance_m = 0.005  # largest distance of a chord from its arc
closing_gap_m = 0.02

[[heads]]
blocks = ["SPRINKLER"]
from_attribute.head_id = "ID"
from_attribute.nozzle = "MODEL"
from_attribute.arc_deg = "ARC"
from_layer.zone = "IRRIGATION-VALVE-*"
rotation = "first_edge"  # the arc sweeps clockwise from the block's x axis
zero_bearing_deg = 90.0

[[turf]]
layers = ["LAWN-NORTH"]
constant.turf_id = "north_lawn"
constant.soil_texture = "clay_loam"
constant.compaction = "typical"
constant.slope_pct = 3.0

[[turf]]
layers = ["LAWN-SOUTH"]
constant.turf_id = "south_lawn"
constant.soil_texture = "loam"
constant.compaction = "none"
constant.slope_pct = 2.0

[[turf]]
layers = ["LAWN-STRIP"]
constant.turf_id = "strip"
constant.soil_texture = "sandy_loam"
constant.compaction = "trafficked"
constant.slope_pct = 6.0

[[hardscape]]
layers = ["PAVING-*"]
from_layer.surface = "PAVING-*"

[[parcels]]
layers = ["PROPERTY"]
constant.parcel_id = "court"
"""


def map_place(place: Place) -> Place:
    """Map coordinates of a place in the court [ft], exact."""
    turn = math.radians(ROTATION_DEG)
    x, y = (METRES_PER_FOOT * value for value in place)
    return (
        MAP_ORIGIN_M[0] + x * math.cos(turn) + y * math.sin(turn),
        MAP_ORIGIN_M[1] - x * math.sin(turn) + y * math.cos(turn),
    )


def plan_place(place: Place) -> Place:
    """Plan coordinates of a place in the court, both in feet."""
    return PLAN_ORIGIN_FT[0] + place[0], PLAN_ORIGIN_FT[1] + place[1]


def drawing() -> Drawing:
    """The plan."""
    plan = ezdxf.new("R2010")  # type: ignore[attr-defined]  # exported, but not by __all__
    plan.header["$INSUNITS"] = 2  # feet
    space = plan.modelspace()
    for layer, corners in (
        ("LAWN-NORTH", NORTH_LAWN),
        ("LAWN-SOUTH", SOUTH_LAWN),
        ("LAWN-STRIP", STRIP),
        ("PAVING-WALK", WALK),
        ("PAVING-TERRACE", TERRACE),
        ("PROPERTY", PARCEL),
    ):
        points = [(*plan_place((x, y)), bulge) for x, y, bulge in corners]
        space.add_lwpolyline(points, format="xyb", close=True, dxfattribs={"layer": layer})
    lawn = space.add_hatch(color=3, dxfattribs={"layer": "LAWN-SOUTH", "hatch_style": 0})
    lawn.paths.add_polyline_path([plan_place((x, y)) for x, y, _ in SOUTH_LAWN], flags=1)
    island = lawn.paths.add_edge_path(flags=16)
    island.add_arc(plan_place(ISLAND[0]), radius=ISLAND[1], start_angle=0, end_angle=360)
    space.add_circle(plan_place(ISLAND[0]), ISLAND[1], dxfattribs={"layer": "PLANTING"})
    add_heads(plan)
    title = {"layer": "TITLE", "insert": plan_place((0, -12))}
    space.add_text("SURVEYED COURT, INVENTED", height=2.0, dxfattribs=title)
    return plan


def add_heads(plan: Drawing) -> None:
    """Define the block of a head and insert every head, turned to its arc's first edge."""
    block = plan.blocks.new("SPRINKLER")
    block.add_circle((0, 0), 0.5)
    block.add_line((0, 0), (1.5, 0))
    for row, tag in enumerate(("ID", "MODEL", "ARC")):
        block.add_attdef(tag, (1.0, 1.0 - row), height=0.6)
    space = plan.modelspace()
    for head_id, valve, model, arc, bearing, x, y in HEADS:
        head = space.add_blockref(
            "SPRINKLER",
            plan_place((x, y)),
            dxfattribs={"layer": f"IRRIGATION-VALVE-{valve}", "rotation": (90.0 - bearing) % 360},
        )
        head.add_auto_attribs({"ID": head_id, "MODEL": model, "ARC": f"{arc:g}"})


def write_court(folder: Path) -> None:
    """Write plan, roles, control points and nozzles, the same bytes each time."""
    was_fixed = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True  # no time stamps
    try:
        drawing().saveas(folder / "surveyed_court.dxf")
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = was_fixed
    roles = folder / "surveyed_court_roles.toml"
    roles.write_text(ROLES, encoding="utf-8", newline="\n")
    control: list[tuple[object, ...]] = [("point", "plan_x", "plan_y", "map_x", "map_y")]
    for name, place, (east, north) in CONTROL:
        x, y = map_place(place)
        control.append((name, *plan_place(place), round(x + east, 3), round(y + north, 3)))
    for name, rows in (
        ("surveyed_court_control", control),
        ("surveyed_court_nozzles", [NOZZLE_COLUMNS, *NOZZLES]),
    ):
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream, lineterminator="\n").writerows(rows)
