"""Real cadastral plots and buildings as a city to screen, with heads that a test places.

Plots and buildings are the data set ``bubenec`` that the package momepy ships: a part of Prague, in
Web Mercator (EPSG:3857), whose areas are 2.43 times the truth there. What is left of a plot beside
the buildings stands in for turf. No open survey of sprinkler heads exists, so heads stand on a
lattice; soils, slopes and nozzles are invented.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from tests.external import REQUIRE_ALL

WEB_MERCATOR, UTM_33_NORTH = "EPSG:3857", "EPSG:32633"
LEAST_TURF_M2 = 50.0  # open ground smaller than this is no lawn
LEAST_PIECE_M2 = 1.0  # smaller pieces of it are slivers between plot and building
# nozzle, device, flow of the full circle [L/min] at a throw of 6 m, unit cost: 40 and 11 mm/h.
NOZZLES = (("FS-6", "fixed_spray", 24.0, 2.6), ("RN-6", "rotary_nozzle", 6.6, 8.5))
TEXTURES = ("loam", "clay_loam", "silty_clay")


@dataclass(frozen=True, slots=True, kw_only=True)
class RealPlots:
    """Layers of the plots, all in one CRS."""

    heads: gpd.GeoDataFrame
    turf: gpd.GeoDataFrame
    parcels: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    nozzles: pd.DataFrame


def bubenec() -> Path:
    """The data set; without it the test is skipped, or fails where all are required."""
    found = find_spec("momepy")
    path = None if found is None else Path(str(found.origin)).parent / "datasets" / "bubenec.gpkg"
    if path is not None and path.is_file():
        return path
    reason = "momepy with its data set is not installed"
    if os.environ.get(REQUIRE_ALL) == "1":
        pytest.fail(f"{reason}, and {REQUIRE_ALL}=1 requires it")
    pytest.skip(reason)


def real_plots(
    *, crs: str = WEB_MERCATOR, n_plots: int | None = None, spacing_m: float = 6.0
) -> RealPlots:
    """Plots as parcels, their open ground as turf, and sprays on a lattice in it.

    Parameters
    ----------
    crs : str
        CRS of every layer. Whatever it is, turf and heads are laid out in UTM zone 33 north.
    n_plots : int or None
        How many of the plots; None: all 407.
    spacing_m : float
        Spacing of the lattice. [m]
    """
    plots = gpd.read_file(bubenec(), layer="plots").to_crs(UTM_33_NORTH).iloc[:n_plots]
    buildings = gpd.read_file(bubenec(), layer="buildings").to_crs(UTM_33_NORTH)
    number = np.arange(len(plots))
    parcels = gpd.GeoDataFrame(
        {"parcel_id": [f"plot {n:03d}" for n in number]},
        geometry=plots.geometry.to_numpy(),
        crs=plots.crs,
    )
    open_ground = shapely.difference(parcels.geometry.to_numpy(), buildings.union_all())
    open_ground = np.array([_without_slivers(ground) for ground in open_ground], dtype=object)
    is_lawn = shapely.area(open_ground) >= LEAST_TURF_M2
    turf = gpd.GeoDataFrame(
        {
            "turf_id": "lawn of " + parcels["parcel_id"],
            "parcel_id": parcels["parcel_id"],
            "soil_texture": [TEXTURES[n % len(TEXTURES)] for n in number],
            "slope_pct": 2.0 + number % 7,
        },
        geometry=open_ground,
        crs=plots.crs,
    )[is_lawn].reset_index(drop=True)
    heads = _lattice_of_heads(turf, spacing_m)
    return RealPlots(
        heads=heads.to_crs(crs),
        turf=turf.to_crs(crs),
        parcels=parcels.to_crs(crs),
        buildings=buildings.to_crs(crs),
        nozzles=pd.DataFrame(
            [(name, device, 210.0, flow, 6.0, cost) for name, device, flow, cost in NOZZLES],
            columns=["nozzle", "device", "pressure_kpa", "flow_lpm", "radius_m", "unit_cost"],
        ),
    )


def write_real_plots(
    folder: Path, *, crs: str = WEB_MERCATOR, n_plots: int | None = None, spacing_m: float = 6.0
) -> dict[str, Path]:
    """Write the plots as ``site.gpkg``, and a nozzle set that puts a rotary nozzle on every head.

    Returns
    -------
    dict of str to Path
        "site" and "nozzle_set".
    """
    layers = real_plots(crs=crs, n_plots=n_plots, spacing_m=spacing_m)
    site, nozzle_set = folder / "site.gpkg", folder / "nozzle_set.csv"
    for name in ("heads", "turf", "parcels", "nozzles"):
        pyogrio.write_dataframe(
            getattr(layers, name), site, layer=name, driver="GPKG", append=site.exists()
        )
    pd.DataFrame({"from_nozzle": ["FS-6"], "to_nozzle": ["RN-6"]}).to_csv(nozzle_set, index=False)
    return {"site": site, "nozzle_set": nozzle_set}


def _without_slivers(ground: shapely.Geometry) -> shapely.Geometry:
    parts = shapely.get_parts(ground)
    kept = parts[shapely.area(parts) >= LEAST_PIECE_M2]
    return kept[0] if len(kept) == 1 else shapely.multipolygons(kept)


def _lattice_of_heads(turf: gpd.GeoDataFrame, spacing_m: float) -> gpd.GeoDataFrame:
    """A full-circle spray on every lattice point in turf; a zone is a lawn."""
    west, south, east, north = turf.total_bounds
    x, y = np.meshgrid(np.arange(west, east, spacing_m), np.arange(south, north, spacing_m))
    points = shapely.points(x.ravel(), y.ravel())
    lawn, point = shapely.STRtree(points).query(turf.geometry.to_numpy(), predicate="contains")
    point, first = np.unique(point, return_index=True)  # lawns overlap by a few square decimetres
    return gpd.GeoDataFrame(
        {
            "head_id": [f"H{n:05d}" for n in range(len(point))],
            "zone": turf["parcel_id"].to_numpy()[lawn[first]],
            "nozzle": NOZZLES[0][0],
        },
        geometry=points[point],
        crs=turf.crs,
    )
