"""The commands for slopes: run-on and rules of analyze, schedule and rank, as a user calls them."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import json
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from geoirrig import __version__
from geoirrig.units import METRES_PER_FOOT, METRES_PER_US_SURVEY_FOOT, MM_PER_INCH
from tests.io import site_builder as build
from tests.run_command import refusal, run

X0, Y0, SIDE = build.X0, build.Y0, build.SIDE_M
COARSE = ("--cell", "0.5")

# In this order and of these types: contract, section 4.
SCHEDULE_COLUMNS = {
    "zone": str, "month": int, "events": int, "interval_days": float, "net_depth_mm": float,
    "gross_depth_mm": float, "run_minutes": float, "cycles": int, "cycle_minutes": float,
    "soak_minutes": float, "water_m3": float,
}  # fmt: skip
SCHEDULE_COLUMNS_US = [
    "zone", "month", "events", "interval_days", "net_depth_in", "gross_depth_in", "run_minutes",
    "cycles", "cycle_minutes", "soak_minutes", "water_kgal",
]  # fmt: skip
RANKING_COLUMNS = {
    "rank": int, "slope_unit": str, "turf_id": str, "area_m2": float, "mean_slope_pct": float,
    "runoff_l": float, "runoff_depth_mm": float, "minutes_to_runoff": float,
    "runoff_probability": float, "rank_low": int, "rank_high": int,
}  # fmt: skip
RANKING_COLUMNS_US = [
    "rank", "slope_unit", "turf_id", "area_ft2", "mean_slope_pct", "runoff_gal", "runoff_depth_in",
    "minutes_to_runoff", "runoff_probability", "rank_low", "rank_high",
]  # fmt: skip
TYPES = {"int64": int, "float64": float, "object": str}

RULE = """
title = "House rules"
jurisdiction = "This ground"
document = "A letter"
edition = "2024"
citation = "The letter"
note = "Local code and licensed practice decide."

