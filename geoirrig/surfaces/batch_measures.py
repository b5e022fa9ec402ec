"""Measures of many small sites at once: the zones and the turf of thousands of parcels.

The same definitions as `precipitation_surface`, `runoff_risk_surface` and the result tables of one
site, without a step per zone or per cell in the interpreter. The throw is taken as level, and
runoff follows the surface-storage model. Parcels do not share water: each is measured as if it were
alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.physics.precipitation_rate import head_precipitation_rate
from geoirrig.records import (
    AnalysisSettings,
    IntArray,
    SprinklerLayout,
    TerrainSurface,
    TurfAreas,
    ZonePlan,
)
from geoirrig.surfaces import batch_kernels as kernels
from geoirrig.surfaces import batch_runoff_kernels as runoff_kernels
from geoirrig.surfaces.batch_pass_kernels import EventSums, measure_groups
from geoirrig.surfaces.batch_sites import BatchGroups, batch_limits, batch_sites
from geoirrig.surfaces.owner_kernels import lowest_by_owner
from geoirrig.surfaces.sector_kernels import workspace
from geoirrig.units import MINUTES_PER_HOUR, PERCENT, FloatArray

__all__ = ["BatchGroups", "BatchMeasures", "batch_measures"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchMeasures:
    """Measures of one event; arrays of (n_zones,), those of turf (n_states · n_turf,).

    Turf follows state by state: with one state of the heads, it is simply the polygons.
    A zone serves the turf cells whose highest rate it gives. Of the three figures of runoff, the
    plain one is that of the tabulated soil, ``low`` and ``high`` are those of soils at the two ends
    of a 90 % interval. Where the slope is not known, runoff is NaN.
    """

    served_area_m2: FloatArray
    flow_lpm: FloatArray
    mean_rate_mm_h: FloatArray  # on the turf that the zone serves; NaN where it serves none
    du_lq: FloatArray
    du_lh: FloatArray
    on_target_fraction: FloatArray  # share of the flow that lands on any turf of the group
    served_fraction: FloatArray  # share of the flow that lands on the turf that the zone serves
    matched_rate_spread_pct: FloatArray
    run_minutes: FloatArray
    applied_l: FloatArray  # by all zones on the turf that the zone serves
    runoff_l: FloatArray
    runoff_low_l: FloatArray
    runoff_high_l: FloatArray
    turf_area_m2: FloatArray  # as cells
    turf_mean_depth_mm: FloatArray
    turf_runoff_l: FloatArray
    turf_runoff_low_l: FloatArray
    turf_runoff_high_l: FloatArray
    pair_zone: IntArray  # (n_pairs,), every zone with every polygon of which it serves cells
    pair_turf: IntArray
    pair_area_m2: FloatArray

    @property
    def runoff_fraction(self) -> FloatArray:
        """Share of the water on the turf that a zone serves that runs off; 0 without water."""
        return _share(self.runoff_l, self.applied_l)

    @property
    def runoff_fraction_low(self) -> FloatArray:
        """The same on open soil."""
        return _share(self.runoff_low_l, self.applied_l)

    @property
    def runoff_fraction_high(self) -> FloatArray:
        """The same on tight soil."""
        return _share(self.runoff_high_l, self.applied_l)


def _share(part: FloatArray, whole: FloatArray) -> FloatArray:
    return np.divide(part, whole, out=np.zeros_like(part), where=whole > 0.0)


def batch_measures(
    layout: SprinklerLayout,
    plan: ZonePlan,
    turf: TurfAreas,
    *,
    settings: AnalysisSettings,
    groups: BatchGroups | None = None,
    terrain: TerrainSurface | None = None,
) -> BatchMeasures:
    """Evenness, aim, run time and runoff of every zone and turf polygon of many parcels.

    Parameters
    ----------
    layout : SprinklerLayout
        Heads of all parcels; ``zone_index`` points into the zones of the plan.
    plan : ZonePlan
        Zones in running order; of the zones of one group, each follows the one before. Where
        minutes are NaN, the event gives the turf that a zone serves the event depth on the mean.
    turf : TurfAreas
        Polygons of all parcels, of shapely or as well-known binary. Where polygons of one group
        overlap, the first of the table has the cell.
    settings : AnalysisSettings
        Cell size, event depth, compaction factors and spreads of the soil.
    groups : BatchGroups, optional
        Parcels, and states of their heads; all in one group if absent, as on one site. What does
        not differ between states is made once. A group that has no zones in a state has no water
        in it, and costs nothing.
    terrain : TerrainSurface, optional
        Slope of every cell, on a grid of the same cell size with edges on whole multiples of it.
        Without it the slope is each polygon's own.

    Returns
    -------
    BatchMeasures

    Raises
    ------
    ValueError
        If the settings ask for the Green-Ampt model, or a head's zone is not in the plan.

    Notes
    -----
    Memory beyond the inputs: about 250 bytes for each head of each state, with its share of zones,
    outlines and results; and, for the largest group only and one state at a time, a bit for each
    cell of the turf's bounding box, 8 bytes for each cell of the largest zone's, 75 for each turf
    cell and 4 to 8 for each of the eight neighbours of which a zone wets any.
    """
    if settings.runoff_model != "surface_storage":
        raise ValueError("The batch follows the surface-storage model only.")
    n_zones, n_turf = len(plan.run_minutes), len(turf.geometry)
    if groups is None:
        groups = BatchGroups(
            of_zone=np.zeros(n_zones, dtype=np.int64), of_turf=np.zeros(n_turf, dtype=np.int64)
        )
    sites = batch_sites(layout, plan, turf, settings=settings, groups=groups, terrain=terrain)
    sums = kernels.ZoneSums(np.zeros(n_zones, np.int64), *(np.zeros(n_zones) for _ in range(4)))
    found = EventSums(np.zeros(n_zones), np.zeros((n_turf, kernels.N_CLASSES), np.int64))
    work = workspace(float(np.max(sites.heads.radius, initial=0.0)))
    columns, n_lots = measure_groups(sites, batch_limits(sites), work, sums, found)
    cell_area_m2 = settings.cell_size_m**2
    lots = runoff_kernels.Lots._make(column[:n_lots] for column in columns)
    return BatchMeasures(
        **_of_zones(layout, sites.zones, sums, found.run_hours),
        **_of_events(lots, found, groups, cell_area_m2),
        **_pairs(lots, n_turf, cell_area_m2),
        served_area_m2=np.asarray(cell_area_m2 * sums.cells, dtype=np.float64),
    )


# --- what comes out of it ------------------------------------------------------------------------


def _sums(owner: IntArray, values: NDArray[np.generic], count: int) -> FloatArray:
    """Sum of the values of each owner; `bincount` gives whole numbers where there are no values."""
    return np.bincount(owner, weights=values, minlength=count).astype(np.float64)


def _of_zones(
    layout: SprinklerLayout,
    zones: kernels.ZoneHeads,
    sums: kernels.ZoneSums,
    run_hours: FloatArray,
) -> dict[str, Any]:
    n_zones = len(sums.cells)
    count = np.where(sums.total > 0.0, sums.cells, np.nan)
    mean = sums.total / count
    flow = np.where(zones.flow_mm_h > 0.0, zones.flow_mm_h, np.nan)
    return {
        "flow_lpm": _sums(layout.zone_index, layout.flow_lpm, n_zones),
        "mean_rate_mm_h": mean,
        "du_lq": sums.low_quarter / (0.25 * count) / mean,
        "du_lh": sums.low_half / (0.5 * count) / mean,
        "on_target_fraction": sums.on_turf / flow,
        "served_fraction": sums.total / flow,
        "matched_rate_spread_pct": _matched_rate_spread_pct(layout, n_zones),
        "run_minutes": MINUTES_PER_HOUR * run_hours,
    }


def _matched_rate_spread_pct(layout: SprinklerLayout, n_zones: int) -> FloatArray:
    """Highest less lowest own rate of each zone's heads, over their mean; NaN without heads."""
    rate = head_precipitation_rate(layout.flow_lpm, layout.radius_m, layout.arc_deg)
    lowest, negative = lowest_by_owner(np.array([rate, -rate]), layout.zone_index, n_zones)
    count = np.bincount(layout.zone_index, minlength=n_zones)
    total = _sums(layout.zone_index, rate, n_zones)
    has = count > 0
    spread = np.where(has, -negative - lowest, 0.0)
    return np.asarray(PERCENT * spread / (total / np.where(has, count, np.nan)))


