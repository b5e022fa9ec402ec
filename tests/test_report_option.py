"""The report and the map sheets as the commands write them."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from geoirrig.cli.main_job import SAMPLE_FOLDER
from tests.io import site_builder as build
from tests.report.test_write_report import HOSTILE, Structure
from tests.run_command import run

SITE = (SAMPLE_FOLDER / "hillside_site.gpkg", "--slope", SAMPLE_FOLDER / "hillside_slope_pct.tif")
COARSE = ("--cell", "1.0", "--quiet")
CLIMATE = (
    "--climate", SAMPLE_FOLDER / "hillside_climate.csv", "--latitude", "41.9",
    "--altitude-m", "420",
)  # fmt: skip
FIVE_MB = 5_000_000


def report_of(folder: Path) -> Structure:
    path = folder / "report.html"
    assert path.stat().st_size < FIVE_MB
    return Structure(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("units", ["si", "us"])
def test_demo_report_of_the_sample_site_is_small_and_quick(tmp_path, units):
    folder = tmp_path / "demo"
    run("demo", "--out", folder, "--units", units, "--quiet")
    assert not (folder / "report.html").exists()
    assert not (folder / "sheets.pdf").exists()
    started = time.process_time()
    run("demo", "--out", folder, "--units", units, "--quiet")
    plain = time.process_time() - started
    started = time.process_time()
    run("demo", "--out", folder, "--units", units, "--quiet", "--report")
    assert time.process_time() - started - plain < 3.0
    words = " ".join(report_of(folder).text)
    assert "202" in words  # heads of the sample site
    assert ("Mean rate [in/h]" in words) == (units == "us")
    assert "SHA-256" in words


def test_analyze_again_without_the_extras_takes_the_old_ones_away(tmp_path):
    folder = tmp_path / "out"
    run("analyze", *SITE, "--out", folder, *COARSE, "--report", "--sheets")
    assert (folder / "report.html").is_file()
    assert (folder / "sheets.pdf").read_bytes().startswith(b"%PDF-")
    run("analyze", *SITE, "--out", folder, *COARSE, "--overwrite")
    assert not (folder / "report.html").exists()
    assert not (folder / "sheets.pdf").exists()


def test_analyze_report_tells_of_rules_and_run_on(tmp_path):
    folder = tmp_path / "out"
    run(
        "analyze", SITE[0], "--elevation", SAMPLE_FOLDER / "hillside_elevation_m.tif", "--run-on",
        "--rules", "usda_maximum_rate", "--out", folder, *COARSE, "--report",
    )  # fmt: skip
    words = " ".join(report_of(folder).text)
    assert "Rules held against the site" in words
    assert "Run-on of one event" in words
    assert "followed downhill from cell to cell" in words


@pytest.mark.parametrize(
    ("command", "said"),
    [
        (("rank", *SITE), "Slopes, worst first"),
        (("schedule", *SITE, *CLIMATE), "How the clock is set in the peak month"),
        (
            ("compare", *SITE, "--nozzle-set", SAMPLE_FOLDER / "hillside_rotary.csv"),
            "Zones under each set",
        ),
    ],
)
def test_other_commands_write_a_report(tmp_path, command, said):
    folder = tmp_path / "out"
    run(*command, "--out", folder, *COARSE, "--report")
    assert said in " ".join(report_of(folder).text)


def test_optimize_writes_a_report(tmp_path):
    site = build.write_site(tmp_path / "site.gpkg", build.good_layers())
    folder = tmp_path / "out"
    run("optimize", site, "--seconds", "2", "--out", folder, "--cell", "0.5", "--quiet", "--report")
    assert "Zones as they stand" in " ".join(report_of(folder).text)


def test_analyze_report_shows_hostile_ids_as_text(tmp_path):
    layers = build.good_layers()
    heads, turf = layers["heads"].copy(), layers["turf"].copy()
    heads["head_id"] = [HOSTILE[n % 3] + str(n) for n in range(len(heads))]
    heads["zone"] = HOSTILE[2]
    turf["turf_id"] = [HOSTILE[1] + str(n) for n in range(len(turf))]
    site = build.write_site(tmp_path / "site.gpkg", {**layers, "heads": heads, "turf": turf})
    folder = tmp_path / "out"
    run("analyze", site, "--out", folder, *COARSE, "--report", "--sheets")
    page = report_of(folder)
    assert HOSTILE[2] in page.text  # the zone, in the table of zones
    assert HOSTILE[1] + "0" in page.text  # the turf
    assert [a["src"] for a in page.named("img") if not str(a["src"]).startswith("data:")] == []
    scripts = [attributes for attributes in page.named("script") if "type" not in attributes]
    assert len(scripts) == 3  # sorting, the map library, the map


PLAN = tuple(
    SAMPLE_FOLDER / f"surveyed_court{end}" for end in (".dxf", "_roles.toml", "_control.csv")
)


def test_plan_commands_write_a_report(tmp_path):
    plan, roles, control = PLAN
    draft, court, drawn = (tmp_path / name for name in ("draft", "court", "drawn"))
    run("plan-import", plan, "--out", draft, "--quiet", "--report")
    assert "What a plan holds: surveyed_court.dxf" in report_of(draft).text
    run(
        "plan-import", plan, "--roles", roles, "--control", control, "--crs", "EPSG:32611",
        "--out", court, "--quiet", "--report",
    )  # fmt: skip
    words = " ".join(report_of(court).text)
    assert "22 heads and 3 turf polygons lie on the map" in words
    assert "6 mm (0.2 in)" in words
    run(
        "analyze", court / "SITE.gpkg", "--nozzles", SAMPLE_FOLDER / "surveyed_court_nozzles.csv",
        "--out", tmp_path / "results", "--quiet",
    )  # fmt: skip
    command = (
        "plan-export", tmp_path / "results", "--plan-transform", court / "summary.json", "--out",
        drawn, "--quiet",
    )  # fmt: skip
    run(*command, "--report")
    assert "Results on the plan: results.gpkg" in report_of(drawn).text
    run(*command, "--overwrite")
    assert not (drawn / "report.html").exists()  # it belonged to the run before


def test_screen_writes_a_report_of_its_first_parcels(tmp_path):
    folder = tmp_path / "out"
    run(
        "screen", SAMPLE_FOLDER / "hill_quarter_site.gpkg", "--programme",
        SAMPLE_FOLDER / "hill_quarter_programme.toml", *CLIMATE, "--out", folder, *COARSE,
        "--report",
    )  # fmt: skip
    words = " ".join(report_of(folder).text)
    assert "All 36 parcels, by rank" in words
    assert "Why parcels are not eligible" in words
    page = report_of(folder)
    data = json.loads(next(text for text in page.raw["script"] if text.startswith('{"units"')))
    (layer,) = data["layers"]
    assert len(layer["names"]) == 36
    assert [title for title, _ in layer["facts"]][:3] == ["Status", "Reasons", "Rank"]