[[rule]]
id = "slow"
applies_to = "zone"
quantity = "application_rate"
comparison = "at_most"
limit = 19
unit = "mm/h"
severity = "violation"
citation = "The letter, line 3"
from_memory = false
text = "Water slowly."
"""


# --- what the commands are given -----------------------------------------------------------------


def two_lawns() -> gpd.GeoDataFrame:
    """A steep clay half that runs off and a flat sand half that does not."""
    west = shapely.box(X0, Y0, X0 + SIDE / 2, Y0 + SIDE)
    east = shapely.box(X0 + SIDE / 2, Y0, X0 + SIDE, Y0 + SIDE)
    return build.turf(
        [west, east],
        turf_id=["steep", "flat"],
        soil_texture=["clay", "sand"],
        slope_pct=[25.0, 1.0],
    )


def bare_turf() -> gpd.GeoDataFrame:
    """The good turf without a slope of its own."""
    return build.turf(slope_pct=None)


def site_of(folder: Path, **layers: Any) -> Path:
    return build.write_site(folder / "site.gpkg", build.good_layers(**layers))


def elevation(folder: Path, **options: Any) -> Path:
    """A plane that falls 10 % to the south, in metres."""
    rise = 100.0 + 0.1 * (40.0 - np.arange(40.0))
    values = np.repeat(rise[:, None], 40, axis=1).astype(np.float32)
    hole = options.pop("hole", None)
    if hole is not None:
        values[hole] = options.pop("hole_value", -9999.0)
    scale = options.pop("scale", 1.0)
    values = np.where(values > 0.0, values / np.float32(scale), values)
    return build.write_raster(folder / "ground.tif", values, **{"unit": "metre", **options})


def climate_lines(**columns: object) -> list[str]:
    """A dry year by days, first the header; a column's value may depend on the day's number."""
    columns = columns or {"eto_mm": 5.0, "rain_mm": 0.0}
    start = dt.date(2023, 1, 1)
    lines = [",".join(("date", *columns))]
    for day in range(365):
        values = [value(day) if callable(value) else value for value in columns.values()]
        date = (start + dt.timedelta(days=day)).isoformat()
        lines.append(",".join((date, *map(str, values))))
    return lines


def climate(folder: Path, lines: list[str] | None = None) -> Path:
    path = folder / "climate.csv"
    path.write_text("\n".join(lines or climate_lines()) + "\n", encoding="utf-8")
    return path


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def layer_columns(path: Path, layer: str) -> dict[str, type]:
    info = pyogrio.read_info(path, layer=layer)
    names = zip(info["fields"], info["dtypes"], strict=True)
    return {str(name): TYPES.get(str(dtype), object) for name, dtype in names}


def query(path: Path, statement: str) -> list[Any]:
    connection = sqlite3.connect(path)
    try:
        return connection.execute(statement).fetchall()
    finally:
        connection.close()


def check_record_of_the_run(out: Path, package: str, inputs: dict[str, Path], layer: str) -> Any:
    """Version, inputs with their SHA-256, options and words in the summary and in run_info."""
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert summary["version"] == __version__
    assert summary["inputs"] == [
        {"role": role, "name": path.name, "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
        for role, path in inputs.items()
    ]
    assert summary["options"]["cell_size_m"] == 0.5
    assert summary["totals"]
    assert isinstance(summary["warnings"], list)
    assert any("geotechnical" in caution for caution in summary["cautions"])
    told = dict(query(out / package, "select key, value from run_info"))
    assert told["version"] == __version__
    for role, path in inputs.items():
        assert told[f"input {role}"].startswith(f"{path.name} sha256 ")
    styles = query(
        out / package,
        "select f_table_name, styleName, useAsDefault from layer_styles "
        "where f_geometry_column <> ''",
    )
    assert [name for name, _, is_default in styles if is_default] == [layer]
    assert len({name for _, name, _ in styles}) == len(styles)
    return summary


# --- schedule ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def scheduled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Path], Any]:
    folder = tmp_path_factory.mktemp("schedule")
    inputs = {"site": site_of(folder), "climate": climate(folder)}
    out = folder / "out"
    result = run(
        "schedule", inputs["site"], *COARSE, "--climate", inputs["climate"], "--out", out, "--json"
    )
    assert result.exit_code == 0, result.stderr
    return out, inputs, json.loads(result.stdout)


def test_schedule_table_has_the_columns_of_the_contract(scheduled: Any) -> None:
    out, _, _ = scheduled
    rows = rows_of(out / "schedule.csv")
    assert list(rows[0])[: len(SCHEDULE_COLUMNS)] == list(SCHEDULE_COLUMNS)
    assert [(row["zone"], row["month"]) for row in rows] == [("A", str(m)) for m in range(1, 13)]
    columns = layer_columns(out / "schedule.gpkg", "schedule")
    assert dict(list(columns.items())[: len(SCHEDULE_COLUMNS)]) == SCHEDULE_COLUMNS
    assert list(columns) == list(rows[0])


def test_schedule_adds_up(scheduled: Any) -> None:
    out, _, summary = scheduled
    table = pd.read_csv(out / "schedule.csv")
    july = table[table["month"] == 7].iloc[0]
    # Run minutes at the mean rate make the gross depth, and so do the cycles.
    assert july["run_minutes"] * july["mean_rate_mm_h"] / 60 == pytest.approx(
        july["gross_depth_mm"]
    )
    assert july["cycles"] * july["cycle_minutes"] == pytest.approx(july["run_minutes"])
    assert july["events"] * july["net_depth_mm"] == pytest.approx(july["net_need_mm"])
    # No rain and the coefficient of cool-season turf: the need is ETo times Kc.
    assert july["net_need_mm"] == pytest.approx(31 * 5.0 * july["plant_coefficient"])
    # Four quarter heads of 12 L/min for the full circle put out 12 L/min together.
    litres = 12.0 * table["run_minutes"].fillna(0.0) * table["events"]
    np.testing.assert_allclose(table["water_m3"], litres / 1000.0)
    assert summary["totals"]["water_m3_year"] == pytest.approx(table["water_m3"].sum())


def test_schedule_states_the_run_and_its_styles(scheduled: Any) -> None:
    out, inputs, printed = scheduled
    summary = check_record_of_the_run(out, "schedule.gpkg", inputs, "zone_schedule")
    assert summary == printed
    assert summary["failures"] == []
    assert {path.name for path in out.iterdir()} == {
        "calendar.png", "schedule.csv", "schedule.gpkg", "schedule.qgs", "summary.json",
    }  # fmt: skip


def test_schedule_us_units_and_quiet(tmp_path: Path) -> None:
    site, weather, out = site_of(tmp_path), climate(tmp_path), tmp_path / "out"
    options = ("--climate", weather, "--out", out, "--units", "us", "--quiet")
    result = run("schedule", site, *COARSE, *options)
    assert (result.exit_code, result.output) == (0, "")
    assert list(rows_of(out / "schedule.csv")[0])[: len(SCHEDULE_COLUMNS_US)] == SCHEDULE_COLUMNS_US


@pytest.mark.parametrize("command", ["schedule", "rank"])
def test_zone_that_serves_no_turf_exits_3_with_the_rest_done(tmp_path: Path, command: str) -> None:
    stray = build.heads().iloc[:1].assign(head_id="X", zone="Z")
    stray = stray.set_geometry(gpd.points_from_xy([X0 + 60], [Y0 + 60]), crs=build.CRS)
    heads = pd.concat([build.heads(), stray], ignore_index=True)
    site, weather, out = site_of(tmp_path, heads=heads), climate(tmp_path), tmp_path / "out"
    result = run(command, site, *COARSE, "--climate", weather, "--out", out, "--json")
    assert result.exit_code == 3
    assert "Failed: zone Z: serves no turf" in result.stderr
    summary = json.loads(result.stdout)
    assert [failure["zone"] for failure in summary["failures"]] == ["Z"]
    assert (out / "summary.json").is_file()


def test_schedule_that_no_cycles_can_save_exits_3(tmp_path: Path) -> None:
    # 1.5 m of clay lend some 60 times what the surface of a steep clay holds at one go.
    turf = build.turf(soil_texture=["clay"], slope_pct=[25.0], root_depth_mm=[1500.0])
    weather = climate(tmp_path, climate_lines(eto_mm=6.5, rain_mm=0.0))
    out = tmp_path / "out"
    site = site_of(tmp_path, turf=turf)
    result = run("schedule", site, *COARSE, "--climate", weather, "--out", out)
    assert result.exit_code == 3
    assert "no plan of at most 30 cycles" in result.stderr
    rows = [row for row in rows_of(out / "schedule.csv") if row["cycles"] == ""]
    assert rows
    assert all(float(row["run_minutes"]) > 0.0 for row in rows)


# --- rank ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ranked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Path], Any]:
    folder = tmp_path_factory.mktemp("rank")
    inputs = {"site": site_of(folder, turf=two_lawns()), "climate": climate(folder)}
    out = folder / "out"
    result = run(
        "rank", inputs["site"], *COARSE, "--climate", inputs["climate"], "--out", out, "--json"
    )
    assert result.exit_code == 0, result.stderr
    return out, inputs, json.loads(result.stdout)


def test_rank_table_has_the_columns_of_the_contract(ranked: Any) -> None:
    out, _, _ = ranked
    columns = layer_columns(out / "ranking.gpkg", "ranked_slopes")
    assert dict(list(columns.items())[: len(RANKING_COLUMNS)]) == RANKING_COLUMNS
    assert list(columns) == list(rows_of(out / "ranking.csv")[0])
    info = pyogrio.read_info(out / "ranking.gpkg", layer="ranked_slopes")
    assert (info["geometry_type"], info["features"]) == ("MultiPolygon", 2)


def test_rank_puts_the_slope_that_runs_off_first(ranked: Any) -> None:
    out, _, summary = ranked
    table = pd.read_csv(out / "ranking.csv")
    assert list(table["turf_id"]) == ["steep", "flat"]
    assert list(table["rank"]) == [1, 2]
    assert (table["rank_low"] <= table["rank"]).all()
    assert (table["rank"] <= table["rank_high"]).all()
    assert table["runoff_l"].iloc[0] > 0.0
    assert table["runoff_l"].iloc[1] == 0.0
    # A litre on a square metre is a millimetre.
    np.testing.assert_allclose(table["runoff_depth_mm"], table["runoff_l"] / table["area_m2"])
    assert summary["totals"]["runoff_l"] == pytest.approx(table["runoff_l"].sum())
    assert "annual_runoff_l" in table


def test_rank_states_the_run_its_methods_and_its_styles(ranked: Any) -> None:
    out, inputs, printed = ranked
    summary = check_record_of_the_run(out, "ranking.gpkg", inputs, "ranked_slopes")
    assert summary == printed
    assert summary["options"]["effective_rain_method"] == "usda_scs"
    assert {path.name for path in out.iterdir()} == {
        "map_ranked_slopes.png", "ranked_slopes.png", "ranking.csv", "ranking.gpkg", "ranking.qgs",
        "summary.json",
    }  # fmt: skip


def test_rank_tells_what_is_wrong_with_the_schedule_of_its_year(tmp_path: Path) -> None:
    site, weather, out = site_of(tmp_path), climate(tmp_path), tmp_path / "out"
    options = ("--climate", weather, "--watering-minutes", "5", "--out", out)
    result = run("rank", site, *COARSE, *options)
    assert result.exit_code == 0
    assert "the watering window is 5 minutes" in result.stderr
    assert "A year, Cycled:" in result.stdout


def test_rank_without_climate_us_units_and_parts_of_slopes(tmp_path: Path) -> None:
    site, out = site_of(tmp_path, turf=two_lawns()), tmp_path / "out"
    result = run("rank", site, *COARSE, "--split-slopes", "--units", "us", "--out", out)
    assert result.exit_code == 0, result.stderr
    assert "A year" not in result.stdout
    rows = rows_of(out / "ranking.csv")
    assert list(rows[0])[: len(RANKING_COLUMNS_US)] == RANKING_COLUMNS_US
    assert "annual_runoff_gal" not in rows[0]


def test_rank_of_one_slope_without_runoff_claims_no_share(tmp_path: Path) -> None:
    site, out = site_of(tmp_path, turf=build.turf(soil_texture=["sand"])), tmp_path / "out"
    result = run("rank", site, *COARSE, "--event-depth-mm", "1", "--out", out, "--json")
    summary = json.loads(result.stdout)
    assert summary["finding"] == "Nothing runs off in the event as planned."
    (slope,) = summary["slopes"]
    assert (slope["rank"], slope["rank_low"], slope["rank_high"]) == (1, 1, 1)
    assert slope["runoff_l"] == 0.0
    assert slope["runoff_share"] is None


def test_rank_hostile_ids_come_out_as_text(tmp_path: Path) -> None:
    ids = ['=1+1\n<b>[/red]$x_{1}$\\frac"', "'; DROP TABLE ranked_slopes;-- " + "w" * 300]
    site, out = site_of(tmp_path, turf=two_lawns().assign(turf_id=ids)), tmp_path / "out"
    result = run("rank", site, *COARSE, "--out", out)
    assert result.exit_code == 0, result.stderr
    assert [row["turf_id"] for row in rows_of(out / "ranking.csv")] == ids
    found = query(out / "ranking.gpkg", "select turf_id from ranked_slopes order by rank")
    assert found == [(each,) for each in ids]


# --- analyze with run-on and rules ---------------------------------------------------------------


def test_analyze_run_on_and_rules_add_their_layers(tmp_path: Path) -> None:
    site, ground = site_of(tmp_path, turf=bare_turf()), elevation(tmp_path)
    rules = tmp_path / "house.toml"
    rules.write_text(RULE, encoding="utf-8-sig")  # with the mark that some editors write
    out = tmp_path / "out"
    result = run(
        "analyze", site, *COARSE, "--elevation", ground, "--run-on", "--event-depth-mm", "60",
        "--rules", "usda_maximum_rate", "--rules", rules, "--out", out, "--json",
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    summary = json.loads(result.stdout)
    layers = {str(name) for name, _ in pyogrio.list_layers(out / "results.gpkg")}
    assert {"edge_runoff", "rule_findings", "turf_results"} <= layers
    totals = summary["totals"]
    assert totals["leaving_l"] > 0.0
    parts = ("to_hardscape_l", "to_turf_l", "off_site_l")
    assert totals["leaving_l"] == pytest.approx(sum(totals[part] for part in parts), rel=1e-9)
    edge = pyogrio.read_dataframe(out / "results.gpkg", layer="edge_runoff")
    assert edge["leaving_l"].sum() == pytest.approx(totals["leaving_l"], rel=1e-9)
    south = edge[edge.geometry.y < Y0 + SIDE / 2]
    assert south["leaving_l"].sum() > 0.99 * totals["leaving_l"]  # the plane falls to the south
    assert [rules["title"] for rules in summary["rules"]][1] == "House rules"
    roles = [file["role"] for file in summary["inputs"]]
    assert roles == ["site", "elevation", "rules"]


@pytest.mark.parametrize(
    ("unit", "metres"), [("foot", METRES_PER_FOOT), ("us_survey_foot", METRES_PER_US_SURVEY_FOOT)]
)
def test_rank_elevation_in_feet_gives_the_slope_in_percent(
    tmp_path: Path, unit: str, metres: float
) -> None:
    site = site_of(tmp_path, turf=bare_turf())
    ground = elevation(tmp_path, unit=None, scale=metres)
    out = tmp_path / "out"
    options = ("--elevation", ground, "--elevation-unit", unit, "--out", out)
    assert run("rank", site, *COARSE, *options).exit_code == 0
    assert float(rows_of(out / "ranking.csv")[0]["mean_slope_pct"]) == pytest.approx(10.0, abs=2e-3)


# --- bad input: the list of the job, one by one --------------------------------------------------

COMMANDS = {
    "analyze": ("analyze", "--run-on", "--elevation"),
    "rank": ("rank", "--elevation"),
}
GROUND_FAULTS: dict[str, tuple[dict[str, Any], str]] = {
    "no unit": ({"unit": None}, "Say it with --elevation-unit metre|foot|us_survey_foot."),
    "no CRS": ({"crs": None}, "Raster 'ground.tif' has no CRS."),
    "half the turf": ({"left": X0 + 3.0}, "50.0 % of 'T1'"),
    "elsewhere": (
        {"top": Y0 + 320.0},
        "does not meet the turf: it covers x 499990 to 500030, y 40",
    ),
    "no data that is not declared": (
        {"hole": np.s_[16, 13], "nodata": None},
        "an elevation must be from -500 to 9000 m; got -9999 metre in 1 pixels.",
    ),
    "no data that is 0 and not declared": (
        {"hole": np.s_[16, 13], "hole_value": 0.0, "nodata": None},
        "a slope must be from 0 to 1,000 %; got ",
    ),
    "a gap": ({"hole": np.s_[15:18, 11:13]}, "16.7 % of 'T1'"),  # 6 of 36 m²
}


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("fault", GROUND_FAULTS)
def test_elevation_at_fault_is_refused(tmp_path: Path, fault: str, command: str) -> None:
    options, words = GROUND_FAULTS[fault]
    site, out = site_of(tmp_path, turf=bare_turf()), tmp_path / "out"
    ground = elevation(tmp_path, **options)
    name, *flags = COMMANDS[command]
    text = refusal(run(name, site, *COARSE, *flags, ground, "--out", out), out)
    assert words in text


def on(day: int, value: object, rest: object) -> Callable[[int], object]:
    """A column with one odd day."""
    return lambda each: value if each == day else rest


WEATHER = {"temperature_min_c": 8.0, "temperature_max_c": 24.0, "rain_mm": 0.0}
CLIMATE_FAULTS: dict[str, tuple[Callable[[], list[str]], str]] = {
    "gap": (
        lambda: climate_lines()[:40] + climate_lines()[43:],
        "has gaps in its dates: no row for 2023-02-09 to 2023-02-11 (3 days)",
    ),
    "date twice": (
        lambda: climate_lines()[:40] + climate_lines()[39:],
        "date must be unique; met more than once: '2023-02-08'",
    ),
    "hot Fahrenheit": (
        lambda: climate_lines(**WEATHER | {"temperature_max_c": 88.0}),
        "Such a value can only be in Fahrenheit",
    ),
    "mild Fahrenheit": (
        lambda: climate_lines(**WEATHER | {"temperature_min_c": 41.0, "temperature_max_c": 58.0}),
        "If they are in Fahrenheit, name the columns 'temperature_min_f' and 'temperature_max_f'.",
    ),
    "no temperature unit": (
        lambda: climate_lines(temperature_min=45, temperature_max=70, rain_mm=0.0),
        "column 'temperature_min' names no unit. Rename it 'temperature_min_c' or",
    ),
    "humidity": (
        lambda: climate_lines(**WEATHER, relative_humidity_mean_pct=on(9, 130, 60)),
        "relative_humidity_mean_pct must be at most 100; got 130.0 for date '2023-01-10'.",
    ),
    "crossed": (
        lambda: climate_lines(**WEATHER | {"temperature_min_c": on(9, 25.0, 8.0)}),
        "temperature_min must not be above temperature_max; got 25 and 24 °C first",
    ),
    "no latitude": (lambda: climate_lines(**WEATHER), "Give --latitude in degrees, north positive"),
    "no weather": (
        lambda: climate_lines(rain_mm=0.0, ETo_mm=4.0),
        "has neither 'eto_mm' (or 'eto_in') nor 'temperature_min_c'",
    ),
    "rain": (
        lambda: climate_lines(eto_mm=4.0, rain_mm=on(9, 600, 0)),
        "rain_mm must be at most 500 mm a day; got 600.0 for date '2023-01-10'.",
    ),
    "rain in inches": (
        lambda: climate_lines(eto_in=0.2, rain_in=on(9, 25, 0)),
        f"rain_in must be at most {500 / MM_PER_INCH:.4g} in a day; got 25.0",
    ),
    "other dates": (
        lambda: ["date,eto_mm,rain_mm", "1/2/2023,4,0"],
        "date must be a day such as 2024-05-01 or a month such as 2024-05; got '1/2/2023'.",
    ),
    "part of a year": (
        lambda: climate_lines()[:182],
        "holds no 'July', 'August', 'September', 'October', 'November' and 'December'",
    ),
    "part of a month": (lambda: climate_lines()[:-3], "2023-12 ends on 2023-12-28"),
    "no rows": (lambda: ["date,eto_mm,rain_mm"], "holds no rows"),
    "semicolons": (
        lambda: [line.replace(",", ";").replace(".", ",") for line in climate_lines()],
        "is not separated by commas. Save it as comma-separated values, with decimal points.",
    ),
}


@pytest.mark.parametrize("fault", CLIMATE_FAULTS)
def test_climate_at_fault_is_refused(tmp_path: Path, fault: str) -> None:
    lines, words = CLIMATE_FAULTS[fault]
    needs_latitude = fault not in ("no latitude", "no weather")
    weather, out = climate(tmp_path, lines()), tmp_path / "out"
    station = ("--latitude", "40") if needs_latitude else ()
    command = ("schedule", site_of(tmp_path), *COARSE, "--climate", weather, *station)
    text = refusal(run(*command, "--out", out), out)
    assert "1 problem in the input" in text or fault == "no temperature unit"
    assert words in text


def test_climate_that_is_a_folder_is_refused(tmp_path: Path) -> None:
    out = tmp_path / "out"
    text = refusal(run("schedule", site_of(tmp_path), "--climate", tmp_path, "--out", out), out)
    assert "is a folder, not a file. Give the file itself." in text


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty (0 bytes)"),
        (bytes(range(256)), "binary data of another kind"),
        ("date,eto_mm,rain_mm\n".encode("utf-16"), "UTF-16 text (save it as UTF-8)"),
    ],
)
def test_climate_that_is_no_table_is_refused(tmp_path: Path, content: bytes, words: str) -> None:
    weather, out = tmp_path / "climate.csv", tmp_path / "out"
    weather.write_bytes(content)
    result = run("schedule", site_of(tmp_path), "--climate", weather, "--out", out)
    assert words in refusal(result, out)


def test_climate_by_months_in_inches_with_a_mark_is_read(tmp_path: Path) -> None:
    weather, out = tmp_path / "climate.csv", tmp_path / "out"
    lines = ["date,eto_in,rain_in", *(f"2023-{month:02d},5,0.5" for month in range(1, 13))]
    weather.write_text("\r\n".join(lines), encoding="utf-8-sig")
    site = site_of(tmp_path)
    result = run("schedule", site, *COARSE, "--climate", weather, "--out", out, "--json")
    assert result.exit_code == 0, result.stderr
    totals = json.loads(result.stdout)["totals"]
    assert totals["eto_mm"] == pytest.approx(12 * 5 * MM_PER_INCH)
    assert totals["rain_mm"] == pytest.approx(12 * 0.5 * MM_PER_INCH)


RULE_FAULTS = {
    "quantity": ("application_rate", "aplication_rate", "The nearest known is 'application_rate'."),
    "other word": ("application_rate", "mean_rate", "The nearest known is 'application_rate'."),
    "part of a word": ("application_rate", "runoff", "The nearest known is 'runoff_fraction'."),
    "unit": ("mm/h", "in/hr", "one of 'mm/h', 'in/h'; got 'in/hr'."),
    "key": ("severity", "sevrity", "unknown key 'sevrity'. The nearest known is 'severity'."),
    "limit": ("limit = 19", 'limit = "19"', "limit must be a number not below 0; got '19'."),
}


@pytest.mark.parametrize("fault", RULE_FAULTS)
def test_rule_file_at_fault_is_refused(tmp_path: Path, fault: str) -> None:
    old, new, words = RULE_FAULTS[fault]
    rules, out = tmp_path / "house.toml", tmp_path / "out"
    rules.write_text(RULE.replace(old, new), encoding="utf-8")
    text = refusal(run("analyze", site_of(tmp_path), "--rules", rules, "--out", out), out)
    assert "Rule file 'house.toml', rule 'slow'" in text
    assert words in text


def test_rule_set_that_is_not_built_in_is_refused(tmp_path: Path) -> None:
    out = tmp_path / "out"
    command = ("analyze", site_of(tmp_path), "--rules", "usda_max_rate", "--out", out)
    assert "The nearest known is 'usda_maximum_rate'." in refusal(run(*command), out)


def test_problems_of_site_climate_ground_and_options_come_out_together(tmp_path: Path) -> None:
    turf = build.turf(soil_texture=["lome"], slope_pct=None)
    site, out = site_of(tmp_path, turf=turf), tmp_path / "out"
    weather = climate(tmp_path, climate_lines(eto_mm=4.0, rain_mm=on(9, 600, 0)))
    ground = elevation(tmp_path, unit=None)
    command = (
        "rank", site, "--elevation", ground, "--climate", weather, "--latitude", "99",
        "--realisations", "5", "--seed", "-1", "--least-part-m2", "nan",
    )  # fmt: skip
    text = refusal(run(*command, "--out", out), out)
    assert "7 problems in the input; nothing was written." in text
    for words in (
        "soil_texture must be one of",
        "rain_mm must be at most 500",
        "has no unit tag",
        "--latitude must be from -90 to 90 degrees; got 99.0.",
        "--realisations must be from 20 to 100,000; got 5.",
        "--seed must be from 0 to 4,294,967,295; got -1.",
        "--least-part-m2 must be from 0 to 1,000,000; got nan.",
    ):
        assert words in text


def test_problems_of_site_and_rules_come_out_together(tmp_path: Path) -> None:
    site = site_of(tmp_path, turf=build.turf(soil_texture=["lome"]))
    rules, out = tmp_path / "house.toml", tmp_path / "out"
    rules.write_text(RULE.replace("mm/h", "knots"), encoding="utf-8")
    text = refusal(run("analyze", site, "--run-on", "--rules", rules, "--out", out), out)
    assert "3 problems in the input" in text
    for words in ("soil_texture must be", "got 'knots'", "Run-on needs to know the way downhill"):
        assert words in text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--evapotranspiration", "fao56_penman_monteith"), "needs more weather than the climate"),
        (("--effective-rain", "texas_daily"), "takes the rain of single days"),
    ],
)
def test_method_that_the_climate_does_not_suffice_for_is_told_with_the_rest(
    tmp_path: Path, options: tuple[str, ...], words: str
) -> None:
    months = ["date,temperature_min_c,temperature_max_c,rain_mm"]
    months += [f"2023-{month:02d},8,24,10" for month in range(1, 13)]
    weather, out = climate(tmp_path, months), tmp_path / "out"
    site = site_of(tmp_path, turf=build.turf(soil_texture=["lome"]))
    command = ("schedule", site, "--climate", weather, "--latitude", "40", *options, "--out", out)
    text = refusal(run(*command), out)
    assert "2 problems in the input" in text
    assert words in text


def test_options_without_effect_are_told(tmp_path: Path) -> None:
    site, weather, out = site_of(tmp_path), climate(tmp_path), tmp_path / "out"
    options = ("--evapotranspiration", "hargreaves_samani_1985", "--rain-share", "0.4")
    command = ("schedule", site, *COARSE, "--climate", weather, *options, "--out", out)
    result = run(*command)
    assert result.exit_code == 0
    assert "--evapotranspiration has no effect: the climate file states its ETo." in result.stderr
    assert "--rain-share has no effect without --effective-rain fixed_share." in result.stderr


def test_rank_options_of_a_climate_without_one_are_refused(tmp_path: Path) -> None:
    out = tmp_path / "out"
    options = ("--latitude", "40", "--run-time", "low_quarter")
    text = refusal(run("rank", site_of(tmp_path), *options, "--out", out), out)
    assert "--latitude and --run-time were given without --climate FILE." in text


def test_schedule_without_climate_is_a_wrong_command_line(tmp_path: Path) -> None:
    result = run("schedule", site_of(tmp_path), "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "Missing option '--climate'" in " ".join(result.stderr.replace("│", " ").split())


# --- whole or nothing ----------------------------------------------------------------------------


def test_results_that_are_there_are_kept_unless_overwritten(ranked: Any, scheduled: Any) -> None:
    for command, (out, inputs, _) in (("rank", ranked), ("schedule", scheduled)):
        before = {path.name: path.read_bytes() for path in out.iterdir()}
        arguments = (command, inputs["site"], *COARSE, "--climate", inputs["climate"])
        result = run(*arguments, "--out", out)
        assert result.exit_code == 2
        assert "--overwrite" in result.stderr
        assert {path.name: path.read_bytes() for path in out.iterdir()} == before
        assert run(*arguments, "--out", out, "--overwrite", "--quiet").exit_code == 0


@pytest.mark.parametrize(
    ("command", "step"),
    [
        ("schedule", "geoirrig.workflows.export_schedule.draw_schedule_calendar"),
        ("rank", "geoirrig.workflows.export_ranking.draw_ranking_chart"),
    ],
)
@pytest.mark.parametrize("fault", [ZeroDivisionError, KeyboardInterrupt])
def test_run_that_breaks_off_leaves_nothing(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    command: str,
    step: str,
    fault: type[BaseException],
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise fault("an odd fault")

    monkeypatch.setattr(step, fail)
    site, weather = site_of(tmp_path), climate(tmp_path)
    result = run(command, site, *COARSE, "--climate", weather, "--out", tmp_path / "out")
    assert result.exit_code == (1 if fault is ZeroDivisionError else 130)
    assert {path.name for path in tmp_path.iterdir()} == {"site.gpkg", "climate.csv"}


def test_rank_that_is_told_to_stop_leaves_nothing(tmp_path: Path) -> None:
    site = site_of(tmp_path, turf=two_lawns())
    command = (
        "rank",
        site,
        "--cell",
        "0.05",
        "--realisations",
        "100000",
        "--out",
        tmp_path / "out",
    )
    with subprocess.Popen(
        [sys.executable, "-m", "geoirrig", *map(str, command)],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    ) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if line.startswith("Drawing 100000 soils"):
                time.sleep(0.1)
                process.terminate()
                break
        _, rest = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "stopped; no half-written results are left" in rest
    assert [path.name for path in tmp_path.iterdir()] == ["site.gpkg"]
