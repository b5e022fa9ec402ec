"""Areas of a plan on the map: by formula, and as GDAL reads them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely

from tests.io.plan_builder import (
    HALF_CIRCLE,
    ORIGIN_M,
    TURF_ROLE,
    add_lawn,
    areas,
    imported,
    new_plan,
    rectangle,
    table,
)


def test_import_every_shape_has_its_area(tmp_path: Path) -> None:
    """Areas by formula; the chords of a circle of radius r lose at most 2·tolerance/r of it."""
    plan = new_plan()
    space = plan.modelspace()
    style = {"layer": "TURF"}
    add_lawn(space, rectangle(0, 0, 10, 8))
    add_lawn(space, [(20, 0), (30, 0, HALF_CIRCLE), (30, 10), (20, 10)])
    space.add_circle((45, 5), 4.0, dxfattribs=style)
    space.add_ellipse((60, 5), major_axis=(5, 0), ratio=0.4, dxfattribs=style)
    for start, end in (((0, 20), (6, 20)), ((6, 20), (6, 24)), ((0, 24), (0, 20))):
        space.add_line(start, end, dxfattribs=style)
    space.add_arc((3, 24), 3.0, 0, 180, dxfattribs=style)
    space.add_polyline2d([(20, 20), (26, 20), (26, 26)], close=True, dxfattribs=style)

    found = areas(imported(tmp_path, plan, TURF_ROLE))

    assert found[0] == pytest.approx(80.0, abs=1e-6)
    assert found[1] == pytest.approx(100.0 + math.pi * 25 / 2, rel=1e-3)
    assert found[2] == pytest.approx(math.pi * 16, rel=2 * 0.005 / 4.0)
    assert found[3] == pytest.approx(math.pi * 5 * 2, rel=2 * 0.005 / 2.0)
    assert found[4] == pytest.approx(24.0 + math.pi * 9 / 2, rel=2 * 0.005 / 3.0)
    assert found[5] == pytest.approx(18.0, abs=1e-6)
    for area, exact in zip(found[1:4], (139.2699, 50.2655, 31.4160), strict=True):
        assert area <= exact  # chords lie inside


def test_import_areas_agree_with_gdal(tmp_path: Path) -> None:
    """GDAL's own DXF reader, with fine arcs, on closed lines, a spline and a hatch with a hole."""
    plan = new_plan()
    space = plan.modelspace()
    style = {"layer": "TURF"}
    add_lawn(space, [(0, 0), (12, 0, 0.4), (12, 9, -0.2), (0, 9, 0.7)])
    space.add_circle((30, 5), 4.0, dxfattribs=style)
    spline = space.add_spline(dxfattribs=style)
    ends = (50, 0, 0)  # on first and last control point: its knots are clamped
    spline.set_open_uniform([ends, (60, 1, 0), (62, 8, 0), (55, 12, 0), (48, 7, 0), ends])
    hatch = space.add_hatch(dxfattribs=style)
    hatch.paths.add_polyline_path(rectangle(0, 20, 30, 36), flags=1)
    hatch.paths.add_polyline_path([(5, 24, 1), (9, 24, 1)], flags=16)
    lawns = table(imported(tmp_path, plan, TURF_ROLE), "turf").geometry
    found = shapely.area(lawns).tolist()

    options = {"DXF_CLOSED_LINE_AS_POLYGON": "TRUE", "OGR_ARC_STEPSIZE": "0.5"}
    pyogrio.set_gdal_config_options(options)
    try:
        theirs = pyogrio.read_dataframe(tmp_path / "plan.dxf")
    finally:
        pyogrio.set_gdal_config_options(dict.fromkeys(options))
    polygons = [g if g.geom_type == "Polygon" else shapely.Polygon(g) for g in theirs.geometry]
    expected = [polygon.area for polygon in polygons]

    assert len(found) == len(expected) == 4
    # Chords of at most 5 mm lose less than 2/3 of that times the length of the outline, some 25 to
    # 40 m around 50 to 130 m². GDAL draws a spline with eight points per control point, too few
    # for its area: its points have to lie on ours.
    for row in (0, 1, 3):
        assert found[row] == pytest.approx(expected[row], rel=2e-3)
    theirs_on_map = shapely.get_coordinates(polygons[2]) + ORIGIN_M
    off = shapely.distance(lawns[2].exterior, shapely.points(theirs_on_map))
    assert off.max() < 0.005
    assert found[3] == pytest.approx(30 * 16 - math.pi * 4, rel=1e-4)


def test_import_finer_tolerance_comes_nearer(tmp_path: Path) -> None:
    plan = new_plan()
    plan.modelspace().add_circle((45, 5), 4.0, dxfattribs={"layer": "TURF"})
    coarse = areas(imported(tmp_path, plan, "flatten_tolerance_m = 0.05\n" + TURF_ROLE))[0]
    fine = areas(imported(tmp_path, plan, "flatten_tolerance_m = 0.0005\n" + TURF_ROLE))[0]
    exact = math.pi * 16
    assert 0 < exact - fine < (exact - coarse) / 50
    assert exact - coarse < 2 * math.pi * 4 * 0.05


def test_import_spline_with_fit_points_only(tmp_path: Path) -> None:
    plan = new_plan()
    fit = [(10 + 5 * math.cos(t), 10 + 5 * math.sin(t)) for t in np.linspace(0, 2 * math.pi, 25)]
    plan.modelspace().add_spline(fit, dxfattribs={"layer": "TURF"})
    assert areas(imported(tmp_path, plan, TURF_ROLE))[0] == pytest.approx(math.pi * 25, rel=3e-3)


