"""Results drawn back on the plan: read by GDAL, and imported again."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import ezdxf
import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely

from geoirrig.errors import GeoirrigError, InputError
from geoirrig.workflows.export_imported_plan import export_site
from geoirrig.workflows.export_plan import PLAN_FILE, export_plan, plan_placement
from tests.io.plan_builder import (
    CRS,
    ORIGIN_M,
    add_head,
    add_lawn,
    imported,
    new_plan,
    rectangle,
    table,
    write_control,
)

SCALE, ROTATION_DEG = 0.3048, 25.0


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan in feet, imported, with results that lie on known places of it."""
    folder = tmp_path_factory.mktemp("plan")
    plan = new_plan(unit_code=2)
    add_lawn(plan.modelspace(), rectangle(0, 0, 40, 30))
    add_head(plan.modelspace(), "A", 5, 6, rotation=30.0)
    control = write_control(folder / "control.csv", scale=SCALE, rotation_deg=ROTATION_DEG)
    found = imported(folder, plan, control=control)
    export_site(found, folder / "site", overwrite=False, options={})
    transform = found.placement.transform
    spot = shapely.Polygon(rectangle(2, 3, 8, 9), [rectangle(4, 5, 5, 6)])
    spots = shapely.transform(np.array([spot]), transform.to_map)
    results = folder / "results"
    results.mkdir()
    frame = gpd.GeoDataFrame({"dry_spot_id": [1]}, geometry=spots, crs=CRS)
    pyogrio.write_dataframe(frame, results / "results.gpkg", layer="dry_spots")
    mark = gpd.GeoDataFrame(
        {"finding_id": [1], "finding": ["A corner without a head."]},
        geometry=shapely.points(transform.to_map([(40.0, 30.0)])),
        crs=CRS,
    )
    pyogrio.write_dataframe(mark, results / "results.gpkg", layer="layout_findings", append=True)
    heads = table(found, "heads")
    changes = gpd.GeoDataFrame(
        {
            "head_id": ["A"],
            "new_nozzle": ["new one"],
            "new_arc_deg": [90.0],
            "new_start_bearing_deg": [float(heads.columns["start_bearing_deg"][0])],
        },
        geometry=list(heads.geometry),
        crs=CRS,
    )
    pyogrio.write_dataframe(changes, results / "proposal.gpkg", layer="changes")
    return folder


def exported(site: Path, out: Path, source: str = "site/summary.json", **options: Any) -> Path:
    export_plan(
        site / "results",
        plan_placement(site / source, **options),
        out,
        overwrite=False,
        options={},
    )
    return out / PLAN_FILE


def test_gdal_reads_each_result_on_its_own_layer(site: Path, tmp_path: Path) -> None:
    path = exported(site, tmp_path / "out")
    pyogrio.set_gdal_config_options({"DXF_INLINE_BLOCKS": "FALSE"})
    try:
        found = pyogrio.read_dataframe(path, layer="entities")
    finally:
        pyogrio.set_gdal_config_options({"DXF_INLINE_BLOCKS": None})

    assert set(found["Layer"]) == {
        "GEOIRRIG_DRY_SPOTS", "GEOIRRIG_CHANGES", "GEOIRRIG_LAYOUT_FINDINGS",
    }  # fmt: skip
    mark = found[found["BlockName"] == "GEOIRRIG_MARK"].iloc[0]
    assert (mark.geometry.x, mark.geometry.y) == pytest.approx((40.0, 30.0), abs=1e-6)
    assert "FINDING A corner without a head." in list(mark["BlockAttributes"])
    spots = found[found["Layer"] == "GEOIRRIG_DRY_SPOTS"]
    lines = spots[spots.geometry.geom_type == "LineString"].geometry
    areas = sorted(shapely.Polygon(line).area for line in lines)
    assert areas == pytest.approx([1.0, 36.0], abs=1e-6)  # in plan feet: the hole and the spot
    assert list(spots[spots.geometry.geom_type == "Point"]["Text"]) == ["1"]
    head = found[found["BlockName"] == "GEOIRRIG_HEAD"].iloc[0]
    assert (head.geometry.x, head.geometry.y) == pytest.approx((5.0, 6.0), abs=1e-6)
    assert head["BlockAngle"] == pytest.approx(30.0, abs=1e-4)
    stated = dict(text.split(" ", 1) for text in head["BlockAttributes"])
    assert stated["HEAD_ID"] == "A"
    assert stated["NEW_NOZZLE"] == "new one"


@pytest.mark.parametrize(("east_m", "is_told"), [(4_000.0, False), (45_000.0, True)])
def test_transform_of_another_plan_is_told(
    site: Path, tmp_path: Path, east_m: float, is_told: bool
) -> None:
    origin = (ORIGIN_M[0] + east_m, ORIGIN_M[1])
    control = write_control(tmp_path / "other.csv", scale=SCALE, origin=origin)
    summary = export_plan(
        site / "results",
        plan_placement(control, crs=CRS),
        tmp_path / "out",
        overwrite=False,
        options={},
    )
    assert any("45 km or more" in text for text in summary["warnings"]) == is_told


