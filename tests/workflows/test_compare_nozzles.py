"""Nozzle sets compared: hand-worked lawns, parts that add up, and the files written."""

from __future__ import annotations

import csv
import itertools
import json
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.errors import InputError, OutputError, ProblemList
from geoirrig.io.output_folder import RESULT_NAMES
from geoirrig.io.read_climate import read_climate
from geoirrig.io.read_nozzle_set import read_nozzle_sets
from geoirrig.io.read_site import SiteSources
from geoirrig.records import ClimateRecord, NozzleSet
from geoirrig.units import LITRES_PER_M3, LITRES_PER_US_GALLON, MM_PER_INCH
from geoirrig.workflows.analyze_site import analyze_site
from geoirrig.workflows.compare_nozzles import CAUSES, Comparison, compare_nozzles
from geoirrig.workflows.comparison_tables import comparison_tables, set_totals
from geoirrig.workflows.export_comparison import export_comparison
from geoirrig.workflows.load_site import load_nozzle_sets, load_site
from geoirrig.workflows.nozzle_set_measures import CompareOptions
from geoirrig.workflows.schedule_options import ScheduleOptions
from geoirrig.workflows.schedule_zones import schedule_zones
from geoirrig.workflows.site_water import lay_out_water
from tests.io import site_builder as build
from tests.workflows.test_schedule_zones import climate, two_lawns

CONTRACT = [
    "nozzle_set", "turf_id", "du_lq", "cu", "mean_rate_mm_h", "runoff_l", "overspray_l",
    "run_minutes", "water_m3_year",
]  # fmt: skip
COARSE: dict[str, object] = {"cell_size_m": 0.5}
YEAR = climate([30, 40, 70, 100, 140, 170, 190, 170, 120, 80, 40, 30], 10.0)
# Q; H with half its flow, thrown alike; L that throws far over the edge; S that throws short.
NOZZLES = pd.DataFrame(
    {
        "nozzle": ["Q", "H", "L", "S"],
        "flow_lpm": [12.0, 6.0, 12.0, 5.0],
        "radius_m": [6.0, 6.0, 8.0, 4.5],
        "pressure_kpa": [200.0] * 4,
    }
)
ROOT = Path(__file__).parents[2]
_folder = tempfile.TemporaryDirectory(prefix="geoirrig-compare-")
_number = itertools.count()


def sets_of(texts: Mapping[str, str], problems: ProblemList) -> tuple[NozzleSet, ...]:
    """Sets from the text of their files, by name."""
    folder = Path(_folder.name) / f"sets{next(_number)}"
    folder.mkdir()
    for name, text in texts.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return read_nozzle_sets([folder / f"{name}.csv" for name in texts], problems)


def site_file(**layers: Any) -> Path:
    path = Path(_folder.name) / f"site{next(_number)}.gpkg"
    return build.write_site(path, build.good_layers(**{"nozzles": NOZZLES, **layers}))


def compared(
    texts: Mapping[str, str],
    *,
    record: ClimateRecord | None = None,
    options: CompareOptions | None = None,
    overrides: Mapping[str, object] = COARSE,
    **layers: Any,
) -> Comparison:
    problems = ProblemList()
    sets = sets_of(texts, problems)
    site, others = load_nozzle_sets(
        SiteSources(site=site_file(**layers)), sets, overrides=overrides, problems=problems
    )
    return compare_nozzles(site, others, options=options, climate=record)


def rows(found: Comparison, name: str = "comparison") -> list[dict[str, Any]]:
    table = next(table for table in comparison_tables(found) if table.name == name)
    return [
        dict(zip(table.columns, row, strict=True))
        for row in zip(*table.columns.values(), strict=True)
    ]


def zones(found: Comparison) -> list[dict[str, Any]]:
    return rows(found, "zone_comparison")


def sand() -> Any:
    return build.turf(soil_texture=["sand"], slope_pct=[0.0])


def steep_clay() -> Any:
    return build.turf(soil_texture=["silty_clay"], slope_pct=[20.0])


# --- by hand -------------------------------------------------------------------------------------


