"""The viewer's project beside the results, as XML; that it opens is tested in tests/viewer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pyproj
import pytest
import shapely

from geoirrig.io.result_columns import LAYER_TITLES
from geoirrig.io.write_layers import write_layers
from geoirrig.records import ResultTable, WorkingPlane
from tests.made_up_analysis import HOSTILE_ID, made_up

FEET = pyproj.CRS("EPSG:2227")  # California zone 3, US survey feet
FOOT_M = 1200.0 / 3937.0


def project_of(path: Path, *tables: ResultTable, plane: WorkingPlane | None = None) -> ET.Element:
    analysis = made_up().analysis
    write_layers(
        path, tables, plane or analysis.plane, units="si", run_info={}, rasters=analysis.rasters
    )
    return ET.parse(path.with_suffix(".qgs")).getroot()


def lawn(name: str = "turf_results", **columns: object) -> ResultTable:
    return ResultTable(
        name=name,
        columns={key: np.array([value], dtype=object) for key, value in columns.items()},
        geometry=np.array([shapely.box(10.0, 20.0, 110.0, 70.0)], dtype=object),
        geometry_type="MultiPolygon",
    )


def test_write_project_paths_are_relative(tmp_path: Path) -> None:
    root = project_of(tmp_path / "results.gpkg", *made_up().analysis.tables)
    sources = [element.text for element in root.iter("datasource")]
    assert sources
    assert all(source and source.startswith("./") for source in sources)
    assert root.findtext("properties/Paths/Absolute") == "false"
    assert str(tmp_path) not in (tmp_path / "results.qgs").read_text(encoding="utf-8")


def test_write_project_tree_and_layers_name_the_same(tmp_path: Path) -> None:
    root = project_of(tmp_path / "results.gpkg", *made_up().analysis.tables)
    in_tree = {node.get("id"): node.get("name") for node in root.iter("layer-tree-layer")}
    layers = {node.findtext("id"): node.findtext("layername") for node in root.iter("maplayer")}
    assert in_tree == layers
    # A viewer passes over shorter ids, measured with 3.22.
    assert all(len(name or "") >= 10 for name in in_tree)
    assert in_tree["geoirrig_turf_results"] == LAYER_TITLES["turf_results"][0]


def test_write_project_order_does_not_follow_that_of_the_file(tmp_path: Path) -> None:
    tables = made_up().analysis.tables
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    forward = project_of(tmp_path / "a" / "results.gpkg", *tables)
    backward = project_of(tmp_path / "b" / "results.gpkg", *reversed(tables))
    orders = [[n.get("id") for n in root.iter("layer-tree-layer")] for root in (forward, backward)]
    assert orders[0] == orders[1]
    points, areas = (orders[0].index(f"geoirrig_{name}_results") for name in ("head", "turf"))
    assert points < areas


def test_write_project_same_results_are_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        project_of(tmp_path / name / "results.gpkg", *made_up().analysis.tables)
    assert (tmp_path / "a" / "results.qgs").read_bytes() == (
        tmp_path / "b" / "results.qgs"
    ).read_bytes()


def test_write_project_no_text_of_the_user_enters(tmp_path: Path) -> None:
    table = lawn(turf_id=HOSTILE_ID, **{"note <b>": "mine"})
    project_of(tmp_path / "results.gpkg", table)
    text = (tmp_path / "results.qgs").read_text(encoding="utf-8")
    assert HOSTILE_ID not in text
    assert "note" not in text


@pytest.mark.parametrize(
    ("crs", "metres", "code"),
    [(pyproj.CRS("EPSG:32611"), 1.0, "EPSG:32611"), (FEET, FOOT_M, "EPSG:2227")],
)
def test_write_project_extent_is_in_map_units(
    crs: pyproj.CRS, metres: float, code: str, tmp_path: Path
) -> None:
    # 100 m by 50 m from (10, 20), and a twentieth of the longer side around it
    plane = WorkingPlane(crs_wkt=crs.to_wkt(), crs_name=crs.name, metres_per_unit=metres)
    root = project_of(tmp_path / "results.gpkg", lawn(turf_id="T1"), plane=plane)
    extent = [
        float(root.findtext(f"mapcanvas/extent/{tag}") or "nan") * metres
        for tag in ("xmin", "ymin", "xmax", "ymax")
    ]
    assert extent == pytest.approx([5.0, 15.0, 115.0, 75.0], abs=1e-3)
    assert root.findtext("projectCrs/spatialrefsys/authid") == code


def test_write_project_empty_layers_have_no_extent(tmp_path: Path) -> None:
    empty = replace(
        lawn(turf_id="T1"),
        columns={"turf_id": np.array([], dtype=object)},
        geometry=np.array([], dtype=object),
    )
    root = project_of(tmp_path / "results.gpkg", empty)
    assert root.find("mapcanvas") is None
    assert "geoirrig_turf_results" in [node.findtext("id") for node in root.iter("maplayer")]