@pytest.mark.parametrize("by", ["summary", "points"])
def test_results_far_beyond_the_control_points_are_told(
    site: Path, tmp_path: Path, by: str
) -> None:
    summary_file = site / "site" / "summary.json"
    stated = plan_placement(summary_file)
    # the control points span 40 plan feet or more, and the results lie 1,000 plan feet to the east
    away = shapely.transform(shapely.points([(1000.0, 10.0)]), stated.transform.to_map)
    spots = gpd.GeoDataFrame({"finding_id": [1], "finding": ["Far away."]}, geometry=away, crs=CRS)
    (tmp_path / "results").mkdir()
    pyogrio.write_dataframe(spots, tmp_path / "results" / "results.gpkg", layer="layout_findings")
    placement = stated if by == "summary" else plan_placement(site / "control.csv", crs=CRS)
    summary = export_plan(
        tmp_path / "results", placement, tmp_path / "out", overwrite=False, options={}
    )
    (told,) = summary["warnings"]
    assert stated.control_xy is not None
    beyond_ft = 1000.0 - float(np.max(stated.control_xy[:, 0]))
    assert told.startswith(
        f"Results lie as far as {beyond_ft * SCALE:,.0f} m ({beyond_ft:,.0f} ft) beyond the control"
    )


def test_results_among_the_control_points_are_not_warned_of(site: Path, tmp_path: Path) -> None:
    exported(site, tmp_path / "out")
    assert json.loads((tmp_path / "out" / "summary.json").read_text())["warnings"] == []


def test_units_are_those_of_the_plan(site: Path, tmp_path: Path) -> None:
    drawing = ezdxf.readfile(exported(site, tmp_path / "out"))
    assert drawing.header["$INSUNITS"] == 2
    assert drawing.dxfversion == "AC1024"  # R2010
    assert not drawing.audit().has_errors


def test_drawn_heads_come_back_as_they_were(site: Path, tmp_path: Path) -> None:
    """The drawing of the heads is a plan with the rotation of the first edge."""
    exported(site, tmp_path / "out")
    role = """
[[heads]]
blocks = ["GEOIRRIG_HEAD"]
from_attribute.head_id = "HEAD_ID"
from_attribute.nozzle = "NEW_NOZZLE"
from_attribute.arc_deg = "NEW_ARC_DEG"
constant.zone = "Z1"
rotation = "first_edge"
"""
    (tmp_path / "plan.dxf").write_bytes((tmp_path / "out" / PLAN_FILE).read_bytes())
    found = imported(tmp_path, None, role, control=site / "control.csv")
    before = gpd.read_file(site / "site" / "SITE.gpkg", layer="heads")
    after = table(found, "heads")
    assert shapely.get_coordinates(after.geometry) == pytest.approx(
        before.geometry.get_coordinates().to_numpy(), abs=1e-6
    )
    assert after.columns["start_bearing_deg"][0] == pytest.approx(
        before["start_bearing_deg"][0], abs=1e-4
    )


def test_control_points_do_as_well_as_the_summary(site: Path, tmp_path: Path) -> None:
    by_summary = ezdxf.readfile(exported(site, tmp_path / "a"))
    by_points = ezdxf.readfile(exported(site, tmp_path / "b", "control.csv", crs=CRS))
    first, second = (
        next(iter(d.modelspace().query("LWPOLYLINE"))).get_points("xy")
        for d in (by_summary, by_points)
    )
    assert np.array(first) == pytest.approx(np.array(second), abs=1e-6)
    assert by_points.header["$INSUNITS"] == 2


def test_control_points_need_a_crs(site: Path) -> None:
    with pytest.raises(InputError, match="--crs is needed"):
        plan_placement(site / "control.csv")


@pytest.mark.parametrize("content", ["{}", "[1]", "no json", '{"transform": {"method": "x"}}'])
def test_a_summary_without_a_transform_is_refused(tmp_path: Path, content: str) -> None:
    path = tmp_path / "summary.json"
    path.write_text(content)
    with pytest.raises(GeoirrigError, match="holds no transform of a plan") as told:
        plan_placement(path)
    assert "plan-import without --roles" in str(told.value)
    assert "Error" not in str(told.value)


def test_results_without_layers_to_draw_are_refused(site: Path, tmp_path: Path) -> None:
    placement = plan_placement(site / "site" / "summary.json")
    with pytest.raises(GeoirrigError, match="holds none of"):
        export_plan(tmp_path, placement, tmp_path / "out", overwrite=False, options={})
    with pytest.raises(GeoirrigError, match="has none of the layers that are drawn"):
        export_plan(
            site / "site" / "SITE.gpkg", placement, tmp_path / "out", overwrite=False, options={}
        )
    assert not (tmp_path / "out").exists()


def test_summary_counts_what_was_drawn(site: Path, tmp_path: Path) -> None:
    exported(site, tmp_path / "out")
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert {row["layer"]: row["count"] for row in summary["layers"]} == {
        "GEOIRRIG_DRY_SPOTS": 1, "GEOIRRIG_LAYOUT_FINDINGS": 1, "GEOIRRIG_CHANGES": 1,
    }  # fmt: skip
    assert summary["metres_per_plan_unit"] == pytest.approx(SCALE)