def test_half_the_flow_thrown_alike_takes_twice_the_minutes_and_no_less_water() -> None:
    # Sand takes everything in. Half the rate everywhere: the same evenness and the same share on
    # the turf, so the same water; the clock runs twice as long.
    found = compared({"slow": "from_nozzle,to_nozzle\nQ,H\n"}, record=YEAR, turf=sand())
    before, after = zones(found)

    assert after["mean_rate_mm_h"] == before["mean_rate_mm_h"] / 2.0
    assert after["du_lq"] == before["du_lq"]
    assert after["run_minutes"] == pytest.approx(2.0 * before["run_minutes"], rel=1e-12)
    assert after["water_m3_year"] == pytest.approx(before["water_m3_year"], rel=1e-12)
    for cause in ("", *(f"by_{cause}_" for cause in CAUSES)):
        assert after[f"saving_{cause}m3_year"] == pytest.approx(0.0, abs=1e-9)
    # with the clock left as it is, half of the water and half of the need
    water_l = before["flow_lpm"] * before["run_minutes"]
    assert before["water_l"] == pytest.approx(water_l, rel=1e-12)
    assert after["saving_if_clock_unchanged_l"] == pytest.approx(water_l / 2.0, rel=1e-12)
    assert after["need_met_if_clock_unchanged"] == pytest.approx(0.5, rel=1e-12)
    assert "No set takes less water a year" in found.finding


def test_run_minutes_give_the_net_depth_to_the_drier_half() -> None:
    # 60·d/(rate·DUlh); without runoff nothing more
    options = CompareOptions(net_depth_mm=10.0)
    found = compared({"slow": "from_nozzle,to_nozzle\nQ,H\n"}, turf=sand(), options=options)
    for zone in zones(found):
        assert zone["runoff_fraction"] == 0.0
        low_half_mm_h = zone["mean_rate_mm_h"] * zone["du_lh"]
        assert zone["run_minutes"] * low_half_mm_h / 60.0 == pytest.approx(10.0, rel=1e-12)
        assert zone["water_l"] * zone["served_fraction"] * zone["du_lh"] == pytest.approx(
            10.0 * zone["served_area_m2"], rel=1e-9
        )


def test_slower_nozzles_on_steep_clay_save_by_less_runoff_alone() -> None:
    found = compared({"slow": "from_nozzle,to_nozzle\nQ,H\n"}, record=YEAR, turf=steep_clay())
    before, after = zones(found)
    assert before["runoff_fraction"] > after["runoff_fraction"] > 0.0
    assert after["runoff_change_l"] < 0.0
    # W ∝ 1/(1 − r), nothing else moves
    ratio = (1.0 - after["runoff_fraction"]) / (1.0 - before["runoff_fraction"])
    assert before["water_m3_year"] == pytest.approx(ratio * after["water_m3_year"], rel=1e-12)
    assert after["saving_by_runoff_m3_year"] == pytest.approx(after["saving_m3_year"], rel=1e-12)
    assert found.finding.startswith("Set “slow” takes least water: ")
    assert found.finding.endswith(" %, at equal net depth.")


def test_longer_throw_loses_by_overspray_and_says_so_with_a_minus() -> None:
    found = compared({"far": "from_nozzle,to_nozzle\nQ,L\n"}, turf=sand())
    before, after = zones(found)
    assert before["overspray_l"] == pytest.approx(0.0, abs=1e-6)
    # L throws its quarter circle of 8 m over a square of 6 m: two corners outside
    assert 0.6 < after["on_target_fraction"] < 0.9
    assert after["served_fraction"] == pytest.approx(after["on_target_fraction"], rel=1e-5)
    assert after["saving_by_overspray_l"] < 0.0
    assert after["overspray_l"] == after["overspray_change_l"] + before["overspray_l"]


