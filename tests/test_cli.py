"""The command line: exit codes, streams, options, and that a stopped run leaves nothing."""

from __future__ import annotations

import importlib.metadata
import json
import os
import signal
import subprocess
import sys
from enum import StrEnum
from pathlib import Path
from typing import get_args

import pyogrio
import pytest
import shapely
import typer

from geoirrig import __version__
from geoirrig.cli import app
from geoirrig.cli.climate_options import (
    AllowanceOption,
    EffectiveRainOption,
    EvapotranspirationOption,
    RunTimeOption,
)
from geoirrig.cli.messages import EXIT_STOPPED, STOPPED
from geoirrig.cli.option_groups import LAYER_ROLES, RunoffModelOption, SlopeMethodOption
from geoirrig.cli.planner import CITY_ENVIRONMENT
from geoirrig.climate.reference_evapotranspiration import EvapotranspirationMethod
from geoirrig.io.output_folder import RESULT_NAMES
from geoirrig.physics.effective_rain import EFFECTIVE_RAIN_METHODS
from geoirrig.physics.terrain_slope import SlopeMethod
from geoirrig.physics.water_allowance import ADJUSTMENT_FACTORS
from geoirrig.records import RunoffModel
from geoirrig.units import LITRES_PER_US_GALLON, METRES_PER_FOOT, MM_PER_INCH
from geoirrig.workflows.schedule_options import RUN_TIME_METHODS
from tests.io import site_builder as build
from tests.run_command import refusal, run, run_program

SAMPLES = Path(__file__).parents[1] / "sample_gis"
FOUR_HEADS = SAMPLES / "four_heads.gpkg"
RASTERS = (
    "precipitation_rate_mm_h", "applied_depth_mm", "heads_reaching", "slope_pct",
    "minutes_to_runoff", "runoff_depth_mm", "runoff_probability",
)  # fmt: skip
MAPS = ("map_precipitation", "map_coverage", "map_runoff_risk")


@pytest.fixture
def good_site(tmp_path: Path) -> Path:
    return build.write_site(tmp_path / "site.gpkg", build.good_layers())


@pytest.fixture
def bad_site(tmp_path: Path) -> Path:
    turf = build.turf(soil_texture=["lome"])
    return build.write_site(tmp_path / "site.gpkg", build.good_layers(turf=turf))


# --- help and version ----------------------------------------------------------------------------


def test_version_prints_the_version_alone() -> None:
    result = run("--version")
    assert (result.exit_code, result.stdout, result.stderr) == (0, f"{__version__}\n", "")


def test_version_is_that_of_the_installed_package() -> None:
    assert __version__ == importlib.metadata.version("geoirrig")


def test_help_lists_the_commands() -> None:
    result = run("--help")
    assert result.exit_code == 0
    for command in ("validate", "analyze", "demo"):
        assert command in result.stdout


