"""The invented hill quarter: 36 gardens, half along the road at its foot, half along that above.

Lots, lawns, paving and heads come from the generator of the benchmarks' city; names, the slope of
the hill and what is particular about some gardens are set here. Nothing is surveyed: neither the
place nor the people nor the nozzle models exist.
"""

from __future__ import annotations

import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

N_PARCELS = 36
SEED = 6
GENERATOR = Path(__file__).parents[1] / "tests" / "benchmarks"
FOOT_NORTHING_M = 4_610_000.0  # the slope grows from there
ROAD_AT_FOOT, ROAD_ABOVE = "Weir Lane", "Crest Road"
UNMATCHED_SPRAY = "FX-4.6"  # an adjustable spray that the retrofit set does not name

# Parcels that something is particular about; the description of the samples tells each.
ON_ROTARY_NOZZLES = "HQ-03"
HAD_A_GRANT = ("HQ-05", "HQ-28")
ODD_SPRAYS = "HQ-08"
HIGH_PRESSURE = "HQ-11"
WITHOUT_SYSTEM = "HQ-14"
BANK = "HQ-16"
SCHOOL, SHOP = "HQ-20", "HQ-23"
FRONT_ONLY = "HQ-25"
HEADS_MISSING = "HQ-31"


def slope_pct(x_m: NDArray[np.float64], y_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slope of the hill: 3 % at the foot, four times as much above, steeper to the east."""
    up, east = (y_m - FOOT_NORTHING_M) / 84.0, (x_m - 420_000.0) / 380.0
    return np.asarray(3.0 + 9.0 * up**2 + 5.0 * up * east)


def tables() -> dict[str, pd.DataFrame]:
    """Every layer and table of the quarter, by name."""
    layers = _generated()
    layers["heads"] = _heads(layers["heads"])
    layers["turf"] = _turf(layers["turf"])
    layers["parcels"] = _parcels(layers["parcels"])
    layers["nozzles"] = _nozzles(layers["nozzles"])
    layers["hardscape"] = layers["hardscape"].dissolve("surface").reset_index()
    zones = layers["zones"]
    zones = zones[zones["zone"].isin(layers["heads"]["zone"])].reset_index(drop=True)
    layers["zones"] = zones.astype({"cycles": "Int64"})
    return layers


def retrofit_set() -> pd.DataFrame:
    """The nozzle set of the quarter's retrofit."""
    _find_generator()
    from city_heads import retrofit_set

    return retrofit_set()


def _find_generator() -> None:
    if str(GENERATOR) not in sys.path:
        sys.path.append(str(GENERATOR))


def _generated() -> dict[str, pd.DataFrame]:
    """The generator's city of that size, its parcels named HQ-01 to HQ-36."""
    _find_generator()
    from city import CRS
    from city_layers import city_tables

    layers: dict[str, pd.DataFrame] = {}
    for name, table in city_tables(N_PARCELS, seed=SEED).items():
        frame = table.to_pandas()
        for column in {"head_id", "zone", "turf_id", "parcel_id"}.intersection(frame.columns):
            frame[column] = frame[column].str.replace(r"^P0000(\d\d)", r"HQ-\1", regex=True)
        if "geometry" in frame:
            drawn = shapely.from_wkb(frame.pop("geometry").to_numpy())
            frame = gpd.GeoDataFrame(frame, geometry=drawn, crs=CRS)
        layers[name] = frame
    return layers


def _heads(heads: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    heads = heads.copy()
    parcel, zone = heads["head_id"].str[:5], heads["zone"].str[6:]
    is_spray = heads["nozzle"].str.startswith("FS-")
    rotary = heads["nozzle"].str.replace("FS-", "RN-")
    heads.loc[parcel == ON_ROTARY_NOZZLES, "nozzle"] = rotary
    # Elsewhere what the generator drew, but these gardens are to have sprays throughout.
    plain = parcel.isin((ODD_SPRAYS, HIGH_PRESSURE, BANK, SCHOOL, SHOP, HEADS_MISSING))
    heads.loc[plain & ~is_spray, "nozzle"] = heads["nozzle"].str.replace("RN-", "FS-")
    odd = heads.index[(parcel == ODD_SPRAYS) & (zone == "Z01")][:2]
    heads.loc[odd, "nozzle"] = UNMATCHED_SPRAY
    heads.loc[parcel == HIGH_PRESSURE, "pressure_kpa"] += (
        390.0 - heads.loc[parcel == HIGH_PRESSURE, "pressure_kpa"].max()
    )
    is_out = parcel == WITHOUT_SYSTEM
    is_out |= (parcel == FRONT_ONLY) & (zone != "Z01")
    last = zone[parcel == HEADS_MISSING].max()
    thinned = heads.index[(parcel == HEADS_MISSING) & (zone == last)]
    is_out |= heads.index.isin(thinned[::4])
    return heads[~is_out].reset_index(drop=True)


def _turf(turf: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    turf = turf.copy()
    middle = turf.geometry.centroid
    turf["slope_pct"] = np.round(slope_pct(middle.x.to_numpy(), middle.y.to_numpy()), 1)
    bank = turf[turf["parcel_id"] == BANK].area.idxmax()
    turf.loc[bank, "slope_pct"] = 31.0
    turf.loc[bank, "soil_texture"] = "silty_clay"
    # Clay above, loam at the foot, in patches as the generator drew them elsewhere.
    is_upper = middle.y - FOOT_NORTHING_M > 42.0
    turf.loc[is_upper & (turf["soil_texture"] == "loam"), "soil_texture"] = "clay_loam"
    return turf


def _parcels(parcels: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    parcels = parcels.copy()
    is_foot = parcels.geometry.centroid.y - FOOT_NORTHING_M < 42.0
    number = 2 * parcels.groupby(is_foot).cumcount() + np.where(is_foot, 1, 2)
    road = np.where(is_foot, ROAD_AT_FOOT, ROAD_ABOVE)
    parcels.insert(1, "address", [f"{n} {name}" for n, name in zip(number, road, strict=True)])
    use = {SCHOOL: "school", SHOP: "shop"}
    parcels["land_use"] = [use.get(name, "residential") for name in parcels["parcel_id"]]
    parcels["has_grant"] = parcels["parcel_id"].isin(HAD_A_GRANT)
    return parcels


def _nozzles(nozzles: pd.DataFrame) -> pd.DataFrame:
    """The generator's nozzles less its rotor, and the spray that has no counterpart."""
    odd = nozzles[nozzles["nozzle"] == "FS-4.6"].assign(nozzle=UNMATCHED_SPRAY, unit_cost=3.4)
    kept = nozzles[nozzles["device"] != "rotor"]
    return pd.concat([kept, odd], ignore_index=True)