def test_pressure_alone_is_all_there_is_where_only_pressure_changes() -> None:
    text = "from_nozzle,to_nozzle,pressure_kpa\nL,,100\n"
    heads = build.heads(nozzle=["L"] * 4)
    found = compared({"regulated": text}, record=YEAR, turf=sand(), heads=heads)
    before, after = zones(found)
    # less pressure, a shorter throw: less goes over the edge
    assert after["flow_lpm"] == pytest.approx(before["flow_lpm"] / np.sqrt(2.0))
    assert after["saving_by_pressure_m3_year"] == pytest.approx(after["saving_m3_year"], rel=1e-12)
    assert after["saving_by_pressure_m3_year"] > 0.0
    assert after["saving_by_overspray_m3_year"] == after["saving_by_evenness_m3_year"] == 0.0
    assert any("a new pressure saves nothing by itself" in text for text in found.unchanged)


def test_zone_that_no_set_touches_is_named_and_keeps_its_numbers() -> None:
    layers = two_lawns(soil_texture=["sand"] * 2, slope_pct=[1.0] * 2)
    text = "from_nozzle,to_nozzle,zone\nQ,L,A\n"
    found = compared({"far": text}, record=YEAR, **layers)
    assert "No set changes a head of zone 'B'." in found.unchanged
    assert "Set “far” changes 4 of 8 heads." in found.unchanged
    by_turf = {(row["nozzle_set"], row["turf_id"]): row for row in rows(found)}
    untouched, touched = by_turf["far", "T2"], by_turf["far", "T1"]
    for name, value in untouched.items():
        if "_change" in name:
            assert value == 0.0, name
    assert touched["overspray_change_l"] > 0.0
    assert touched["water_change_m3_year"] > 0.0


# --- the engine ----------------------------------------------------------------------------------


def test_each_set_is_what_analyze_says_of_the_layout_with_these_nozzles() -> None:
    layers = two_lawns(soil_texture=["clay_loam", "silty_clay"], slope_pct=[14.0, 8.0])
    found = compared({"far": "from_nozzle,to_nozzle\nQ,L\n"}, **layers)
    for number, nozzle in enumerate(("Q", "L")):
        heads = layers["heads"].assign(nozzle=nozzle)
        site = load_site(
            SiteSources(site=site_file(heads=heads, turf=layers["turf"])), overrides=COARSE
        )
        analysis = analyze_site(site)
        turf = analysis.table("turf_results").columns
        own = rows(found)[2 * number : 2 * number + 2]
        for name in ("du_lq", "du_lh", "cu", "mean_rate_mm_h", "runoff_l", "mean_slope_pct"):
            np.testing.assert_allclose([row[name] for row in own], turf[name], rtol=1e-6)
        zone = analysis.table("zone_results").columns
        of_zone = zones(found)[2 * number : 2 * number + 2]
        for name in ("du_lq", "cu", "mean_rate_mm_h", "flow_lpm", "on_target_fraction", "runoff_l"):
            np.testing.assert_allclose([row[name] for row in of_zone], zone[name], rtol=1e-6)
        spray = sum(row["overspray_l"] for row in own)
        assert spray == pytest.approx(analysis.totals["overspray_l"], rel=1e-6, abs=1e-6)


def test_water_of_a_year_is_that_of_the_schedule_where_nothing_runs_off() -> None:
    layers = two_lawns(soil_texture=["sand"] * 2, slope_pct=[1.0, 2.0])
    problems = ProblemList()
    site, others = load_nozzle_sets(
        SiteSources(site=site_file(**layers)),
        sets_of({"far": "from_nozzle,to_nozzle\nQ,L\n"}, problems),
        overrides=COARSE,
        problems=problems,
    )
    found = compare_nozzles(site, others, climate=YEAR)
    for one, loaded in zip(found.sets, (site, others[0].site), strict=True):
        schedule = schedule_zones(loaded, lay_out_water(loaded), YEAR, options=ScheduleOptions())
        assert np.all(one.measures.zones["runoff_fraction"] == 0.0)
        np.testing.assert_allclose(
            one.measures.zones["water_m3_year"], schedule.schedule.water_m3.sum(axis=1), rtol=1e-9
        )


