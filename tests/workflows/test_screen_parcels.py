"""A small city held against a programme: what each parcel gets, and what a fault costs."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import sqlite3
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely

from geoirrig.city_records import CityParcels, packed_bytes
from geoirrig.cli.report_text import print_screening
from geoirrig.errors import InputError, OutputError
from geoirrig.io.read_site import LayerSource, SiteSources
from geoirrig.physics.application_uniformity import low_half_uniformity, low_quarter_uniformity
from geoirrig.physics.budget_selection import select_within_budget
from geoirrig.workflows import unit_measures, work_units
from geoirrig.workflows.export_screening import export_screening
from geoirrig.workflows.load_city import LoadedCity, load_city
from geoirrig.workflows.load_site import load_site
from geoirrig.workflows.screen_parcels import Screening, screen_parcels
from geoirrig.workflows.screening_verdict import CONTRACT_COLUMNS, screening_verdict
from geoirrig.workflows.site_water import lay_out_water
from geoirrig.workflows.unit_executors import ThisProcess
from tests.workflows.small_city import (
    exported,
    loaded,
    screened,
    sources_of,
    write_small_city,
)

N_PARCELS = 60


@pytest.fixture(scope="module")
def paths(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return write_small_city(tmp_path_factory.mktemp("city"), N_PARCELS, seed=3, faults_each=2)


@pytest.fixture(scope="module")
def city(paths: dict[str, Path]) -> LoadedCity:
    return loaded(paths)


@pytest.fixture(scope="module")
def screening(city: LoadedCity, tmp_path_factory: pytest.TempPathFactory) -> Screening:
    return screened(city, tmp_path_factory.mktemp("run") / "out")


def column(screening: Screening, name: str) -> Any:
    return screening.parcels.columns[name]


def assert_same(one: Screening, other: Screening) -> None:
    assert list(one.parcels.columns) == list(other.parcels.columns)
    for name, values in one.parcels.columns.items():
        np.testing.assert_array_equal(values, other.parcels.columns[name], err_msg=name)
    assert one.failures.columns["reason"].tolist() == other.failures.columns["reason"].tolist()


def test_screen_parcels_faults_fail_their_parcels_alone(
    screening: Screening, paths: dict[str, Path]
) -> None:
    faults = pd.read_csv(paths["faults"], keep_default_na=False)
    harmless = ("turf_in_no_parcel", "heads_of_nobody", "ids_differ_in_case")
    harmed = faults[~faults["fault"].isin(harmless)]
    two_fail = harmed["fault"].isin(("parcels_overlap", "turf_in_two_parcels"))
    expected = set(harmed["parcel_id"]) | set(harmed[two_fail]["other_parcel_id"])
    assert set(screening.failures.columns["parcel_id"]) == expected
    words = {
        "head_lacks_flow": "no flow",
        "parcels_overlap": "overlaps parcel",
        "turf_in_two_parcels": "lies in more than one parcel",
        "unknown_texture": "soil_texture must be one of",
    }
    for parcel_id, fault in zip(harmed["parcel_id"], harmed["fault"], strict=True):
        of_parcel = screening.failures.columns["parcel_id"] == parcel_id
        reasons = " ".join(screening.failures.columns["reason"][of_parcel])
        assert words[fault] in reasons, parcel_id
    failed = np.isin(column(screening, "parcel_id"), list(expected))
    assert not column(screening, "eligible")[failed].any()
    assert np.isnan(column(screening, "water_saved_m3_year")[failed]).all()
    assert all(count is None for count in column(screening, "head_count")[failed])
    assert (column(screening, "status_code")[failed] == 0).all()


def test_screen_parcels_things_of_nobody_are_recorded(
    screening: Screening, paths: dict[str, Path]
) -> None:
    faults = pd.read_csv(paths["faults"])
    left_out = pd.DataFrame(dict(screening.left_out.columns))
    nobodys = faults[faults["fault"] == "heads_of_nobody"]["parcel_id"]
    assert set(left_out[left_out["layer"] == "heads"]["item_id"]) == {f"{p}-stray" for p in nobodys}
    bare = faults[faults["fault"] == "turf_in_no_parcel"]["parcel_id"]
    assert {i.rsplit("-", 1)[0] for i in left_out[left_out["layer"] == "turf"]["item_id"]} == set(
        bare
    )
    assert any("belong to no parcel" in w for w in screening.city.inputs.warnings)


def test_screen_parcels_ids_that_differ_in_case_stay_apart(
    screening: Screening, paths: dict[str, Path]
) -> None:
    faults = pd.read_csv(paths["faults"])
    twins = faults[faults["fault"] == "ids_differ_in_case"]
    ids = column(screening, "parcel_id").tolist()
    heads = gpd.read_file(paths["site"], layer="heads")["head_id"].str.rsplit("-", n=1).str[0]
    for one, other in zip(twins["parcel_id"], twins["other_parcel_id"], strict=True):
        assert one.lower() == other.lower()
        for parcel_id in (one, other):
            count = column(screening, "head_count")[ids.index(parcel_id)]
            assert count == (heads == parcel_id).sum()


def test_screen_parcels_reasons_give_value_and_limit(screening: Screening) -> None:
    few = np.array(
        [
            c is not None and c < 15 and n > 0  # a parcel without heads is told that alone
            for c, n in zip(
                column(screening, "replaced_head_count"),
                column(screening, "head_count"),
                strict=True,
            )
        ]
    )
    assert few.any()
    for count, reason in zip(
        column(screening, "replaced_head_count")[few],
        column(screening, "reasons")[few],
        strict=True,
    ):
        assert f"is {count} and must be at least 15" in reason
    assert (column(screening, "reasons")[column(screening, "eligible")] == "").all()


def test_screen_parcels_parts_add_up_and_intervals_hold_the_value(screening: Screening) -> None:
    saved = column(screening, "water_saved_m3_year")
    known = np.isfinite(saved)
    parts = sum(
        column(screening, f"saving_by_{cause}_m3_year")
        for cause in ("evenness", "overspray", "runoff")
    )
    np.testing.assert_allclose(parts[known], saved[known], rtol=1e-9, atol=1e-9)
    change = (
        column(screening, "water_before_m3_year")
        - column(screening, "water_after_m3_year")
        + column(screening, "need_change_m3_year")
    )
    np.testing.assert_allclose(change[known], saved[known], rtol=1e-9, atol=1e-9)
    for name in ("water_saved", "runoff_avoided"):
        low, value, high = (
            column(screening, f"{name}{end}_m3_year")[known] for end in ("_low", "", "_high")
        )
        assert (low <= value).all()
        assert (value <= high).all()
    assert (column(screening, "water_saved_low_m3_year")[known] < saved[known]).any()


def test_screen_parcels_pressure_apart_leaves_the_whole_as_it_was(
    paths: dict[str, Path], screening: Screening, tmp_path: Path
) -> None:
    apart = screened(loaded(paths, pressure_apart=True), tmp_path / "out")
    saved = column(apart, "water_saved_m3_year")
    np.testing.assert_array_equal(saved, column(screening, "water_saved_m3_year"))
    parts = sum(
        column(apart, f"saving_by_{cause}_m3_year")
        for cause in ("pressure", "evenness", "overspray", "runoff")
    )
    known = np.isfinite(saved)
    np.testing.assert_allclose(parts[known], saved[known], rtol=1e-9, atol=1e-9)
    assert (np.abs(column(apart, "saving_by_pressure_m3_year")[known]) > 0.01).any()


def test_screen_parcels_money_is_worked_out_by_hand(screening: Screening) -> None:
    """25 for the parcel, 5 for the labour and 3 for the regulator of each head, and its nozzle."""
    row = int(np.flatnonzero(column(screening, "eligible"))[0])
    heads = column(screening, "replaced_head_count")[row]
    nozzles = column(screening, "nozzle_cost")[row]
    cost = column(screening, "cost")[row]
    assert cost == pytest.approx(nozzles + 8.0 * heads + 25.0)
    assert column(screening, "rebate")[row] == pytest.approx(min(4.0 * heads, 0.5 * cost), abs=0.01)
    saved = column(screening, "water_saved_m3_year")[row]
    recovery = 0.03 * 1.03**10 / (1.03**10 - 1.0)
    assert column(screening, "levelised_cost_per_m3")[row] == pytest.approx(cost * recovery / saved)
    assert column(screening, "payback_years")[row] == pytest.approx(cost / (1.2 * saved))
    assert column(screening, "benefit_cost_ratio")[row] == pytest.approx(
        1.2 * saved / recovery / cost
    )


def test_screen_parcels_rank_and_funding_follow_the_programme(screening: Screening) -> None:
    eligible = column(screening, "eligible")
    rank = column(screening, "rank")
    assert sorted(rank[eligible]) == list(range(1, eligible.sum() + 1))
    assert all(r is None for r in rank[~eligible])
    order = np.argsort(rank[eligible].astype(int))
    assert (np.diff(column(screening, "levelised_cost_per_m3")[eligible][order]) >= 0.0).all()
    rebate, saved = (
        column(screening, name)[eligible] for name in ("rebate", "water_saved_m3_year")
    )
    best = select_within_budget(saved, rebate, 1500.0)
    funded = column(screening, "funded")
    assert not funded[~eligible].any()
    assert column(screening, "rebate")[funded].sum() <= 1500.0
    assert column(screening, "water_saved_m3_year")[funded].sum() == pytest.approx(best.benefit)
    assert 0 < funded.sum() < eligible.sum()
    assert "proven" in screening.verdict.rule


def test_screen_parcels_refusals_are_those_of_parcels_that_could_be_worked(
    screening: Screening,
) -> None:
    is_failed, refused_by = screening.verdict.is_failed, screening.verdict.refused_by
    reasons = column(screening, "reasons")[~is_failed]
    assert is_failed.any()
    for name in ("heads", "rate"):
        assert refused_by[name] == sum(f"{name}: " in reason for reason in reasons)
    unchanged = sum(reason.startswith("Nothing would change") for reason in reasons)
    assert refused_by.get("nothing would change", 0) == unchanged


def test_screen_parcels_finding_gives_water_in_both_unit_systems(screening: Screening) -> None:
    saved = screening.verdict.totals["funded_water_saved_m3_year"]
    assert saved > 1000.0
    assert (
        f"{saved:,.0f} m³ ({saved / 3.785411784:,.0f} thousand US gal) of water a year"
        in screening.verdict.finding
    )


def test_screening_verdict_one_parcel_is_in_the_singular(
    city: LoadedCity, screening: Screening
) -> None:
    whole = city.inputs.parcels
    one = CityParcels(
        parcel_id=whole.parcel_id[:1],
        wkb=packed_bytes(whole.wkb.of_all()[:1]),
        area_m2=whole.area_m2[:1],
        centre_m=whole.centre_m[:1],
        attributes={name: values[:1] for name, values in whole.attributes.items()},
    )
    measured = {name: values[:1] for name, values in screening.parcels.columns.items()}
    found = screening_verdict(city.programme, one, measured, failures=((0, "It broke."),))
    assert found.finding.startswith("0 of 1 parcel is eligible. ")
    assert "0 m³ (0 US gal) of water" in found.finding
    assert " 1 parcel could not be worked;" in found.finding
    assert found.refused_by == {"heads": 0, "rate": 0}
    assert found.columns["reasons"].tolist() == ["The parcel could not be worked. It broke."]


@pytest.mark.parametrize("most_cells", [1, 30_000, 10**9])
def test_screen_parcels_size_of_the_units_changes_nothing(
    city: LoadedCity,
    screening: Screening,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    most_cells: int,
) -> None:
    monkeypatch.setattr(work_units, "MOST_UNIT_CELLS", most_cells)
    units = work_units.pack_units(city.inputs, cell_size_m=0.25, most_cells=most_cells)
    n_worked = sum(len(unit.parcel) for unit in units)
    if most_cells == 1:
        assert len(units) == n_worked
    if most_cells == 10**9:
        assert len(units) == 1
    assert_same(screened(city, tmp_path / "out"), screening)


def test_screen_parcels_a_parcel_agrees_with_the_engine_on_it_alone(
    paths: dict[str, Path], screening: Screening, tmp_path: Path
) -> None:
    """Heads and turf of one parcel as a site of its own, by the reader and engine of `analyze`."""
    row = int(np.flatnonzero(column(screening, "eligible"))[0])
    parcel_id = column(screening, "parcel_id")[row]
    site = tmp_path / "site.gpkg"
    for layer in ("heads", "turf"):
        table = gpd.read_file(paths["site"], layer=layer)
        own = table[table[f"{'head' if layer == 'heads' else layer}_id"].str.startswith(parcel_id)]
        pyogrio.write_dataframe(own, site, layer=layer, driver="GPKG", append=site.exists())
    for layer in ("zones", "nozzles", "profiles"):
        table = pyogrio.read_dataframe(paths["site"], layer=layer)
        pyogrio.write_dataframe(table, site, layer=layer, driver="GPKG", append=True)
    whole = load_site(SiteSources(site=site), overrides={"throw_follows_slope": False})
    rates = lay_out_water(whole).served_rates_mm_h
    area = np.array([len(r) for r in rates]) * 0.25**2
    assert column(screening, "served_area_m2")[row] == pytest.approx(area.sum(), rel=1e-6)
    for name, measure in (("du_lq", low_quarter_uniformity), ("du_lh", low_half_uniformity)):
        expected = np.average([measure(r) for r in rates], weights=area)
        assert column(screening, f"{name}_before")[row] == pytest.approx(expected, rel=1e-5)
    mean = np.average([np.mean(r) for r in rates], weights=area)
    assert column(screening, "mean_rate_before_mm_h")[row] == pytest.approx(mean, rel=1e-5)


def test_screen_parcels_parquet_and_position_give_the_same(
    screening: Screening, tmp_path: Path
) -> None:
    other = write_small_city(
        tmp_path / "parquet", N_PARCELS, seed=3, faults_each=2, file_format="parquet"
    )
    by_file = screened(loaded(other), tmp_path / "out")
    assert by_file.failures.columns["parcel_id"].tolist() == (
        screening.failures.columns["parcel_id"].tolist()
    )
    for name, values in screening.parcels.columns.items():
        others = by_file.parcels.columns[name]
        if name == "reasons":  # they name the file
            is_worked = ~screening.verdict.is_failed
            values, others = values[is_worked], others[is_worked]
        np.testing.assert_array_equal(values, others, err_msg=name)


def test_screen_parcels_turf_without_a_column_belongs_by_its_place(tmp_path: Path) -> None:
    named = write_small_city(tmp_path / "named", 24, seed=4)
    placed = write_small_city(tmp_path / "placed", 24, seed=4, turf_names_parcel=False)
    assert_same(
        screened(loaded(named), tmp_path / "out"), screened(loaded(placed), tmp_path / "out")
    )


def test_screen_parcels_slope_from_a_raster(tmp_path: Path) -> None:
    city = write_small_city(tmp_path / "raster", 12, seed=4, slope_from="raster")
    with rasterio.open(city["slope"], "r+") as raster:
        raster.write(np.full(raster.shape, 7.25, dtype=np.float32), 1)
    found = screened(loaded(city), tmp_path / "out")
    assert not len(found.failures.columns["reason"])
    for name in ("mean_slope_pct", "max_slope_pct"):
        np.testing.assert_allclose(column(found, name), 7.25, rtol=1e-6)
    by_column = write_small_city(tmp_path / "column", 12, seed=4)
    even = screened(loaded(by_column), tmp_path / "out")
    np.testing.assert_array_equal(column(even, "du_lq_before"), column(found, "du_lq_before"))


def test_screen_parcels_raster_with_a_hole_fails_the_parcel_in_it(tmp_path: Path) -> None:
    city = write_small_city(tmp_path / "raster", 12, seed=4, slope_from="raster")
    parcels = gpd.read_file(city["site"], layer="parcels")
    with rasterio.open(city["slope"], "r+") as raster:
        values = raster.read(1)
        row, col = raster.index(parcels.geometry[4].centroid.x, parcels.geometry[4].centroid.y)
        values[row - 4 : row + 5, col - 2 : col + 3] = raster.nodata
        raster.write(values, 1)
    found = screened(loaded(city), tmp_path / "out")
    failed = found.failures.columns["parcel_id"].tolist()
    assert parcels["parcel_id"][4] in failed
    assert len(failed) < 6
    assert "raster has no value" in found.failures.columns["reason"][0]


def test_screen_parcels_one_that_breaks_is_named_and_the_rest_go_on(
    city: LoadedCity, screening: Screening, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    victim = int(np.flatnonzero(column(screening, "eligible"))[2])
    engine = unit_measures.batch_measures

    def breaking(*arguments: Any, groups: Any, **options: Any) -> Any:
        if victim in groups.of_zone:
            raise ZeroDivisionError("made up")
        return engine(*arguments, groups=groups, **options)

    monkeypatch.setattr(unit_measures, "batch_measures", breaking)
    broken = screened(city, tmp_path / "out")
    parcel_id = column(screening, "parcel_id")[victim]
    new = set(broken.failures.columns["parcel_id"]) - set(screening.failures.columns["parcel_id"])
    assert new == {parcel_id}
    assert "ZeroDivisionError: made up" in broken.failures.columns["reason"][-1] or any(
        "ZeroDivisionError: made up" in reason for reason in broken.failures.columns["reason"]
    )
    others = np.arange(N_PARCELS) != victim
    np.testing.assert_array_equal(
        column(broken, "water_saved_m3_year")[others],
        column(screening, "water_saved_m3_year")[others],
    )


def test_export_screening_files_agree(
    screening: Screening, tmp_path: Path, paths: dict[str, Path]
) -> None:
    out = tmp_path / "out"
    summary = export_screening(screening, out, units="si", overwrite=False, options={"a": 1})
    layer = gpd.read_file(out / "screening.gpkg", layer="parcels")
    assert tuple(layer.columns[: len(CONTRACT_COLUMNS)]) == CONTRACT_COLUMNS
    parquet = gpd.read_parquet(out / "screening.parquet")
    table = pd.read_csv(out / "screening.csv", float_precision="round_trip")
    parcels = gpd.read_file(paths["site"], layer="parcels")
    assert layer["parcel_id"].tolist() == parcels["parcel_id"].tolist()
    assert shapely.equals(
        np.array([g.geoms[0] for g in layer.geometry]), parcels.geometry.to_numpy()
    ).all()
    assert parquet.crs == parcels.crs
    for name in ("water_saved_m3_year", "cost", "rebate", "rank", "head_count"):
        np.testing.assert_array_equal(layer[name], table[name], err_msg=name)
        np.testing.assert_array_equal(layer[name], parquet[name], err_msg=name)
    assert set(table["funded"]) == {True, False}
    failures = pyogrio.read_dataframe(out / "screening.gpkg", layer="failures")
    assert len(failures) == len(summary["failures"])
    assert list(failures.columns) == ["parcel_id", "reason"]
    stored = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert stored["finding"] == summary["finding"]
    assert stored["totals"]["funded_count"] == int(layer["funded"].sum())
    info = dict(
        pyogrio.read_dataframe(out / "screening.gpkg", layer="run_info").itertuples(index=False)
    )
    assert "sha256" in info["input nozzle_set"]
    with sqlite3.connect(out / "screening.gpkg") as connection:
        styles = connection.execute(
            "SELECT f_table_name, useAsDefault FROM layer_styles"
        ).fetchall()
    assert ("parcels", 1) in styles
    assert (out / "screening.png").stat().st_size > 10_000


@pytest.mark.parametrize(
    ("n_items", "said"),
    [
        (1, "1 head or turf polygon belongs to no parcel and is left out;"),
        (1200, "1,200 heads or turf polygons belong to no parcel and are left out;"),
    ],
)
def test_print_screening_things_of_nobody(
    n_items: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    summary = {
        "refused_by": {"heads": 3, "nothing would change": 2},
        "finding": "One parcel is funded.",
        "funding_rule": "The best.",
        "left_out_count": n_items,
        "cautions": ["Look."],
    }
    print_screening(summary, units="us")
    told = capsys.readouterr().out
    assert said in told
    assert re.search(r"nothing would change +2", told)


def test_screen_parcels_one_unit_is_told_in_the_singular(
    city: LoadedCity, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(work_units, "MOST_UNIT_CELLS", 10**9)
    told: list[str] = []
    screen_parcels(
        city, ThisProcess(), tmp_path / "out", run={}, progress=lambda step, *_: told.append(step)
    )
    assert re.fullmatch(r"Working \d+ parcels in 1 unit", told[0])


def test_export_screening_us_units_cost_an_acre_foot(screening: Screening, tmp_path: Path) -> None:
    export_screening(screening, tmp_path / "out", units="us", overwrite=False, options={})
    with (tmp_path / "out" / "screening.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    per_m3 = column(screening, "levelised_cost_per_m3")
    row = int(np.flatnonzero(np.isfinite(per_m3))[0])
    # an acre-foot is 43 560 ft³ of 0.3048³ m³
    assert float(rows[row]["levelised_cost_per_acre_foot"]) == pytest.approx(
        per_m3[row] * 43_560.0 * 0.3048**3
    )
    saved = column(screening, "water_saved_m3_year")[row]
    assert float(rows[row]["water_saved_kgal_year"]) == pytest.approx(saved / 3.785411784)


def test_export_screening_same_run_same_bytes(screening: Screening, tmp_path: Path) -> None:
    assert exported(screening, tmp_path / "one") == exported(screening, tmp_path / "two")


# --- what stops the whole run --------------------------------------------------------------------


def test_load_city_faults_of_the_city_are_told_together(
    paths: dict[str, Path], tmp_path: Path
) -> None:
    site = tmp_path / "city.gpkg"
    turf = gpd.read_file(paths["site"], layer="turf").drop(columns="soil_texture")
    pyogrio.write_dataframe(turf, site, layer="turf", driver="GPKG")
    heads = gpd.read_file(paths["site"], layer="heads").set_crs(None, allow_override=True)
    with pytest.warns(UserWarning, match="crs"):
        pyogrio.write_dataframe(heads, site, layer="heads", driver="GPKG", append=True)
    programme = tmp_path / "programme.toml"
    text = paths["programme"].read_text(encoding="utf-8")
    programme.write_text(text.replace("discount_rate = 0.03", "discount_rate = 3"), "utf-8")
    (tmp_path / "nozzle_set.csv").write_bytes(paths["nozzle_set"].read_bytes())
    with pytest.raises(InputError) as caught:
        load_city(SiteSources(site=site), programme)
    told = " ".join(caught.value.problems)
    assert "no layer 'parcels'" in told
    assert "has no CRS" in told
    assert "discount_rate" in told


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (None, "programme.toml. does not exist"),
        ("title = \n", "is not valid TOML"),
        ("titel = 'Turf'\n", "unknown key 'titel'"),
        ("[costs]\nlabour = 3\n", "unknown key 'labour'"),
        ("[[pay]]\nper_hed = 3\n", "unknown key 'per_hed'"),
    ],
)
def test_load_city_faults_of_the_programme_file_are_told_before_the_city_is_read(
    text: str | None, told: str, paths: dict[str, Path], tmp_path: Path
) -> None:
    programme = tmp_path / "programme.toml"
    if text is not None:
        programme.write_text(text, encoding="utf-8")
    steps: list[str] = []
    without_parcels = SiteSources(
        site=paths["site"], layers={"parcels": LayerSource(path=tmp_path / "none.gpkg")}
    )
    with pytest.raises(InputError, match=told) as caught:
        load_city(without_parcels, programme, progress=steps.append)
    assert steps == []
    assert "none.gpkg" in str(caught.value)


def test_load_city_programme_file_is_among_the_files_read(
    city: LoadedCity, paths: dict[str, Path]
) -> None:
    (file,) = (file for file in city.inputs.files if file.role == "programme")
    assert file.name == paths["programme"].name
    assert file.sha256 == hashlib.sha256(paths["programme"].read_bytes()).hexdigest()


def test_load_city_missing_column_of_turf(paths: dict[str, Path], tmp_path: Path) -> None:
    site = tmp_path / "city.gpkg"
    for layer in ("heads", "turf", "parcels"):
        table = gpd.read_file(paths["site"], layer=layer)
        if layer == "turf":
            table = table.rename(columns={"soil_texture": "soil"})
        pyogrio.write_dataframe(table, site, layer=layer, driver="GPKG", append=site.exists())
    table = pyogrio.read_dataframe(paths["site"], layer="nozzles")
    pyogrio.write_dataframe(table, site, layer="nozzles", driver="GPKG", append=True)
    with pytest.raises(InputError, match="no column 'soil_texture'"):
        load_city(SiteSources(site=site), paths["programme"])


def test_load_city_without_need_or_climate(paths: dict[str, Path]) -> None:
    programme = paths["programme"].with_name("needless.toml")
    text = paths["programme"].read_text(encoding="utf-8")
    programme.write_text(text.replace("annual_net_need_mm = 700\n", ""), encoding="utf-8")
    with pytest.raises(InputError, match="give --climate FILE"):
        load_city(sources_of(paths), programme)


def test_load_city_other_runoff_model_is_refused(paths: dict[str, Path]) -> None:
    told = "runoff_model must be surface_storage for a whole city; got 'green_ampt'"
    with pytest.raises(InputError, match=told):
        load_city(sources_of(paths), paths["programme"], overrides={"runoff_model": "green_ampt"})
    settings = paths["programme"].with_name("settings.toml")
    settings.write_text('runoff_model = "green_ampt"\n', encoding="utf-8")
    with pytest.raises(InputError, match=told):
        load_city(sources_of(paths), paths["programme"], settings_file=settings)


def test_load_city_raised_pressure_is_warned_of(paths: dict[str, Path], tmp_path: Path) -> None:
    programme = tmp_path / "programme.toml"
    programme.write_bytes(paths["programme"].read_bytes())
    nozzles = pd.read_csv(paths["nozzle_set"])
    heads = pyogrio.read_dataframe(paths["site"], layer="heads", read_geometry=False)
    for pressure_kpa, is_told in ((900.0, True), (heads["pressure_kpa"].min(), False)):
        nozzles.assign(pressure_kpa=pressure_kpa).to_csv(tmp_path / "nozzle_set.csv", index=False)
        warnings = load_city(sources_of(paths), programme).inputs.warnings
        assert any("heads are set to a pressure above what they" in w for w in warnings) is is_told


def test_screen_parcels_unfinished_run_is_told_of(city: LoadedCity, tmp_path: Path) -> None:
    class Stopping(ThisProcess):
        def results(self, source: Any, units: Any) -> Any:
            yield from list(super().results(source, units))[:0]
            raise KeyboardInterrupt

    out = tmp_path / "out"
    with pytest.raises(KeyboardInterrupt):
        screen_parcels(city, Stopping(), out, run={})
    with pytest.raises(OutputError, match="Add --resume to continue it"):
        screen_parcels(city, ThisProcess(), out, run={})
    with pytest.raises(OutputError, match=r"another options: event \(None then, 5 now\)"):
        screen_parcels(city, ThisProcess(), out, run={"event": 5}, resume=True)


def test_screen_run_minutes_of_the_plan_change_no_saving(
    screening: Screening, paths: dict[str, Path], tmp_path: Path
) -> None:
    # Minutes set for the nozzles that are there must not pass for water saved by slower ones.
    plan = pyogrio.read_dataframe(paths["site"], layer="zones", read_geometry=False)
    assert "cycles" in plan
    plan["run_minutes"] = 25.0
    plan.to_csv(tmp_path / "zones.csv", index=False)
    timed = screened(loaded({**paths, "zones": tmp_path / "zones.csv"}), tmp_path / "out")
    for name in ("water_saved_m3_year", "runoff_avoided_m3_year", "rebate"):
        np.testing.assert_allclose(column(timed, name), column(screening, name), rtol=1e-9)


@pytest.mark.parametrize("nozzle", ["no such nozzle", None])
def test_screen_parcels_city_in_which_nothing_can_be_worked(
    paths: dict[str, Path], tmp_path: Path, nozzle: str | None
) -> None:
    site = tmp_path / "city.gpkg"
    for layer, _ in pyogrio.list_layers(paths["site"]):
        table = pyogrio.read_dataframe(paths["site"], layer=layer)
        if layer == "heads":
            table["nozzle"] = nozzle
        pyogrio.write_dataframe(table, site, layer=layer, append=site.exists())
    found = screened(loaded({**paths, "site": site}), tmp_path / "out")
    n_parcels = len(column(found, "parcel_id"))
    assert len(set(found.failures.columns["parcel_id"])) > 0.9 * n_parcels  # those with heads
    assert not column(found, "eligible").any()
    assert "0 of " in found.verdict.finding
    assert export_screening(found, tmp_path / "done", units="si", overwrite=False, options={})


def test_screen_parcels_an_interrupt_that_a_kernel_made_an_error_of_stops_the_run(
    city: LoadedCity, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is no fault of a parcel: nothing is tried again, parcel by parcel."""
    calls: list[int] = []

    def handing_over(*_: Any, **__: Any) -> None:
        calls.append(1)
        try:
            raise KeyboardInterrupt
        except KeyboardInterrupt as interrupt:
            raise SystemError("returned a result with an exception set") from interrupt

    monkeypatch.setattr("geoirrig.workflows.unit_measures.batch_measures", handing_over)
    with pytest.raises(KeyboardInterrupt):
        screen_parcels(city, ThisProcess(), tmp_path / "out", run={})
    assert len(calls) == 1
