"""The invented city of the benchmarks: the same every time, and plausible."""

from __future__ import annotations

import importlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import pytest
import rasterio
import shapely
from typer.testing import CliRunner

from geoirrig.cli import app

BENCHMARKS = Path(__file__).parent / "benchmarks"
N_PARCELS = 760  # 44 blocks, two of them with a park
LAYERS = {"heads", "turf", "hardscape", "parcels", "zones", "nozzles", "profiles"}


@pytest.fixture(scope="module")
def city() -> Iterator[ModuleType]:
    """The generator as a module."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(BENCHMARKS))
        yield importlib.import_module("city")


@pytest.fixture(scope="module")
def tables(city: ModuleType) -> dict[str, pd.DataFrame]:
    """Every table of a city of middle size; geometry as objects."""
    return {name: frame(table) for name, table in city.city_tables(N_PARCELS, seed=5).items()}


def frame(table: pa.Table) -> pd.DataFrame:
    """A table of the generator, its geometry read."""
    whole = table.to_pandas()
    if "geometry" not in whole:
        return whole
    return gpd.GeoDataFrame(whole, geometry=gpd.GeoSeries.from_wkb(whole["geometry"]))


def parcel_of(ids: pd.Series) -> pd.Series:
    """Parcel id at the start of the id of a head, a zone or a lawn."""
    return ids.str.rsplit("-", n=1).str[0]


def contents(path: Path) -> list[str]:
    """Everything in a GeoPackage, as SQL."""
    with sqlite3.connect(path) as connection:
        names = [
            row[0]
            for row in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'rtree%' "
                "ORDER BY name"
            )
        ]
        rows = [
            repr((name, row))
            for name in names
            for row in connection.execute(f'SELECT * FROM "{name}"')
        ]
    connection.close()
    return rows


def test_city_same_seed_gives_the_same_tables(city: ModuleType) -> None:
    first, second = city.city_tables(100, seed=2), city.city_tables(100, seed=2)
    other = city.city_tables(100, seed=3)

    assert set(first) == LAYERS
    for name, table in first.items():
        assert table.equals(second[name]), name
    assert not first["heads"].equals(other["heads"])
    assert not first["turf"].equals(other["turf"])


def test_city_written_twice_has_the_same_content(city: ModuleType, tmp_path: Path) -> None:
    for folder in ("one", "two"):
        city.write_city(tmp_path / folder, 30, seed=4)
        city.write_city(tmp_path / folder / "p", 30, seed=4, file_format="parquet")

    one, two = tmp_path / "one", tmp_path / "two"
    assert contents(one / "city.gpkg") == contents(two / "city.gpkg")
    assert len(contents(one / "city.gpkg")) > 1000
    for path in sorted((one / "p").iterdir()):
        assert path.read_bytes() == (two / "p" / path.name).read_bytes(), path.name


@pytest.mark.parametrize("n_parcels", [1, 19, 64, 700, 759])
def test_larger_city_holds_the_smaller_one(
    city: ModuleType, tables: dict[str, pd.DataFrame], n_parcels: int
) -> None:
    small = {name: frame(table) for name, table in city.city_tables(n_parcels, seed=5).items()}

    assert len(small["parcels"]) == n_parcels
    for name in ("heads", "turf", "parcels", "zones"):
        expected = tables[name].iloc[: len(small[name])]
        pd.testing.assert_frame_equal(small[name], expected, check_exact=True)


def test_larger_city_holds_the_smaller_one_across_chunks(city: ModuleType) -> None:
    # 64 blocks, of which two have a park, are 64·18 − 2·8 = 1136 parcels.
    small, large = city.city_tables(1130, seed=1), city.city_tables(1200, seed=1)

    for name in ("heads", "turf", "parcels", "zones"):
        assert small[name].equals(large[name].slice(0, small[name].num_rows)), name
    assert large["parcels"]["parcel_id"].to_pylist()[1135:1138] == ["P001136", "P001137", "P001138"]


def test_city_ids_are_unique_and_belong_together(tables: dict[str, pd.DataFrame]) -> None:
    parcels, heads, turf, zones = (tables[n] for n in ("parcels", "heads", "turf", "zones"))

    for table, column in ((parcels, "parcel_id"), (heads, "head_id"), (turf, "turf_id"),
                          (zones, "zone")):  # fmt: skip
        assert table[column].is_unique
    assert set(turf["parcel_id"]) == set(parcels["parcel_id"])
    assert (turf["parcel_id"] == parcel_of(turf["turf_id"])).all()
    assert (parcel_of(heads["head_id"]) == parcel_of(heads["zone"])).all()
    assert set(zones["zone"]) == set(heads["zone"])
    assert set(heads["nozzle"]) <= set(tables["nozzles"]["nozzle"])
    assert set(tables["nozzles"]["profile"]) == set(tables["profiles"]["profile"])


def test_city_quantities_are_those_of_real_gardens(tables: dict[str, pd.DataFrame]) -> None:
    heads, turf = tables["heads"], tables["turf"]
    per_parcel = turf.area.groupby(turf["parcel_id"]).sum()
    heads_of = heads.groupby(parcel_of(heads["head_id"])).size()
    zones = heads.groupby(parcel_of(heads["head_id"]))["zone"].nunique()

    assert turf.area.sum() / N_PARCELS == pytest.approx(200.0, rel=0.1)
    assert len(heads) / N_PARCELS == pytest.approx(30.0, rel=0.1)
    assert per_parcel.max() > 3000.0  # a park
    assert per_parcel.quantile(0.98) < 500.0
    assert zones.min() == 1
    assert zones.max() == 6
    assert heads_of.min() >= 4
    without = set(tables["parcels"]["parcel_id"]) - set(heads_of.index)
    assert 0 < len(without) < 0.05 * N_PARCELS  # some gardens have no system
    lawns = turf.groupby("parcel_id").size()
    assert lawns.min() == 1
    assert lawns.max() == 6
    assert 2.0 < lawns.mean() < 4.0
    corners = turf.geometry.map(lambda drawn: len(drawn.exterior.coords) - 1)
    assert set(corners) == {4, 16, 20, 24}  # plain, and swelling with 4, 5 or 6 corners
    assert turf["slope_pct"].between(0.3, 45.0).all()
    assert turf["slope_pct"].quantile(0.95) > 12.0
    assert turf["soil_texture"].nunique() >= 5
    # Soils lie in patches: nearly all lawns of a parcel have the same.
    assert (turf.groupby("parcel_id")["soil_texture"].nunique() == 1).mean() > 0.9


def test_city_polygons_are_valid_and_lie_apart(tables: dict[str, pd.DataFrame]) -> None:
    turf, parcels, hardscape = (tables[name] for name in ("turf", "parcels", "hardscape"))

    for table in (turf, parcels, hardscape):
        assert table.geometry.is_valid.all()
        assert not table.geometry.is_empty.any()
    owner = parcels.set_index("parcel_id").geometry.loc[turf["parcel_id"]]
    assert shapely.contains_properly(owner.to_numpy(), turf.geometry.to_numpy()).all()
    for drawn in (turf.geometry.to_numpy(), parcels.geometry.to_numpy()):
        first, second = shapely.STRtree(drawn).query(drawn, predicate="intersects")
        apart = first < second
        overlap = shapely.area(shapely.intersection(drawn[first[apart]], drawn[second[apart]]))
        assert overlap.max(initial=0.0) == 0.0
    paved = hardscape.geometry.to_numpy()
    pairs = shapely.STRtree(paved).query(turf.geometry.to_numpy(), predicate="intersects")
    overlap = shapely.intersection(turf.geometry.to_numpy()[pairs[0]], paved[pairs[1]])
    assert shapely.area(overlap).max(initial=0.0) < 0.05
    street = hardscape.loc[hardscape["surface"] == "street"].geometry.to_numpy()
    pairs = shapely.STRtree(street).query(parcels.geometry.to_numpy(), predicate="intersects")
    overlap = shapely.intersection(parcels.geometry.to_numpy()[pairs[0]], street[pairs[1]])
    assert shapely.area(overlap).max(initial=0.0) < 0.2  # a hand's breadth of millimetres


def test_city_heads_stand_in_their_own_lawns_and_throw_inward(
    tables: dict[str, pd.DataFrame],
) -> None:
    heads, turf = tables["heads"], tables["turf"]
    lawns = turf.dissolve("parcel_id").geometry
    own = lawns.loc[parcel_of(heads["head_id"])].to_numpy()

    assert shapely.distance(own, heads.geometry.to_numpy()).max() < 0.002
    is_part = heads["arc_deg"] < 360.0
    assert (heads["start_bearing_deg"].notna() == is_part).all()
    assert heads["arc_deg"].between(40.0, 360.0).all()
    assert heads.loc[is_part, "start_bearing_deg"].between(0.0, 359.0).all()
    shares = [(heads["arc_deg"] == 180.0).mean(), (heads["arc_deg"] == 360.0).mean()]
    assert shares[0] > 0.3
    assert shares[1] > 0.05
    corners = heads["arc_deg"].between(80.0, 100.0).mean()
    assert corners > 0.3
    # Half a metre along the middle of the arc lies the lawn, but for the few that were knocked.
    middle = np.radians(heads["start_bearing_deg"] + heads["arc_deg"] / 2.0)[is_part]
    at = shapely.get_coordinates(heads.geometry[is_part].to_numpy())
    at += 0.5 * np.stack((np.sin(middle), np.cos(middle)), axis=-1)
    is_in = shapely.contains_xy(own[is_part.to_numpy()], *at.T)
    assert is_in.mean() > 0.97


def test_city_heads_are_spaced_for_their_throw(tables: dict[str, pd.DataFrame]) -> None:
    heads = tables["heads"]
    design = tables["nozzles"].groupby("nozzle")["radius_m"].median()
    radius = heads["nozzle"].map(design).to_numpy()
    at = heads.geometry.to_numpy()
    nearest = shapely.STRtree(at).query_nearest(at, exclusive=True, return_distance=True)
    first = np.unique(nearest[0][0], return_index=True)[1]
    gap = nearest[1][first]

    assert gap.min() > 0.3  # no head is entered twice
    assert (gap <= 1.25 * radius).mean() > 0.9  # nearly all are met head to head


def test_thirty_parcels_pass_validation(city: ModuleType, tmp_path: Path) -> None:
    paths = city.write_city(tmp_path, 30, seed=1)

    result = CliRunner().invoke(app, ["validate", str(paths["site"])])

    assert result.exit_code == 0, result.output
    assert "No problems found" in result.output


def test_thirty_parcels_as_geoparquet_hold_the_same(city: ModuleType, tmp_path: Path) -> None:
    site = city.write_city(tmp_path, 30, seed=1)["site"]
    paths = city.write_city(tmp_path, 30, seed=1, file_format="parquet")

    for name in ("heads", "turf", "hardscape", "parcels"):
        stored = gpd.read_parquet(paths[name])
        packed = gpd.read_file(site, layer=name)
        assert stored.crs == packed.crs
        assert stored.geometry.geom_equals_exact(packed.geometry, tolerance=0.0).all()
        columns = stored.columns.drop("geometry")
        pd.testing.assert_frame_equal(
            pd.DataFrame(stored[columns]), pd.DataFrame(packed[columns]), check_dtype=False
        )
    layers = [x for n in sorted(LAYERS) for x in (f"--{n}", str(paths[n]))]
    result = CliRunner().invoke(app, ["validate", *layers])
    assert result.exit_code == 0, result.output


def test_slope_may_come_as_a_raster(city: ModuleType, tmp_path: Path) -> None:
    paths = city.write_city(tmp_path, 60, seed=1, slope_from="raster", turf_names_parcel=False)

    fields = set(pyogrio.read_info(paths["site"], layer="turf")["fields"])
    assert fields.isdisjoint({"slope_pct", "parcel_id"})
    parcels = gpd.read_file(paths["site"], layer="parcels")
    with rasterio.open(paths["slope"]) as raster:
        assert raster.units == ("percent",)
        west, south, east, north = parcels.total_bounds
        assert raster.bounds.left < west - 5.0
        assert raster.bounds.right > east + 5.0
        assert raster.bounds.bottom < south - 5.0
        assert raster.bounds.top > north + 5.0
        centre = parcels.centroid.iloc[7]
        (value,) = next(raster.sample([(centre.x, centre.y)]))
    expected = city.slope_pct(np.array([centre.x]), np.array([centre.y]))[0]
    assert value == pytest.approx(expected, abs=0.3)  # the pixel's own centre is within 3.6 m
    result = CliRunner().invoke(
        app, ["validate", str(paths["site"]), "--slope", str(paths["slope"])]
    )
    assert result.exit_code == 0, result.output


def test_retrofit_set_names_nozzles_of_the_table(city: ModuleType, tmp_path: Path) -> None:
    paths = city.write_city(tmp_path, 2)

    nozzles = pyogrio.read_dataframe(paths["site"], layer="nozzles").groupby("nozzle").first()
    rows = pd.read_csv(paths["nozzle_set"])
    assert set(nozzles.loc[rows["from_nozzle"], "device"]) == {"fixed_spray"}
    assert set(nozzles.loc[rows["to_nozzle"], "device"]) == {"rotary_nozzle"}
    size = [rows[column].str.split("-").str[1] for column in ("from_nozzle", "to_nozzle")]
    assert (size[0] == size[1]).all()


@pytest.fixture(scope="module")
def faulty(city: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A city with three parcels of each fault."""
    folder = tmp_path_factory.mktemp("faulty")
    return city.write_city(folder, 150, seed=6, file_format="parquet", faults_each=3)