def test_minutes_of_the_plan_are_not_used_and_its_cycles_are() -> None:
    text = {"slow": "from_nozzle,to_nozzle\nQ,H\n"}
    plan = pd.DataFrame({"zone": ["A"], "run_minutes": [3.0]})
    cycles = pd.DataFrame({"zone": ["A"], "cycles": [4], "soak_minutes": [60.0]})
    bare = zones(compared(text, turf=steep_clay()))[0]
    stated = compared(text, turf=steep_clay(), zones=plan)
    assert zones(stated)[0]["runoff_l"] == bare["runoff_l"]
    assert any("Run minutes of the plan are not used" in text for text in stated.unchanged)
    assert zones(compared(text, turf=steep_clay(), zones=cycles))[0]["runoff_l"] < bare["runoff_l"]


def test_low_quarter_asks_for_more_water_than_the_low_half() -> None:
    text = {"far": "from_nozzle,to_nozzle\nQ,L\n"}
    options = CompareOptions(schedule=ScheduleOptions(run_time_method="low_quarter"))
    for half, quarter in zip(
        zones(compared(text, turf=sand())),
        zones(compared(text, turf=sand(), options=options)),
        strict=True,
    ):
        assert quarter["run_time_multiplier"] == pytest.approx(1.0 / quarter["du_lq"])
        assert quarter["water_l"] / half["water_l"] == pytest.approx(half["du_lh"] / half["du_lq"])


# --- properties ----------------------------------------------------------------------------------


def test_identical_set_has_no_difference_and_no_part_anywhere() -> None:
    layers = two_lawns(soil_texture=["clay_loam", "silty_clay"], slope_pct=[14.0, 8.0])
    found = compared({"same": "from_nozzle,to_nozzle\nQ,Q\n"}, record=YEAR, **layers)
    assert any("changes nothing" in text for text in found.warnings)
    for row in (*rows(found), *zones(found)):
        for name, value in row.items():
            if "_change" in name or name.startswith("saving_"):
                assert value == 0.0, (name, row)
    for one, other in zip(rows(found)[:2], rows(found)[2:], strict=True):
        assert {**one, "nozzle_set": ""} == {**other, "nozzle_set": ""}


def test_order_of_the_sets_does_not_matter() -> None:
    texts = {"far": "from_nozzle,to_nozzle\nQ,L\n", "slow": "head_id,nozzle\nSW,H\nNE,S\n"}
    forward = compared(texts, record=YEAR, turf=steep_clay())
    back = compared(dict(reversed(texts.items())), record=YEAR, turf=steep_clay())
    assert [one.name for one in back.sets] == ["existing", "slow", "far"]
    assert back.finding == forward.finding

    def by_set(found: Comparison) -> dict[str, dict[str, Any]]:
        return {row["nozzle_set"]: row for row in zones(found)}

    assert by_set(forward) == by_set(back)


_NOZZLE = st.sampled_from(["Q", "H", "L", "S"])
_PRESSURE = st.sampled_from([np.nan, 120.0, 200.0, 450.0])
_LAWN = site_file(
    **two_lawns(soil_texture=["clay_loam", "silty_clay"], slope_pct=[14.0, 8.0]),
)


@given(
    nozzles=st.lists(_NOZZLE, min_size=8, max_size=8),
    pressures=st.lists(_PRESSURE, min_size=8, max_size=8),
)
@settings(max_examples=15, deadline=None)
def test_parts_of_the_saving_add_up_to_the_difference_in_water(
    nozzles: Sequence[str], pressures: Sequence[float]
) -> None:
    heads = ["SW", "NW", "NE", "SE", "SW2", "NW2", "NE2", "SE2"]
    blank = np.full(8, "", dtype=object)
    nozzle_set = NozzleSet(
        name="drawn",
        head_id=np.array(heads, dtype=object),
        from_nozzle=blank,
        zone=blank,
        to_nozzle=np.array(nozzles, dtype=object),
        pressure_kpa=np.array(pressures),
    )
    site, others = load_nozzle_sets(SiteSources(site=_LAWN), [nozzle_set], overrides=COARSE)
    found = compare_nozzles(site, others, climate=YEAR)
    by_zone = zones(found)
    for before, after in zip(by_zone[:2], by_zone[2:], strict=True):
        for unit, water in (("l", "water_l"), ("m3_year", "water_m3_year")):
            parts = sum(after[f"saving_by_{cause}_{unit}"] for cause in CAUSES)
            whole = before[water] - after[water]
            assert parts == pytest.approx(whole, abs=1e-9 * before[water])
            assert after[f"saving_{unit}"] == pytest.approx(whole, abs=1e-9 * before[water])
        assert after["served_area_m2"] > 0.0
    totals = set_totals(found, found.sets[1])
    existing = set_totals(found, found.sets[0])
    parts = sum(totals[f"saving_by_{cause}_m3_year"] for cause in CAUSES)
    whole = existing["water_m3_year"] - totals["water_m3_year"]
    assert parts == pytest.approx(whole, abs=1e-9 * existing["water_m3_year"])
    of_turf = sum(row["water_m3_year"] for row in rows(found)[2:])
    assert of_turf == pytest.approx(totals["water_m3_year"], rel=1e-9)


