"""Heads of a plan on the map: places, columns, and the bearing of their arcs."""

from __future__ import annotations

from pathlib import Path

import pyogrio
import pytest
import shapely

from tests.io.plan_builder import (
    HEAD_ROLE,
    ORIGIN_M,
    TURF_ROLE,
    add_head,
    add_lawn,
    heads_plan,
    imported,
    new_plan,
    rectangle,
    table,
    write_control,
)


@pytest.mark.parametrize(
    ("rotation", "zero", "drawn", "arc", "plan_rotation", "expected"),
    [
        # block's x axis points east at rotation 0: bearing 90
        ("first_edge", None, 0.0, 90, 0.0, 90.0),
        # turned by 90° counter-clockwise it points north; the map lies 17° clockwise of the plan
        ("first_edge", None, 90.0, 90, 17.0, 17.0),
        # drawn with the arc's middle up the y axis: the first edge is half an arc before it
        ("arc_middle", 0.0, 0.0, 180, 0.0, 270.0),
        ("arc_middle", 0.0, 90.0, 90, 30.0, 255.0),  # 270 - 45 + 30
        # arcs of drawings run counter-clockwise from the x axis: that is the last edge
        ("last_edge", None, 0.0, 120, 0.0, 330.0),
    ],
)
def test_import_rotation_becomes_start_bearing(
    tmp_path: Path,
    rotation: str,
    zero: float | None,
    drawn: float,
    arc: int,
    plan_rotation: float,
    expected: float,
) -> None:
    plan = heads_plan([("A", 5, 5, str(arc), {"rotation": drawn})])
    role = HEAD_ROLE.replace('"first_edge"', f'"{rotation}"')
    role += "" if zero is None else f"zero_bearing_deg = {zero}\n"
    control = write_control(tmp_path / "control.csv", rotation_deg=plan_rotation)
    found = imported(tmp_path, plan, role + TURF_ROLE, control=control)
    assert table(found, "heads").columns["start_bearing_deg"][0] == pytest.approx(expected)


def test_import_mirrored_head_shows_its_arc_turned_over(tmp_path: Path) -> None:
    # Drawn: from north clockwise to east (first edge up the y axis, arc 90). Mirrored left to
    # right it covers north to west: the first edge, clockwise, is west.
    plan = heads_plan([("A", 5, 5, "90", {"xscale": -1.0})])
    role = HEAD_ROLE + "zero_bearing_deg = 0\n"
    found = imported(tmp_path, plan, role + TURF_ROLE)
    assert table(found, "heads").columns["start_bearing_deg"][0] == pytest.approx(270.0)


def test_import_full_circle_needs_no_bearing(tmp_path: Path) -> None:
    plan = heads_plan([("A", 5, 5, "360", {}), ("B", 6, 9, "90", {})])
    columns = table(imported(tmp_path, plan), "heads").columns
    assert list(columns["start_bearing_deg"]) == [None, pytest.approx(90.0)]


def test_import_bearing_attribute_is_turned_with_the_plan(tmp_path: Path) -> None:
    plan = heads_plan([("A", 5, 5, "90", {})])
    role = HEAD_ROLE.replace('rotation = "first_edge"', "constant.start_bearing_deg = 350")
    control = write_control(tmp_path / "control.csv", rotation_deg=25.0)
    found = imported(tmp_path, plan, role + TURF_ROLE, control=control)
    assert table(found, "heads").columns["start_bearing_deg"][0] == pytest.approx(15.0)


def test_import_heads_agree_with_gdal(tmp_path: Path) -> None:
    """Insert points and attributes as GDAL's DXF reader gives them."""
    rows = [(f"H{k}", 3.0 * k + 0.123, 2.0 * k, "90", {"rotation": 11.0 * k}) for k in range(8)]
    found = table(imported(tmp_path, heads_plan(rows)), "heads")

    pyogrio.set_gdal_config_options({"DXF_INLINE_BLOCKS": "FALSE"})
    try:
        theirs = pyogrio.read_dataframe(tmp_path / "plan.dxf", layer="entities")
    finally:
        pyogrio.set_gdal_config_options({"DXF_INLINE_BLOCKS": None})
    theirs = theirs[theirs["BlockName"] == "HEAD"]
    ours = shapely.get_coordinates(found.geometry) - ORIGIN_M
    assert ours == pytest.approx(theirs.geometry.get_coordinates().to_numpy(), abs=1e-6)
    stated = [dict(a.split(" ", 1) for a in row) for row in theirs["BlockAttributes"]]
    assert list(found.columns["head_id"]) == [row["ID"] for row in stated]
    assert list(found.columns["radius_m"]) == [float(row["RADIUS"]) for row in stated]


def test_import_heads_in_a_nested_block_and_in_an_array(tmp_path: Path) -> None:
    plan = new_plan()
    space = plan.modelspace()
    add_lawn(space, rectangle(0, 0, 40, 30))
    group = plan.blocks.new("ZONE_GROUP")
    add_head(group, "A", 1, 2)
    space.add_blockref("ZONE_GROUP", (10, 10), dxfattribs={"rotation": 90})
    found = table(imported(tmp_path, plan), "heads")
    place = shapely.get_coordinates(found.geometry)[0] - ORIGIN_M
    assert place == pytest.approx([8, 11], abs=1e-6)  # (1, 2) turned by 90° is (-2, 1)
    # the x axis of the head then points north
    assert found.columns["start_bearing_deg"][0] == pytest.approx(0.0)


def test_import_columns_from_layer_block_and_number(tmp_path: Path) -> None:
    plan = new_plan()
    space = plan.modelspace()
    add_lawn(space, rectangle(0, 0, 40, 30))
    plan.blocks.new("SPRAY-15")
    for x, layer in ((3, "VALVE-1"), (6, "valve-2")):
        space.add_blockref("SPRAY-15", (x, 3), dxfattribs={"layer": layer})
    role = """
[[heads]]
blocks = ["spray-*"]
numbered.head_id = "H"
from_layer.zone = "VALVE-*"
from_block.nozzle = "SPRAY-*"
"""
    columns = table(imported(tmp_path, plan, role + TURF_ROLE), "heads").columns
    assert list(columns["head_id"]) == ["H1", "H2"]
    assert list(columns["zone"]) == ["1", "2"]
    assert list(columns["nozzle"]) == ["15", "15"]
