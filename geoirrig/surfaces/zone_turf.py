"""Which turf each zone serves, and how much of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoirrig.records import PrecipitationSurface, TurfCells
from geoirrig.units import FloatArray


def served_zone(precipitation: PrecipitationSurface, cells: TurfCells) -> NDArray[np.int32]:
    """Zone that serves each turf cell, its main zone; −1 off the turf and on dry turf."""
    zone = np.where(cells.turf_index >= 0, precipitation.main_zone, -1)
    return zone.astype(np.int32)


def served_turf_areas_m2(
    precipitation: PrecipitationSurface, cells: TurfCells, n_turf: int
) -> FloatArray:
    """Area of each turf polygon that each zone serves.

    Parameters
    ----------
    precipitation : PrecipitationSurface
        Main zone of every cell.
    cells : TurfCells
        Turf polygon of every cell.
    n_turf : int
        Number of polygons.

    Returns
    -------
    ndarray of float64, shape (n_zones, n_turf)
        [m²]
    """
    zone = served_zone(precipitation, cells)
    served = zone >= 0
    n_zones = len(precipitation.zone_rates)
    pair = zone[served].astype(np.int64) * n_turf + cells.turf_index[served]
    count = np.bincount(pair, minlength=n_zones * n_turf).reshape(n_zones, n_turf)
    return np.asarray(count * cells.grid.cell_area_m2)


def served_share_that_runs_off(
    precipitation: PrecipitationSurface,
    cells: TurfCells,
    runoff_depth_mm: NDArray[np.float32],
    *,
    above_mm: float,
) -> FloatArray:
    """Share of the turf that each zone serves where more than ``above_mm`` runs off.

    Parameters
    ----------
    precipitation, cells
        As in `served_turf_areas_m2`.
    runoff_depth_mm : ndarray, shape (n_rows, n_cols)
        Of one event. [mm]
    above_mm : float
        What counts as none. [mm]

    Returns
    -------
    ndarray of float64, shape (n_zones,)
        NaN for a zone that serves no turf. [1]
    """
    zone = served_zone(precipitation, cells)
    served, n_zones = zone >= 0, len(precipitation.zone_rates)
    total = np.bincount(zone[served], minlength=n_zones)
    wet = np.bincount(zone[served & (runoff_depth_mm > above_mm)], minlength=n_zones)
    share: FloatArray = np.divide(wet, total, out=np.full(n_zones, np.nan), where=total > 0)
    return share


def rates_on_served_turf_mm_h(precipitation: PrecipitationSurface, cells: TurfCells) -> FloatArray:
    """Mean rate of every zone on the turf that each zone serves.

    Parameters
    ----------
    precipitation, cells
        As in `served_turf_areas_m2`.

    Returns
    -------
    ndarray of float64, shape (n_zones, n_zones)
        Row: the zone that serves the turf; column: the zone that runs. NaN in the row of a zone
        that serves none. [mm/h]
    """
    zone, n_zones = served_zone(precipitation, cells).ravel(), len(precipitation.zone_rates)
    count = np.bincount(zone[zone >= 0], minlength=n_zones)
    total = np.zeros((n_zones, n_zones))
    for running, zone_rate in enumerate(precipitation.zone_rates):
        serving = zone[zone_rate.cell]
        on_turf = serving >= 0
        total[:, running] = np.bincount(
            serving[on_turf], weights=zone_rate.rate_mm_h[on_turf], minlength=n_zones
        )
    return np.asarray(total / np.where(count > 0, count, np.nan)[:, np.newaxis])
