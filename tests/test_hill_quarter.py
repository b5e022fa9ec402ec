"""The hill quarter of the samples is what its description says."""

from __future__ import annotations

import importlib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from typer.testing import CliRunner

from geoirrig.cli import app

SAMPLES = Path(__file__).parents[1] / "sample_gis"
SITE, RETROFIT = SAMPLES / "hill_quarter_site.gpkg", SAMPLES / "hill_quarter_retrofit.csv"


@pytest.fixture(scope="module")
def layers() -> dict[str, pd.DataFrame]:
    names = ("heads", "turf", "parcels", "hardscape", "zones", "nozzles", "profiles")
    return {name: pyogrio.read_dataframe(SITE, layer=name) for name in names}


def heads_of(layers: dict[str, pd.DataFrame], parcel: str) -> pd.DataFrame:
    return layers["heads"][layers["heads"]["head_id"].str.startswith(f"{parcel}-")]


def test_hill_quarter_passes_validation() -> None:
    result = CliRunner().invoke(app, ["validate", str(SITE)])

    assert result.exit_code == 0, result.output
    assert "1,067 heads in 101 zones, 105 turf polygons of 6,740 m²" in result.output


def test_hill_quarter_stays_small() -> None:
    assert SITE.stat().st_size < 400_000


def test_hill_quarter_parcels_hold_their_lawns_and_heads(layers: dict[str, pd.DataFrame]) -> None:
    parcels, turf, heads = layers["parcels"], layers["turf"], layers["heads"]

    assert parcels["parcel_id"].tolist() == [f"HQ-{n:02d}" for n in range(1, 37)]
    assert parcels["address"].is_unique
    assert set(turf["parcel_id"]) == set(parcels["parcel_id"])
    outline = parcels.set_index("parcel_id").geometry
    own = outline.loc[turf["parcel_id"]].to_numpy()
    assert shapely.contains_properly(own, turf.geometry.to_numpy()).all()
    assert shapely.contains(
        outline.loc[heads["head_id"].str[:5]].to_numpy(), heads.geometry.to_numpy()
    ).all()
    assert (heads["zone"].str[:5] == heads["head_id"].str[:5]).all()
    assert set(layers["zones"]["zone"]) == set(heads["zone"])


def test_hill_quarter_slope_grows_uphill(layers: dict[str, pd.DataFrame]) -> None:
    plain = layers["turf"][layers["turf"]["slope_pct"] != 31.0]
    assert isinstance(plain, gpd.GeoDataFrame)

    assert np.corrcoef(plain.centroid.y, plain["slope_pct"])[0, 1] > 0.9
    # 3 + 9·u² + 5·u·e % with u from the foot to the top and e from west to east, both 0 to 1
    assert plain["slope_pct"].between(3.0, 17.0).all()


def test_hill_quarter_retrofit_is_that_of_its_script(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SAMPLES))
    built = importlib.import_module("hill_quarter").retrofit_set()

    pd.testing.assert_frame_equal(pd.read_csv(RETROFIT), built)


def test_hill_quarter_retrofit_leaves_only_the_odd_spray(layers: dict[str, pd.DataFrame]) -> None:
    rows = pd.read_csv(RETROFIT)
    nozzles = layers["nozzles"].groupby("nozzle").first()
    sprays = set(nozzles.index[nozzles["device"] == "fixed_spray"])

    assert sprays - set(rows["from_nozzle"]) == {"FX-4.6"}
    assert set(nozzles.loc[rows["to_nozzle"], "device"]) == {"rotary_nozzle"}
    assert set(rows["pressure_kpa"]) == {280.0}


def test_hill_quarter_gardens_are_particular_as_described(
    layers: dict[str, pd.DataFrame],
) -> None:
    parcels, turf = layers["parcels"].set_index("parcel_id"), layers["turf"]

    assert heads_of(layers, "HQ-03")["nozzle"].str.startswith("RN-").all()
    assert parcels.index[parcels["has_grant"]].tolist() == ["HQ-05", "HQ-28"]
    odd = layers["heads"]["nozzle"] == "FX-4.6"
    assert layers["heads"].loc[odd, "zone"].tolist() == ["HQ-08-Z01"] * 2
    assert (heads_of(layers, "HQ-08")["zone"] == "HQ-08-Z01").sum() > 2
    assert heads_of(layers, "HQ-11")["pressure_kpa"].between(350.0, 390.0).all()
    assert heads_of(layers, "HQ-14").empty
    steep = turf[turf["slope_pct"] == 31.0]
    assert steep[["parcel_id", "soil_texture"]].to_numpy().tolist() == [["HQ-16", "silty_clay"]]
    others = parcels.loc[parcels["land_use"] != "residential", "land_use"]
    assert others.to_dict() == {"HQ-20": "school", "HQ-23": "shop"}
    assert set(heads_of(layers, "HQ-25")["zone"]) == {"HQ-25-Z01"}
    counts = layers["heads"]["head_id"].str[:5].value_counts()
    small = counts[counts < 15].sort_index().to_dict()
    assert small == {"HQ-02": 10, "HQ-09": 13, "HQ-17": 12, "HQ-25": 12}
