"""Invented plans for the tests, and files beside them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import shapely

from geoirrig.errors import InputError
from geoirrig.workflows.import_plan import ImportedPlan, import_plan

CRS = "EPSG:32611"
HALF_CIRCLE = 1.0  # bulge: the tangent of a quarter of 180°
ORIGIN_M = (512_400.0, 4_643_200.0)
CONTROL_PLACES = ((0.0, 0.0), (60.0, 0.0), (60.0, 40.0), (0.0, 40.0), (25.0, 15.0))
TURF_ROLE = """
[[turf]]
layers = ["TURF"]
numbered.turf_id = "T"
constant.soil_texture = "loam"
constant.slope_pct = 2
"""
HEAD_ROLE = """
[[heads]]
blocks = ["HEAD"]
from_attribute.head_id = "ID"
from_attribute.radius_m = "RADIUS"
from_attribute.arc_deg = "ARC"
constant.zone = "Z1"
constant.flow_lpm = 4
rotation = "first_edge"
"""


def new_plan(unit_code: int = 6) -> Any:
    """An empty plan in metres with the block HEAD (attributes ID, RADIUS, ARC)."""
    drawing = ezdxf.new("R2010")
    drawing.header["$INSUNITS"] = unit_code
    block = drawing.blocks.new("HEAD")
    block.add_circle((0, 0), 0.15)
    block.add_line((0, 0), (0.5, 0))
    for tag in ("ID", "RADIUS", "ARC"):
        block.add_attdef(tag, (0.2, 0.2), height=0.2)
    return drawing


def add_head(
    space: Any, head_id: str, x: float, y: float, *, arc: str = "90", **attributes: Any
) -> Any:
    """A head in the model space or in a block."""
    head = space.add_blockref("HEAD", (x, y), dxfattribs={"layer": "IRRIGATION", **attributes})
    head.add_auto_attribs({"ID": head_id, "RADIUS": "4.5", "ARC": arc})
    return head


def add_lawn(
    space: Any, points: Iterable[tuple[float, ...]], *, layer: str = "TURF", close: bool = True
) -> Any:
    """A polyline of (x, y) or (x, y, bulge)."""
    corners = [(p[0], p[1], p[2] if len(p) > 2 else 0.0) for p in points]
    return space.add_lwpolyline(corners, format="xyb", close=close, dxfattribs={"layer": layer})


def rectangle(left: float, bottom: float, right: float, top: float) -> list[tuple[float, ...]]:
    """Corners of a rectangle."""
    return [(left, bottom), (right, bottom), (right, top), (left, top)]


def write_control(
    path: Path, *, scale: float = 1.0, rotation_deg: float = 0.0, origin: Any = ORIGIN_M
) -> Path:
    """Exact control points of a plan that lies turned clockwise and scaled on the map."""
    turn = np.radians(rotation_deg)
    rows = ["point,plan_x,plan_y,map_x,map_y"]
    for number, (x, y) in enumerate(CONTROL_PLACES, start=1):
        east = origin[0] + scale * (x * np.cos(turn) + y * np.sin(turn))
        north = origin[1] + scale * (-x * np.sin(turn) + y * np.cos(turn))
        rows.append(f"P{number},{x!r},{y!r},{float(east)!r},{float(north)!r}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def imported(
    folder: Path,
    drawing: Any,
    roles: str = HEAD_ROLE + TURF_ROLE,
    *,
    control: Path | None = None,
    crs: str = CRS,
    binary: bool = False,
) -> ImportedPlan:
    """A plan saved and imported."""
    plan, roles_file = folder / "plan.dxf", folder / "roles.toml"
    if drawing is not None:
        drawing.saveas(plan, fmt="bin" if binary else "asc")
    roles_file.write_text(roles, encoding="utf-8")
    control = write_control(folder / "control.csv") if control is None else control
    return import_plan(plan, roles_file=roles_file, control_file=control, crs=crs)


def problems_of(folder: Path, drawing: Any, roles: str = HEAD_ROLE + TURF_ROLE, **kw: Any) -> str:
    """What an import that fails says."""
    try:
        imported(folder, drawing, roles, **kw)
    except InputError as error:
        return str(error)
    raise AssertionError("the import went through")


def table(found: ImportedPlan, name: str) -> Any:
    """A layer of an import."""
    return next(t for t in found.tables if t.name == name)


def areas(found: Any, layer: str = "turf") -> list[float]:
    """Areas of a layer of an import, in m²."""
    return [float(a) for a in shapely.area(table(found, layer).geometry)]


def heads_plan(rows: list[tuple[str, float, float, str, dict[str, Any]]]) -> Any:
    """A lawn of 40 by 30 m with heads: id, x, y, arc, other attributes of the insert."""
    plan = new_plan()
    add_lawn(plan.modelspace(), rectangle(0, 0, 40, 30))
    for head_id, x, y, arc, attributes in rows:
        add_head(plan.modelspace(), head_id, x, y, arc=arc, **attributes)
    return plan
