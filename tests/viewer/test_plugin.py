"""The plugin in the viewer's headless runner: found, run, stopped, and given bad input."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
import time
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pyogrio
import pytest

from geoirrig import __version__
from geoirrig.cli import COMMANDS
from geoirrig.io.write_plugin import PLUGIN_FOLDER
from tests.run_command import run
from tests.viewer.headless import HeadlessRunner, require_bindings, run_in_viewer

SAMPLES = Path(__file__).parents[2] / "sample_gis"
HILLSIDE = SAMPLES / "hillside_site.gpkg"
SLOPE = SAMPLES / "hillside_slope_pct.tif"
FOUR_HEADS = SAMPLES / "four_heads.gpkg"


@pytest.fixture(scope="module")
def runner(tmp_path_factory: pytest.TempPathFactory) -> HeadlessRunner:
    return HeadlessRunner.with_plugin(tmp_path_factory.mktemp("runner"))


def test_plugin_every_command_is_listed_as_an_algorithm(runner: HeadlessRunner) -> None:
    listed = json.loads(runner.call("--json", "list").stdout)["providers"]["geoirrig"]
    assert set(listed["algorithms"]) == {f"geoirrig:{command.__name__}" for command in COMMANDS}


def test_plugin_parameters_are_typed_and_helped(runner: HeadlessRunner) -> None:
    told = json.loads(runner.call("--json", "help", "geoirrig:analyze").stdout)["parameters"]
    kinds = {name: parameter["type"]["id"] for name, parameter in told.items()}
    assert kinds["SITE"] == "file"
    assert kinds["HEADS"] == kinds["TURF"] == "vector"
    assert kinds["SLOPE"] == "raster"
    assert kinds["CELL"] == "number"
    assert kinds["RUNOFF_MODEL"] == "enum"
    assert kinds["RUN_ON"] == "boolean"
    assert kinds["OUT"] == "folderDestination"
    assert not told["OUT"]["optional"]
    assert told["SITE"]["optional"]


def test_plugin_run_writes_what_the_command_writes(runner: HeadlessRunner, tmp_path: Path) -> None:
    results = runner.algorithm("analyze", SITE=HILLSIDE, SLOPE=SLOPE, OUT=tmp_path / "by plugin")
    done = run("analyze", HILLSIDE, "--slope", SLOPE, "--out", tmp_path / "plain", "--quiet")
    assert done.exit_code == 0
    names = {path.name for path in (tmp_path / "by plugin").iterdir()}
    assert names == {path.name for path in (tmp_path / "plain").iterdir()}
    plain = json.loads((tmp_path / "plain" / "summary.json").read_text(encoding="utf-8"))
    assert json.loads(results["SUMMARY"]) == plain
    assert json.loads(Path(results["SUMMARY_FILE"]).read_text(encoding="utf-8")) == plain


def test_plugin_layers_of_the_viewer_reach_the_command(runner: HeadlessRunner) -> None:
    roles = ("heads", "turf", "nozzles", "profiles")
    layers = {role.upper(): f"{HILLSIDE}|layername={role}" for role in roles}
    counts = json.loads(runner.algorithm("validate", **layers, SLOPE=SLOPE)["SUMMARY"])
    assert counts["head_count"] == pyogrio.read_info(HILLSIDE, layer="heads")["features"]
    assert counts["turf_count"] == pyogrio.read_info(HILLSIDE, layer="turf")["features"]


def test_plugin_choices_numbers_and_several_files_reach_the_command(
    runner: HeadlessRunner, tmp_path: Path
) -> None:
    results = runner.algorithm(
        "compare",
        SITE=HILLSIDE,
        SLOPE=SLOPE,
        NOZZLE_SET=SAMPLES / "hillside_rotary.csv",
        CELL=1.0,
        UNITS="us",
        RUNOFF_MODEL="green_ampt",
        OUT=tmp_path / "out",
    )
    summary = json.loads(results["SUMMARY"])
    assert summary["cell_size_m"] == 1.0
    assert summary["options"]["units"] == "us"
    assert "green_ampt" in json.dumps(summary["options"])
    assert (tmp_path / "out" / "comparison.qgs").is_file()


def test_plugin_the_viewers_environment_does_not_reach_the_child(
    runner: HeadlessRunner, tmp_path: Path
) -> None:
    hostile = {"PROJ_DATA": "/usr/share/proj", "PYTHONPATH": "/usr/lib/python3/dist-packages"}
    results = runner.algorithm(
        "analyze", environment=hostile, SITE=FOUR_HEADS, CELL=1.0, OUT=tmp_path / "out"
    )
    assert json.loads(results["SUMMARY"])["version"] == __version__


# --- as the toolbox of the window runs it --------------------------------------------------------


def by_toolbox(runner: HeadlessRunner, out: Path, *, cancel_at: str = "") -> Any:
    require_bindings("qgis.core", "python3-qgis")
    plugins = runner.environment["QGIS_PLUGINPATH"]
    return run_in_viewer(
        Path(__file__).with_name("open_by_plugin.py"),
        Path(plugins).parent,
        *(plugins, FOUR_HEADS, out, cancel_at),
        GEOIRRIG_PYTHON=sys.executable,
    )


def test_plugin_results_are_opened_styled_in_the_order_of_the_project(
    runner: HeadlessRunner, tmp_path: Path
) -> None:
    facts = by_toolbox(runner, tmp_path / "out")
    assert facts["done"]
    assert facts["results"] == ["OUT", "SUMMARY", "SUMMARY_FILE"]
    tree = ET.parse(tmp_path / "out" / "results.qgs").getroot()
    nodes = list(tree.iter("layer-tree-layer"))
    assert [layer["name"] for layer in facts["layers"]] == [node.get("name") for node in nodes]
    assert [layer["shown"] for layer in facts["layers"]] == [
        node.get("checked") == "Qt::Checked" for node in nodes
    ]
    for layer in facts["layers"]:
        assert layer["title"] == layer["name"]
        assert layer["renderer"] not in ("singleSymbol", "singlebandgray"), layer["name"]


def test_plugin_cancelled_in_the_window_leaves_no_file(
    runner: HeadlessRunner, tmp_path: Path
) -> None:
    facts = by_toolbox(runner, tmp_path / "out", cancel_at="Writing layers")
    assert facts["steps"][-1] == "Writing layers and rasters"
    assert facts["files"] == []
    assert facts["layers"] == []


# --- stopped -------------------------------------------------------------------------------------


def test_plugin_stopped_half_way_leaves_no_file(runner: HeadlessRunner, tmp_path: Path) -> None:
    running = runner.begin("analyze", SITE=HILLSIDE, SLOPE=SLOPE, CELL=0.1, OUT=tmp_path / "out")
    while not any(tmp_path.iterdir()):  # the hidden folder of what is half-written
        assert running.poll() is None
        time.sleep(0.02)
    (partial,) = tmp_path.iterdir()
    assert ".partial-" in partial.name
    running.send_signal(signal.SIGINT)
    said, _ = running.communicate(timeout=60)
    assert "Stopped; no half-written results are left." in said
    assert list(tmp_path.iterdir()) == []


# --- bad input -----------------------------------------------------------------------------------


def test_plugin_input_error_names_the_row(runner: HeadlessRunner, tmp_path: Path) -> None:
    site = tmp_path / "site.gpkg"
    shutil.copy(FOUR_HEADS, site)
    heads = pyogrio.read_dataframe(site, layer="heads")
    heads.loc[1, "radius_m"] = -4.0
    pyogrio.write_dataframe(heads, site, layer="heads")
    said = runner.refusal("analyze", SITE=site, OUT=tmp_path / "out")
    assert f"got -4.0 for head_id {heads['head_id'][1]!r}" in said
    assert not (tmp_path / "out").exists()


def test_plugin_without_a_python_says_where_to_name_it(runner: HeadlessRunner) -> None:
    said = runner.refusal("validate", environment={"GEOIRRIG_PYTHON": ""}, SITE=FOUR_HEADS)
    assert "The Python that has geoirrig is not known. Name it under Settings, Options" in said


def test_plugin_interpreter_missing_is_told(runner: HeadlessRunner, tmp_path: Path) -> None:
    missing = tmp_path / "no" / "python"
    said = runner.refusal(
        "validate", environment={"GEOIRRIG_PYTHON": str(missing)}, SITE=FOUR_HEADS
    )
    assert f"{str(missing)!r} cannot be run as Python: No such file or directory. Name it" in said


def test_plugin_python_without_the_package_is_told(runner: HeadlessRunner) -> None:
    said = runner.refusal(
        "validate", environment={"GEOIRRIG_PYTHON": "/usr/bin/python3"}, SITE=FOUR_HEADS
    )
    assert f"lacks the package 'geoirrig'. Install geoirrig {__version__} with all that" in said


def test_plugin_of_another_version_is_told(runner: HeadlessRunner, tmp_path: Path) -> None:
    plugins = tmp_path / "plugins"
    shutil.copytree(runner.environment["QGIS_PLUGINPATH"], plugins)
    table = plugins / PLUGIN_FOLDER / "commands.json"
    told = json.loads(table.read_text(encoding="utf-8"))
    table.write_text(json.dumps({**told, "version": "9.9"}), encoding="utf-8")
    said = runner.refusal(
        "validate", environment={"QGIS_PLUGINPATH": str(plugins)}, SITE=FOUR_HEADS
    )
    assert f"has geoirrig {__version__}, and this plugin belongs to 9.9. Install the plugin" in said


def test_plugin_old_python_is_told(runner: HeadlessRunner, tmp_path: Path) -> None:
    # A Python that says of itself that it is 3.9: there is no real one at hand.
    old = tmp_path / "old python"
    old.write_text(
        f"#!{sys.executable}\n"
        "import sys\n"
        "sys.version_info = (3, 9, 2)\n"
        "code = sys.argv[2]\n"
        "sys.argv = ['-c', *sys.argv[3:]]\n"
        "exec(code)\n",
        encoding="utf-8",
    )
    old.chmod(0o755)
    said = runner.refusal("validate", environment={"GEOIRRIG_PYTHON": str(old)}, SITE=FOUR_HEADS)
    assert "is Python 3.9; geoirrig needs 3.11 or later. Choose another one under" in said


def test_plugin_something_that_is_no_python_is_told(runner: HeadlessRunner) -> None:
    said = runner.refusal(
        "validate", environment={"GEOIRRIG_PYTHON": shutil.which("true") or ""}, SITE=FOUR_HEADS
    )
    assert "ended with code 0 and said nothing. If it is not a Python, name another one" in said


def test_plugin_paths_with_spaces_and_other_letters(runner: HeadlessRunner, tmp_path: Path) -> None:
    folder = tmp_path / "Gärten am Fluß – 庭 園"
    folder.mkdir()
    site = folder / "vier Köpfe.gpkg"
    shutil.copy(FOUR_HEADS, site)
    python = folder / "Python 3"
    python.write_text(f'#!/bin/sh\nexec "{sys.executable}" "$@"\n', encoding="utf-8")
    python.chmod(0o755)
    results = runner.algorithm(
        "analyze",
        environment={"GEOIRRIG_PYTHON": str(python)},
        SITE=site,
        CELL=1.0,
        OUT=folder / "Ergebnis 1",
    )
    assert Path(results["OUT"]) == folder / "Ergebnis 1"
    assert (folder / "Ergebnis 1" / "results.qgs").is_file()


def test_plugin_folder_that_cannot_be_written_is_told(
    runner: HeadlessRunner, tmp_path: Path
) -> None:
    if os.geteuid() == 0:  # to root no folder is read-only, but nothing can be made in a file
        (tmp_path / "closed").write_text("", encoding="utf-8")
        expected = "cannot be made, since"
    else:
        (tmp_path / "closed").mkdir(mode=0o500)
        expected = "cannot be written"
    said = runner.refusal("analyze", SITE=FOUR_HEADS, OUT=tmp_path / "closed" / "out")
    assert expected in said
    assert "ame another folder" in said
