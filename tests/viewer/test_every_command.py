"""What every command writes passes GDAL's validator and opens in the viewer, styled."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest

from geoirrig.io.result_columns import LAYER_TITLES
from tests.run_command import run
from tests.viewer.headless import VIEWER_PYTHON, require_bindings, run_in_viewer

SAMPLES = Path(__file__).parents[2] / "sample_gis"
SCRIPT = Path(__file__).with_name("describe_in_viewer.py")
HILLSIDE = (SAMPLES / "hillside_site.gpkg", "--slope", SAMPLES / "hillside_slope_pct.tif")
CLIMATE = ("--climate", SAMPLES / "hillside_climate.csv", "--latitude", 41.9)
COARSE = ("--cell", 1.0)

COMMANDS: dict[str, tuple[object, ...]] = {
    "analyze": (
        HILLSIDE[0], "--elevation", SAMPLES / "hillside_elevation_m.tif", *COARSE, "--run-on",
        "--rules", "california_title_23_2_7",
    ),
    "schedule": (*HILLSIDE, *CLIMATE, *COARSE, "--allowance", "residential"),
    "rank": (*HILLSIDE, *COARSE, "--realisations", 20),
    "compare": (*HILLSIDE, *COARSE, "--nozzle-set", SAMPLES / "hillside_rotary.csv"),
    "screen": (
        SAMPLES / "hill_quarter_site.gpkg", "--programme", SAMPLES / "hill_quarter_programme.toml",
        *CLIMATE, *COARSE, "--workers", 1,
    ),
    "optimize": (
        SAMPLES / "four_heads.gpkg", "--nozzles", SAMPLES / "surveyed_court_nozzles.csv", *COARSE,
    ),
    "plan-import": (
        SAMPLES / "surveyed_court.dxf", "--roles", SAMPLES / "surveyed_court_roles.toml",
        "--control", SAMPLES / "surveyed_court_control.csv", "--crs", "EPSG:32611",
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The GeoPackage that each command wrote."""
    found = {}
    for command, arguments in COMMANDS.items():
        out = tmp_path_factory.mktemp(command) / "out"
        done = run(command, *arguments, "--out", out, "--quiet")
        assert done.exit_code in (0, 3), (command, done.output)
        (found[command],) = out.glob("*.gpkg")
    return found


@pytest.fixture(scope="module")
def projects(packages: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """What the viewer makes of the project beside each of them, by command."""
    require_bindings("qgis.core", "python3-qgis")
    paths = {command: path.with_suffix(".qgs") for command, path in packages.items()}
    told = run_in_viewer(SCRIPT, tmp_path_factory.mktemp("viewer"), *paths.values())
    return {command: told[str(path)] for command, path in paths.items()}


@pytest.mark.parametrize("command", COMMANDS)
def test_package_passes_the_validator_of_gdal(command: str, packages: dict[str, Path]) -> None:
    # GDAL 3.6, osgeo_utils.samples.validate_gpkg: the requirements of OGC 12-128r15
    require_bindings("osgeo_utils.samples.validate_gpkg", "python3-gdal")
    checked = subprocess.run(
        [VIEWER_PYTHON, "-m", "osgeo_utils.samples.validate_gpkg", str(packages[command])],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (checked.returncode, checked.stdout, checked.stderr) == (0, "", "")


@pytest.mark.parametrize("command", COMMANDS)
def test_project_opens_every_layer_styled(command: str, projects: Any) -> None:
    project = projects[command]
    assert project["read"]
    assert project["crs"].startswith("EPSG:")
    assert project["layers"]
    for layer in project["layers"]:
        assert layer["valid"], layer["id"]
        name = layer["id"].removeprefix("geoirrig_")
        if name in LAYER_TITLES:
            assert layer["name"] == LAYER_TITLES[name][0]
        if "renderer" in layer:
            # A layer without a style of ours would come up as one of the viewer's.
            assert layer["renderer"] not in ("singleSymbol", "singlebandgray"), layer["id"]
            assert all(layer["labels"])
    assert any(layer["shown"] for layer in project["layers"])