def _of_events(
    lots: runoff_kernels.Lots, found: EventSums, groups: BatchGroups, cell_area_m2: float
) -> dict[str, Any]:
    """Water and runoff of the zones and polygons, from what was summed by lots."""
    n_zones, n_turf = len(found.run_hours), groups.n_states * len(found.turf_cells)
    turf = lots.turf
    if groups.state_of_zone is not None:
        turf = turf + len(found.turf_cells) * groups.state_of_zone[lots.zone]
    is_unknown = lots.rank == kernels.UNKNOWN_CLASS
    shed_l = np.where(is_unknown, np.nan, cell_area_m2 * lots.shed_mm.T)
    applied_l = cell_area_m2 * lots.applied_mm
    cells = np.tile(found.turf_cells.sum(axis=1), groups.n_states)
    # Turf without water sheds none, but where its slope is not known nothing is said of it.
    unknown = np.tile(found.turf_cells[:, kernels.UNKNOWN_CLASS], groups.n_states)
    dry_l = np.where(unknown > 0, np.nan, 0.0)
    turf_l = _sums(turf, applied_l, n_turf)
    columns = {
        "applied_l": _sums(lots.zone, applied_l, n_zones),
        "turf_area_m2": cell_area_m2 * cells,
        "turf_mean_depth_mm": turf_l / (cell_area_m2 * np.where(cells > 0, cells, np.nan)),
    }
    for name, soil in (("", 0), ("_low", runoff_kernels.OPEN), ("_high", runoff_kernels.TIGHT)):
        own = shed_l[soil]
        columns[f"runoff{name}_l"] = _sums(lots.zone, own, n_zones)
        of_turf = _sums(turf, own, n_turf)
        columns[f"turf_runoff{name}_l"] = dry_l + of_turf
    return columns


def _pairs(lots: runoff_kernels.Lots, n_turf: int, cell_area_m2: float) -> dict[str, Any]:
    """Zones with the turf that they serve, by zone and then polygon, whatever its slopes."""
    pair, place = np.unique(lots.zone * max(1, n_turf) + lots.turf, return_inverse=True)
    cells = _sums(place, lots.cells, len(pair))
    return {
        "pair_zone": pair // max(1, n_turf),
        "pair_turf": pair % max(1, n_turf),
        "pair_area_m2": cell_area_m2 * cells,
    }
