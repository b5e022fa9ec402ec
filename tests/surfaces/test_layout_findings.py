"""The layer of findings about a layout as a whole."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import affinity

from geoirrig.io.result_columns import LAYER_TITLES, RESULT_COLUMNS
from geoirrig.surfaces.layout_finding import SEVERITIES
from tests.surfaces.small_lawn import findings_of, heads, rows_of, site_of, square

SOUND = "edge_gap", "spacing_gap", "open_ground", "corner_without_head", "narrow_strip"


def test_layout_findings_sound_layout_is_an_empty_layer() -> None:
    table = findings_of(site_of(*square()))
    assert len(table.columns["finding_id"]) == 0
    assert table.geometry is not None
    assert len(table.geometry) == 0
    assert table.geometry_type == "Point"


def test_layout_findings_square_with_one_head_missing_and_one_turned() -> None:
    layout = heads([0.0, 0.0, 6.0], [0.0, 6.0, 0.0], arc_deg=90.0,
                   start_bearing_deg=[20.0, 90.0, 270.0])  # fmt: skip
    table = findings_of(site_of(layout, shapely.box(0, 0, 6, 6)))
    assert sorted(table.columns["kind"]) == ["arc_to_turn", "corner_without_head", "edge_gap"]
    (turn,), (gap,), (corner,) = (
        rows_of(table, kind) for kind in ("arc_to_turn", "edge_gap", "corner_without_head")
    )
    assert turn["turn_deg"] == pytest.approx(-20.0, abs=1.0)
    assert (turn["head_id"], turn["zone"], turn["turf_id"]) == ("H0", "A", None)
    assert (gap["head_id"], gap["other_head_id"], gap["turf_id"]) == ("H1", "H2", "T0")
    assert np.isnan(gap["turn_deg"])
    assert (corner["x_m"], corner["y_m"]) == (6.0, 6.0)


def test_layout_findings_severest_first_and_numbered() -> None:
    layout = heads([0.0, 0.0, 6.0], [0.0, 6.0, 0.0], arc_deg=90.0,
                   start_bearing_deg=[20.0, 90.0, 270.0])  # fmt: skip
    table = findings_of(site_of(layout, shapely.box(0, 0, 6, 6)))
    order = [SEVERITIES.index(word) for word in table.columns["severity"]]
    assert order == sorted(order, reverse=True)
    assert table.columns["finding_id"].tolist() == [1, 2, 3]
    assert all(table.columns["finding"])


def test_layout_findings_head_that_waters_nobodys_turf() -> None:
    layout, lawn = square()
    places = np.append(layout.x_m, 40.0), np.append(layout.y_m, 40.0)
    five = heads(*places, arc_deg=np.append(layout.arc_deg, 90.0),
                 start_bearing_deg=np.append(layout.start_bearing_deg, 0.0))  # fmt: skip
    table = findings_of(site_of(five, lawn))
    (found,) = rows_of(table, "waters_no_turf")
    assert found["head_id"] == "H4"
    assert found["severity"] == "high"
    assert found["measured_value"] == 0.0
    assert found["finding"] == "Head H4 waters no turf: 0.0 % of its water falls on any."
    assert set(table.columns["kind"]) == {"waters_no_turf"}


def test_layout_findings_names_the_turf_that_a_finding_lies_on() -> None:
    lawns = shapely.box(0, 0, 6, 6), shapely.box(30, 0, 36, 6)
    layout = heads([0.0, 0.0, 6.0, 6.0, 30.0, 30.0, 36.0], [0.0, 6.0, 6.0, 0.0, 0.0, 6.0, 0.0],
                   arc_deg=90.0, start_bearing_deg=[0.0, 90, 180, 270, 0, 90, 270])  # fmt: skip
    table = findings_of(site_of(layout, *lawns))
    assert table.columns["turf_id"].tolist() == ["T1", "T1"]


def test_layout_findings_lawn_without_a_head_is_passed_over() -> None:
    layout, lawn = square()
    table = findings_of(site_of(layout, lawn, shapely.box(30, 0, 36, 2)))
    assert len(table.columns["kind"]) == 0


@pytest.mark.parametrize("angle", [17.0, 90.0, 211.5])
def test_layout_findings_turn_with_the_site(angle: float) -> None:
    lawn = shapely.Polygon([(0, 0), (12, 0), (12, 6), (6, 6), (6, 12), (0, 12)])
    x, y = np.array([0.0, 6, 12, 6, 0, 0, 12]), np.array([0.0, 0, 6, 6, 12, 6, 0])
    start = np.array([0.0, 270.0, 180.0, 180.0, 90.0, 325.0, 270.0])
    arc = np.array([90.0, 180.0, 90.0, 270.0, 90.0, 180.0, 90.0])
    places = shapely.get_coordinates(
        affinity.rotate(shapely.MultiPoint(np.column_stack([x, y])), -angle, origin=(0, 0))
    )
    before = findings_of(site_of(heads(x, y, arc_deg=arc, start_bearing_deg=start), lawn))
    turned = heads(*places.T, arc_deg=arc, start_bearing_deg=(start + angle) % 360.0)
    after = findings_of(site_of(turned, affinity.rotate(lawn, -angle, origin=(0, 0))))
    geometry_only = [
        sorted((r["kind"], r["head_id"], r["severity"]) for k in SOUND for r in rows_of(t, k))
        for t in (before, after)
    ]
    assert geometry_only[0] == geometry_only[1]
    assert len(geometry_only[0]) >= 2
    turns = [
        {r["head_id"]: r["turn_deg"] for r in rows_of(t, "arc_to_turn")} for t in (before, after)
    ]
    assert turns[1] == pytest.approx(turns[0], abs=1.5)
    assert turns[0]["H5"] == pytest.approx(35.0, abs=1.0)  # a half circle along the west side


def test_layout_findings_columns_have_titles() -> None:
    table = findings_of(site_of(*square()))
    assert set(table.columns) <= set(RESULT_COLUMNS)
    assert "layout_findings" in LAYER_TITLES
