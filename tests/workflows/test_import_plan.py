"""A surveyed plan becomes a site: the sample court, units, formats, what is said."""

from __future__ import annotations

import json
import math
import sys
import tomllib
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
import shapely

from geoirrig.errors import GeoirrigError
from geoirrig.io.open_layer import LayerSource
from geoirrig.io.read_site import SiteSources
from geoirrig.workflows.draft_plan_roles import draft_plan_roles
from geoirrig.workflows.export_imported_plan import export_site
from geoirrig.workflows.import_plan import import_plan
from geoirrig.workflows.load_site import load_site
from tests.io.plan_builder import (
    HEAD_ROLE,
    ORIGIN_M,
    TURF_ROLE,
    add_lawn,
    areas,
    heads_plan,
    imported,
    new_plan,
    rectangle,
    table,
    write_control,
)

SAMPLES = Path(__file__).parents[2] / "sample_gis"


@pytest.fixture(scope="module")
def court(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The sample court, imported and written."""
    folder = tmp_path_factory.mktemp("court")
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(SAMPLES))
        sys.modules.pop("surveyed_court", None)
        import surveyed_court

        surveyed_court.write_court(folder)
    found = import_plan(
        folder / "surveyed_court.dxf",
        roles_file=folder / "surveyed_court_roles.toml",
        control_file=folder / "surveyed_court_control.csv",
        crs="EPSG:32611",
    )
    summary = export_site(
        found, folder / "out", overwrite=False, options={"command": "plan-import"}
    )
    return folder, summary


def test_court_is_read_by_the_site_reader(court: tuple[Path, dict[str, Any]]) -> None:
    folder, _ = court
    nozzles = LayerSource(path=folder / "surveyed_court_nozzles.csv")
    site = load_site(SiteSources(site=folder / "out" / "SITE.gpkg", layers={"nozzles": nozzles}))
    assert len(site.inputs.layout.head_id) == 22
    assert list(site.inputs.turf.turf_id) == ["north_lawn", "south_lawn", "strip"]
    # by formula, in feet: a corner rounded with radius 10, an island of radius 4
    square_feet = [45 * 30 - (100 - 25 * math.pi), 900 - 16 * math.pi, 180.0]
    found = shapely.area(site.inputs.turf.geometry)
    assert found == pytest.approx(np.array(square_feet) * 0.3048**2, rel=1e-3)


def test_court_summary_holds_scale_rotation_and_residuals(
    court: tuple[Path, dict[str, Any]],
) -> None:
    folder, summary = court
    assert json.loads((folder / "out" / "summary.json").read_text()).keys() == summary.keys()
    # the survey errs by millimetres on 28 m: some 3 parts in 10 000
    assert summary["scale"] == pytest.approx(0.3048, rel=3e-4)
    assert summary["rotation_deg"] == pytest.approx(17.0, abs=0.03)
    assert 0.002 < summary["rms_m"] < 0.012
    assert [p["point"] for p in summary["points"]] == ["CP1", "CP2", "CP3", "CP4", "CP5"]
    assert all(p["residual_m"] <= p["left_out_residual_m"] for p in summary["points"])
    assert summary["plan_unit_by_scale"] == ["foot", "US survey foot"]
    assert {row["layer"]: row["count"] for row in summary["layers"]} == {
        "heads": 22, "turf": 3, "hardscape": 2, "parcels": 1,
    }  # fmt: skip


def test_export_site_leaves_results_alone(court: tuple[Path, dict[str, Any]]) -> None:
    folder, _ = court
    found = import_plan(
        folder / "surveyed_court.dxf",
        roles_file=folder / "surveyed_court_roles.toml",
        control_file=folder / "surveyed_court_control.csv",
        crs="EPSG:32611",
    )
    with pytest.raises(GeoirrigError, match="--overwrite"):
        export_site(found, folder / "out", overwrite=False, options={})


def test_draft_roles_list_the_plan_and_can_be_read(
    court: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    folder, _ = court
    summary = draft_plan_roles(
        folder / "surveyed_court.dxf", tmp_path / "draft", overwrite=False, options={}
    )
    assert summary["plan_unit"] == "foot"
    block = next(b for b in summary["blocks"] if b["block"] == "SPRINKLER")
    assert block["inserts"] == 22
    assert block["attributes"]["ARC"] == ["90", "180", "360"]
    found = import_plan(
        folder / "surveyed_court.dxf",
        roles_file=tmp_path / "draft" / "roles.toml",
        control_file=folder / "surveyed_court_control.csv",
        crs="EPSG:32611",
    )
    assert len(table(found, "heads").geometry) == 22
    assert len(table(found, "turf").geometry) == 3


def test_import_into_a_crs_in_us_survey_feet(tmp_path: Path) -> None:
    """EPSG:2229, in US survey feet: residuals and areas come in metres."""
    plan = new_plan(unit_code=2)
    add_lawn(plan.modelspace(), rectangle(0, 0, 100, 50))
    control = write_control(tmp_path / "control.csv", origin=(6_500_000.0, 1_850_000.0))
    text = control.read_text().splitlines()
    moved = text[1].split(",")
    moved[3] = repr(float(moved[3]) + 1.0)
    control.write_text("\n".join([text[0], ",".join(moved), *text[2:]]) + "\n")
    found = imported(tmp_path, plan, TURF_ROLE, control=control, crs="EPSG:2229")
    summary_points = found.placement.record()["points"]
    assert 0.1 < summary_points[0]["residual_m"] < 0.3048
    clean = write_control(tmp_path / "clean.csv", origin=(6_500_000.0, 1_850_000.0))
    found = imported(tmp_path, plan, TURF_ROLE, control=clean, crs="EPSG:2229")
    assert areas(found)[0] == pytest.approx(5000.0 * (1200 / 3937) ** 2, rel=1e-9)
    assert any("is the US survey foot" in warning for warning in found.warnings)


def test_binary_dxf_is_read_as_text_is(tmp_path: Path) -> None:
    plan = heads_plan([("A", 5, 5, "90", {})])
    text, binary = imported(tmp_path, plan), imported(tmp_path, plan, binary=True)
    assert (tmp_path / "plan.dxf").read_bytes().startswith(b"AutoCAD Binary DXF")
    assert areas(text) == areas(binary)
    assert list(table(binary, "heads").columns["head_id"]) == ["A"]


def test_curve_exploded_into_short_lines_keeps_its_shape(tmp_path: Path) -> None:
    """Lines shorter than the gap that is closed: joined end to end, not pulled together."""
    plan = new_plan()
    turns = np.linspace(0.0, 2 * math.pi, 1000)
    places = [(10 + 3 * math.cos(t), 10 + 3 * math.sin(t)) for t in turns[:-1]]
    for start, end in zip(places, [*places[1:], places[0]], strict=True):
        plan.modelspace().add_line(start, end, dxfattribs={"layer": "TURF"})
    assert areas(imported(tmp_path, plan, TURF_ROLE))[0] == pytest.approx(math.pi * 9, rel=1e-4)


def test_head_seen_from_below_is_mirrored(tmp_path: Path) -> None:
    # With the extrusion to -z the x axis runs west: (-5, 6) is at (5, 6), and the first edge,
    # drawn north with an arc to the east, is the last of an arc from west to north.
    plan = heads_plan([("A", -5, 6, "90", {"extrusion": (0, 0, -1)})])
    found = table(
        imported(tmp_path, plan, HEAD_ROLE + "zero_bearing_deg = 0\n" + TURF_ROLE), "heads"
    )
    place = shapely.get_coordinates(found.geometry)[0] - ORIGIN_M
    assert place == pytest.approx([5, 6], abs=1e-6)
    assert found.columns["start_bearing_deg"][0] == pytest.approx(270.0)


def test_lawn_as_a_block_takes_its_attributes(tmp_path: Path) -> None:
    plan = new_plan()
    bed = plan.blocks.new("LAWN_BLOCK")
    add_lawn(bed, rectangle(0, 0, 3, 2), layer="ANY")
    bed.add_attdef("NAME", (0, 0), height=0.2)
    for number, x in enumerate((0, 10)):
        insert = plan.modelspace().add_blockref("LAWN_BLOCK", (x, 0), dxfattribs={"xscale": 2})
        insert.add_auto_attribs({"NAME": f"lawn {number}"})
    role = """
[[turf]]
blocks = ["lawn_*"]
from_attribute.turf_id = "name"
constant.soil_texture = "loam"
"""
    found = imported(tmp_path, plan, role)
    assert areas(found) == pytest.approx([12.0, 12.0])
    assert list(table(found, "turf").columns["turf_id"]) == ["lawn 0", "lawn 1"]


def test_old_plan_of_release_12_is_read(tmp_path: Path) -> None:
    plan = ezdxf.new("R12")
    plan.modelspace().add_polyline2d(
        [(0, 0), (8, 0), (8, 5), (0, 5)], close=True, dxfattribs={"layer": "TURF"}
    )
    found = imported(tmp_path, plan, TURF_ROLE)
    assert areas(found) == pytest.approx([40.0])
    assert any("states no unit" in warning for warning in found.warnings)


def test_what_is_not_seen_is_said(tmp_path: Path) -> None:
    plan = new_plan()
    add_lawn(plan.modelspace(), rectangle(0, 0, 8, 5))
    plan.layers.add("TURF").off()
    plan.add_xref_def("other.dxf", "OTHER")
    plan.modelspace().add_blockref("OTHER", (0, 0))
    plan.modelspace().add_text("a note")
    plan.paperspace().add_line((0, 0), (1, 1))
    plan.modelspace().add_solid([(0, 0), (1, 0), (0, 1)], dxfattribs={"layer": "TURF"})
    said = "\n".join(imported(tmp_path, plan, TURF_ROLE).warnings)
    for part in (
        "layer 'TURF' is off or frozen",
        "refers to other drawings ('OTHER')",
        "texts that are no block attributes, not read: 1",
        "1 SOLID on the named layers have no outline",
        "has drawings in paper space ('Layout1': 1), which is not read",
    ):
        assert part in said


def test_draft_of_odd_names_is_valid_toml(tmp_path: Path) -> None:
    plan = new_plan()
    name = "lawn's north \u00e9 \U0001f331 #1"
    add_lawn(plan.modelspace(), rectangle(0, 0, 8, 5), layer=name)
    head = plan.modelspace().add_blockref("HEAD", (3, 3))
    head.add_attrib("SAID", 'a "b" \\ # c', (0, 0))
    head.add_attrib("ID", "", (0, 0))
    plan.saveas(tmp_path / "odd.dxf")
    draft_plan_roles(tmp_path / "odd.dxf", tmp_path / "out", overwrite=False, options={})
    text = (tmp_path / "out" / "roles.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)["turf"][0]["layers"] == [name]
    assert tomllib.loads(text)["heads"][0]["from_attribute"]["head_id"] == "ID"