@pytest.mark.parametrize("command", ["validate", "analyze", "demo"])
def test_help_of_each_command_is_there(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert "Usage:" in result.stdout


def test_import_of_the_command_line_is_light() -> None:
    heavy = ("numba", "geopandas", "rasterio", "matplotlib", "pyogrio", "scipy", "numpy")
    code = f"import sys, geoirrig.cli; print([m for m in {heavy!r} if m in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_program_does_not_search_what_libraries_made_for_cycles() -> None:
    code = "import gc\nfrom geoirrig.cli import main\ntry: main()\nfinally: print(gc.isenabled())"
    command = [sys.executable, "-c", code, "--version"]
    found = subprocess.run(command, capture_output=True, text=True, check=True)
    assert found.stdout.split() == [__version__, "False"]


# --- exit codes and streams ----------------------------------------------------------------------


def test_validate_good_site_exits_0_and_counts(good_site: Path) -> None:
    result = run("validate", good_site)
    assert result.exit_code == 0
    assert result.stderr == ""
    assert result.stdout == "No problems found: 4 heads in 1 zone, 1 turf polygon of 36 m².\n"


def test_validate_json_is_json_alone(good_site: Path) -> None:
    result = run("validate", good_site, "--json")
    counts = json.loads(result.stdout)
    assert counts["head_count"] == 4
    assert counts["turf_area_m2"] == 36.0
    assert counts["problems"] == []


def test_validate_quiet_prints_nothing(good_site: Path) -> None:
    result = run("validate", good_site, "--quiet")
    assert (result.exit_code, result.output) == (0, "")


def test_validate_quiet_still_prints_problems(bad_site: Path) -> None:
    result = run("validate", bad_site, "--quiet")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "1 problem in the input; nothing was written." in result.stderr
    assert "soil_texture must be one of" in result.stderr


def test_analyze_bad_input_exits_2_and_writes_nothing(bad_site: Path, tmp_path: Path) -> None:
    out = tmp_path / "a" / "b"
    text = refusal(run("analyze", bad_site, "--out", out), out)
    assert "geoirrig: 1 problem in the input; nothing was written." in text
    assert not (tmp_path / "a").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["analyze"], "Missing option '--out'"),
        (["analyze", "x.gpkg", "--out", "o", "--cell", "fine"], "Invalid value for '--cell'"),
        (["analyze", "x.gpkg", "--out", "o", "--runoff-model", "magic"], "'magic' is not one of"),
        (["analyze", "x.gpkg", "--out", "o", "--units", "uk"], "'uk' is not one of"),
        (["validate", "x.gpkg", "--slope-unit", "grads"], "'grads' is not one of"),
        (["validate", "--no-such-option"], "No such option"),
        (["irrigate"], "No such command"),
        (["validate", "x.gpkg", "--heads-layer", "h"], "--heads-layer was given without --heads."),
    ],
)
def test_wrong_command_line_exits_2(arguments: list[str], words: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    shown = " ".join(result.stderr.replace("│", " ").split())  # the frame breaks lines
    assert words in shown


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--cell", "0", "--cell: cell_size_m must be a number from 0.01 to 100; got 0.0"),
        ("--cell", "nan", "--cell: cell_size_m must be a number from 0.01 to 100; got nan"),
        ("--cell", "-1", "got -1.0"),
        ("--event-depth-mm", "0", "--event-depth-mm: event_depth_mm must be a number above 0"),
        ("--event-depth-mm", "inf", "event_depth_mm must be a number above 0 and at most 500"),
    ],
)
def test_option_out_of_range_is_refused(
    good_site: Path, tmp_path: Path, option: str, value: str, words: str
) -> None:
    out = tmp_path / "out"
    assert words in refusal(run("analyze", good_site, option, value, "--out", out), out)


def test_option_of_one_value_given_twice_is_refused_by_every_command() -> None:
    refused = set()
    for command, parts in typer.main.get_command(app).commands.items():  # type: ignore[attr-defined]
        for option in parts.params:
            if option.param_type_name != "option" or option.is_flag or option.multiple:
                continue
            name = option.opts[0]
            result = run(command, name, "a", name, "b", "--quiet")
            assert result.exit_code == 2
            assert f"{name} was given twice, but takes one value. Give it once." in result.stderr
            refused.add((command, name))
    layers = {f"--{role.replace('_', '-')}" for role in LAYER_ROLES}
    assert {(command, name) for command in ("validate", "screen") for name in layers} <= refused
    assert ("screen", "--out") in refused


def test_options_given_twice_are_told_together_and_counted(tmp_path: Path) -> None:
    text = refusal(
        run("analyze", "--turf", "a", "--slope=b", "--turf", "c", "--turf", "d", "--slope", "e"),
        tmp_path / "out",
    )
    assert "2 problems" in text
    assert "--turf was given 3 times, but takes one value." in text
    assert "--slope was given twice" in text