def test_import_hatch_with_its_outlines_drawn_too_counts_once(tmp_path: Path) -> None:
    plan = new_plan()
    space = plan.modelspace()
    hatch = space.add_hatch(dxfattribs={"layer": "TURF"})
    hatch.paths.add_polyline_path(rectangle(0, 0, 20, 10), flags=1)
    hatch.paths.add_polyline_path(rectangle(5, 3, 9, 7), flags=16)
    add_lawn(space, rectangle(0, 0, 20, 10))
    add_lawn(space, rectangle(5, 3, 9, 7))

    found = imported(tmp_path, plan, TURF_ROLE)

    assert areas(found) == pytest.approx([184.0])
    assert any("edge of a hatch too: 2" in warning for warning in found.warnings)


def test_import_hatch_of_edges(tmp_path: Path) -> None:
    """Lines, half circles either way round, an elliptic hole: as GDAL reads it."""
    plan = new_plan()
    hatch = plan.modelspace().add_hatch(dxfattribs={"layer": "TURF"})
    outline = hatch.paths.add_edge_path(flags=1)
    outline.add_line((0, 0), (20, 0))
    outline.add_arc((20, 5), 5.0, start_angle=-90, end_angle=90)
    outline.add_line((20, 10), (0, 10))
    outline.add_arc((0, 5), 5.0, start_angle=-90, end_angle=90, ccw=False)
    hatch.paths.add_edge_path(flags=16).add_ellipse((15, 5), (3, 0), 0.5, 0, 360)
    found = areas(imported(tmp_path, plan, TURF_ROLE))
    pyogrio_area = shapely.area(pyogrio.read_dataframe(tmp_path / "plan.dxf").geometry[0])
    assert len(found) == 1
    assert found[0] == pytest.approx(pyogrio_area, rel=2e-3)


@pytest.mark.parametrize(("style", "expected"), [(0, [84.0, 4.0]), (1, [84.0]), (2, [100.0])])
def test_import_hatch_styles(tmp_path: Path, style: int, expected: list[float]) -> None:
    plan = new_plan()
    hatch = plan.modelspace().add_hatch(dxfattribs={"layer": "TURF", "hatch_style": style})
    for square in (rectangle(0, 0, 10, 10), rectangle(2, 2, 6, 6), rectangle(3, 3, 5, 5)):
        hatch.paths.add_polyline_path(square, flags=1)
    assert sorted(areas(imported(tmp_path, plan, TURF_ROLE))) == pytest.approx(sorted(expected))


def test_import_inner_lines_are_separate_unless_asked_for_as_holes(tmp_path: Path) -> None:
    plan = new_plan()
    add_lawn(plan.modelspace(), rectangle(0, 0, 10, 10))
    add_lawn(plan.modelspace(), rectangle(2, 2, 6, 6))

    apart = imported(tmp_path, plan, TURF_ROLE)
    cut = imported(tmp_path, plan, TURF_ROLE + 'inner_lines = "holes"\n')

    assert areas(apart) == pytest.approx([100.0, 16.0])
    assert any("closed lines inside another one: 1" in warning for warning in apart.warnings)
    assert any("overlap" in warning for warning in apart.warnings)
    assert areas(cut) == pytest.approx([84.0])


def test_import_nested_and_mirrored_blocks_are_resolved(tmp_path: Path) -> None:
    """A lawn on layer 0 of a block in a block: layer of the insert, both transforms applied."""
    plan = new_plan()
    inner = plan.blocks.new("BED")
    add_lawn(inner, rectangle(0, 0, 4, 2), layer="0")
    outer = plan.blocks.new("GROUP")
    outer.add_blockref("BED", (1, 1), dxfattribs={"layer": "0", "rotation": 90})
    plan.modelspace().add_blockref(
        "GROUP", (20, 10), dxfattribs={"layer": "TURF", "xscale": -2.0, "yscale": 2.0}
    )

    found = imported(tmp_path, plan, TURF_ROLE)

    # In GROUP the bed spans x -1 to 1, y 1 to 5; mirrored, doubled and moved: 18 to 22, 12 to 20.
    bounds = table(found, "turf").geometry[0].bounds
    assert np.subtract(bounds, [*ORIGIN_M, *ORIGIN_M]) == pytest.approx([18, 12, 22, 20], abs=1e-6)


def test_import_polyline_with_reversed_extrusion(tmp_path: Path) -> None:
    """Seen from below, x runs the other way: (1, 2) is drawn at (-1, 2)."""
    plan = new_plan()
    lawn = add_lawn(plan.modelspace(), [(-10, 0), (-2, 0, HALF_CIRCLE), (-2, 6), (-10, 6)])
    lawn.dxf.extrusion = (0, 0, -1)
    found = imported(tmp_path, plan, TURF_ROLE)
    west, _, east, _ = table(found, "turf").geometry[0].bounds
    # from x = 10 to 2, and the half circle of radius 3 beyond it
    assert (west - ORIGIN_M[0], east - ORIGIN_M[0]) == pytest.approx((-1.0, 10.0), abs=0.006)
    assert areas(found)[0] == pytest.approx(48 + math.pi * 9 / 2, rel=4e-3)
