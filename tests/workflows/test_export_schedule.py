"""What the schedule's files hold, in both unit systems."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest

from geoirrig.errors import OutputError
from geoirrig.io.output_folder import RESULT_NAMES
from geoirrig.physics.water_allowance import ADJUSTMENT_FACTORS
from geoirrig.report.report_page import ReportTable
from geoirrig.units import LITRES_PER_US_GALLON, MM_PER_INCH
from geoirrig.workflows.export_schedule import export_schedule
from geoirrig.workflows.reports.commands import schedule_report
from geoirrig.workflows.run_record import run_record
from geoirrig.workflows.schedule_options import ScheduleOptions
from geoirrig.workflows.schedule_tables import month_names, schedule_table, zone_schedule_table
from geoirrig.workflows.schedule_zones import SiteSchedule, schedule_zones
from tests.io import site_builder as build
from tests.workflows.test_schedule_zones import climate, scheduled, site_and_water, two_lawns

# contract, section 4
FIRST_COLUMNS = [
    "zone", "month", "events", "interval_days", "net_depth_mm", "gross_depth_mm", "run_minutes",
    "cycles", "cycle_minutes", "soak_minutes", "water_m3",
]  # fmt: skip
ETO_MM = np.array([30, 40, 70, 100, 140, 170, 190, 170, 120, 80, 40, 30], dtype=float)
RAIN_MM = np.array([90, 80, 50, 20, 5, 0, 0, 0, 5, 30, 70, 90], dtype=float)


def export(folder: Path, **changes: Any) -> tuple[SiteSchedule, dict[str, Any]]:
    layers = two_lawns(soil_texture=["clay_loam", "silty_clay"], slope_pct=[14.0, 8.0])
    layers |= changes.pop("layers", {})
    site, water = site_and_water(layers)
    options = ScheduleOptions(allowance=changes.pop("allowance", None))
    found = schedule_zones(site, water, climate(ETO_MM, RAIN_MM), options=options)
    arguments = {"units": "si", "overwrite": False, "options": {"command": "schedule"}} | changes
    return found, export_schedule(site, water, found, folder, **arguments)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, SiteSchedule, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("schedule") / "out"
    found, summary = export(folder, allowance="residential")
    return folder, found, summary


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_export_writes_the_whole_set(written: Any) -> None:
    assert sorted(path.name for path in written[0].iterdir()) == [
        "calendar.png", "schedule.csv", "schedule.gpkg", "schedule.qgs", "summary.json",
    ]  # fmt: skip
    assert {path.name for path in written[0].iterdir()} <= set(RESULT_NAMES)


def test_csv_has_the_contract_columns_first_and_a_row_per_zone_and_month(written: Any) -> None:
    table = rows(written[0] / "schedule.csv")
    assert list(table[0])[: len(FIRST_COLUMNS)] == FIRST_COLUMNS
    assert [(row["zone"], int(row["month"])) for row in table] == [
        (zone, month) for zone in ("A", "B") for month in range(1, 13)
    ]
    january, july = table[0], table[6]
    assert january["events"] == "0"
    assert january["run_minutes"] == january["cycles"] == january["interval_days"] == ""
    assert float(january["water_m3"]) == 0.0
    assert int(july["cycles"]) >= 2
    assert float(july["run_minutes"]) == pytest.approx(
        int(july["cycles"]) * float(july["cycle_minutes"])
    )
    for row in table:
        assert float(row["events"]) * float(row["net_depth_mm"]) == pytest.approx(
            float(row["net_need_mm"])
        )


def test_geopackage_has_the_same_table_and_the_zones(written: Any) -> None:
    folder, found, summary = written
    path = folder / "schedule.gpkg"
    names = [name for name, _ in pyogrio.list_layers(path)]
    assert {"schedule", "zone_schedule", "water_allowance", "run_info"} <= set(names)
    table = pyogrio.read_dataframe(path, layer="schedule")
    assert list(table.columns)[: len(FIRST_COLUMNS)] == FIRST_COLUMNS
    stored = rows(folder / "schedule.csv")
    np.testing.assert_allclose(table["water_m3"], [float(row["water_m3"]) for row in stored])
    zones = pyogrio.read_dataframe(path, layer="zone_schedule")
    np.testing.assert_allclose(zones.geometry.area, zones["served_area_m2"], rtol=1e-9)
    np.testing.assert_allclose(zones["water_m3_year"], found.schedule.water_m3.sum(axis=1))
    assert zones["peak_month"].tolist() == [7, 7]
    assert np.all(zones["scheduled_runoff_fraction"] <= 0.05)
    styles = pyogrio.read_dataframe(path, layer="layer_styles")
    default = styles[styles["useAsDefault"] == True]  # noqa: E712
    assert set(default["f_table_name"]) == {
        "schedule", "zone_schedule", "water_allowance", "run_info",
    }  # fmt: skip
    drawn = default[default["f_geometry_column"] != ""]
    assert drawn["f_table_name"].tolist() == ["zone_schedule"]
    info = pyogrio.read_dataframe(path, layer="run_info").set_index("key")["value"]
    assert "DUlh" in info["method run_time"]
    assert '"allowable_depletion": 0.5' in info["options"]
    assert summary["options"]["run_time_method"] == "low_half"


def test_summary_names_methods_totals_and_zones(written: Any) -> None:
    folder, found, summary = written
    stored = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert stored["methods"]["run_time"].startswith("low half")
    assert stored["totals"]["water_m3_year"] == pytest.approx(found.schedule.water_m3.sum())
    assert stored["totals"]["eto_mm"] == pytest.approx(ETO_MM.sum())
    assert [zone["zone"] for zone in stored["zones"]] == ["A", "B"]
    assert len(stored["schedule"]) == 24
    assert stored["failures"] == []
    assert stored["peak_month"] == 7
    assert len(stored["cautions"]) > 5
    assert set(stored) == set(summary)


def test_allowance_by_hand(written: Any) -> None:
    # 72 m² of cool turf: 0.55 and 0.80/0.75 of ETo·0.62·area in inches and square feet
    allowance = written[2]["water_allowance"]
    area_ft2, eto_in = 72.0 / 0.3048**2, ETO_MM.sum() / 25.4
    assert allowance["allowance_gal_year"] == pytest.approx(eto_in * 0.62 * 0.55 * area_ft2)
    use = eto_in * 0.62 * (0.80 / 0.75) * area_ft2
    assert allowance["estimated_use_gal_year"] == pytest.approx(use)
    assert allowance["average_adjustment_factor"] == pytest.approx(0.80 / 0.75)
    assert allowance["is_within_allowance"] is False
    table = pyogrio.read_dataframe(written[0] / "schedule.gpkg", layer="water_allowance")
    litres = table["estimated_use_m3_year"].sum() * 1000.0
    assert litres / LITRES_PER_US_GALLON == pytest.approx(use)


@pytest.mark.parametrize("rule", ADJUSTMENT_FACTORS)
def test_allowance_of_every_rule(rule: str) -> None:
    found = scheduled(climate(100.0), options={"allowance": rule}).allowance
    assert found is not None
    efficiency = 0.71 if rule == "rule_of_2009" else 0.75
    assert found.irrigation_efficiency.tolist() == [efficiency]
    assert found.allowance_gal == pytest.approx(
        1200.0 / 25.4 * 0.62 * ADJUSTMENT_FACTORS[rule] * 36.0 / 0.3048**2
    )


def test_us_units_convert_depths_and_volumes(written: Any, tmp_path: Path) -> None:
    _, summary = export(tmp_path / "us", units="us", allowance="residential")
    si, us = rows(written[0] / "schedule.csv"), rows(tmp_path / "us" / "schedule.csv")
    assert float(us[6]["net_depth_in"]) == pytest.approx(float(si[6]["net_depth_mm"]) / MM_PER_INCH)
    thousand_gallons = float(si[6]["water_m3"]) * 1000.0 / LITRES_PER_US_GALLON / 1000.0
    assert float(us[6]["water_kgal"]) == pytest.approx(thousand_gallons)
    assert summary["totals"]["water_kgal_year"] == pytest.approx(
        written[2]["totals"]["water_m3_year"] / LITRES_PER_US_GALLON
    )
    assert us[6]["run_minutes"] == si[6]["run_minutes"]
    # the rule's own units stay
    assert summary["water_allowance"] == written[2]["water_allowance"]


def test_failures_are_in_the_output_and_the_run_is_done(tmp_path: Path) -> None:
    _, summary = export(tmp_path / "out", layers={"turf": build.turf()})
    assert [failure["zone"] for failure in summary["failures"]] == ["B"]
    assert summary["totals"]["failed_zone_count"] == 1
    table = rows(tmp_path / "out" / "schedule.csv")
    assert {row["cycles"] for row in table if row["zone"] == "B"} == {""}
    zones = pyogrio.read_dataframe(tmp_path / "out" / "schedule.gpkg", layer="zone_schedule")
    assert zones["schedule_failure"].str.startswith("serves no turf").tolist() == [False, True]


def test_results_that_are_there_are_not_overwritten_unasked(written: Any) -> None:
    with pytest.raises(OutputError, match=r"already holds results \(summary.json"):
        export(written[0])


@pytest.mark.parametrize(
    ("months", "words"),
    [
        ([7], "July"),
        ([6, 7], "June, July"),
        ([6, 7, 8], "June to August"),
        ([1, 6, 7], "January, June, July"),
        (list(range(1, 13)), "all year"),
    ],
)
def test_month_names(months: list[int], words: str) -> None:
    assert month_names(months) == words


def test_report_tells_months_by_name_and_no_depth_where_nothing_runs(written: Any) -> None:
    folder, found, summary = written
    site, _ = site_and_water(two_lawns(soil_texture=["clay_loam", "silty_clay"]))
    _, water = site_and_water(two_lawns())
    tables = (zone_schedule_table(found, site, water.precipitation), schedule_table(found))
    page = schedule_report(
        site, summary, tables, run_record(site, options={}, units="si", warnings=()), folder
    )
    assert page.lead == "The site takes most water in July."
    months = next(
        part
        for section in page.sections
        for part in section.content
        if isinstance(part, ReportTable) and part.caption == "Every zone and month"
    )
    told = {column.title.partition(" [")[0]: column for column in months.columns}
    assert told["Month"].texts[:2] == ("January", "February")
    assert told["Month"].sort_by[:2] == (1.0, 2.0)
    assert told["Gross depth"].texts[0] == "–"
    assert told["Gross depth"].texts[6] != "–"
