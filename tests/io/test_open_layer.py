"""Layers as arrays, from any format."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from geoirrig.errors import ProblemList
from geoirrig.io.columns import HEADS, NOZZLES, TURF, ZONES
from geoirrig.io.open_layer import layer_names, read_layer
from tests.external import require_program
from tests.io import site_builder as build


def test_layer_names_leave_out_stored_styles(tmp_path: Path) -> None:
    path = build.write_site(
        tmp_path / "site.gpkg",
        {"turf": build.turf(), "layer_styles": pd.DataFrame({"styleName": ["x"]})},
    )
    assert layer_names(path) == ("turf",)


def test_read_layer_values_come_as_they_are(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "zone": ["A", None],
            "cycles": pd.array([1, None], dtype="Int64"),
            "date": pd.to_datetime(["2020-01-01", None]),
        }
    )
    path = build.write_site(tmp_path / "site.gpkg", {"zones": frame})
    problems = ProblemList()
    table = read_layer(path, "zones", ZONES, problems)
    assert problems == ProblemList()
    assert table is not None
    assert table.geometry is None
    assert table.place == "layer 'zones' of 'site.gpkg'"
    assert table.columns["zone"].tolist() == ["A", None]
    np.testing.assert_array_equal(table.columns["cycles"], [1.0, np.nan])
    assert table.columns["date"].dtype.kind == "M"


def test_read_layer_nozzles_as_parquet_need_no_geometry(tmp_path: Path) -> None:
    path = tmp_path / "nozzles.parquet"
    build.nozzles(profile=[None], unit_cost=pd.array([None], dtype="Int64")).to_parquet(path)
    problems = ProblemList()
    table = read_layer(path, "nozzles", NOZZLES, problems)
    assert problems == ProblemList()
    assert table is not None
    assert table.columns["flow_lpm"].tolist() == [12.0]
    assert table.columns["nozzle"].tolist() == ["Q"]
    assert np.isnan(table.columns["unit_cost"][0])


def test_read_layer_parquet_without_geometry_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "turf.parquet"
    build.nozzles().to_parquet(path)
    problems = ProblemList()
    assert read_layer(path, "turf", TURF, problems) is None
    assert "is Parquet without geometry. Give a GeoParquet." in build.only(problems.problems)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"nozzle;flow_lpm;radius_m\nQ;1,5;4\n", "is not separated by commas"),
        (b"nozzle,nozzle\nQ,Q\n", "more than one column named 'nozzle'"),
        (b"nozzle,flow_lpm\nQ,1,5\n", "row 1 has 3 values, the header 2 columns"),
        (b"nozzle,note\nQ,caf\xe9\n", "is not UTF-8 text (byte 17)"),
    ],
)
def test_read_layer_faulty_csv_is_a_problem(tmp_path: Path, text: bytes, words: str) -> None:
    path = tmp_path / "nozzles.csv"
    path.write_bytes(text)
    problems = ProblemList()
    assert read_layer(path, "nozzles", NOZZLES, problems) is None
    assert words in build.only(problems.problems)


def test_read_layer_csv_keeps_text_and_skips_blank_rows(tmp_path: Path) -> None:
    path = tmp_path / "nozzles.csv"
    path.write_text('nozzle,note\n007,"a, b"\n\n=1+1,NA\n', encoding="utf-8")
    problems = ProblemList()
    table = read_layer(path, "nozzles", NOZZLES, problems)
    assert problems == ProblemList()
    assert table is not None
    assert table.columns["nozzle"].tolist() == ["007", "=1+1"]
    assert table.columns["note"].tolist() == ["a, b", "NA"]


def test_read_layer_csv_for_a_map_layer_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "heads.csv"
    path.write_text("head_id,x,y\nA,1,2\n", encoding="utf-8")
    problems = ProblemList()
    assert read_layer(path, "heads", HEADS, problems) is None
    assert "is a CSV, which has no geometry" in build.only(problems.problems)


@pytest.mark.parametrize("srs_id", [-1, 0, 99999])
def test_read_layer_undefined_reference_system_is_none(tmp_path: Path, srs_id: int) -> None:
    path = build.write_site(
        tmp_path / "site.gpkg", {"turf": build.turf().set_crs(None, allow_override=True)}
    )
    connection = sqlite3.connect(path)
    connection.execute("UPDATE gpkg_geometry_columns SET srs_id = ?", (srs_id,))
    connection.execute("UPDATE gpkg_contents SET srs_id = ?", (srs_id,))
    connection.commit()
    connection.close()
    problems = ProblemList()
    table = read_layer(path, "turf", TURF, problems)
    assert table is not None
    assert table.crs is None
    assert "has no CRS" in build.only(problems.problems)


def test_read_layer_curved_polygon_is_followed_closely(tmp_path: Path) -> None:
    program = require_program("ogr2ogr")
    text = tmp_path / "curve.csv"
    text.write_text(
        'turf_id,WKT\nT1,"CURVEPOLYGON(CIRCULARSTRING(500000 4000000,500003 4000003,'
        '500006 4000000,500003 3999997,500000 4000000))"\n',
        encoding="utf-8",
    )
    path = tmp_path / "curve.gpkg"
    options = [
        "-f",
        "GPKG",
        "-oo",
        "GEOM_POSSIBLE_NAMES=WKT",
        "-a_srs",
        "EPSG:32611",
        "-nln",
        "turf",
    ]
    subprocess.run(
        [program, *options, "-nln", "turf", "-dsco", "VERSION=1.2", str(path), str(text)],
        check=True,
        capture_output=True,
    )
    problems = ProblemList()
    table = read_layer(path, "turf", TURF, problems)
    assert problems == ProblemList()
    assert table is not None
    assert table.geometry is not None
    # A circle of radius 3 m in arcs of 4°: its area by 90 chords is 9·π·(sin 4°)/(4° in radians).
    wanted = 9 * np.pi * np.sin(np.radians(4)) / np.radians(4)
    assert shapely.area(table.geometry[0]) == pytest.approx(wanted, rel=1e-6)


def test_read_layer_gdal_warning_is_passed_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = build.write_site(tmp_path / "site.gpkg", {"turf": build.turf()})
    read_info = pyogrio.read_info

    def warning_info(*args: Any, **kwargs: Any) -> Any:
        warnings.warn("a field was   cut.", RuntimeWarning, stacklevel=2)
        return read_info(*args, **kwargs)

    monkeypatch.setattr(pyogrio, "read_info", warning_info)
    problems = ProblemList()
    assert read_layer(path, "turf", TURF, problems) is not None
    assert problems.warnings == ["Layer 'turf' of 'site.gpkg': a field was cut"]


def test_read_layer_that_is_no_layer_is_a_problem(tmp_path: Path) -> None:
    path = build.write_site(tmp_path / "site.gpkg", {"turf": build.turf()})
    problems = ProblemList()
    assert read_layer(path, "turff", TURF, problems) is None
    assert "Layer 'turff' of 'site.gpkg' cannot be read: " in build.only(problems.problems)


def test_read_layer_opens_two_copies_at_once(tmp_path: Path) -> None:
    """Reading leaves no lock: the file can be replaced and written afterwards."""
    path = build.write_site(tmp_path / "site.gpkg", {"turf": build.turf()})
    read_layer(path, "turf", TURF, ProblemList())
    shutil.move(path, tmp_path / "moved.gpkg")
    pyogrio.write_dataframe(build.turf(), tmp_path / "moved.gpkg", layer="turf", append=True)
    table = read_layer(tmp_path / "moved.gpkg", "turf", TURF, ProblemList())
    assert table is not None
    assert table.n_rows == 2