def test_options_that_may_be_repeated_and_flags_are_not_refused(good_site: Path) -> None:
    assert run("validate", good_site, "--json", "--json").exit_code == 0
    result = run("analyze", good_site, "--rules", "a", "--rules", "b", "--out", "unused")
    assert "Rule set 'b' is not built in" in result.stderr


def test_settings_file_faults_come_out_together(good_site: Path, tmp_path: Path) -> None:
    settings = tmp_path / "settings.toml"
    settings.write_text("dry_spot_ratio = 2.0\nrunof_model = 'green_ampt'\n", encoding="utf-8")
    out = tmp_path / "out"
    text = refusal(run("analyze", good_site, "--settings", settings, "--out", out), out)
    assert "2 problems in the input" in text
    assert "dry_spot_ratio" in text
    assert "'runof_model'" in text


def test_site_too_large_for_its_cells_is_refused(tmp_path: Path) -> None:
    # A lawn of 600 m × 600 m in cells of 1 cm: 60,000 each way.
    lawn = build.turf([shapely.box(build.X0, build.Y0, build.X0 + 600, build.Y0 + 600)])
    site = build.write_site(tmp_path / "site.gpkg", build.good_layers(turf=lawn))
    out = tmp_path / "out"
    text = refusal(run("analyze", site, "--cell", "0.01", "--out", out), out)
    assert "at most 40,000,000 fit. Choose larger cells (--cell) or split the site." in text


