"""The report of an import: what lies on the map, what to ask, and what a plan holds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from geoirrig.report.report_page import PlaceLayer, ReportPage, ReportTable
from geoirrig.workflows.draft_plan_roles import draft_plan_roles
from geoirrig.workflows.export_imported_plan import export_site, plan_summary
from geoirrig.workflows.reports.plan_import import import_report
from tests.io.plan_builder import ORIGIN_M, heads_plan, imported, write_control
from tests.report.test_write_report import Structure

# A half circle on the west edge that looks east, one on the east edge that looks east too.
HEADS = [
    ("ON", 0, 10, "180", {"rotation": 90.0}),
    ("AWAY", 40, 10, "180", {"rotation": 90.0}),
    ("FULL", 20, 15, "360", {}),
]  # fmt: skip


def page_of(folder: Path, heads: Any = HEADS, **options: Any) -> ReportPage:
    found = imported(folder, heads_plan(heads), **options)
    return import_report(found, plan_summary(found, {"command": "plan-import"}))


def layer(page: ReportPage, label: str) -> PlaceLayer:
    assert page.map is not None
    return next(one for one in page.map.layers if one.label == label)


def table_of(page: ReportPage, caption: str) -> ReportTable:
    return next(
        part
        for section in page.sections
        for part in section.content
        if isinstance(part, ReportTable) and part.caption.startswith(caption)
    )


def test_import_report_map_lies_where_the_control_points_put_the_plan(tmp_path: Path) -> None:
    control = write_control(tmp_path / "control.csv", rotation_deg=90.0)
    page = page_of(tmp_path, control=control)
    # turned clockwise by 90°: (40, 10) on the plan is 10 m east and 40 m south of the origin
    away = layer(page, "heads").geometry[1]
    assert (away.x, away.y) == pytest.approx((ORIGIN_M[0] + 10.0, ORIGIN_M[1] - 40.0), abs=1e-6)
    assert len(layer(page, "control points").places) == 5
    assert float(np.sum(shapely.area(layer(page, "turf").geometry))) == pytest.approx(1200.0)
    assert page.map is not None
    assert page.map.has_both_scales
    west, south, east, north = page.map.bounds_m
    assert west < away.x < east
    assert south < away.y < north


def test_import_report_draws_arcs_where_the_heads_throw(tmp_path: Path) -> None:
    arcs = layer(page_of(tmp_path), "arcs of heads")
    assert [place.name for place in arcs.places] == ["Arc of head ON", "Arc of head AWAY"]
    west, south, east, north = shapely.bounds(arcs.geometry[0])
    # a half circle of 4.5 m to the east of (0, 10)
    assert (west, east) == pytest.approx((ORIGIN_M[0], ORIGIN_M[0] + 4.5), abs=1e-6)
    assert (south, north) == pytest.approx((ORIGIN_M[1] + 5.5, ORIGIN_M[1] + 14.5), abs=1e-6)
    # chords of 5° hold sin(5°)/(5° in radians) of the sector
    assert shapely.area(arcs.geometry[0]) == pytest.approx(
        np.pi * 4.5**2 / 2.0 * 0.998731, rel=1e-5
    )


def test_import_report_questions_lead_to_their_places(tmp_path: Path) -> None:
    page = page_of(tmp_path)
    questions = layer(page, "questions")
    assert [place.name for place in questions.places] == ["Question 1"]
    assert shapely.equals(questions.geometry[0], layer(page, "heads").geometry[1])
    table = table_of(page, "Questions")
    assert table.places == "questions"
    assert [column.title for column in table.columns] == ["Number", "Question"]
    assert "“AWAY”" in table.columns[1].texts[0]
    assert page.lead.endswith("1 question is asked of the plan.")


def test_import_report_names_a_blunder_in_its_lead_and_asks_of_no_other_point(
    tmp_path: Path,
) -> None:
    control = write_control(tmp_path / "moved.csv")
    lines = control.read_text(encoding="utf-8").splitlines()
    point, x, y, east, north = lines[3].split(",")
    lines[3] = ",".join((point, x, y, repr(float(east) + 3.0), north))  # 3 m too far east
    control.write_text("\n".join(lines), encoding="utf-8")
    page = page_of(tmp_path, [HEADS[2]], control=control)
    assert "control point “P3” lies 3.00 m (9.84 ft) from where the others put it" in page.lead
    (question,) = table_of(page, "Questions").columns[1].texts
    assert question.startswith("Control point “P3”")


def test_import_report_of_a_good_plan_says_that_nothing_is_asked(tmp_path: Path) -> None:
    page = page_of(tmp_path, [HEADS[0], HEADS[2]])
    assert page.lead.endswith("What is asked of the plan below raises no question.")
    assert page.map is not None
    assert "questions" not in [one.label for one in page.map.layers]
    said = str(page.sections[0].content[0])
    assert "every turf polygon has a head" in said
    assert "within 1.0 m (3.3 ft) of its head" in said
    assert said.endswith("Nothing else was asked.")


def test_import_report_gives_lengths_and_areas_in_both_systems(tmp_path: Path) -> None:
    page = page_of(tmp_path)
    layers = table_of(page, "Layers of SITE.gpkg")
    by_title = {column.title: column.texts for column in layers.columns}
    assert by_title["Layer"] == ("heads", "turf")
    assert by_title["Count"] == ("3", "1")
    assert by_title["Area [m²]"] == ("–", "1,200.0")
    assert by_title["Area [ft²]"] == ("–", "12,916.7")  # 1200 / 0.3048²
    turf = table_of(page, "Layer turf")
    assert [column.title for column in turf.columns][-2:] == ["Area [m²]", "Area [ft²]"]
    points = table_of(page, "Control points")
    assert [column.title for column in points.columns][1:3] == ["Off [mm]", "Off [in]"]
    assert page.figures[1].also == "12,916.7 ft²"


def test_import_report_heads_are_told_with_the_columns_of_the_plan(tmp_path: Path) -> None:
    page = page_of(tmp_path)
    facts = dict(layer(page, "heads").places[0].facts)
    assert float(facts["Start bearing [°]"]) == 0.0
    assert facts["Zone"] == "Z1"
    heads = table_of(page, "Layer heads")
    arc = next(column for column in heads.columns if column.title == "Arc [°]")
    assert arc.sort_by == (180.0, 180.0, 360.0)


def test_export_site_writes_the_report_only_when_asked(tmp_path: Path) -> None:
    found = imported(tmp_path, heads_plan(HEADS))
    export_site(found, tmp_path / "out", overwrite=False, options={})
    assert not (tmp_path / "out" / "report.html").exists()
    export_site(found, tmp_path / "out", overwrite=True, options={}, with_report=True)
    text = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    words = Structure(text).text
    assert "A plan on the map: plan.dxf" in words
    assert "A plan shows what was drawn" in " ".join(words)
    assert "SHA-256" in words


def test_draft_plan_roles_report_lists_what_the_plan_holds(tmp_path: Path) -> None:
    plan = tmp_path / "plan.dxf"
    heads_plan(HEADS).saveas(plan)
    draft_plan_roles(plan, tmp_path / "out", overwrite=False, options={}, with_report=True)
    page = Structure((tmp_path / "out" / "report.html").read_text(encoding="utf-8"))
    assert "What a plan holds: plan.dxf" in page.text
    assert any(text.startswith("ID: ON, AWAY, FULL") for text in page.text)
    assert "1 LWPOLYLINE" in page.text
    assert not any(attributes.get("id") == "map" for attributes in page.named("div"))