# --- edges ---------------------------------------------------------------------------------------


def test_zone_that_serves_no_turf_under_a_set_takes_no_water_and_is_told() -> None:
    # Two zones on one lawn: the second, on the same corners, is outdone by the first
    first, second = build.heads(), build.heads(head_id=list("abcd"), zone=["B"] * 4)
    second["nozzle"] = "H"
    heads = pd.concat([first, second], ignore_index=True)
    texts = {"swapped": "from_nozzle,to_nozzle\nQ,H\nH,Q\n"}
    found = compared(texts, record=YEAR, turf=sand(), heads=heads)
    existing, swapped = zones(found)[:2], zones(found)[2:]
    assert [zone["served_area_m2"] > 0.0 for zone in existing] == [True, False]
    assert [zone["served_area_m2"] > 0.0 for zone in swapped] == [False, True]
    for zone in (existing[1], swapped[0]):
        assert zone["water_m3_year"] == zone["water_l"] == 0.0
        assert np.isnan(zone["run_minutes"])
        assert np.isnan(zone["du_lq"])
    # what one zone no longer waters the other does: area moves, and nothing is saved
    assert swapped[0]["saving_by_need_m3_year"] == pytest.approx(existing[0]["water_m3_year"])
    assert sum(zone["saving_m3_year"] for zone in swapped) == pytest.approx(0.0, abs=1e-9)
    told = [text for text in found.warnings if "serves no turf" in text]
    assert len(told) == 2
    assert "zone 'A' serves no turf under set 'swapped'" in told[1]


def test_turf_out_of_reach_has_no_minutes_and_no_uniformity() -> None:
    import shapely

    x, y = build.X0, build.Y0
    shapes = [shapely.box(x, y, x + 6, y + 6), shapely.box(x + 30, y, x + 33, y + 3)]
    found = compared({"slow": "from_nozzle,to_nozzle\nQ,H\n"}, record=YEAR, turf=build.turf(shapes))
    dry = rows(found)[1]
    assert np.isnan(dry["run_minutes"])
    assert np.isnan(dry["du_lq"])
    assert dry["water_m3_year"] == dry["overspray_l"] == 0.0


def test_without_a_climate_there_is_no_water_of_a_year() -> None:
    found = compared({"slow": "from_nozzle,to_nozzle\nQ,H\n"}, turf=steep_clay())
    for row in (*rows(found), *zones(found)):
        assert np.isnan(row["water_m3_year"])
    assert all(np.isnan(zone["saving_m3_year"]) for zone in zones(found))
    assert " an event less" in found.finding


def test_faults_of_site_and_sets_come_out_together() -> None:
    with pytest.raises(InputError) as caught:
        compared(
            {"a": "from_nozzle,to_nozzle\nQ,X\n", "b": "head_id,nozzle\nZZ,H\n"},
            turf=build.turf(soil_texture=["mud"]),
        )
    said = "\n".join(caught.value.problems)
    assert len(caught.value.problems) == 3
    for expected in ("Nozzle set 'a': unknown nozzle", "Nozzle set 'b': unknown head_id", "mud"):
        assert expected in said


