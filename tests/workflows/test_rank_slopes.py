"""Ranking of slopes as a whole: hand-worked lawns, ties, the year, and the files written."""

from __future__ import annotations

import itertools
import json
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from geoirrig.errors import OutputError
from geoirrig.io.output_folder import RESULT_NAMES
from geoirrig.io.read_site import SiteSources
from geoirrig.records import ZoneSchedule
from geoirrig.units import LITRES_PER_US_GALLON
from geoirrig.workflows.analyze_site import analyze_site
from geoirrig.workflows.export_ranking import export_ranking
from geoirrig.workflows.load_site import LoadedSite, load_site
from geoirrig.workflows.rank_slopes import (
    RankOptions,
    SlopeRanking,
    rank_slopes,
    worst_slopes_finding,
)
from geoirrig.workflows.site_water import lay_out_water
from tests.io import site_builder as build

X0, Y0 = build.X0, build.Y0
CONTRACT = [
    "rank", "slope_unit", "turf_id", "area_m2", "mean_slope_pct", "runoff_l", "runoff_depth_mm",
    "minutes_to_runoff", "runoff_probability", "rank_low", "rank_high",
]  # fmt: skip
SAMPLES = Path(__file__).parents[2] / "sample_gis"
_folder = tempfile.TemporaryDirectory(prefix="geoirrig-ranking-")
_number = itertools.count()


def loaded(**layers: Any) -> LoadedSite:
    """The good site (four quarter heads around a square of 6 m) with some layers changed."""
    path = Path(_folder.name) / f"site{next(_number)}.gpkg"
    build.write_site(path, build.good_layers(**layers))
    return load_site(SiteSources(site=path), overrides={"cell_size_m": 0.5})


def halves(**columns: Any) -> Any:
    """The square cut in three: two halves under water, and a strip of turf that is out of reach."""
    shapes = [
        shapely.box(X0, Y0, X0 + 3.0, Y0 + 6.0),
        shapely.box(X0 + 3.0, Y0, X0 + 6.0, Y0 + 6.0),
        shapely.box(X0 + 20.0, Y0, X0 + 22.0, Y0 + 6.0),
    ]
    table = {"turf_id": ["west", "east", "far"], "slope_pct": [9.0, 9.0, 9.0]} | columns
    return build.turf(shapes, **table)


def long_run(minutes: float = 60.0) -> pd.DataFrame:
    """A plan of one zone, in one cycle."""
    return pd.DataFrame({"zone": ["A"], "run_minutes": [minutes]})


def ranked(site: LoadedSite, **options: Any) -> SlopeRanking:
    return rank_slopes(site, lay_out_water(site), **options)


def column(ranking: SlopeRanking, name: str) -> list[Any]:
    return np.asarray(ranking.table.columns[name]).tolist()


# --- hand-worked lawns ---------------------------------------------------------------------------


def test_rank_slopes_of_equal_halves_tie_and_the_dry_strip_is_last() -> None:
    # the square is symmetric: both halves get and shed the same; the strip gets nothing
    ranking = ranked(loaded(turf=halves(), zones=long_run()))
    assert column(ranking, "slope_unit") == ["west", "east", "far"]
    assert column(ranking, "rank") == [1, 1, 3]
    west, east, far = column(ranking, "runoff_l")
    assert west == pytest.approx(east, rel=1e-5)
    assert west > 0.0
    assert far == 0.0
    assert column(ranking, "runoff_share") == pytest.approx([0.5, 0.5, 0.0], rel=1e-5)
    assert column(ranking, "cumulative_share") == pytest.approx([0.5, 1.0, 1.0], rel=1e-5)
    # where a half is drawn that sheds nothing either, the strip ties with it
    assert column(ranking, "rank_low")[2] <= column(ranking, "rank_high")[2] == 3
    assert ranking.finding == "The worst of 3 slopes sheds 50 % of the runoff."


