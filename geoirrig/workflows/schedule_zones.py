"""How to set the clock: run minutes, cycles and soaks of every zone in every month."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from geoirrig.climate.mean_year import mean_year
from geoirrig.climate.reference_evapotranspiration import reference_evapotranspiration
from geoirrig.physics.application_uniformity import (
    depth_multiplier_low_quarter,
    low_half_uniformity,
    low_quarter_uniformity,
    run_time_multiplier_low_half,
)
from geoirrig.physics.effective_rain import EFFECTIVE_RAIN_METHODS
from geoirrig.physics.irrigation_interval import (
    gross_depth_mm,
    irrigation_events,
    irrigation_interval_days,
    run_minutes,
)
from geoirrig.physics.plant_water_use import MONTHS, plant_evapotranspiration_mm
from geoirrig.records import ClimateRecord, MeanYear, ZoneSchedule
from geoirrig.surfaces.cycle_advice import CycleAdvice, cycle_advice
from geoirrig.surfaces.root_zones import (
    ZoneRootZones,
    turf_root_zones,
    zone_root_zones,
)
from geoirrig.surfaces.zone_turf import served_turf_areas_m2
from geoirrig.units import LITRES_PER_M3, FloatArray
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.run_record import Progress
from geoirrig.workflows.schedule_options import ScheduleOptions, methods_in_words
from geoirrig.workflows.schedule_trial import try_schedule
from geoirrig.workflows.schedule_warnings import schedule_failures, schedule_warnings
from geoirrig.workflows.site_water import SiteWater
from geoirrig.workflows.water_allowance_report import WaterAllowance, water_allowance


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneWaterNeed:
    """What the turf of every zone needs in the mean year, and what the zone can do for it.

    Arrays are of shape (n_zones,) or, from January to December, (n_zones, 12); NaN for a zone that
    serves no turf.
    """

    served_area_m2: FloatArray
    flow_lpm: FloatArray
    mean_rate_mm_h: FloatArray
    du_lh: FloatArray
    du_lq: FloatArray
    run_time_multiplier: FloatArray
    root_zones: ZoneRootZones
    etc_mm: FloatArray  # (n_zones, 12)
    effective_rain_mm: FloatArray  # (n_zones, 12)

    @property
    def net_need_mm(self) -> FloatArray:
        """What irrigation has to add in each month, (n_zones, 12)."""
        return np.maximum(self.etc_mm - self.effective_rain_mm, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteSchedule:
    """The answer: how the clock is set, what it rests on and what it does not solve.

    Attributes
    ----------
    schedule : ZoneSchedule
        Every zone and month.
    need : ZoneWaterNeed
        What it is made from.
    year : MeanYear
        The climate; its effective rain is the mean of the zones where it differs by zone.
    options : ScheduleOptions
        Methods and limits.
    peak_month : int
        The month in which the site takes most water, 1 to 12; 0 where it never takes any.
    runoff_fraction : ndarray, shape (n_zones,)
        Share of the served turf that still runs off in the event of the peak month or in the
        longest event, water from all zones counted; NaN where the zone runs in neither. [1]
    allowance : WaterAllowance or None
        Annual allowance and estimated use, where asked for.
    methods : mapping of str to str
        What was done, in words.
    warnings : tuple of str
        What the reader ought to know.
    failures : tuple of mapping
        ``zone``, ``months`` and ``reason`` of what could not be scheduled.
    """

    schedule: ZoneSchedule
    need: ZoneWaterNeed
    year: MeanYear
    options: ScheduleOptions
    peak_month: int
    runoff_fraction: FloatArray
    allowance: WaterAllowance | None
    methods: Mapping[str, str]
    warnings: tuple[str, ...]
    failures: tuple[Mapping[str, Any], ...]


def schedule_zones(
    site: LoadedSite,
    water: SiteWater,
    climate: ClimateRecord,
    *,
    options: ScheduleOptions,
    progress: Progress = lambda _: None,
) -> SiteSchedule:
    """Run minutes, cycles and soaks of every zone in every month of the mean year.

    Parameters
    ----------
    site : LoadedSite
        The checked inputs on their grid.
    water : SiteWater
        Where the water of every zone lands; the plan as it stands is not used.
    climate : ClimateRecord
        Evapotranspiration, or the weather to compute it from, and rain.
    options : ScheduleOptions
        Methods and limits.
    progress : callable, optional
        Told the name of each step as it begins.

    Returns
    -------
    SiteSchedule

    Raises
    ------
    GeoirrigError
        If the effective rain takes single days and the climate is monthly.

    Notes
    -----
    Per zone and month: ETc = Kc·ETo; net need = max(0, ETc − effective rain); interval = readily
    available water over the daily ETc, rounded down to whole days, at least 1; events = days of
    the month over the interval, rounded up; net depth = net need over events; gross depth = net
    depth times the run-time multiplier; run minutes = 60·gross depth over the mean rate on the
    served turf. Events times net depth is the net need, exactly.
    """
    progress("Working out what the turf of each zone needs")
    need, year = zone_water_need(site, water, climate, options)
    progress("Fitting cycles and soaks to the ground")
    turf, settings = site.inputs.turf, site.settings
    advice = cycle_advice(water.precipitation, site.terrain, site.cells, turf, settings=settings)
    schedule = zone_schedule(site.inputs.zone_plan.zone, need, year.days, advice)
    site_water_m3 = np.sum(schedule.water_m3, axis=0)
    peak_month = int(np.argmax(site_water_m3)) + 1 if np.any(site_water_m3 > 0.0) else 0
    progress("Trying the schedule on the ground")
    trial = try_schedule(site, water, schedule, peak_month=peak_month)
    return SiteSchedule(
        schedule=schedule,
        need=need,
        year=year,
        options=options,
        peak_month=peak_month,
        runoff_fraction=trial.runoff_fraction,
        allowance=water_allowance(turf, year, options),
        methods=methods_in_words(options, year, soil=settings.runoff_model),
        warnings=(
            *site.inputs.warnings,
            *schedule_warnings(
                schedule,
                trial,
                window_minutes=options.watering_window_minutes,
                readily_available_mm=need.root_zones.readily_available_mm,
            ),
        ),
        failures=schedule_failures(schedule, need.served_area_m2),
    )


def zone_schedule(
    zone: tuple[str, ...], need: ZoneWaterNeed, days: FloatArray, advice: CycleAdvice
) -> ZoneSchedule:
    """The clock of every zone and month from what its turf needs.

    Parameters
    ----------
    zone : tuple of str, shape (n_zones,)
        Names.
    need : ZoneWaterNeed
        Needs, rates and multipliers.
    days : ndarray, shape (12,)
        Days of each month.
    advice : CycleAdvice
        Cycles and soaks for any run minutes.

    Returns
    -------
    ZoneSchedule
    """
    available = need.root_zones.readily_available_mm[:, np.newaxis]
    interval = irrigation_interval_days(available, need.etc_mm / days)
    events = irrigation_events(need.net_need_mm, days, interval)
    runs = events > 0.0
    net = np.divide(need.net_need_mm, events, out=np.zeros_like(events), where=runs)
    multiplier = np.where(runs, need.run_time_multiplier[:, np.newaxis], 1.0)
    gross = gross_depth_mm(net, multiplier)
    minutes = np.where(runs, run_minutes(gross, need.mean_rate_mm_h[:, np.newaxis]), np.nan)
    advised = [advice.for_run_minutes(minutes[:, month]) for month in range(MONTHS)]
    litres = np.where(runs, events * need.flow_lpm[:, np.newaxis] * minutes, 0.0)
    return ZoneSchedule(
        zone=zone,
        events=events,
        interval_days=np.where(runs, interval, np.nan),
        net_depth_mm=net,
        gross_depth_mm=gross,
        run_minutes=minutes,
        cycles=np.stack([month.cycles for month in advised], axis=1),
        cycle_minutes=np.stack([month.cycle_minutes for month in advised], axis=1),
        soak_minutes=np.stack([month.soak_minutes for month in advised], axis=1),
        water_m3=litres / LITRES_PER_M3,
    )


def zone_water_need(
    site: LoadedSite, water: SiteWater, climate: ClimateRecord, options: ScheduleOptions
) -> tuple[ZoneWaterNeed, MeanYear]:
    """What the turf of every zone needs in each month of the mean year, and the year itself.

    Parameters
    ----------
    site, water, climate, options
        As for `schedule_zones`.
    """
    layout, turf = site.inputs.layout, site.inputs.turf
    rates = water.served_rates_mm_h
    flow_lpm: FloatArray = np.bincount(
        layout.zone_index, weights=layout.flow_lpm, minlength=len(rates)
    ).astype(np.float64)
    du_lh = np.array([low_half_uniformity(r) if len(r) else np.nan for r in rates])
    du_lq = np.array([low_quarter_uniformity(r) if len(r) else np.nan for r in rates])
    served = served_turf_areas_m2(water.precipitation, site.cells, len(turf.turf_id))
    of_turf = turf_root_zones(turf, allowable_depletion=options.allowable_depletion)
    root_zones = zone_root_zones(of_turf, served)
    year, rain = _effective_rain_of_zones(climate, root_zones, options)
    return (
        ZoneWaterNeed(
            served_area_m2=np.sum(served, axis=1),
            flow_lpm=flow_lpm,
            mean_rate_mm_h=np.array([np.mean(r) if len(r) else np.nan for r in rates]),
            du_lh=du_lh,
            du_lq=du_lq,
            run_time_multiplier=run_time_multiplier_low_half(du_lh)
            if options.run_time_method == "low_half"
            else depth_multiplier_low_quarter(du_lq),
            root_zones=root_zones,
            etc_mm=plant_evapotranspiration_mm(year.eto_mm, root_zones.plant_coefficient),
            effective_rain_mm=rain,
        ),
        year,
    )


def _effective_rain_of_zones(
    climate: ClimateRecord, root_zones: ZoneRootZones, options: ScheduleOptions
) -> tuple[MeanYear, FloatArray]:
    """The mean year, and the effective rain of each zone, (n_zones, 12)."""
    year = mean_year(
        climate,
        evapotranspiration_method=options.evapotranspiration_method,
        effective_rain_method=options.effective_rain_method,
        rain_share=options.effective_rain_share,
    )
    n_zones = len(root_zones.readily_available_mm)
    rain = np.tile(year.effective_rain_mm, (n_zones, 1))
    if not EFFECTIVE_RAIN_METHODS[options.effective_rain_method].needs_plant_use:
        return year, rain
    eto_mm = climate.days * reference_evapotranspiration(
        climate, method=options.evapotranspiration_method
    )
    computed = dataclasses.replace(climate, eto_mm=eto_mm, weather=None)  # once for all zones
    serving = np.flatnonzero(np.isfinite(root_zones.readily_available_mm))
    if not len(serving):
        return year, rain
    for zone in serving:
        rain[zone] = mean_year(
            computed,
            effective_rain_method=options.effective_rain_method,
            plant_coefficient=root_zones.plant_coefficient[zone],
            storage_mm=float(root_zones.readily_available_mm[zone]),
        ).effective_rain_mm
    return dataclasses.replace(year, effective_rain_mm=np.mean(rain[serving], axis=0)), rain
