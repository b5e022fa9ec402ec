"""The plugin's archive, its table of commands and the JSON lines that it reads."""

from __future__ import annotations

import ast
import json
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest
import typer

from geoirrig import __version__
from geoirrig.cli import COMMANDS, app
from geoirrig.cli.messages import speak_json_lines
from geoirrig.cli.option_groups import LAYER_ROLES, OutputChoice
from geoirrig.cli.viewer import command_table
from geoirrig.io.write_plugin import PLUGIN_FILE, PLUGIN_FOLDER
from geoirrig.qgis_plugin.child import ChildRefusedError, ChildStoppedError, run_command
from tests.run_command import refusal, run, run_program

SAMPLES = Path(__file__).parents[1] / "sample_gis"
FOUR_HEADS = SAMPLES / "four_heads.gpkg"


@pytest.fixture(scope="module")
def plugin(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plugin")
    result = run("plugin-package", "--out", folder)
    assert (result.exit_code, result.stdout) == (0, f"The plugin is {folder / PLUGIN_FILE}\n")
    with zipfile.ZipFile(folder / PLUGIN_FILE) as archive:
        archive.extractall(folder)
    return folder / PLUGIN_FOLDER


# --- the archive ---------------------------------------------------------------------------------


def test_plugin_package_has_what_a_plugin_manager_asks_for(plugin: Path) -> None:
    stated = dict(
        line.split("=", 1)
        for line in (plugin / "metadata.txt").read_text(encoding="utf-8").splitlines()
        if "=" in line
    )
    assert stated["version"] == __version__
    assert stated["hasProcessingProvider"] == "yes"
    assert {"name", "description", "about", "author", "email", "qgisMinimumVersion"} <= set(stated)
    assert "def classFactory(iface)" in (plugin / "__init__.py").read_text(encoding="utf-8")


def test_plugin_package_imports_the_viewer_and_the_standard_library_only(plugin: Path) -> None:
    allowed = {*sys.stdlib_module_names, "qgis", "processing"}
    for path in plugin.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module or ""]
            else:
                continue
            assert {name.partition(".")[0] for name in names} <= allowed, path.name


def test_plugin_package_twice_is_the_same_bytes_and_needs_overwrite(tmp_path: Path) -> None:
    run("plugin-package", "--out", tmp_path)
    first = (tmp_path / PLUGIN_FILE).read_bytes()
    again = run("plugin-package", "--out", tmp_path)
    assert again.exit_code == 2
    assert "already holds results (geoirrig_viewer.zip). Add --overwrite" in again.stderr
    assert run("plugin-package", "--out", tmp_path, "--overwrite").exit_code == 0
    assert (tmp_path / PLUGIN_FILE).read_bytes() == first


# --- the table of commands -----------------------------------------------------------------------


def test_command_table_has_every_option_of_the_command_line() -> None:
    # The command line as its own parser knows it, by way of which it also prints its help.
    parsers: Any = typer.main.get_command(app)
    answered = {"--json", "--json-lines", "--quiet", "--help"}
    for command in command_table(COMMANDS):
        known = {
            option: parameter
            for parameter in parsers.commands[command["name"]].params
            for option in parameter.opts
            if option.startswith("--") and option not in answered
        }
        offered = {p["option"]: p for p in command["parameters"] if p["option"]}
        layers = {p["layer_option"] for p in command["parameters"]} - {None}
        assert set(offered) | layers == set(known), command["name"]
        for option, entry in offered.items():
            assert entry["required"] == known[option].required
            assert entry["help"] == known[option].help
        arguments = [p for p in command["parameters"] if p["option"] is None]
        assert len(arguments) == (command["name"] != "demo")
        names = [p["name"] for p in command["parameters"]]
        assert len(set(names)) == len(names)


def test_command_table_kinds_follow_from_the_types() -> None:
    tables = {command["name"]: command["parameters"] for command in command_table(COMMANDS)}
    analyze = {entry["name"]: entry for entry in tables["analyze"]}
    assert all(analyze[role.upper()]["kind"] == "vector" for role in LAYER_ROLES)
    assert analyze["HEADS"]["geometry"] == "point"
    assert (analyze["RULES"]["kind"], analyze["RULES"]["multiple"]) == ("text", True)
    assert analyze["UNITS"]["choices"] == ["si", "us"]
    assert (analyze["CELL"]["kind"], analyze["CELL"]["default"]) == ("number", None)
    assert (analyze["EVENT_DEPTH_MM"]["title"], analyze["EVENT_DEPTH_MM"]["advanced"]) == (
        "Event depth [mm]",
        True,
    )
    assert analyze["OUT"]["kind"] == "results"
    ranked = {entry["name"]: entry for entry in tables["rank"]}
    assert (ranked["REALISATIONS"]["kind"], ranked["REALISATIONS"]["default"]) == ("integer", 200)
    compared = {entry["name"]: entry for entry in tables["compare"]}
    assert compared["NOZZLE_SET"]["kind"] == "file"
    assert compared["NOZZLE_SET"]["multiple"]
    assert compared["NOZZLE_SET"]["extension"] == "csv"
    imported = {entry["name"]: entry for entry in tables["plan-import"]}
    assert imported["CRS"]["kind"] == "crs"
    exported = {entry["name"]: entry for entry in tables["plan-export"]}
    assert exported["RESULTS"]["kind"] == "folder"


# --- JSON lines ----------------------------------------------------------------------------------


