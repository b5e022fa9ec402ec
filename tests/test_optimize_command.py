"""The command optimize, as a designer types it: what it writes, says and refuses."""

from __future__ import annotations

import csv
import ctypes
import json
import os
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from geoirrig.cli.library_output import libraries_silenced
from geoirrig.units import LITRES_PER_US_GALLON
from tests.io import site_builder as build
from tests.run_command import refusal, run

# Q, M and S are matched: 12 L/min over 6 m is 10.1 over 5.5 m and 8.3 over 5 m.
NOZZLES = pd.DataFrame(
    {
        "nozzle": ["Q", "M", "S"],
        "flow_lpm": [12.0, 10.1, 8.3],
        "radius_m": [6.0, 5.5, 5.0],
        "pressure_kpa": [200.0] * 3,
        "device": ["fixed_spray"] * 3,
    }
)
COARSE = ("--cell", "0.5", "--seconds", "5")


def site_of(folder: Path, **layers: Any) -> Path:
    return build.write_site(
        folder / "site.gpkg", build.good_layers(**{"nozzles": NOZZLES, **layers})
    )


def two_zones(crs: str = build.CRS) -> gpd.GeoDataFrame:
    """Two zones side by side on one lawn; two heads of A and one of B throw short or astray."""
    x = np.array([0.0, 0.0, 6.0, 6.0, 6.3, 6.3, 12.0, 12.0]) + build.X0
    y = np.array([0.0, 6.0, 6.0, 0.0] * 2) + build.Y0
    return gpd.GeoDataFrame(
        {
            "head_id": [f"H{k}" for k in range(8)],
            "zone": ["A"] * 4 + ["B"] * 4,
            "nozzle": ["S", "Q", "Q", "S", "Q", "M", "Q", "Q"],
            "arc_deg": [90.0] * 8,
            "start_bearing_deg": [0.0, 90.0, 180.0, 270.0, 0.0, 90.0, 180.0, 300.0],
            "note": [f"n{k}" for k in range(8)],
        },
        geometry=gpd.points_from_xy(x, y),
        crs=build.CRS,
    ).to_crs(crs)


def long_lawn(crs: str = build.CRS) -> gpd.GeoDataFrame:
    lawn = build.turf([shapely.box(build.X0, build.Y0, build.X0 + 12.3, build.Y0 + 6.0)])
    return lawn.to_crs(crs)


def optimized(site: Path, out: Path, *options: object) -> dict[str, Any]:
    result = run("optimize", site, *COARSE, *options, "--out", out, "--json")
    assert result.exit_code == 0, result.stderr
    summary: dict[str, Any] = json.loads(result.stdout)
    assert summary == json.loads((out / "summary.json").read_text(encoding="utf-8"))
    return summary


# --- figures -------------------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["si", "us"])
@pytest.mark.parametrize("crs", [build.CRS, "EPSG:2229"])  # metres; US survey feet
def test_optimize_proposal_analysed_again_gives_the_reported_figures(
    tmp_path: Path, units: str, crs: str
) -> None:
    site = site_of(tmp_path, heads=two_zones(crs), turf=long_lawn(crs))
    summary = optimized(site, tmp_path / "out", "--units", units)
    again = run(
        "analyze", site, "--heads", tmp_path / "out" / "proposal.gpkg", "--cell", "0.5",
        "--out", tmp_path / "again", "--json",
    )  # fmt: skip
    assert again.exit_code == 0, again.stderr
    analysed = {zone["zone"]: zone for zone in json.loads(again.stdout)["zones"]}
    litres = LITRES_PER_US_GALLON if units == "us" else 1.0
    flow, runoff = ("gpm", "gal") if units == "us" else ("lpm", "l")
    assert [zone["zone"] for zone in summary["zones"]] == list(analysed)
    for zone in summary["zones"]:
        own = analysed[zone["zone"]]
        assert own["du_lq"] == pytest.approx(zone["du_lq_after"], abs=1e-6)
        assert own["flow_lpm"] == pytest.approx(litres * zone[f"flow_after_{flow}"], rel=1e-9)
        assert own["overspray_fraction"] == pytest.approx(
            zone["overspray_fraction_after"], abs=1e-6
        )
        assert own["runoff_l"] == pytest.approx(litres * zone[f"runoff_after_{runoff}"], rel=1e-5)
        assert zone["du_lq_before"] <= zone["du_lq_after"] <= zone["du_lq_bound"]
        assert zone["gap"] == pytest.approx(zone["du_lq_bound"] / zone["du_lq_after"] - 1.0)


