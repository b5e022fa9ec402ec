"""Which slopes to mend first: what each sheds, and how sure its rank is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.rank_interval import central_interval, competition_rank, share_of_total
from geoirrig.records import ResultTable, WorkingPlane, ZoneSchedule
from geoirrig.surfaces.annual_runoff import annual_runoff_l
from geoirrig.surfaces.runoff_ranking import (
    RankingGround,
    lawn_realisations,
    ranking_ground,
    realised_runoff_l,
    slope_unit_measures,
)
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface
from geoirrig.surfaces.slope_units import SlopeUnits, class_slope_units, turf_slope_units
from geoirrig.units import FloatArray
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.run_record import CAUTIONS, Progress
from geoirrig.workflows.site_water import SiteWater

NEGLIGIBLE_L = 1e-6  # less is rounding, not water
RANKING_CAUTION = "Intervals speak of soil alone; what one slope sheds may run onto another."
_COUNTS_IN_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine",
                    "ten")  # fmt: skip
_MANY_SLOPES, _WORST_OF_MANY = 30, 10
_WORST_SHARE_OF_FEW = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class RankOptions:
    """What is ranked, and how its uncertainty is drawn."""

    by_slope_class: bool = False  # parts of one slope class instead of whole turf polygons
    least_part_m2: float = 4.0  # smaller parts are joined to others of their polygon; judgement
    realisations: int = 200  # from 20 on the interval has a meaning
    seed: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeRanking:
    """Slopes, worst first, ready to be written and drawn."""

    plane: WorkingPlane
    grid: RasterGrid
    table: ResultTable  # ranked_slopes, by rank
    totals: Mapping[str, float]
    finding: str  # "The worst ten of 37 slopes shed 63 % of the runoff."
    options: RankOptions
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]


def rank_slopes(
    site: LoadedSite,
    water: SiteWater,
    *,
    options: RankOptions | None = None,
    schedule: ZoneSchedule | None = None,
    progress: Progress = lambda _: None,
) -> SlopeRanking:
    """Slopes by the litres that they shed in one event as planned, with 90 % intervals.

    Parameters
    ----------
    site : LoadedSite
        The checked inputs on their grid.
    water : SiteWater
        Where its water lands, and the event as planned.
    options : RankOptions, optional
        The defaults where absent.
    schedule : ZoneSchedule, optional
        Of the zones of the site: adds the litres of a mean year, with its cycles and soaks and
        with the same minutes in one cycle. The ranking stays by litres of one event.
    progress : callable, optional
        Told the name of each step as it begins.

    Returns
    -------
    SlopeRanking
        Slopes that tie share the better rank and stand in the order of the turf layer.

    Raises
    ------
    ValueError
        If the schedule is of other zones.
    """
    options = RankOptions() if options is None else options
    inputs, settings, cells, terrain = site.inputs, site.settings, site.cells, site.terrain
    turf, zones = inputs.turf, inputs.zone_plan.zone
    if schedule is not None and schedule.zone != zones:
        raise ValueError("the schedule must be of the zones of the site, in their running order")
    progress("Following the event into the ground")
    runoff = runoff_risk_surface(
        water.precipitation, terrain, cells, turf, water.event, settings=settings
    )
    progress("Setting off the slopes")
    units = _slope_units(site, options)
    ground = ranking_ground(water.precipitation, terrain, cells, turf, units, settings=settings)
    progress(f"Drawing {options.realisations} soils for each lawn")
    drawn = lawn_realisations(turf, options.realisations, seed=options.seed, settings=settings)
    realised = realised_runoff_l(ground, water.event, drawn)
    measures = slope_unit_measures(units, terrain, runoff)
    annual = {}
    if schedule is not None:
        progress("Summing up the year")
        annual = _annual_columns(ground, schedule)
    table = _ranked_table(site, units, measures, realised, annual)
    runoff_l = np.asarray(table.columns["runoff_l"], dtype=np.float64)
    return SlopeRanking(
        plane=inputs.plane,
        grid=site.grid,
        table=table,
        totals=_totals(units, runoff_l, realised, annual),
        finding=worst_slopes_finding(runoff_l),
        options=options,
        warnings=inputs.warnings,
        cautions=(RANKING_CAUTION, *CAUTIONS),
    )


def worst_slopes_finding(runoff_l: FloatArray) -> str:
    """What share of the runoff the worst slopes shed, in a sentence.

    Parameters
    ----------
    runoff_l : ndarray, shape (n_units,)
        Runoff of the slopes, largest first. [L]

    Examples
    --------
    >>> worst_slopes_finding(np.array([60.0, 30.0, 10.0, 0.0]))
    'The worst of 4 slopes sheds 60 % of the runoff.'
    """
    n_slopes, n_wet = len(runoff_l), int(np.count_nonzero(runoff_l > NEGLIGIBLE_L))
    if not n_wet:
        return "Nothing runs off in the event as planned."
    if n_slopes == 1:
        return "All of the runoff comes from the one slope there is."
    many = n_slopes >= _MANY_SLOPES
    count = min(n_wet, _WORST_OF_MANY if many else max(1, round(_WORST_SHARE_OF_FEW * n_slopes)))
    share = float(np.sum(runoff_l[:count]) / np.sum(runoff_l))
    amount = "all" if count == n_wet else f"{100.0 * share:.0f} %" if share < 0.995 else "over 99 %"
    if count == 1:
        return f"The worst of {n_slopes} slopes sheds {amount} of the runoff."
    return f"The worst {_COUNTS_IN_WORDS[count]} of {n_slopes} slopes shed {amount} of the runoff."


def _slope_units(site: LoadedSite, options: RankOptions) -> SlopeUnits:
    if options.by_slope_class:
        return class_slope_units(
            site.inputs.turf, site.cells, site.terrain, least_area_m2=options.least_part_m2
        )
    return turf_slope_units(site.inputs.turf, site.cells)


def _annual_columns(ground: RankingGround, schedule: ZoneSchedule) -> dict[str, FloatArray]:
    return {
        "annual_runoff_l": annual_runoff_l(ground, schedule, in_one_cycle=False),
        "annual_runoff_one_cycle_l": annual_runoff_l(ground, schedule, in_one_cycle=True),
    }


def _ranked_table(
    site: LoadedSite,
    units: SlopeUnits,
    measures: Mapping[str, FloatArray],
    realised_l: FloatArray,
    annual: Mapping[str, FloatArray],
) -> ResultTable:
    """Slopes by rank; the columns of the contract come first."""
    turf = site.inputs.turf
    runoff_l = measures["runoff_l"]
    rank = competition_rank(runoff_l, negligible=NEGLIGIBLE_L)
    low, high = central_interval(competition_rank(realised_l, negligible=NEGLIGIBLE_L))
    runoff_low_l, runoff_high_l = central_interval(realised_l)
    order = np.argsort(rank, kind="stable")
    share = share_of_total(runoff_l)
    columns: dict[str, Any] = {
        "rank": rank,
        "slope_unit": units.slope_unit,
        "turf_id": turf.turf_id[units.turf_number],
        "area_m2": units.area_m2,
        **measures,
        # the tabulated soil is one more realisation: its rank is never outside
        "rank_low": np.minimum(low, rank),
        "rank_high": np.maximum(high, rank),
        "runoff_low_l": np.minimum(runoff_low_l, runoff_l),
        "runoff_high_l": np.maximum(runoff_high_l, runoff_l),
        "runoff_share": share,
        **annual,
    }
    columns = {name: values[order] for name, values in columns.items()}
    columns["cumulative_share"] = np.cumsum(columns["runoff_share"])
    lawn = units.turf_number[order]
    for name, values in turf.attributes.items():
        columns.setdefault(name, values[lawn])
    return ResultTable(
        name="ranked_slopes",
        columns=columns,
        geometry=units.geometry[order],
        geometry_type="MultiPolygon",
    )


def _totals(
    units: SlopeUnits,
    runoff_l: FloatArray,
    realised_l: FloatArray,
    annual: Mapping[str, FloatArray],
) -> dict[str, float]:
    low, high = central_interval(np.sum(realised_l, axis=0))
    total = float(np.sum(runoff_l))
    return {
        "slope_count": len(runoff_l),
        "slopes_with_runoff": int(np.count_nonzero(runoff_l > NEGLIGIBLE_L)),
        "turf_area_m2": float(np.sum(units.area_m2)),
        "runoff_l": total,
        "runoff_low_l": min(float(low), total),
        "runoff_high_l": max(float(high), total),
        **{name: float(np.sum(values)) for name, values in annual.items()},
    }