def test_rank_slopes_steeper_and_tighter_ground_comes_first() -> None:
    site = loaded(
        turf=halves(soil_texture=["sandy_loam", "clay", "clay"], slope_pct=[2.0, 20.0, 20.0]),
        zones=long_run(),
    )
    ranking = ranked(site)
    assert column(ranking, "turf_id") == ["east", "west", "far"]
    assert column(ranking, "rank") == [1, 2, 3]
    # clay east of two: in nine draws of ten it is first or second, never behind the dry strip
    assert column(ranking, "rank_low")[0] == 1
    assert column(ranking, "rank_high")[0] <= 2
    assert column(ranking, "mean_slope_pct") == [20.0, 2.0, 20.0]


def test_rank_slopes_measures_are_those_of_the_analysis() -> None:
    site = loaded(turf=halves(slope_pct=[2.0, 20.0, 9.0]), zones=long_run())
    ranking, turf = ranked(site), analyze_site(site).table("turf_results").columns
    place = [list(turf["turf_id"]).index(name) for name in column(ranking, "turf_id")]
    for name in ("area_m2", "mean_slope_pct", "runoff_l", "minutes_to_runoff"):
        assert column(ranking, name) == pytest.approx(turf[name][place].tolist(), rel=1e-9)
    assert column(ranking, "rank") == turf["runoff_rank"][place].tolist()


def test_rank_slopes_without_any_runoff_all_tie_and_no_share_is_claimed() -> None:
    ranking = ranked(loaded(turf=halves(soil_texture=["sand"] * 3), zones=long_run(1.0)))
    assert column(ranking, "rank") == [1, 1, 1]
    assert np.isnan(column(ranking, "runoff_share")).all()
    assert ranking.finding == "Nothing runs off in the event as planned."
    assert ranking.totals["slopes_with_runoff"] == 0


def test_rank_slopes_single_slope_is_first_for_sure() -> None:
    ranking = ranked(loaded(zones=long_run(90.0)))
    assert [column(ranking, name) for name in ("rank", "rank_low", "rank_high")] == [[1]] * 3
    assert column(ranking, "runoff_share") == [1.0]
    assert ranking.finding == "All of the runoff comes from the one slope there is."


# --- intervals -----------------------------------------------------------------------------------


def test_rank_slopes_intervals_hold_the_rank_and_the_litres() -> None:
    ranking = ranked(hillside())
    columns = {name: np.array(values) for name, values in ranking.table.columns.items()}
    assert np.all(columns["rank_low"] <= columns["rank"])
    assert np.all(columns["rank"] <= columns["rank_high"])
    assert np.all(columns["runoff_low_l"] <= columns["runoff_l"])
    assert np.all(columns["runoff_l"] <= columns["runoff_high_l"])
    assert columns["rank_low"].dtype.kind == "i"
    assert np.sum(columns["runoff_share"]) == pytest.approx(1.0, rel=1e-12)
    assert np.all(np.diff(columns["rank"]) >= 0)


def test_rank_slopes_same_seed_same_bytes_other_seed_other_interval() -> None:
    site = hillside()
    tables = [ranked(site, options=RankOptions(seed=seed)).table for seed in (1, 1, 2)]
    first, again, other = (
        np.asarray(table.columns["runoff_high_l"], dtype=float).tobytes() for table in tables
    )
    assert first == again != other


def test_rank_slopes_without_spread_is_certain() -> None:
    site = loaded(turf=halves(slope_pct=[2.0, 20.0, 9.0]), zones=long_run())
    certain = load_site(
        SiteSources(site=_last_site()),
        overrides={"cell_size_m": 0.5, "intake_log_sd": 0.0, "storage_cv": 0.0},
    )
    assert site.grid == certain.grid
    ranking = ranked(certain)
    assert column(ranking, "rank_low") == column(ranking, "rank") == column(ranking, "rank_high")
    assert column(ranking, "runoff_low_l") == pytest.approx(column(ranking, "runoff_high_l"), 1e-5)