def test_json_lines_are_steps_and_then_the_summary(tmp_path: Path) -> None:
    out = tmp_path / "out"
    result = run("analyze", FOUR_HEADS, "--cell", 1, "--out", out, "--json-lines")
    assert (result.exit_code, result.stderr) == (0, "")
    *steps, last = [json.loads(line) for line in result.stdout.splitlines()]
    assert steps[0] == {"message": "Reading and checking the inputs", "progress": None}
    assert all(set(step) == {"message", "progress"} for step in steps)
    assert last["result"] == json.loads((out / "summary.json").read_text(encoding="utf-8"))


def test_json_lines_problems_come_all_at_once_with_exit_2(tmp_path: Path) -> None:
    arguments = ("analyze", tmp_path / "no.gpkg", "--slope", tmp_path / "no.tif")
    result = run(*arguments, "--out", tmp_path / "out", "--json-lines")
    assert (result.exit_code, result.stderr) == (2, "")
    problems = json.loads(result.stdout.splitlines()[-1])["problems"]
    plain = refusal(run(*arguments, "--out", tmp_path / "out"), tmp_path / "out")
    assert problems
    assert all(problem in plain for problem in problems)


def test_json_lines_validate_tells_its_counts() -> None:
    (line,) = run("validate", FOUR_HEADS, "--json-lines").stdout.splitlines()
    assert json.loads(line)["result"]["head_count"] == 4


def test_json_lines_of_one_run_do_not_stay_for_the_next(tmp_path: Path) -> None:
    run("validate", FOUR_HEADS, "--json-lines")
    assert run("validate", FOUR_HEADS).stdout.startswith("No problems found: 4 heads")
    assert run("validate", tmp_path / "no.gpkg").stdout == ""


def test_json_lines_steps_arrive_while_libraries_are_silenced(tmp_path: Path) -> None:
    nozzles = SAMPLES / "surveyed_court_nozzles.csv"
    done = run_program(
        "optimize", FOUR_HEADS, "--nozzles", nozzles, "--cell", 1, "--out", tmp_path / "out",
        "--json-lines",
    )  # fmt: skip
    assert done.returncode == 0
    lines = [json.loads(line) for line in done.stdout.splitlines()]  # and nothing else
    told = [line["message"] for line in lines if "message" in line]
    assert any("zone" in step.lower() for step in told[1:-2])
    assert "result" in lines[-1]


def test_json_lines_tell_the_share_where_it_is_known(capsys: pytest.CaptureFixture[str]) -> None:
    speak_json_lines(True)
    try:
        OutputChoice(out=Path()).progress("Worked 1 of 4 parcels", 0.25)
    finally:
        speak_json_lines(False)
    assert json.loads(capsys.readouterr().out) == {
        "message": "Worked 1 of 4 parcels",
        "progress": 0.25,
    }


# --- the child, without a viewer -----------------------------------------------------------------


def told_by(*arguments: object, python: str = sys.executable, version: str = __version__) -> Any:
    steps: list[tuple[str, float | None]] = []
    summary, said = run_command(
        python,
        version,
        [str(argument) for argument in arguments],
        tell=lambda step, share: steps.append((step, share)),
        is_cancelled=lambda: False,
    )
    return summary, said, steps


def test_run_command_gives_summary_and_steps(tmp_path: Path) -> None:
    summary, said, steps = told_by(
        "analyze", FOUR_HEADS, "--cell=1", f"--out={tmp_path / 'out'}", "--json-lines"
    )
    assert summary["version"] == __version__
    assert said == []
    assert ("Drawing maps", None) in steps


def test_run_command_problems_are_raised_together(tmp_path: Path) -> None:
    with pytest.raises(ChildRefusedError) as caught:
        told_by("validate", tmp_path / "a.gpkg", "--json-lines")
    assert caught.value.problems == (
        f"{str(tmp_path / 'a.gpkg')!r} does not exist. Check the path.",
    )


def test_run_command_wrong_option_is_told_as_the_parser_tells_it() -> None:
    with pytest.raises(ChildRefusedError, match="No such option: --no-such"):
        told_by("validate", FOUR_HEADS, "--no-such", "--json-lines")


def test_run_command_folder_as_python_is_told(tmp_path: Path) -> None:
    with pytest.raises(ChildRefusedError, match="cannot be run as Python: Permission denied"):
        told_by("validate", python=str(tmp_path))


def test_run_command_missing_part_of_the_package_is_named(tmp_path: Path) -> None:
    # A Python that has the package but not what it needs: its own folders are taken away.
    bare = tmp_path / "python"
    bare.write_text(
        f'#!/bin/sh\ncode="$2"; shift 2\nexec {sys.executable} -S -c "import sys; '
        f"sys.path.append('{Path(__file__).parents[1]}'); code = sys.argv.pop(1); exec(code)\" "
        '"$code" "$@"\n',
        encoding="utf-8",
    )
    bare.chmod(0o755)
    with pytest.raises(ChildRefusedError, match=r"lacks the package '\w+'\. Install geoirrig"):
        told_by("validate", FOUR_HEADS, python=str(bare))


def test_run_command_stopped_ends_the_child_and_its_files(tmp_path: Path) -> None:
    with pytest.raises(ChildStoppedError, match="no half-written results are left"):
        run_command(
            sys.executable,
            __version__,
            [
                "analyze", str(SAMPLES / "hillside_site.gpkg"), "--cell=0.1", "--json-lines",
                f"--slope={SAMPLES / 'hillside_slope_pct.tif'}", f"--out={tmp_path / 'out'}",
            ],
            tell=lambda step, share: None,
            is_cancelled=lambda: any(tmp_path.iterdir()),  # half-written results are there
        )  # fmt: skip
    assert list(tmp_path.iterdir()) == []
