"""Settings."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from geoirrig.errors import ProblemList
from geoirrig.io.read_settings import CHOICES, RANGES, SWITCHES, read_settings
from geoirrig.records import AnalysisSettings


def settings(folder: Path, text: str) -> tuple[AnalysisSettings, ProblemList]:
    path = folder / "run.toml"
    path.write_text(text, encoding="utf-8")
    problems = ProblemList()
    return read_settings(path, {}, problems), problems


def test_read_settings_nothing_given_is_the_defaults() -> None:
    problems = ProblemList()
    assert read_settings(None, {"cell_size_m": None}, problems) == AnalysisSettings()
    assert problems == ProblemList()


def test_read_settings_command_line_prevails_over_the_file(tmp_path: Path) -> None:
    path = tmp_path / "run.toml"
    path.write_text("cell_size_m = 0.5\nevent_depth_mm = 20\n", encoding="utf-8")
    problems = ProblemList()
    found = read_settings(path, {"cell_size_m": 1.0, "runoff_model": "green_ampt"}, problems)
    assert problems == ProblemList()
    assert (found.cell_size_m, found.event_depth_mm) == (1.0, 20)
    assert found.runoff_model == "green_ampt"


@pytest.mark.parametrize(
    ("stated", "given", "is_told"),
    [("true", False, True), ("true", None, False), ("true", True, False), ("false", False, False)],
)
def test_read_settings_tells_of_run_on_that_the_command_does_not_follow(
    tmp_path: Path, stated: str, given: bool | None, is_told: bool
) -> None:
    path = tmp_path / "run.toml"
    path.write_text(f"run_on = {stated}\n", encoding="utf-8")
    problems = ProblemList()
    found = read_settings(path, {"run_on": given}, problems)
    assert found.run_on is (stated == "true" and given is not False)
    told = (
        "Settings file 'run.toml': run_on = true has no effect: this command does not follow "
        "excess water downhill. 'geoirrig analyze' does."
    )
    assert problems.warnings == [told] * is_told


def test_read_settings_supply_is_a_flow_above_nothing(tmp_path: Path) -> None:
    assert AnalysisSettings().supply_lpm is None
    assert settings(tmp_path, "supply_lpm = 45.0")[0].supply_lpm == 45.0
    for value in ("0", "-3.0", "nan", "true", "'45'"):
        found, problems = settings(tmp_path, f"supply_lpm = {value}")
        assert found.supply_lpm is None
        assert problems.problems[0].startswith(
            "Settings file 'run.toml': supply_lpm must be a number above 0 and at most 1e+06; got"
        )


def test_read_settings_empty_file_is_the_defaults(tmp_path: Path) -> None:
    found, problems = settings(tmp_path, "")
    assert found == AnalysisSettings()
    assert problems == ProblemList()


def test_read_settings_compaction_words_not_stated_keep_their_factor(tmp_path: Path) -> None:
    found, problems = settings(tmp_path, "[compaction_factor]\ntypical = 0.4\n")
    assert problems == ProblemList()
    assert found.compaction_factor == {"none": 1.0, "typical": 0.4, "trafficked": 0.2}


def test_read_settings_all_faults_come_out_together(tmp_path: Path) -> None:
    found, problems = settings(
        tmp_path,
        "cel_size_m = 0.5\nevent_depth_mm = -1\nrunoff_model = 'horton'\nstorage_cv = nan\n"
        "throw_follows_slope = 1\nflat_storage_mm = 'two'\n[compaction_factor]\nheavy = 0.1\n",
    )
    assert found == AnalysisSettings()
    assert problems.problems == [
        "Settings file 'run.toml': unknown setting 'cel_size_m'. The nearest known is "
        "'cell_size_m'.",
        "Settings file 'run.toml': event_depth_mm must be a number above 0 and at most 500; got "
        "-1.",
        "Settings file 'run.toml': runoff_model must be one of surface_storage, green_ampt; got "
        "'horton'.",
        "Settings file 'run.toml': storage_cv must be a number from 0 to 3; got nan.",
        "Settings file 'run.toml': throw_follows_slope must be true or false; got 1.",
        "Settings file 'run.toml': flat_storage_mm must be a number from 0 to 100; got 'two'.",
        "Settings file 'run.toml': compaction_factor has the unknown key 'heavy'.",
    ]


def test_read_settings_misspelt_choice_is_told_the_nearest(tmp_path: Path) -> None:
    found, problems = settings(
        tmp_path,
        "slope_method = 'horn_1891'\nflow_direction = 'steepest_neighbor'\n"
        "pit_fill_depth_mm = -1\n",
    )
    assert found == AnalysisSettings()
    assert problems.problems == [
        "Settings file 'run.toml': slope_method must be one of horn_1981, "
        "zevenbergen_thorne_1987; got 'horn_1891'. The nearest known is 'horn_1981'.",
        "Settings file 'run.toml': flow_direction must be one of tarboton_1997, "
        "steepest_neighbour; got 'steepest_neighbor'. The nearest known is 'steepest_neighbour'.",
        "Settings file 'run.toml': pit_fill_depth_mm must be a number from 0 to 10000; got -1.",
    ]


def test_read_settings_option_out_of_range_names_the_option() -> None:
    problems = ProblemList()
    read_settings(None, {"cell_size_m": 0.0, "event_depth_mm": True}, problems)
    assert problems.problems == [
        "--cell: cell_size_m must be a number from 0.01 to 100; got 0.0.",
        "--event-depth-mm: event_depth_mm must be a number above 0 and at most 500; got True.",
    ]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"cell_size_m = \n", "is not valid TOML"),
        (b"\xff\xfe", "is not valid TOML"),
    ],
)
def test_read_settings_no_toml_is_a_problem(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "run.toml"
    path.write_bytes(content)
    problems = ProblemList()
    read_settings(path, {}, problems)
    assert words in problems.problems[0]


def test_read_settings_missing_file_is_a_problem(tmp_path: Path) -> None:
    problems = ProblemList()
    read_settings(tmp_path / "none.toml", {}, problems)
    assert "does not exist. Check the path." in problems.problems[0]


def test_ranges_cover_every_number_among_the_settings() -> None:
    others = {*SWITCHES, "compaction_factor"}
    assert set(RANGES) | set(CHOICES) | others == {field.name for field in fields(AnalysisSettings)}
    for name, choices in CHOICES.items():
        assert getattr(AnalysisSettings(), name) == choices[0]
    for name, allowed in RANGES.items():
        default = getattr(AnalysisSettings(), name)
        assert default is None or allowed.fault(default) is None, name