def _last_site() -> Path:
    return max(Path(_folder.name).glob("site*.gpkg"), key=lambda path: int(path.stem[4:]))


def hillside(**overrides: object) -> LoadedSite:
    return load_site(
        SiteSources(site=SAMPLES / "hillside_site.gpkg", slope=SAMPLES / "hillside_slope_pct.tif"),
        overrides={"cell_size_m": 0.5, **overrides},
    )


def test_rank_slopes_by_slope_class_parts_sum_to_their_polygons() -> None:
    site = hillside()
    whole, parts = ranked(site), ranked(site, options=RankOptions(by_slope_class=True))
    assert len(column(parts, "rank")) > len(column(whole, "rank"))
    for name in ("area_m2", "runoff_l"):
        total = pd.Series(column(parts, name)).groupby(column(parts, "turf_id")).sum()
        expected = pd.Series(column(whole, name), index=column(whole, "turf_id"))
        np.testing.assert_allclose(total, expected[total.index], rtol=1e-9)
    assert parts.totals["runoff_l"] == pytest.approx(whole.totals["runoff_l"], rel=1e-9)
    assert parts.totals["runoff_high_l"] == pytest.approx(whole.totals["runoff_high_l"], rel=1e-9)


def test_rank_slopes_green_ampt_ranks_with_intervals() -> None:
    ranking = ranked(
        hillside(runoff_model="green_ampt", cell_size_m=2.0), options=RankOptions(realisations=20)
    )
    assert ranking.totals["runoff_l"] > 0.0
    assert ranking.totals["runoff_low_l"] < ranking.totals["runoff_high_l"]


# --- the year ------------------------------------------------------------------------------------


def year(zones: tuple[str, ...], **changes: Any) -> ZoneSchedule:
    shape = (len(zones), 12)
    values: dict[str, Any] = {
        "events": np.full(shape, 4.0),
        "run_minutes": np.full(shape, 60.0),
        "cycles": np.full(shape, 3, dtype=np.int64),
        "cycle_minutes": np.full(shape, 20.0),
        "soak_minutes": np.full(shape, 45.0),
        **dict.fromkeys(
            ("interval_days", "net_depth_mm", "gross_depth_mm", "water_m3"), np.ones(shape)
        ),
    } | changes
    return ZoneSchedule(zone=zones, **values)


def test_rank_slopes_with_a_schedule_adds_the_year_and_keeps_the_rank() -> None:
    site = loaded(turf=halves(slope_pct=[2.0, 20.0, 9.0]), zones=long_run())
    plain, ranking = ranked(site), ranked(site, schedule=year(("A",)))
    assert "annual_runoff_l" not in plain.table.columns
    assert column(ranking, "rank") == column(plain, "rank")
    # the plan of the site is the same hour in one cycle
    expected = [48.0 * litres for litres in column(ranking, "runoff_l")]
    assert column(ranking, "annual_runoff_one_cycle_l") == pytest.approx(expected, rel=1e-5)
    assert column(ranking, "annual_runoff_l")[0] < expected[0]
    assert ranking.totals["annual_runoff_one_cycle_l"] == pytest.approx(sum(expected), rel=1e-5)


def test_rank_slopes_schedule_of_other_zones_is_refused() -> None:
    with pytest.raises(ValueError, match="zones of the site, in their running order"):
        ranked(loaded(), schedule=year(("B",)))


# --- the sentence --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("runoff_l", "sentence"),
    [
        ([6.3] * 10 + [37 / 27] * 27, "The worst ten of 37 slopes shed 63 % of the runoff."),
        ([5.0] * 4 + [0.0] * 36, "The worst four of 40 slopes shed all of the runoff."),
        ([6.0, 3.0, 1.0], "The worst of 3 slopes sheds 60 % of the runoff."),
        ([6.0, 0.0, 0.0], "The worst of 3 slopes sheds all of the runoff."),
        ([999.0, 1.0, 0.0], "The worst of 3 slopes sheds over 99 % of the runoff."),
        ([4.0] * 2 + [1.0] * 2 + [0.0] * 4, "The worst two of 8 slopes shed 80 % of the runoff."),
        ([0.0, 0.0], "Nothing runs off in the event as planned."),
    ],
)
def test_worst_slopes_finding_says_it_in_a_sentence(runoff_l: list[float], sentence: str) -> None:
    assert worst_slopes_finding(np.array(runoff_l)) == sentence


