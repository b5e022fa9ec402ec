"""The report of results drawn on a plan: their places in the coordinates of the plan."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely

from geoirrig.report.report_page import ReportPage, ReportTable
from geoirrig.workflows import export_plan as module
from geoirrig.workflows.export_plan import export_plan, plan_placement
from tests.io.plan_builder import CRS, heads_plan, imported, rectangle, write_control
from tests.report.test_write_report import Structure

SCALE, ROTATION_DEG = 0.3048, 25.0  # a plan in feet, turned


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Results in US units on known places of a plan: a mark at (40, 30), a spot around (5, 6)."""
    folder = tmp_path_factory.mktemp("plan")
    control = write_control(folder / "control.csv", scale=SCALE, rotation_deg=ROTATION_DEG)
    transform = imported(
        folder, heads_plan([("A", 5, 6, "360", {})]), control=control
    ).placement.transform
    spot = np.array([shapely.Polygon(rectangle(3, 4, 7, 8))], dtype=object)
    layers = {
        "dry_spots": (
            {"dry_spot_id": [1], "turf_id": ["T"], "area_ft2": [16.0], "mean_depth_in": [0.5]},
            shapely.transform(spot, transform.to_map),
        ),
        "layout_findings": (
            {"finding_id": [1], "severity": ["high"], "finding": ["A corner without a head."]},
            shapely.points(transform.to_map([(40.0, 30.0)])),
        ),
        "turf_results": (
            {"turf_id": ["T"], "area_ft2": [1200.0]},
            shapely.transform(
                np.array([shapely.Polygon(rectangle(0, 0, 40, 30))], dtype=object), transform.to_map
            ),
        ),
    }
    for name, (columns, geometry) in layers.items():
        frame = gpd.GeoDataFrame(columns, geometry=geometry, crs=CRS)
        path = folder / "results.gpkg"
        pyogrio.write_dataframe(frame, path, layer=name, append=path.exists())
    return folder


@pytest.fixture
def page(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ReportPage:
    """The page as it is handed to be written."""
    kept: list[Any] = []
    monkeypatch.setattr(module, "write_report", lambda _, page: kept.append(page))
    exported(folder, tmp_path / "out", with_report=True)
    (page,) = kept
    return page


def exported(folder: Path, out: Path, **options: Any) -> None:
    export_plan(
        folder / "results.gpkg", plan_placement(folder / "control.csv", crs=CRS), out,
        overwrite=False, options={"command": "plan-export"}, **options,
    )  # fmt: skip


def tables(page: ReportPage) -> dict[str, ReportTable]:
    return {
        part.caption: part
        for section in page.sections
        for part in section.content
        if isinstance(part, ReportTable)
    }


def test_drawing_report_places_are_told_in_the_coordinates_of_the_plan(page: ReportPage) -> None:
    for caption, expected in (
        ("What is wrong with the layout", ("40.00", "30.00")),
        ("Dry spots", ("5.00", "6.00")),
    ):
        x, y = tables(page)[caption].columns[-2:]
        assert (x.title, y.title) == ("x on the plan", "y on the plan")
        assert (x.texts[0], y.texts[0]) == expected


def test_drawing_report_map_is_that_of_the_plan(page: ReportPage) -> None:
    assert page.map is not None
    assert page.map.axes == ("x", "y")
    assert page.map.metres_per_unit == pytest.approx(SCALE, rel=1e-9)
    layers = {one.label: one for one in page.map.layers}
    mark = layers["layout findings"].geometry[0]
    assert (mark.x / SCALE, mark.y / SCALE) == pytest.approx((40.0, 30.0), abs=1e-6)
    assert tables(page)["What is wrong with the layout"].places == "layout findings"
    # turf is not drawn in the DXF, but helps to see where a finding lies
    assert shapely.area(layers["turf"].geometry[0]) == pytest.approx(1200.0 * SCALE**2)


def test_drawing_report_keeps_the_units_of_the_results(page: ReportPage) -> None:
    assert page.units == "us"
    spots = {column.title: column.texts for column in tables(page)["Dry spots"].columns}
    assert spots["Area [ft²]"] == ("16.0",)
    assert spots["Mean depth [in]"] == ("0.500",)


def test_drawing_report_lists_the_layers_of_the_drawing(page: ReportPage) -> None:
    names, counts = (c.texts for c in tables(page)["Layers of plan_results.dxf"].columns)
    assert dict(zip(names, counts, strict=True)) == {
        "GEOIRRIG_DRY_SPOTS": "1", "GEOIRRIG_LAYOUT_FINDINGS": "1",
    }  # fmt: skip
    assert page.lead.startswith("2 results on 2 layers of plan_results.dxf")
    assert "0.3048 m (1 ft)" in page.lead


def test_export_plan_writes_the_report_only_when_asked(folder: Path, tmp_path: Path) -> None:
    exported(folder, tmp_path / "plain")
    assert not (tmp_path / "plain" / "report.html").exists()
    exported(folder, tmp_path / "told", with_report=True)
    page = Structure((tmp_path / "told" / "report.html").read_text(encoding="utf-8"))
    assert "Results on the plan: results.gpkg" in page.text
    assert "A corner without a head." in page.text
    summaries = [
        json.loads((tmp_path / one / "summary.json").read_text(encoding="utf-8"))
        for one in ("plain", "told")
    ]
    assert summaries[0] == summaries[1]
