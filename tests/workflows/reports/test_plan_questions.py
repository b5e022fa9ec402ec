"""Questions about an imported plan: each asked where it should be, and not elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geoirrig.workflows.reports.plan_questions import plan_heads, plan_questions
from tests.io.plan_builder import (
    add_head,
    add_lawn,
    heads_plan,
    imported,
    new_plan,
    rectangle,
    write_control,
)


def asked(found: Any) -> list[tuple[str, str]]:
    """Id and sentence of each question."""
    questions = plan_questions({table.name: table for table in found.tables}, found.placement)
    columns = questions.columns
    assert columns["finding_id"].tolist() == list(range(1, len(columns["finding"]) + 1))
    return list(zip(columns["item_id"], columns["finding"], strict=True))


def test_plan_questions_of_a_good_plan_are_none(tmp_path: Path) -> None:
    # quarter circles in the corners of a lawn of 40 by 30 m, swept inward, and a full circle
    plan = heads_plan(
        [
            ("SW", 0, 0, "90", {"rotation": 90.0}),  # first edge north
            ("NE", 40, 30, "90", {"rotation": 270.0}),  # first edge south
            ("C", 20, 15, "360", {}),
        ]
    )
    assert asked(imported(tmp_path, plan)) == []


def test_plan_questions_head_off_the_turf(tmp_path: Path) -> None:
    plan = heads_plan([("IN", 20, 15, "360", {}), ("OFF", 20, -1.5, "360", {})])
    assert asked(imported(tmp_path, plan)) == [
        (
            "OFF",
            "Head “OFF” stands 1.50 m (4.92 ft) from the next turf. Is a lawn missing, or is the "
            "head somewhere else?",
        )
    ]


def test_plan_questions_arc_that_points_off_the_turf(tmp_path: Path) -> None:
    # on the west edge: 180° from north sweeps east, onto the lawn; from south, west and off it
    plan = heads_plan(
        [
            ("ON", 0, 10, "180", {"rotation": 90.0}),
            ("AWAY", 0, 20, "180", {"rotation": 270.0}),
        ]
    )
    ((name, question),) = asked(imported(tmp_path, plan))
    assert name == "AWAY"
    assert question == (
        "Within 1.0 m (3.3 ft) of head “AWAY”, 100 % of its arc lies off the turf. Is its block "
        "turned as it should be?"
    )


@pytest.mark.parametrize(("knocked_deg", "is_asked"), [(40.0, False), (50.0, True)])
def test_plan_questions_half_circle_knocked_round(
    tmp_path: Path, knocked_deg: float, is_asked: bool
) -> None:
    # of 180° on a straight edge a turn by 45° takes a quarter off the turf
    plan = heads_plan([("ROUND", 0, 10, "180", {"rotation": 90.0 - knocked_deg})])
    found = asked(imported(tmp_path, plan))
    assert [name for name, _ in found] == ["ROUND"] * is_asked
    assert all(f"{100.0 * knocked_deg / 180.0:.0f} % of its arc" in text for _, text in found)


def test_plan_questions_head_beside_the_turf_is_held_as_if_at_its_edge(tmp_path: Path) -> None:
    plan = heads_plan([("BESIDE", -0.9, 10, "180", {"rotation": 90.0})])
    assert asked(imported(tmp_path, plan)) == []


def test_plan_questions_one_mistake_of_all_arcs_is_asked_about_once(tmp_path: Path) -> None:
    # corner heads that look outward, as with a zero bearing that is wrong by 180°
    corners = [("SW", 0, 0, 270.0), ("NW", 0, 30, 180.0), ("NE", 40, 30, 90.0), ("SE", 40, 0, 0.0)]
    plan = heads_plan([(name, x, y, "90", {"rotation": turn}) for name, x, y, turn in corners])
    ((name, question),) = asked(imported(tmp_path, plan))
    assert name == ""
    assert question == (
        "4 of 4 part circles point off the turf. Are all turned by one mistake? Look at rotation "
        "and zero_bearing_deg in the roles file."
    )


def test_plan_questions_turf_without_a_head(tmp_path: Path) -> None:
    plan = new_plan()
    add_lawn(plan.modelspace(), rectangle(0, 0, 20, 10))
    add_lawn(plan.modelspace(), rectangle(30, 0, 40, 10))
    add_head(plan.modelspace(), "A", 10, 5, arc="360")
    found = imported(tmp_path, plan)
    ((name, question),) = asked(found)
    assert name == "T2"
    assert question == (
        "No head stands on turf “T2” or beside it. Is its irrigation on another layer?"
    )


def test_plan_questions_control_point_that_disagrees(tmp_path: Path) -> None:
    control = write_control(tmp_path / "moved.csv")
    lines = control.read_text(encoding="utf-8").splitlines()
    point, x, y, east, north = lines[3].split(",")
    lines[3] = ",".join((point, x, y, repr(float(east) + 3.0), north))  # 3 m too far east
    control.write_text("\n".join(lines), encoding="utf-8")
    plan = heads_plan([("C", 20, 15, "360", {})])
    found = dict(asked(imported(tmp_path, plan, control=control)))
    assert found["P3"].startswith("Control point “P3” lies 3.00 m (9.84 ft) from where the others")


def test_plan_heads_take_the_radius_in_metres_and_an_arc_that_is_not_stated_as_full(
    tmp_path: Path,
) -> None:
    roles = """
[[heads]]
blocks = ["HEAD"]
from_attribute.head_id = "ID"
constant.radius_ft = 10.0
constant.zone = "Z1"
constant.flow_lpm = 4
[[turf]]
layers = ["TURF"]
numbered.turf_id = "T"
constant.soil_texture = "loam"
constant.slope_pct = 2
"""
    found = imported(tmp_path, heads_plan([("A", 5, 5, "90", {})]), roles)
    heads = plan_heads({table.name: table for table in found.tables})
    assert heads is not None
    assert heads.radius_m.tolist() == pytest.approx([3.048], rel=1e-12)
    assert heads.arc_deg.tolist() == [360.0]
    assert not np.any(heads.is_part_circle)


def test_plan_questions_without_heads_or_turf_are_of_the_points_alone(tmp_path: Path) -> None:
    found = imported(tmp_path, heads_plan([("A", 20, 100, "360", {})]))
    assert plan_heads({}) is None
    nothing = plan_questions({}, found.placement)
    assert len(nothing.columns["finding"]) == 0