def test_unknown_fault_exits_1_without_traceback(
    good_site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("an odd fault")

    monkeypatch.setattr("geoirrig.workflows.analyze_site.lay_out_water", fail)
    out = tmp_path / "out"
    result = run("analyze", good_site, "--out", out)
    assert result.exit_code == 1
    assert "a fault of the program: ZeroDivisionError: an odd fault" in result.stderr
    assert "GEOIRRIG_TRACEBACK=1" in result.stderr
    assert not out.exists()


def test_fault_while_writing_leaves_nothing(
    good_site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("an odd fault")

    monkeypatch.setattr("geoirrig.workflows.export_analysis.draw_maps", fail)
    result = run("analyze", good_site, "--cell", "1", "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert [path.name for path in tmp_path.iterdir()] == ["site.gpkg"]


def test_reader_that_hangs_up_is_no_fault_of_the_program(
    good_site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def hang_up(*_: object, **__: object) -> None:
        raise BrokenPipeError(32, "Broken pipe")

    monkeypatch.setattr("geoirrig.io.write_summary.summary_text", hang_up)
    result = run("validate", good_site, "--json")
    assert "fault" not in result.stderr


# --- the results of one run ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("option", "known"),
    [
        (EffectiveRainOption, set(EFFECTIVE_RAIN_METHODS)),
        (EvapotranspirationOption, set(get_args(EvapotranspirationMethod))),
        (RunTimeOption, set(RUN_TIME_METHODS)),
        (AllowanceOption, set(ADJUSTMENT_FACTORS)),
        (RunoffModelOption, set(get_args(RunoffModel))),
        (SlopeMethodOption, set(get_args(SlopeMethod))),
    ],
)
def test_choices_of_an_option_are_those_of_the_program(
    option: type[StrEnum], known: set[str]
) -> None:
    # Stated twice, so that --help need not import the sciences.
    assert {choice.value for choice in option} == known


@pytest.fixture(scope="module")
def us_run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, object]:
    out = tmp_path_factory.mktemp("us") / "deep" / "results"
    return out, run("analyze", FOUR_HEADS, "--units", "us", "--out", out, "--json")


def test_analyze_writes_every_file_of_the_contract(us_run: tuple[Path, object]) -> None:
    out, _ = us_run
    names = {path.name for path in out.iterdir()}
    assert names >= {"results.gpkg", "summary.json"}
    assert names >= {f"{name}.tif" for name in RASTERS}
    assert names >= {f"{name}.png" for name in MAPS}
    assert {name for name in names if not name.endswith(".qml")} <= set(RESULT_NAMES)
    assert [path.name for path in out.parent.iterdir()] == ["results"]


def test_analyze_json_is_the_summary_on_stdout_alone(us_run: tuple[Path, object]) -> None:
    out, result = us_run
    assert result.exit_code == 0  # type: ignore[attr-defined]
    printed = json.loads(result.stdout)  # type: ignore[attr-defined]
    assert printed == json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert {
        "version", "inputs", "options", "totals", "turf", "zones", "warnings", "cautions",
    } <= set(printed)  # fmt: skip
    assert printed["options"]["units"] == "us"
    assert "Drawing maps" in result.stderr  # type: ignore[attr-defined]


def test_analyze_us_units_convert_summary_and_layers(us_run: tuple[Path, object]) -> None:
    # 36 m², 6 L/min, 10 mm/h, 12.7 mm = 0.5 in, 457.2 L: four_heads_answers.md
    out, _ = us_run
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert summary["totals"]["turf_area_ft2"] == pytest.approx(36.0 / METRES_PER_FOOT**2)
    assert summary["totals"]["flow_gpm"] == pytest.approx(6.0 / LITRES_PER_US_GALLON)
    assert summary["totals"]["applied_gal"] == pytest.approx(457.2 / LITRES_PER_US_GALLON)
    (zone,), (turf,) = summary["zones"], summary["turf"]
    assert zone["zone"]
    assert zone["mean_rate_in_h"] == pytest.approx(10.0 / MM_PER_INCH, rel=1e-6)
    assert zone["run_minutes"] == pytest.approx(76.2, rel=1e-6)
    assert turf["mean_depth_in"] == pytest.approx(0.5, rel=1e-6)
    layer = pyogrio.read_dataframe(out / "results.gpkg", layer="turf_results")
    assert layer["mean_depth_in"][0] == pytest.approx(0.5, rel=1e-6)
    assert not [name for name in layer.columns if name.endswith(("_m2", "_mm", "_mm_h", "_l"))]
    assert layer["slope_pct"][0] == 10.0  # carried through


def test_analyze_existing_results_are_refused_unless_overwritten(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "summary.json").write_text("old", encoding="utf-8")
    (out / "notes.txt").write_text("mine", encoding="utf-8")
    result = run("analyze", FOUR_HEADS, "--cell", "1", "--out", out)
    assert result.exit_code == 2
    assert "already holds results (summary.json). Add --overwrite to replace them" in result.stderr
    assert {path.name for path in out.iterdir()} == {"summary.json", "notes.txt"}

    result = run("analyze", FOUR_HEADS, "--cell", "1", "--out", out, "--overwrite", "--quiet")
    assert (result.exit_code, result.output) == (0, "")
    assert json.loads((out / "summary.json").read_text(encoding="utf-8"))["cell_size_m"] == 1.0
    assert (out / "notes.txt").read_text(encoding="utf-8") == "mine"


def test_analyze_out_that_is_a_file_is_refused(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.write_text("mine", encoding="utf-8")
    result = run("analyze", FOUR_HEADS, "--out", out)
    assert result.exit_code == 2
    assert "is a file, not a folder" in result.stderr
    assert out.read_text(encoding="utf-8") == "mine"


def test_demo_without_its_sample_says_where_it_belongs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("geoirrig.cli.main_job.SAMPLE_FOLDER", tmp_path)
    out = tmp_path / "out"
    assert "The sample site is not at" in refusal(run("demo", "--out", out), out)


# --- as a program of its own ---------------------------------------------------------------------


def test_program_under_hostile_gis_variables_runs(good_site: Path, tmp_path: Path) -> None:
    folder = tmp_path / "other_installation"
    folder.mkdir()
    (folder / "proj.db").write_bytes(b"not a database")
    hostile = dict.fromkeys(("PROJ_DATA", "PROJ_LIB", "GDAL_DATA", "GDAL_DRIVER_PATH"), str(folder))
    result = run_program("validate", good_site, "--json", environment=hostile)
    assert result.returncode == 0, result.stderr
    assert json.loads(result.stdout)["crs"] == "WGS 84 / UTM zone 11N"


def test_program_refusal_goes_to_stderr_with_exit_2(bad_site: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    result = run_program("analyze", bad_site, "--out", out)
    assert (result.returncode, result.stdout) == (2, "")
    assert "soil_texture must be one of" in result.stderr
    assert "Traceback" not in result.stderr
    assert not out.exists()


def test_screen_climate_at_fault_is_not_asked_for_again(tmp_path: Path) -> None:
    result = run(
        "screen", SAMPLES / "hill_quarter_site.gpkg", "--programme",
        SAMPLES / "hill_quarter_programme.toml", "--climate", SAMPLES / "hillside_climate.csv",
        "--out", tmp_path / "out",
    )  # fmt: skip
    assert result.exit_code == 2
    assert "Give --latitude" in result.stderr
    assert "What the plants need" not in result.stderr


@pytest.mark.parametrize("step", ["Writing layers", "Drawing maps"])
def test_program_stopped_in_mid_run_leaves_nothing(tmp_path: Path, step: str) -> None:
    out = tmp_path / "out"
    command = [sys.executable, "-m", "geoirrig", "analyze", str(SAMPLES / "hillside_site.gpkg")]
    command += ["--slope", str(SAMPLES / "hillside_slope_pct.tif"), "--out", str(out)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, encoding="utf-8") as process:
        assert process.stderr is not None
        for line in process.stderr:
            if line.startswith(step):
                break
        process.send_signal(signal.SIGTERM)
        rest = process.stderr.read()
        code = process.wait(timeout=60)
    assert code == 130
    assert "geoirrig: stopped; no half-written results are left." in rest
    assert "Traceback" not in rest
    assert list(tmp_path.iterdir()) == []


SCREEN_OF_NOTHING = """
import os, sys
from geoirrig.cli import main
from geoirrig.cli.planner import CITY_ENVIRONMENT
class Noting:
    def find_spec(self, name, *_):
        if name == "numpy":
            print([os.environ.get(name) for name in CITY_ENVIRONMENT])
sys.meta_path.insert(0, Noting())
sys.argv = ["geoirrig", "screen", "gone.gpkg", "--programme", "gone.toml", "--out", "out"]
main()
"""


@pytest.mark.parametrize("stated", [{}, {"OPENBLAS_NUM_THREADS": "3"}])
def test_screen_tells_libraries_before_they_are_loaded_what_the_user_did_not(
    stated: dict[str, str],
) -> None:
    free = {k: v for k, v in os.environ.items() if k not in CITY_ENVIRONMENT}
    found = subprocess.run(
        [sys.executable, "-c", SCREEN_OF_NOTHING],
        capture_output=True, encoding="utf-8", env={**free, **stated},
    )  # fmt: skip
    assert found.returncode == 2
    assert found.stdout.strip() == str([*{**CITY_ENVIRONMENT, **stated}.values()])


STOPPED_IN_A_FINALISER = """
import os, signal, time
import geoirrig.cli
class Held:
    def __del__(self):
        os.kill(os.getpid(), signal.{name})
        time.sleep(0.001)
def app():
    Held()
    time.sleep(60.0)
geoirrig.cli.app = app
geoirrig.cli.main()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals between processes")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_program_stopped_where_python_can_raise_nothing_stops(name: str) -> None:
    found = subprocess.run(
        [sys.executable, "-c", STOPPED_IN_A_FINALISER.format(name=name)],
        capture_output=True, encoding="utf-8", timeout=30,
    )  # fmt: skip
    assert (found.returncode, found.stderr.strip()) == (EXIT_STOPPED, STOPPED)


def test_app_has_no_shell_completion_options() -> None:
    assert not app._add_completion
