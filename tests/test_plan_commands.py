"""The commands about surveyed plans, as a designer types them."""

from __future__ import annotations

import json
from pathlib import Path

import pyogrio
import pytest

from geoirrig.cli.plan_text import print_plan_import
from tests.run_command import run

SAMPLES = Path(__file__).parents[1] / "sample_gis"
PLAN, ROLES = SAMPLES / "surveyed_court.dxf", SAMPLES / "surveyed_court_roles.toml"
CONTROL, NOZZLES = SAMPLES / "surveyed_court_control.csv", SAMPLES / "surveyed_court_nozzles.csv"


@pytest.fixture(scope="module")
def imported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("plan") / "out"
    result = run(
        "plan-import", PLAN, "--roles", ROLES, "--control", CONTROL, "--crs", "EPSG:32611",
        "--out", out,
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    assert "Control points" in result.stdout
    assert "RMS 6 mm (0.2 in)" in result.stdout
    return out


def test_plan_import_without_roles_writes_a_draft_that_can_be_read(tmp_path: Path) -> None:
    draft = tmp_path / "draft"
    result = run("plan-import", PLAN, "--out", draft, "--json")
    assert result.exit_code == 0, result.stderr
    contents = json.loads(result.stdout)
    assert {block["block"] for block in contents["blocks"]} == {"SPRINKLER"}
    again = run(
        "plan-import", PLAN, "--roles", draft / "roles.toml", "--control", CONTROL,
        "--crs", "EPSG:32611", "--out", tmp_path / "out", "--quiet",
    )  # fmt: skip
    assert again.exit_code == 0, again.stderr
    assert again.stdout == ""
    assert set(pyogrio.list_layers(tmp_path / "out" / "SITE.gpkg")[:, 0]) >= {"heads", "turf"}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--roles", ROLES), "--control and --crs must be given with --roles"),
        (("--roles", ROLES, "--control", CONTROL), "--crs must be given with --roles"),
        (("--control", CONTROL), "need --roles"),
    ],
)
def test_plan_import_half_of_the_options_is_told(
    tmp_path: Path, options: tuple[object, ...], words: str
) -> None:
    result = run("plan-import", PLAN, *options, "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert words in result.stderr
    assert not (tmp_path / "out").exists()


def test_plan_import_analyze_and_plan_export_end_on_the_plan(
    imported: Path, tmp_path: Path
) -> None:
    analysed = run(
        "analyze", imported / "SITE.gpkg", "--nozzles", NOZZLES, "--out", tmp_path / "results",
        "--quiet",
    )  # fmt: skip
    assert analysed.exit_code == 0, analysed.stderr
    out = tmp_path / "drawn"
    result = run(
        "plan-export", tmp_path / "results", "--plan-transform", imported / "summary.json",
        "--out", out, "--json",
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    counts = {layer["layer"]: layer["count"] for layer in json.loads(result.stdout)["layers"]}
    assert counts["GEOIRRIG_HEAD_RESULTS"] == 22
    drawn = pyogrio.read_dataframe(out / "plan_results.dxf")
    property_line = pyogrio.read_dataframe(PLAN).query("Layer == 'PROPERTY'").total_bounds
    west, south, east, north = drawn.query("Layer == 'GEOIRRIG_HEAD_RESULTS'").total_bounds
    assert property_line[0] < west < east < property_line[2]
    assert property_line[1] < south < north < property_line[3]


def test_plan_export_of_a_folder_without_results_is_told(imported: Path, tmp_path: Path) -> None:
    result = run(
        "plan-export", tmp_path, "--plan-transform", imported / "summary.json",
        "--out", tmp_path / "out",
    )  # fmt: skip
    assert result.exit_code == 2
    assert "Give the folder that analyze or optimize wrote" in result.stderr


def test_optimize_of_a_plan_within_a_supply_far_out_of_reach_names_the_limit(
    imported: Path, tmp_path: Path
) -> None:
    """Of the court's 11 heads a zone, no nozzle takes so little."""
    result = run(
        "optimize", imported / "SITE.gpkg", "--nozzles", NOZZLES, "--supply-lpm", 1,
        "--seconds", 2, "--out", tmp_path / "out",
    )  # fmt: skip
    assert result.exit_code == 2, result.stderr
    for zone in "12":
        assert f"Zone '{zone}': no choice from the nozzle table keeps all limits" in result.stderr
    assert "flow of the zone" in result.stderr


def test_plan_import_prints_no_minus_before_a_rotation_of_nothing(
    capsys: pytest.CaptureFixture[str],
) -> None:
    summary = {
        "points": [], "rms_m": 0.0, "metres_per_plan_unit": 1.0, "rotation_deg": -1e-9,
        "layers": [], "cautions": [],
    }  # fmt: skip
    print_plan_import(summary, units="si")
    assert "turned clockwise by 0.0000°" in capsys.readouterr().out


def test_plan_export_with_a_crs_that_would_not_count_is_told(
    imported: Path, tmp_path: Path
) -> None:
    result = run(
        "plan-export", imported, "--plan-transform", imported / "summary.json",
        "--crs", "EPSG:32612", "--out", tmp_path / "out",
    )  # fmt: skip
    assert result.exit_code == 2
    assert "'summary.json' states its CRS itself. Leave --crs out." in result.stderr
