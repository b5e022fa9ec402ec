"""What is said of bad plans, roles and control points."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from geoirrig.errors import GeoirrigError
from geoirrig.io.plan_entities import damage_told
from geoirrig.workflows.draft_plan_roles import draft_plan_roles
from tests.io.plan_builder import (
    TURF_ROLE,
    add_head,
    add_lawn,
    areas,
    heads_plan,
    imported,
    new_plan,
    problems_of,
    rectangle,
    write_control,
)


def test_open_line_says_its_gap_and_small_gaps_close(tmp_path: Path) -> None:
    plan = new_plan()
    ring = [(0, 0), (10, 0), (10, 8), (0, 8), (0, 0.3)]
    add_lawn(plan.modelspace(), ring, close=False)
    said = problems_of(tmp_path, plan, TURF_ROLE)
    assert "lines that do not close: 1" in said
    assert "gap 0.300 m" in said
    assert "closing_gap_m = 0.05" in said
    found = imported(tmp_path, plan, "closing_gap_m = 0.4\n" + TURF_ROLE)
    assert areas(found)[0] == pytest.approx(80.0, rel=0.01)


def test_gap_is_told_in_metres_of_the_ground(tmp_path: Path) -> None:
    plan = new_plan(unit_code=2)
    add_lawn(plan.modelspace(), [(0, 0), (10, 0), (10, 8), (0, 8), (0, 1)], close=False)
    control = write_control(tmp_path / "control.csv", scale=0.3048)
    assert "gap 0.305 m" in problems_of(tmp_path, plan, TURF_ROLE, control=control)


def test_block_without_the_attribute_is_named(tmp_path: Path) -> None:
    plan = heads_plan([("A", 5, 5, "90", {})])
    bare = plan.modelspace().add_blockref("HEAD", (7, 9))
    said = problems_of(tmp_path, plan)
    where = f"block 'HEAD' (handle {bare.dxf.handle}) at (7, 9)"
    assert f"no attribute 'ID', from which head_id is to come: {where}" in said
    assert "no attribute 'RADIUS'" in said


def test_block_whose_attribute_is_blank_is_named(tmp_path: Path) -> None:
    plan = heads_plan([("A", 5, 5, "90", {})])
    blank = add_head(plan.modelspace(), " ", 7, 9)
    said = problems_of(tmp_path, plan)
    where = f"block 'HEAD' (handle {blank.dxf.handle}) at (7, 9)"
    assert f"attribute 'ID', from which head_id is to come, is blank: {where}" in said


def test_solids_only_are_told(tmp_path: Path) -> None:
    plan = new_plan()
    plan.modelspace().add_3dface([(0, 0), (1, 0), (1, 1)], dxfattribs={"layer": "TURF"})
    mesh = plan.modelspace().add_mesh(dxfattribs={"layer": "TURF"})
    with mesh.edit_data() as data:
        data.add_face([(0, 0, 0), (1, 0, 0), (1, 1, 1)])
    said = problems_of(tmp_path, plan, TURF_ROLE)
    assert "no turf can be read from layer 'TURF'" in said
    assert "export the plan in 2-D" in said


def test_roles_that_name_nothing_on_the_plan_offer_what_is_near(tmp_path: Path) -> None:
    plan = new_plan()
    add_lawn(plan.modelspace(), rectangle(0, 0, 9, 9), layer="TURFS")
    said = problems_of(tmp_path, plan, TURF_ROLE)
    assert "nothing on the plan is turf; looked for layer 'TURF'" in said
    assert "'TURFS'" in said


def test_block_that_is_only_defined_is_not_offered_as_the_nearest(tmp_path: Path) -> None:
    plan = new_plan()
    add_lawn(plan.modelspace(), rectangle(0, 0, 9, 9))
    said = problems_of(tmp_path, plan)
    assert "nothing on the plan is heads; looked for block 'HEAD'. It has none." in said


def test_plan_in_paper_space_only_says_so(tmp_path: Path) -> None:
    plan = new_plan()
    plan.paperspace().add_line((0, 0), (1, 1))
    assert "has nothing in its model space" in problems_of(tmp_path, plan, TURF_ROLE)


def test_draft_of_solids_only_says_what_to_do(tmp_path: Path) -> None:
    plan = new_plan()
    plan.modelspace().add_3dface([(0, 0), (1, 0), (1, 1)])
    plan.saveas(tmp_path / "plan.dxf")
    summary = draft_plan_roles(tmp_path / "plan.dxf", tmp_path / "out", overwrite=False, options={})
    assert any("holds only solids and meshes (3DFACE)" in w for w in summary["warnings"])


def test_draft_of_names_that_say_nothing_offers_the_commonest(tmp_path: Path) -> None:
    plan = new_plan()
    plan.blocks.new("Düse 1").add_circle((0, 0), 0.2)
    for x in (0, 10, 20):
        plan.modelspace().add_blockref("Düse 1", (x, 0), dxfattribs={"layer": "Ventil Ä"})
    add_lawn(plan.modelspace(), rectangle(0, 0, 20, 10), layer="Fläche 1")
    plan.saveas(tmp_path / "plan.dxf")
    draft_plan_roles(tmp_path / "plan.dxf", tmp_path / "out", overwrite=False, options={})
    draft = (tmp_path / "out" / "roles.toml").read_text(encoding="utf-8")
    assert '# [[heads]]\n# blocks = ["Düse 1"]  # 3 inserts\n' in draft
    assert '# [[turf]]\n# layers = ["Fläche 1"]  # 1 lines and hatches\n' in draft


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"AC1032\0\0\0\0\0", "is a DWG, not a DXF"),
        (b"", "is empty"),
        (b"%PDF-1.7", "is no DXF"),
        (b"  0\nSECTION\n  2\nENTITIES\n  0\nLWPOL", "in its model space|damaged"),
    ],
)
def test_files_that_are_no_plan_are_refused(tmp_path: Path, content: bytes, expected: str) -> None:
    (tmp_path / "plan.dxf").write_bytes(content)
    said = problems_of(tmp_path, None, TURF_ROLE)
    assert any(part in said for part in expected.split("|"))
    assert "Traceback" not in said


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 0.99])
@pytest.mark.parametrize("binary", [False, True])
def test_cut_off_plan_is_a_sentence_or_a_warning(
    tmp_path: Path, share: float, binary: bool
) -> None:
    plan = heads_plan([(f"H{k}", k, 5, "90", {}) for k in range(20)])
    plan.saveas(tmp_path / "plan.dxf", fmt="bin" if binary else "asc")
    whole = (tmp_path / "plan.dxf").read_bytes()
    (tmp_path / "plan.dxf").write_bytes(whole[: int(len(whole) * share)])
    try:
        said = "\n".join(imported(tmp_path, None).warnings)
    except GeoirrigError as error:
        said = str(error)
    assert any(word in said for word in ("damaged", "nothing in its model space", "no attribute"))


def test_cut_off_binary_plan_is_told_in_words_of_the_user(tmp_path: Path) -> None:
    heads_plan([("A", 5, 5, "90", {})]).saveas(tmp_path / "plan.dxf", fmt="bin")
    whole = (tmp_path / "plan.dxf").read_bytes()
    (tmp_path / "plan.dxf").write_bytes(whole[: len(whole) // 2])
    said = problems_of(tmp_path, None)
    assert "plan.dxf' is a binary DXF that is damaged or cut off. Export it again." in said


def control_text(folder: Path, change: Any) -> Path:
    path = write_control(folder / "control.csv", rotation_deg=20.0)
    rows = [line.split(",") for line in path.read_text().splitlines()]
    path.write_text("\n".join(",".join(row) for row in change(rows)) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda rows: rows[:3], "holds 2 control points; at least 3"),
        (lambda rows: [rows[0], *([r[0], r[1], r[2], r[4], r[3]] for r in rows[1:])],
         "easting and northing look swapped"),
        (lambda rows: [*rows[:2], ["P2", "x", "0", "1", "2"], *rows[3:]], "must be a number"),
        (lambda rows: [*rows, ["P9", *rows[1][1:]]], "have one place on the plan"),
        (lambda rows: [*rows, ["P1", "9", "9", "9", "9"]], "met more than once"),
        (lambda rows: [rows[0], *([f"P{k}", str(k), "0", str(512400 + k), "4643200"]
                                  for k in range(4))], "lie on one line on the plan"),
        (lambda rows: [*rows[:3], [*rows[3][:3], rows[3][4], rows[3][3]], *rows[4:]],
         "Point 'P3' at (4643217.066, 512470.0624) is far from all others"),
        (lambda rows: [[c.replace("map_x", "east") for c in r] for r in rows],
         "has no column 'map_x'"),
    ],
)  # fmt: skip
def test_bad_control_points_are_told(tmp_path: Path, change: Any, expected: str) -> None:
    plan = new_plan()
    add_lawn(plan.modelspace(), rectangle(0, 0, 9, 9))
    control = control_text(tmp_path, change)
    assert expected in problems_of(tmp_path, plan, TURF_ROLE, control=control)


def test_blunder_is_named(tmp_path: Path) -> None:
    plan = new_plan()
    add_lawn(plan.modelspace(), rectangle(0, 0, 9, 9))

    def moved(rows: list[list[str]]) -> list[list[str]]:
        rows[3][3] = repr(float(rows[3][3]) + 0.5)
        return rows

    found = imported(tmp_path, plan, TURF_ROLE, control=control_text(tmp_path, moved))
    assert any("point 'P3' lies 0.500 m from where the others" in w for w in found.warnings)
    assert [p["is_blunder"] for p in found.placement.record()["points"]] == [
        False, False, True, False, False,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("unit_code", "scale", "expected"),
    [
        (6, 0.3048, "its header says metre (1 m): the plan is drawn in the foot"),
        (6, 1200 / 3937, "the plan is drawn in the US survey foot"),
        (2, 1200 / 3937, "it is the US survey foot"),
        (21, 0.3048, "it is the foot"),
        (6, 0.001, "the plan is drawn in the millimetre"),
        (0, 0.3048, "states no unit; the control points make its unit 0.3048 m: a plan drawn in"),
        (2, 1.0, "Either the plan is drawn in the metre, or map_x and map_y are in the foot"),
        (6, 0.5, "no unit explains it"),
    ],
)
def test_scale_off_by_a_unit_is_said(
    tmp_path: Path, unit_code: int, scale: float, expected: str
) -> None:
    plan = new_plan(unit_code=unit_code)
    add_lawn(plan.modelspace(), rectangle(0, 0, 9 / scale, 9 / scale))
    control = write_control(tmp_path / "control.csv", scale=scale)
    found = imported(tmp_path, plan, TURF_ROLE, control=control)
    assert any(expected in warning for warning in found.warnings), found.warnings


def test_map_coordinates_in_feet_are_refused(tmp_path: Path) -> None:
    plan = new_plan()
    add_lawn(plan.modelspace(), rectangle(0, 0, 9, 9))
    control = write_control(tmp_path / "control.csv", scale=1 / 0.3048)
    said = problems_of(tmp_path, plan, TURF_ROLE, control=control)
    assert "map_x and map_y are in the foot" in said


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", "nonsense"])
def test_crs_without_true_lengths_is_refused(tmp_path: Path, crs: str) -> None:
    assert f"--crs {crs!r}" in problems_of(tmp_path, new_plan(), TURF_ROLE, crs=crs)


def test_missing_library_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    new_plan().saveas(tmp_path / "plan.dxf")
    monkeypatch.setitem(sys.modules, "ezdxf", None)
    with pytest.raises(GeoirrigError, match=r"pip install 'geoirrig\[cad\]'"):
        draft_plan_roles(tmp_path / "plan.dxf", tmp_path / "out", overwrite=False, options={})


def test_all_problems_come_at_once(tmp_path: Path) -> None:
    plan = heads_plan([("A", 5, 5, "ninety", {}), ("A", 6, 6, "90", {})])
    add_lawn(plan.modelspace(), [(50, 0), (55, 0), (55, 5)], close=False)
    said = problems_of(tmp_path, plan)
    for part in ("do not close", "arc_deg must be a number", "met more than once: 'A'"):
        assert part in said


def test_huge_plan_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("geoirrig.io.plan_entities.MOST_BYTES", 1000)
    said = problems_of(tmp_path, new_plan(), TURF_ROLE)
    assert "Export only the layers with heads, turf, paving and parcels" in said


def test_what_the_library_cannot_handle_is_a_fault_of_the_plan() -> None:
    """A thing whose attributes are not its own; an error of this program stays an error."""
    circle = new_plan().modelspace().add_circle((0, 0), 1.0)
    with (
        pytest.raises(GeoirrigError, match="holds something that cannot be read"),
        damage_told("Plan 'a.dxf'"),
    ):
        circle.dxf.get("insert")
    with pytest.raises(ZeroDivisionError), damage_told("Plan 'a.dxf'"):
        raise ZeroDivisionError
