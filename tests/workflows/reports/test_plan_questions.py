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
    assert question.startswith("The middle of the arc of head “AWAY” points off the turf.")


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