# --- what is written -----------------------------------------------------------------------------


def written(folder: Path, **options: Any) -> Mapping[str, Any]:
    site = loaded(turf=halves(slope_pct=[2.0, 20.0, 9.0]), zones=long_run())
    ranking = ranked(site)
    return export_ranking(
        site, ranking, folder, **({"units": "si", "overwrite": False, "options": {}} | options)
    )


def test_export_ranking_writes_layer_table_pictures_and_summary(tmp_path: Path) -> None:
    out = tmp_path / "out"
    summary = written(out, options={"command": "rank"})
    assert {path.name for path in out.iterdir()} == {
        "ranking.gpkg", "ranking.qgs", "ranking.csv", "map_ranked_slopes.png", "ranked_slopes.png",
        "summary.json",
    }  # fmt: skip
    assert {path.name for path in out.iterdir()} <= set(RESULT_NAMES)
    assert [row[0] for row in pyogrio.list_layers(out / "ranking.gpkg")] == [
        "ranked_slopes", "run_info", "layer_styles",
    ]  # fmt: skip
    layer = pyogrio.read_dataframe(out / "ranking.gpkg", layer="ranked_slopes")
    assert layer.columns.tolist()[: len(CONTRACT)] == CONTRACT
    assert layer["rank"].tolist() == [1, 2, 3]
    assert layer.area.sum() == pytest.approx(48.0)
    table = pd.read_csv(out / "ranking.csv")
    assert table.columns.tolist()[: len(CONTRACT)] == CONTRACT
    np.testing.assert_allclose(table["runoff_l"], layer["runoff_l"], rtol=1e-12)
    kept = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert kept["finding"] == summary["finding"]
    assert kept["options"]["realisations"] == 200
    assert kept["options"]["seed"] == 1
    assert [row["turf_id"] for row in kept["slopes"]] == layer["turf_id"].tolist()
    info = pyogrio.read_dataframe(out / "ranking.gpkg", layer="run_info")
    assert summary["finding"] in info["value"].tolist()


def test_export_ranking_us_units_convert_columns_and_totals(tmp_path: Path) -> None:
    si, us = written(tmp_path / "si"), written(tmp_path / "us", units="us")
    assert us["totals"]["runoff_gal"] == pytest.approx(
        si["totals"]["runoff_l"] / LITRES_PER_US_GALLON, rel=1e-12
    )
    names = pd.read_csv(tmp_path / "us" / "ranking.csv").columns
    assert {"area_ft2", "runoff_gal", "runoff_depth_in", "runoff_low_gal"} <= set(names)
    assert not [name for name in names if name.endswith(("_m2", "_l"))]


def test_export_ranking_has_styles_with_the_rank_as_label(tmp_path: Path) -> None:
    written(tmp_path / "out")
    styles = pyogrio.read_dataframe(tmp_path / "out" / "ranking.gpkg", layer="layer_styles")
    own = styles[styles["f_table_name"] == "ranked_slopes"]
    assert own["styleName"].tolist()[0] == "Runoff of one event"
    assert own["useAsDefault"].astype(bool).tolist() == [True, False, False, False]
    assert all('fieldName="rank"' in qml for qml in own["styleQML"])


def test_export_ranking_refuses_a_folder_with_a_ranking(tmp_path: Path) -> None:
    written(tmp_path / "out")
    with pytest.raises(OutputError, match="already holds results"):
        written(tmp_path / "out")
    written(tmp_path / "out", overwrite=True)