def test_faults_are_listed_each_as_often_as_asked(faulty: dict[str, Path]) -> None:
    faults = pd.read_csv(faulty["faults"], keep_default_na=False)

    assert faults["fault"].value_counts().unique().tolist() == [3]
    assert faults["fault"].nunique() == 7
    everybody = [*faults["parcel_id"], *(other for other in faults["other_parcel_id"] if other)]
    assert len(set(everybody)) == len(everybody)
    assert set(everybody) <= set(pq.read_table(faulty["parcels"])["parcel_id"].to_pylist())


def test_faults_are_what_they_are_called(faulty: dict[str, Path]) -> None:
    faults = pd.read_csv(faulty["faults"], keep_default_na=False).set_index("fault")
    heads, turf, parcels = (gpd.read_parquet(faulty[n]) for n in ("heads", "turf", "parcels"))

    def of(fault: str) -> set[str]:
        return set(faults.loc[fault, "parcel_id"])

    others = {fault: set(faults.loc[fault, "other_parcel_id"]) for fault in faults.index}
    lacking = heads["nozzle"].isna()
    assert set(parcel_of(heads.loc[lacking, "head_id"])) == of("head_lacks_flow")
    assert lacking.sum() == 3
    drawn = parcels.geometry.to_numpy()
    first, second = shapely.STRtree(drawn).query(drawn, predicate="intersects")
    area = shapely.area(shapely.intersection(drawn[first], drawn[second]))
    overlapping = set(parcels["parcel_id"].iloc[first[(first != second) & (area > 1.0)]])
    assert overlapping == of("parcels_overlap") | others["parcels_overlap"]
    at = shapely.STRtree(drawn).query(turf.geometry.to_numpy(), predicate="intersects")
    in_parcels = np.bincount(at[0], minlength=len(turf))
    owner = parcel_of(turf["turf_id"])
    assert set(owner[in_parcels == 0]) == of("turf_in_no_parcel")
    is_across = (in_parcels == 2) & ~owner.isin(overlapping)
    assert set(owner[is_across]) == of("turf_in_two_parcels")
    assert (turf["parcel_id"].isna() == ((in_parcels == 0) | is_across)).all()
    inside = shapely.STRtree(drawn).query(heads.geometry.to_numpy(), predicate="intersects")[0]
    nobody = np.setdiff1d(np.arange(len(heads)), inside)
    strays = heads["head_id"].iloc[nobody]
    assert set(parcel_of(strays)) == of("heads_of_nobody")
    assert set(parcel_of(turf.loc[turf["soil_texture"] == "clayish", "turf_id"])) == of(
        "unknown_texture"
    )
    twins = of("ids_differ_in_case") | others["ids_differ_in_case"]
    same = parcels["parcel_id"].str.lower().duplicated(keep=False)
    assert set(parcels.loc[same, "parcel_id"]) == twins
    assert parcels["parcel_id"].is_unique
    assert heads["head_id"].is_unique


def test_too_many_faults_for_a_small_city_are_refused(city: ModuleType) -> None:
    with pytest.raises(ValueError, match="20 parcels have room for 9 faults, not 14"):
        city.city_tables(20, faults_each=2)