def test_optimize_totals_weigh_zones_by_what_they_are_of(tmp_path: Path) -> None:
    site = site_of(tmp_path, heads=two_zones(), turf=long_lawn())
    summary = optimized(site, tmp_path / "out")
    analysed = run("analyze", site, "--cell", "0.5", "--out", tmp_path / "now", "--json")
    zones = json.loads(analysed.stdout)["zones"]
    total, totals = sum(zone["flow_lpm"] for zone in zones), summary["totals"]
    area = [zone["served_area_m2"] for zone in zones]
    assert totals["du_lq_before"] == pytest.approx(
        np.average([zone["du_lq"] for zone in zones], weights=area), abs=1e-6
    )
    assert totals["flow_before_lpm"] == pytest.approx(total)
    assert totals["overspray_fraction_before"] == pytest.approx(
        sum(zone["flow_lpm"] * zone["overspray_fraction"] for zone in zones) / total, abs=1e-6
    )
    assert totals["runoff_before_l"] == pytest.approx(
        sum(zone["runoff_l"] for zone in zones), rel=1e-5
    )


# --- files ---------------------------------------------------------------------------------------


def test_optimize_writes_an_input_layer_in_si_and_changes_in_the_chosen_units(
    tmp_path: Path,
) -> None:
    site = site_of(tmp_path, heads=two_zones(), turf=long_lawn())
    out = tmp_path / "out"
    summary = optimized(site, out, "--units", "us")
    assert {path.name for path in out.iterdir()} >= {
        "proposal.gpkg", "proposal.qgs", "changes.csv", "proposal.png", "summary.json",
    }  # fmt: skip
    layers = pyogrio.list_layers(out / "proposal.gpkg")[:, 0].tolist()
    assert set(layers) >= {"heads", "changes", "optimized_zones", "run_info", "layer_styles"}
    heads = pyogrio.read_dataframe(out / "proposal.gpkg", layer="heads")
    assert heads["head_id"].tolist() == two_zones()["head_id"].tolist()
    assert heads["note"].tolist() == two_zones()["note"].tolist()
    assert {"zone", "nozzle", "arc_deg", "start_bearing_deg", "radius_m", "flow_lpm"} <= set(heads)
    assert not {"radius_ft", "flow_gpm"} & set(heads)
    changes = pyogrio.read_dataframe(out / "proposal.gpkg", layer="changes")
    assert {"old_radius_ft", "new_radius_ft", "old_flow_gpm", "instruction"} <= set(changes)
    by_id = heads.set_index("head_id")
    for row in changes.itertuples():
        assert row.new_radius_ft * 0.3048 == pytest.approx(by_id.loc[row.head_id, "radius_m"])
    with (out / "changes.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["head_id"] for row in rows] == changes["head_id"].tolist()
    assert [row["instruction"] for row in rows] == [
        change["instruction"] for change in summary["changes"]
    ]
    assert summary["totals"]["changed_head_count"] == len(rows) > 0
    styles = pyogrio.read_dataframe(out / "proposal.gpkg", layer="layer_styles")
    assert set(styles["f_table_name"]) >= {"heads", "changes"}


def test_optimize_added_head_is_told_apart_in_layer_and_totals(tmp_path: Path) -> None:
    site = site_of(tmp_path, heads=build.heads().iloc[1:])  # the south-west corner has none
    out = tmp_path / "out"
    result = run(
        "optimize", site, *COARSE, "--add-heads", 1, "--allow-more-runoff", "--out", out
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    assert "1 head to add" in result.stdout
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert summary["totals"]["added_head_count"] == 1
    changes = pyogrio.read_dataframe(out / "proposal.gpkg", layer="changes")
    added = changes[changes["change"] == "add a head"]
    assert len(added) == 1
    assert added["old_nozzle"].isna().all()
    assert added["old_radius_m"].isna().all()
    assert len(pyogrio.read_dataframe(out / "proposal.gpkg", layer="heads")) == 4


def test_optimize_of_the_best_layout_says_that_nothing_is_to_be_changed(tmp_path: Path) -> None:
    out = tmp_path / "out"
    summary = optimized(site_of(tmp_path), out)
    assert summary["finding"].startswith("No head is to be changed. Zone A: evenness")
    assert summary["changes"] == []
    assert len(pyogrio.read_dataframe(out / "proposal.gpkg", layer="changes")) == 0
    assert (out / "changes.csv").read_text(encoding="utf-8").startswith("head_id,zone,change,")


def test_optimize_prints_zones_finding_and_how_to_analyse_it(tmp_path: Path) -> None:
    site = site_of(tmp_path, heads=two_zones(), turf=long_lawn())
    result = run("optimize", site, *COARSE, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.stderr
    words = " ".join(result.stdout.split())
    for expected in (
        "Zones, as they stand and as proposed", "At most", "no choice within the limits can beat",
        "of 2 zones get more even", "clockwise from bearing", "add --heads proposal.gpkg",
        "measure the pressure at the heads",
    ):  # fmt: skip
        assert expected in words, expected


def test_optimize_warns_where_planned_minutes_meet_another_flow(tmp_path: Path) -> None:
    plan = pd.DataFrame({"zone": ["A"], "run_minutes": [10.0]})
    heads = build.heads(nozzle=["S", "M", "S", "Q"])
    summary = optimized(
        site_of(tmp_path, heads=heads, zones=plan), tmp_path / "out", "--supply-lpm", 12.0,
        "--allow-more-runoff",
    )  # fmt: skip
    # S, M, S and Q at 90° take (8.3 + 10.1 + 8.3 + 12) / 4 = 9.7 L/min, four Q 12: 124 %
    assert summary["zones"][0]["flow_after_lpm"] == pytest.approx(12.0)
    assert any("'A (124 %)' of today's" in warning for warning in summary["warnings"])


def test_optimize_answer_is_free_of_what_a_library_prints(
    capfd: pytest.CaptureFixture[str],
) -> None:
    library = ctypes.CDLL(None)
    with libraries_silenced():
        library.printf(b"a line of the solver\n")
        os.write(1, b"another\n")
    sys.stdout.write("the answer\n")
    sys.stdout.flush()
    library.printf(b"and what comes later\n")
    library.fflush(None)
    assert capfd.readouterr().out == "the answer\nand what comes later\n"


# --- limits --------------------------------------------------------------------------------------


def test_optimize_asks_for_throws_that_reach_unless_told_otherwise(tmp_path: Path) -> None:
    # S throws 5 m, which with a tenth more is head to head at 5.5 m; the heads stand 6 m apart.
    site = site_of(tmp_path, heads=build.heads(nozzle=["S", "M", "S", "Q"]))
    reaching = optimized(site, tmp_path / "out", "--supply-lpm", 12.0, "--allow-more-runoff")
    assert reaching["changes"]
    assert all(change["new_radius_m"] >= 6.0 / 1.1 for change in reaching["changes"])
    free = optimized(site, tmp_path / "free", "--short-throws")
    caution = "That heads reach their neighbours was no limit"
    for summary, reaches in ((reaching, True), (free, False)):
        assert summary["options"]["limits"]["reaches_neighbour"] is reaches
        assert any(text.startswith(caution) for text in summary["cautions"]) is not reaches


def test_optimize_takes_the_supply_from_the_settings_too(tmp_path: Path) -> None:
    site = site_of(tmp_path, heads=build.heads(nozzle=["S", "M", "S", "Q"]))
    settings = tmp_path / "settings.toml"
    settings.write_text("supply_lpm = 12.0\n", encoding="utf-8")
    summary = optimized(
        site, tmp_path / "out", "--settings", settings, "--allow-more-runoff"
    )  # fmt: skip
    assert summary["options"]["limits"]["flow_lpm"] == 12.0
    assert summary["zones"][0]["flow_after_lpm"] > summary["zones"][0]["flow_before_lpm"]


def test_optimize_limit_that_no_choice_keeps_is_named(tmp_path: Path) -> None:
    out = tmp_path / "out"
    result = run("optimize", site_of(tmp_path), *COARSE, "--supply-lpm", 1.0, "--out", out)
    # the smallest nozzle alone takes 8.3 / 4 = 2.1 L/min at 90°
    assert "Zone 'A': no choice from the nozzle table keeps all limits" in refusal(result, out)
    assert "limit on the flow" in " ".join(result.stderr.split())


# --- bad input -----------------------------------------------------------------------------------


def test_optimize_without_a_nozzle_table_is_told(tmp_path: Path) -> None:
    layers = build.good_layers(heads=build.heads(nozzle=None, radius_m=6.0, flow_lpm=3.0))
    layers.pop("nozzles")
    out = tmp_path / "out"
    text = refusal(
        run("optimize", build.write_site(tmp_path / "site.gpkg", layers), "--out", out), out
    )
    assert "nozzles" in text
    assert text.count("--nozzles") == 1


def test_optimize_numbers_out_of_range_are_told_with_what_else_is_wrong(tmp_path: Path) -> None:
    site = site_of(tmp_path, turf=build.turf(soil_texture=["lome"]))
    out = tmp_path / "out"
    text = refusal(
        run(
            "optimize", site, "--add-heads", -1, "--max-overspray", 5, "--max-spread-pct", -2,
            "--gap", 2, "--seconds", 0, "--out", out,
        ),
        out,
    )  # fmt: skip
    for option in ("--add-heads", "--max-overspray", "--max-spread-pct", "--gap", "--seconds"):
        assert f"{option} must be from" in text, option
    assert "lome" in text


def test_optimize_zone_without_heads_is_left_out_with_a_warning(tmp_path: Path) -> None:
    plan = pd.DataFrame({"zone": ["A", "ghost"], "run_minutes": [10.0, 10.0]})
    summary = optimized(site_of(tmp_path, zones=plan), tmp_path / "out")
    assert [zone["zone"] for zone in summary["zones"]] == ["A"]
    assert any("'ghost'" in warning for warning in summary["warnings"])


def test_optimize_zone_off_the_turf_stays_as_it_is_and_is_told(tmp_path: Path) -> None:
    stray = gpd.GeoDataFrame(
        {"head_id": ["X"], "zone": ["off"], "nozzle": ["Q"]},
        geometry=gpd.points_from_xy([build.X0 + 30.0], [build.Y0]),
        crs=build.CRS,
    )
    heads = pd.concat([build.heads(), stray], ignore_index=True).fillna({"arc_deg": 360.0})
    out = tmp_path / "out"
    result = run("optimize", site_of(tmp_path, heads=heads), *COARSE, "--out", out)
    assert result.exit_code == 0, result.stderr
    assert "Zone 'off' has no turf to water" in " ".join(result.stderr.split())
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    of_zone = {zone["zone"]: zone for zone in summary["zones"]}
    assert of_zone["off"]["du_lq_bound"] is None
    assert of_zone["off"]["gap"] is None
    assert of_zone["A"]["du_lq_bound"] >= of_zone["A"]["du_lq_after"]


def test_optimize_refuses_a_folder_with_results_until_told_to_replace_them(
    tmp_path: Path,
) -> None:
    site, out = site_of(tmp_path), tmp_path / "out"
    optimized(site, out)
    again = run("optimize", site, *COARSE, "--out", out)
    assert again.exit_code == 2
    assert "already holds results" in again.stderr
    optimized(site, out, "--overwrite")