def test_grid_holds_the_throws_of_every_set() -> None:
    found = compared({"far": "from_nozzle,to_nozzle\nQ,L\n"}, turf=sand())
    existing, far = (one.measures for one in found.sets)
    assert existing.grid == far.grid
    west, south, east, north = far.grid.bounds_m
    assert west <= build.X0 - 8.0
    assert east >= build.X0 + build.SIDE_M + 8.0
    assert south <= build.Y0 - 8.0
    assert north >= build.Y0 + build.SIDE_M + 8.0


# --- the files -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Comparison, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("compare") / "out"
    layers = two_lawns(
        soil_texture=["clay_loam", "silty_clay"], slope_pct=[14.0, 8.0], owner=["x", "y"]
    )
    texts = {
        "far": "from_nozzle,to_nozzle\nQ,L\n",
        "slow": "from_nozzle,to_nozzle,pressure_kpa\nQ,H,150\n",
    }
    found = compared(texts, record=YEAR, **layers)
    summary = export_comparison(
        found, folder, units="si", overwrite=False, options={"command": "compare"}
    )
    return folder, found, summary


def csv_rows(folder: Path) -> list[dict[str, str]]:
    with (folder / "comparison.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_export_writes_the_whole_set(written: Any) -> None:
    names = {path.name for path in written[0].iterdir()}
    assert names == {
        "comparison.csv", "comparison.gpkg", "comparison.qgs", "comparison.png", "summary.json",
    }  # fmt: skip
    assert names <= set(RESULT_NAMES)
    assert (written[0] / "comparison.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_csv_has_the_contract_columns_first_and_the_existing_layout_first(written: Any) -> None:
    table = csv_rows(written[0])
    assert list(table[0])[: len(CONTRACT)] == CONTRACT
    assert [(row["nozzle_set"], row["turf_id"]) for row in table] == [
        (name, turf) for name in ("existing", "far", "slow") for turf in ("T1", "T2")
    ]
    assert [row["owner"] for row in table] == ["x", "y"] * 3


def test_geopackage_has_both_layers_with_styles_and_what_stays_unchanged(written: Any) -> None:
    path = written[0] / "comparison.gpkg"
    turf = pyogrio.read_dataframe(path, layer="comparison")
    assert list(turf.columns)[: len(CONTRACT)] == CONTRACT
    np.testing.assert_allclose(
        turf["water_m3_year"], [float(row["water_m3_year"]) for row in csv_rows(written[0])]
    )
    np.testing.assert_allclose(turf.geometry.area, 36.0)
    zone = pyogrio.read_dataframe(path, layer="zone_comparison")
    assert zone["zone"].tolist() == ["A", "B"] * 3
    np.testing.assert_allclose(zone.geometry.area, zone["served_area_m2"])
    styles = pyogrio.read_dataframe(path, layer="layer_styles")
    assert {"comparison", "zone_comparison"} <= set(styles["f_table_name"])
    info = pyogrio.read_dataframe(path, layer="run_info").set_index("key")["value"]
    assert info["unchanged 1"].startswith("Unchanged under every set")
    assert info["finding"] == written[1].finding


def test_summary_tells_each_set_with_its_saving_by_cause(written: Any) -> None:
    folder, found, summary = written
    stored = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert list(stored)[:3] == ["version", "inputs", "options"]
    assert [one["nozzle_set"] for one in stored["sets"]] == ["existing", "far", "slow"]
    assert stored["unchanged"] == list(found.unchanged)
    assert stored["net_depth_mm"] == 12.7
    assert stored["options"]["run_time_method"] == "low_half"
    for one in stored["sets"]:
        parts = sum(one[f"saving_by_{cause}_m3_year"] for cause in CAUSES)
        assert parts == pytest.approx(one["saving_m3_year"], abs=1e-9)
        assert one["saving_m3_year"] == pytest.approx(-one["water_change_m3_year"], abs=1e-9)
    assert len(stored["turf"]) == len(stored["zones"]) == 6
    assert len(summary["warnings"]) == len(stored["warnings"])


def test_us_units_convert_and_rename_every_column(written: Any, tmp_path: Path) -> None:
    summary = export_comparison(
        written[1], tmp_path / "us", units="us", overwrite=False, options={}
    )
    si, us = csv_rows(written[0])[2], csv_rows(tmp_path / "us")[2]
    assert list(us)[4:9] == [
        "mean_rate_in_h", "runoff_gal", "overspray_gal", "run_minutes", "water_kgal_year",
    ]  # fmt: skip
    assert float(us["mean_rate_in_h"]) == pytest.approx(float(si["mean_rate_mm_h"]) / MM_PER_INCH)
    assert float(us["water_kgal_year"]) * LITRES_PER_US_GALLON == pytest.approx(
        float(si["water_m3_year"])
    )
    assert "saving_by_runoff_kgal_year" in summary["sets"][1]
    assert summary["net_depth_in"] == pytest.approx(0.5)


def test_results_that_are_there_are_kept_unless_overwritten(written: Any) -> None:
    folder, found, _ = written
    with pytest.raises(OutputError, match="already holds results"):
        export_comparison(found, folder, units="si", overwrite=False, options={})
    (folder / "comparison_2.png").write_bytes(b"old")
    export_comparison(found, folder, units="si", overwrite=True, options={"command": "compare"})
    assert not (folder / "comparison_2.png").exists()


def test_litres_of_a_year_and_cubic_metres_agree(written: Any) -> None:
    _, found, _ = written
    for one in found.sets:
        np.testing.assert_allclose(
            one.measures.zones["water_m3_year"] * LITRES_PER_M3,
            one.measures.zones["water_l"] / 12.7 * one.measures.zones["net_need_mm"],
            rtol=1e-12,
        )


# --- the sample ----------------------------------------------------------------------------------


def test_explanation_page_tells_the_numbers_of_the_hillside() -> None:
    samples, problems = ROOT / "sample_gis", ProblemList()
    record = read_climate(
        samples / "hillside_climate.csv", problems, latitude_deg=41.9, altitude_m=420.0
    )
    names = ("hillside_rotary", "hillside_repairs")
    sets = read_nozzle_sets([samples / f"{name}.csv" for name in names], problems)
    sources = SiteSources(
        site=samples / "hillside_site.gpkg", slope=samples / "hillside_slope_pct.tif"
    )
    site, others = load_nozzle_sets(sources, sets, problems=problems)
    found = compare_nozzles(site, others, climate=record)
    existing, rotary, repairs = (set_totals(found, one) for one in found.sets)

    page = (ROOT / "docs" / "explanation" / "compare.md").read_text(encoding="utf-8")
    lines = (line.split("|")[1:-1] for line in page.splitlines() if line.startswith("|"))
    stated = {cells[0].strip(): [cell.strip() for cell in cells[1:]] for cells in lines}

    def numbers(row: str) -> list[float]:
        cells = (cell.replace(",", "").replace("−", "-").split() for cell in stated[row])
        return [float(cell[0]) for cell in cells if cell]

    for row, column, digits in (
        ("DU, low quarter, mean of the served turf", "du_lq", 3),
        ("mean rate", "mean_rate_mm_h", 1),
        ("runoff of an event", "runoff_l", 0),
        ("overspray of an event", "overspray_l", 0),
        ("minutes of an event, all zones", "run_minutes", 0),
        ("water of a year", "water_m3_year", 0),
    ):
        values = [round(one[column], digits) for one in (existing, rotary, repairs)]
        assert numbers(row) == values, row
    for row, column, digits in (
        ("heads changed", "changed_head_count", 0),
        ("saved", "saving_m3_year", 0),
        *((f"by {cause}", f"saving_by_{cause}_m3_year", 1) for cause in CAUSES),
    ):
        values = [round(one[column], digits) + 0.0 for one in (rotary, repairs)]
        assert numbers(row) == values, row
    clock = "saving_if_clock_unchanged_m3_year"
    assert numbers("if the clock stayed") == [round(rotary[clock]), round(repairs[clock], 1)]
    met = found.sets[1].savings.need_met_fraction[found.sets[1].changed_heads > 0]
    assert (round(met.min(), 2), round(met.max(), 2)) == (0.47, 0.66)
    assert "47 to 66 %" in page
