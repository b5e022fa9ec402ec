"""One zone as a choice of candidates: what may stand where, what is scored, what limits."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geoirrig.optimisation.limits import LayoutLimits
from geoirrig.optimisation.nozzle_choices import (
    NozzleChoices,
    matched_rate_spread_pct,
    nozzle_choices,
    without_unreached_cells,
)
from geoirrig.records import IntArray, PrecipitationSurface, SprinklerLayout
from geoirrig.surfaces.zone_turf import served_zone
from geoirrig.workflows.head_places import new_places, with_places
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.nozzle_candidates import CandidateOptions, NozzleTable, place_candidates
from geoirrig.workflows.site_water import lay_out_water


@dataclass(frozen=True, slots=True, kw_only=True)
class OptimizeOptions:
    """Limits of a proposal, and how long to look for it.

    Attributes
    ----------
    flow_lpm, overspray_fraction, matched_rate_spread_pct : float or None
        Limits of every zone. None: as it stands today; for the spread of the heads' own rates, the
        tolerance of the settings where that is more. With heads to add and no limit stated the
        flow of a zone is free. [L/min], [1], [%]
    runoff_may_rise : bool
        Whether an event may run off more than today.
    add_heads : int
        Heads that may be added on the whole site; the least even zone takes its share first.
    gap, seconds_a_zone : float
        Where to stop: relative gap between layout and bound, time.
    candidates : CandidateOptions
        What is tried in each place.
    """

    flow_lpm: float | None = None
    overspray_fraction: float | None = None
    matched_rate_spread_pct: float | None = None
    runoff_may_rise: bool = False
    add_heads: int = 0
    gap: float = 0.001
    seconds_a_zone: float = 60.0
    candidates: CandidateOptions = field(default_factory=CandidateOptions)


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneCase:
    """One zone as a choice of candidates.

    Attributes
    ----------
    zone : int
        Number of the zone.
    heads : ndarray of int
        Rows of its heads in the layout.
    candidates, first : SprinklerLayout, ndarray of int
        What may stand in each place; there is no row for "no head".
    choices, limits : NozzleChoices, LayoutLimits
        The same with "no head", laid on the turf that is scored, and what is to be kept.
    start : ndarray of int
        Choice of each place as it stands.
    """

    zone: int
    heads: IntArray  # rows of the layout
    candidates: SprinklerLayout
    first: IntArray
    choices: NozzleChoices
    limits: LayoutLimits
    start: IntArray


def dry_turf(precipitation: PrecipitationSurface, site: LoadedSite) -> NDArray[np.bool_]:
    """Turf cells that no zone waters, shape (n_rows, n_cols)."""
    return np.logical_and(site.cells.turf_index >= 0, precipitation.main_zone < 0)


def _scored_cells(site: LoadedSite, zone: int) -> NDArray[np.bool_]:
    """Turf that the zone serves, and dry turf nearest to one of its heads."""
    precipitation = lay_out_water(site).precipitation
    scored = served_zone(precipitation, site.cells) == zone
    rows, cols = np.nonzero(dry_turf(precipitation, site))
    if len(rows):
        layout, grid = site.inputs.layout, site.grid
        heads = cKDTree(np.column_stack([layout.x_m, layout.y_m]))
        cells = np.column_stack([grid.cell_centre_x_m()[cols], grid.cell_centre_y_m()[rows]])
        scored[rows, cols] = layout.zone_index[heads.query(cells)[1]] == zone
    return np.asarray(scored)


def zone_case(
    site: LoadedSite, table: NozzleTable, zone: int, options: OptimizeOptions, to_add: int
) -> ZoneCase | None:
    """A zone's candidates and limits; None where it has no turf to water."""
    layout = site.inputs.layout
    heads = np.flatnonzero(layout.zone_index == zone)
    scored = _scored_cells(site, zone)
    if not len(heads) or not scored.any():
        return None
    turf = shapely.union_all(site.inputs.turf.geometry)
    extra = new_places(layout, heads, turf) if to_add > 0 else np.empty((0, 2))
    places = with_places(layout, heads, extra)
    candidates, first = place_candidates(
        places, table, turf, options.candidates, n_standing=len(heads)
    )
    choices = without_unreached_cells(_laid_out(site, candidates, first, len(heads), scored))
    start = choices.first[:-1].copy()
    start[len(heads) :] = choices.first[1 + len(heads) :] - 1  # no head
    return ZoneCase(
        zone=zone,
        heads=heads,
        candidates=candidates,
        first=first,
        choices=choices,
        limits=_limits(choices, start, options, site.settings.matched_rate_tolerance_pct, to_add),
        start=start,
    )


def _laid_out(
    site: LoadedSite,
    candidates: SprinklerLayout,
    first: IntArray,
    n_standing: int,
    scored: NDArray[np.bool_],
) -> NozzleChoices:
    return nozzle_choices(
        candidates,
        first,
        site.grid,
        is_scored=scored,
        on_turf=site.cells.turf_index >= 0,
        may_be_left_out=np.arange(len(first) - 1) >= n_standing,
        terrain=site.terrain if site.settings.throw_follows_slope else None,
    )


def on_served_turf(case: ZoneCase, site: LoadedSite) -> ZoneCase:
    """The same candidates and limits, scored on just the turf that the zone serves in a site.

    All of it has to stay wet. The same case comes back where that is what was scored.
    """
    served = served_zone(lay_out_water(site).precipitation, site.cells) == case.zone
    scored = np.zeros_like(served)
    scored[case.choices.cell_row, case.choices.cell_col] = True
    if np.array_equal(served, scored):
        return case
    choices = _laid_out(site, case.candidates, case.first, len(case.heads), served)
    return replace(case, choices=choices, limits=replace(case.limits, dry_cells=0))


def _limits(
    choices: NozzleChoices,
    start: IntArray,
    options: OptimizeOptions,
    rate_tolerance_pct: float,
    to_add: int,
) -> LayoutLimits:
    """What was stated, else what holds today."""
    flow = float(np.sum(choices.flow_lpm[start]))
    overspray = float(np.sum(choices.overspray_lpm[start])) / flow
    spread = max(matched_rate_spread_pct(choices.own_rate_mm_h[start]), rate_tolerance_pct)

    def stated(value: float | None, today: float) -> float:
        return today if value is None else value

    return LayoutLimits(
        flow_lpm=stated(options.flow_lpm, np.inf if to_add > 0 else flow),
        overspray_fraction=stated(options.overspray_fraction, overspray),
        matched_rate_spread_pct=stated(options.matched_rate_spread_pct, spread),
        added_heads=to_add,
        dry_cells=int(np.count_nonzero(choices.rates(start) <= 0.0)),
    )
