"""Schedules: a worked zone, the balance of water, the rule of the most sensitive 5 %, failures."""

from __future__ import annotations

import dataclasses
import itertools
import tempfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.errors import GeoirrigError
from geoirrig.io.read_site import SiteSources
from geoirrig.physics.application_uniformity import (
    depth_multiplier_low_quarter,
    run_time_multiplier_low_quarter,
)
from geoirrig.physics.irrigation_interval import (
    gross_depth_mm,
    irrigation_events,
    irrigation_interval_days,
    readily_available_water_mm,
    root_zone_water_mm,
    run_minutes,
)
from geoirrig.physics.surface_storage import cycle_count, minutes_to_runoff
from geoirrig.records import AnalysisSettings, ClimateRecord
from geoirrig.surfaces.cycle_advice import cycle_advice
from geoirrig.surfaces.precipitation_surface import event_in_turn
from geoirrig.surfaces.root_zones import ZoneRootZones
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface
from geoirrig.surfaces.zone_turf import served_share_that_runs_off
from geoirrig.units import METRES_PER_FOOT, MM_PER_INCH, MM_PER_M
from geoirrig.workflows.load_site import LoadedSite, load_site
from geoirrig.workflows.schedule_options import ScheduleOptions
from geoirrig.workflows.schedule_zones import (
    SiteSchedule,
    ZoneWaterNeed,
    schedule_zones,
    zone_schedule,
)
from geoirrig.workflows.site_water import SiteWater, lay_out_water
from tests.io import site_builder as build
from tests.surfaces.one_row_site import site as one_row_site

_folder = tempfile.TemporaryDirectory(prefix="geoirrig-schedules-")
_number = itertools.count()
MONTH_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=float)


def climate(eto_mm: Any, rain_mm: Any = 0.0) -> ClimateRecord:
    """One year of months with these totals."""
    return ClimateRecord(
        step="monthly",
        date=np.arange("2023-01", "2024-01", dtype="datetime64[M]").astype("datetime64[D]"),
        eto_mm=np.broadcast_to(np.asarray(eto_mm, dtype=float), (12,)),
        rain_mm=np.broadcast_to(np.asarray(rain_mm, dtype=float), (12,)),
    )


def site_and_water(layers: Any = None, **overrides: object) -> tuple[LoadedSite, SiteWater]:
    path = Path(_folder.name) / f"site{next(_number)}.gpkg"
    build.write_site(path, build.good_layers(**(layers or {})))
    site = load_site(SiteSources(site=path), overrides={"cell_size_m": 0.25, **overrides})
    path.unlink()
    return site, lay_out_water(site)


def scheduled(
    record: ClimateRecord, layers: Any = None, *, options: Any = None, **overrides: object
) -> SiteSchedule:
    site, water = site_and_water(layers, **overrides)
    return schedule_zones(site, water, record, options=ScheduleOptions(**(options or {})))


def two_lawns(**columns: Any) -> dict[str, gpd.GeoDataFrame]:
    """Two squares of 6 m, 20 m apart, each with four quarter heads of a zone of its own."""
    first = build.heads()
    second = build.heads(head_id=["SW2", "NW2", "NE2", "SE2"], zone=["B"] * 4)
    second.geometry = second.geometry.translate(xoff=26.0)
    x, y, side = build.X0, build.Y0, build.SIDE_M
    lawns = [shapely.box(x, y, x + side, y + side), shapely.box(x + 26, y, x + 26 + side, y + side)]
    heads = gpd.GeoDataFrame(
        {
            name: [*first[name], *second[name]]
            for name in ("head_id", "zone", "nozzle", "arc_deg", "start_bearing_deg")
        },
        geometry=[*first.geometry, *second.geometry],
        crs=build.CRS,
    )
    return {"heads": heads, "turf": build.turf(lawns, **columns)}


# --- by hand -------------------------------------------------------------------------------------

# A zone with: available water 1.7 in/ft, roots 0.5 ft, depletion 0.5, ETo 0.25 in/d, Kc 0.8,
# rate 1.6 in/h, DUlq 0.55, intake 0.35 in/h, storage 0.20 in. By hand: 0.85 in in the root zone,
# 0.425 readily; 0.20 in a day, so 2.125 → 2 days; net 0.40; 1/(0.4 + 0.6·0.55) = 1.3699;
# gross 0.5479; 60·0.5479/1.6 = 20.55 min; by 1/DUlq 60·0.40/0.55/1.6 = 27.27; longest cycle
# 60·0.20/(1.6 − 0.35) = 9.6 min, hence 3.
NET_IN, GROSS_IN, MULTIPLIER = 0.40, 0.5479, 1.36986


def test_worked_zone_through_the_equations() -> None:
    water_mm = root_zone_water_mm(
        1.7 * MM_PER_INCH / METRES_PER_FOOT, 0.5 * METRES_PER_FOOT * MM_PER_M
    )
    available = readily_available_water_mm(water_mm, 0.5) / MM_PER_INCH
    assert water_mm / MM_PER_INCH == pytest.approx(0.85)
    assert available == pytest.approx(0.425)
    assert irrigation_interval_days(available, 0.25 * 0.8) == 2.0
    multiplier = run_time_multiplier_low_quarter(0.55)
    assert multiplier == pytest.approx(MULTIPLIER, abs=5e-6)
    gross = gross_depth_mm(NET_IN, multiplier)
    assert gross == pytest.approx(GROSS_IN, abs=5e-5)
    run = run_minutes(gross, 1.6)
    assert run == pytest.approx(20.55, abs=5e-3)
    by_quarter = run_minutes(gross_depth_mm(NET_IN, depth_multiplier_low_quarter(0.55)), 1.6)
    assert by_quarter == pytest.approx(27.27, abs=5e-3)
    longest = minutes_to_runoff(1.6, 0.35, 0.20)
    assert longest == pytest.approx(9.6)
    assert cycle_count(run, longest) == 3.0


def test_worked_zone_through_the_schedule() -> None:
    # Loam on 10 %: the tables have 0.21 in for the storage, 10.08 min, 3 cycles all the same:
    # 6.85 min each, after which 1.25·6.85/60 = 0.1427 in stand and soak in 60·0.1427/0.35 = 24.5.
    inputs = one_row_site([[1.6 * MM_PER_INCH] * 4], 10.0, "loam")
    advice = cycle_advice(*inputs, settings=AnalysisSettings())
    days = np.full(12, 30.0)
    need = ZoneWaterNeed(
        served_area_m2=np.array([100.0]),
        flow_lpm=np.array([50.0]),
        mean_rate_mm_h=np.array([1.6 * MM_PER_INCH]),
        du_lh=np.array([np.nan]),
        du_lq=np.array([0.55]),
        run_time_multiplier=run_time_multiplier_low_quarter([0.55]),
        root_zones=ZoneRootZones(
            plant_coefficient=np.full((1, 12), 0.8),
            root_depth_mm=np.array([152.4]),
            readily_available_mm=np.array([0.425 * MM_PER_INCH]),
        ),
        etc_mm=np.full((1, 12), 0.25 * 0.8 * 30.0 * MM_PER_INCH),
        effective_rain_mm=np.zeros((1, 12)),
    )
    found = zone_schedule(("A",), need, days, advice)
    assert found.events.tolist() == [[15.0] * 12]
    assert found.interval_days.tolist() == [[2.0] * 12]
    np.testing.assert_allclose(found.net_depth_mm, NET_IN * MM_PER_INCH)
    np.testing.assert_allclose(found.gross_depth_mm, GROSS_IN * MM_PER_INCH, rtol=1e-4)
    np.testing.assert_allclose(found.run_minutes, 20.548, rtol=1e-4)
    assert found.cycles.tolist() == [[3] * 12]
    np.testing.assert_allclose(found.cycle_minutes, 6.849, rtol=1e-4)
    np.testing.assert_allclose(found.soak_minutes, 24.46, rtol=1e-3)
    np.testing.assert_allclose(found.water_m3, 15 * 50.0 * 20.548 / 1000.0, rtol=1e-4)


def test_schedule_of_the_good_site_by_hand() -> None:
    # Loam, 1.8 in/ft = 150 mm/m, roots 150 mm: 22.5 mm, half of it 11.25. June: 180 mm of ETo,
    # Kc 0.88: 158.4 mm, 5.28 a day; 11.25/5.28 = 2.13 → 2 days; 15 events of 10.56 mm net.
    found = scheduled(climate(180.0))
    schedule, june = found.schedule, 5
    assert found.need.root_zones.readily_available_mm[0] == pytest.approx(11.25)
    assert found.need.etc_mm[0, june] == pytest.approx(158.4)
    assert schedule.interval_days[0, june] == 2.0
    assert schedule.events[0, june] == 15.0
    assert schedule.net_depth_mm[0, june] == pytest.approx(10.56)
    # 12 L/min on 36 m², all of it on the lawn: 20 mm/h. The multiplier is that of the cells.
    assert found.need.mean_rate_mm_h[0] == pytest.approx(20.0, rel=1e-3)
    du_lh = found.need.du_lh[0]
    assert 0.6 < du_lh < 1.0
    gross = 10.56 / du_lh
    assert schedule.gross_depth_mm[0, june] == pytest.approx(gross, rel=1e-9)
    assert schedule.run_minutes[0, june] == pytest.approx(60.0 * gross / 20.0, rel=1e-3)
    assert schedule.water_m3[0, june] == pytest.approx(
        15 * 12.0 * schedule.run_minutes[0, june] / 1000.0
    )
    # with all months alike in ETo, the plants want most in April: Kc 1.04
    assert found.peak_month in (4, 5)
    assert found.warnings == ()
    assert found.failures == ()


def test_low_quarter_asks_for_more_than_low_half() -> None:
    half = scheduled(climate(150.0))
    quarter = scheduled(climate(150.0), options={"run_time_method": "low_quarter"})
    ratio = quarter.schedule.gross_depth_mm / half.schedule.gross_depth_mm
    np.testing.assert_allclose(ratio, half.need.du_lh[0] / half.need.du_lq[0])
    assert ratio[0, 0] > 1.0
    assert half.methods["run_time"].startswith("low half: gross = net / DUlh")
    assert quarter.methods["run_time"].startswith("low quarter: gross = net / DUlq")


def test_root_depth_depletion_and_plants_set_the_interval() -> None:
    # 300 mm of loam lend 45·0.4 = 18 mm; warm-season turf uses 0.71·180 = 127.8 in July, 4.12 a
    # day: 4.37 → 4 days, 31/4 → 8 events
    turf = build.turf(plant_type=["warm-season turf"], root_depth_mm=[300.0])
    found = scheduled(climate(180.0), {"turf": turf}, options={"allowable_depletion": 0.4})
    assert found.schedule.interval_days[0, 6] == 4.0
    assert found.schedule.events[0, 6] == 8.0
    assert found.schedule.net_depth_mm[0, 6] == pytest.approx(127.8 / 8)


# --- rain ----------------------------------------------------------------------------------------


def test_much_rain_leaves_nothing_to_schedule() -> None:
    found = scheduled(climate(60.0, 400.0))
    schedule = found.schedule
    assert np.all(schedule.events == 0.0)
    assert np.all(schedule.cycles == 0)
    assert np.all(schedule.water_m3 == 0.0)
    for minutes in (schedule.run_minutes, schedule.cycle_minutes, schedule.soak_minutes):
        assert np.isnan(minutes).all()
    assert np.isnan(schedule.interval_days).all()
    assert found.peak_month == 0
    assert np.isnan(found.runoff_fraction).all()
    assert found.failures == ()


def test_no_evapotranspiration_needs_no_water() -> None:
    found = scheduled(climate(0.0))
    assert np.all(found.schedule.events == 0.0)


def test_fixed_share_takes_its_share_of_the_rain() -> None:
    options = {"effective_rain_method": "fixed_share", "effective_rain_share": 0.25}
    found = scheduled(climate(150.0, 40.0), options=options)
    np.testing.assert_allclose(found.need.effective_rain_mm, 10.0)
    assert "share 0.25" in found.methods["effective_rain"]


def test_rain_by_plant_use_differs_by_zone() -> None:
    layers = two_lawns(plant_type=["cool_season_turf", "very_low_water_use"])
    options = {"effective_rain_method": "nrcs_tr21"}
    found = scheduled(climate(150.0, 50.0), layers, options=options)
    cool, dry = found.need.effective_rain_mm
    assert np.all(cool > dry)
    assert np.all(dry <= 0.05 * 150.0 + 1e-9)  # not more than the plants use


def test_rain_by_plant_use_is_the_mean_of_the_zones_that_serve_turf() -> None:
    layers = two_lawns()
    layers["turf"] = build.turf()  # zone B serves none, and has no plants that could use the rain
    options = {"effective_rain_method": "nrcs_tr21"}
    found = scheduled(climate(150.0, 50.0), layers, options=options)
    np.testing.assert_allclose(found.year.effective_rain_mm, found.need.effective_rain_mm[0])


def test_daily_method_on_a_monthly_file_is_refused() -> None:
    with pytest.raises(GeoirrigError, match="takes the rain of single days"):
        scheduled(climate(150.0), options={"effective_rain_method": "texas_daily"})


# --- invariants ----------------------------------------------------------------------------------

LAWNS = {
    model: site_and_water(
        two_lawns(soil_texture=["clay_loam", "silty_clay"], slope_pct=[14.0, 8.0]),
        runoff_model=model,
    )
    for model in ("surface_storage", "green_ampt")
}


@pytest.mark.parametrize("model", LAWNS)
@settings(max_examples=5, deadline=None)
@given(
    eto_mm=st.lists(st.just(0.0) | st.floats(0.1, 260.0), min_size=12, max_size=12),
    rain_mm=st.lists(st.floats(0.0, 150.0), min_size=12, max_size=12),
    depletion=st.floats(0.2, 0.8),
)
def test_schedule_balances_and_keeps_its_water_on_the_turf(
    model: str, eto_mm: list[float], rain_mm: list[float], depletion: float
) -> None:
    site, water = LAWNS[model]
    options = ScheduleOptions(allowable_depletion=depletion)
    found = schedule_zones(site, water, climate(eto_mm, rain_mm), options=options)
    schedule, need = found.schedule, found.need
    np.testing.assert_allclose(
        schedule.events * schedule.net_depth_mm,
        np.maximum(need.etc_mm - need.effective_rain_mm, 0.0),
        rtol=1e-12,
        atol=1e-12,
    )
    run = np.nan_to_num(schedule.run_minutes)
    np.testing.assert_allclose(
        schedule.water_m3, schedule.events * run * need.flow_lpm[:, np.newaxis] / 1000.0
    )
    runs = schedule.events > 0.0
    # litres on the served turf over its area: rate times time is the gross depth
    np.testing.assert_allclose(
        (run * need.mean_rate_mm_h[:, np.newaxis] / 60.0)[runs],
        (schedule.net_depth_mm / need.du_lh[:, np.newaxis])[runs],
    )
    assert np.all(schedule.events[runs] >= (MONTH_DAYS / schedule.interval_days)[runs] - 1e-9)
    daily = need.etc_mm / MONTH_DAYS
    lends = need.root_zones.readily_available_mm[:, np.newaxis]
    assert np.all(schedule.net_depth_mm <= np.maximum(lends, daily) * (1.0 + 1e-9))
    for month in range(12):
        event = event_in_turn(
            schedule.cycles[:, month],
            schedule.cycle_minutes[:, month],
            schedule.soak_minutes[:, month],
        )
        runoff = runoff_risk_surface(
            water.precipitation,
            site.terrain,
            site.cells,
            site.inputs.turf,
            event,
            settings=site.settings,
        )
        share = served_share_that_runs_off(
            water.precipitation, site.cells, runoff.runoff_depth_mm, above_mm=1e-3
        )
        assert np.all(share <= 0.05)
    assert not any("still runs off" in warning for warning in found.warnings)


def test_more_evapotranspiration_never_takes_less_water() -> None:
    site, water = LAWNS["surface_storage"]
    totals = [
        schedule_zones(
            site, water, climate(eto, 30.0), options=ScheduleOptions()
        ).schedule.water_m3.sum(axis=1)
        for eto in (40.0, 80.0, 160.0, 240.0)
    ]
    assert np.all(np.diff(totals, axis=0) >= 0.0)


# --- what cannot be done, and what the reader ought to know --------------------------------------


def test_zone_that_serves_no_turf_is_a_failure_and_the_others_go_on() -> None:
    layers = two_lawns()
    layers["turf"] = build.turf()  # the second lawn is not there
    found = scheduled(climate(150.0), layers)
    assert [(f["zone"], len(f["months"])) for f in found.failures] == [("B", 12)]
    assert found.failures[0]["reason"].startswith("serves no turf")
    assert np.all(found.schedule.events[1] == 0.0)
    assert np.all(found.schedule.events[0] > 0.0)
    assert np.all(found.schedule.water_m3[1] == 0.0)


def test_zone_without_a_plan_of_30_cycles_is_a_failure_of_those_months() -> None:
    # 1.5 m of clay lend 140 mm, which at one go are some 60 times what a steep clay surface holds
    turf = build.turf(soil_texture=["clay"], slope_pct=[25.0], root_depth_mm=[1500.0])
    eto = np.where(np.arange(12) == 6, 200.0, 0.5)
    found = scheduled(climate(eto), {"turf": turf})
    (failure,) = found.failures
    assert failure["zone"] == "A"
    assert failure["months"] == [7]
    assert "no plan of at most 30 cycles" in failure["reason"]
    schedule = found.schedule
    assert schedule.cycles[0, 6] == 0
    assert np.isnan(schedule.cycle_minutes[0, 6])
    assert schedule.run_minutes[0, 6] > 0.0  # still said, and its water counted
    assert schedule.water_m3[0, 6] > 0.0
    assert np.all(schedule.cycles[0, :6] >= 1)


def test_zones_that_do_not_fit_the_window_are_warned_of() -> None:
    found = scheduled(climate(200.0), two_lawns(), options={"watering_window_minutes": 30.0})
    (warning,) = [w for w in found.warnings if "watering window" in w]
    assert "is 30 minutes" in warning
    assert "several nights" in warning


def test_root_zone_that_lends_less_than_a_day_is_warned_of() -> None:
    turf = build.turf(soil_texture=["sand"], root_depth_mm=[50.0])
    found = scheduled(climate(200.0), {"turf": turf})
    assert np.all(found.schedule.interval_days == 1.0)
    assert any("root_depth_mm" in w and "'A'" in w for w in found.warnings)


def test_zones_that_overlap_are_warned_of_where_they_run_off() -> None:
    # a second zone over the same lawn, a little stronger: what the first leaves on the surface
    # is still there when the second begins
    both = two_lawns()
    heads = both["heads"].copy()
    x = heads.geometry.x.to_numpy()
    shift = np.where(np.arange(8) < 4, 0.0, -26.0)
    heads.geometry = gpd.points_from_xy(x + shift, heads.geometry.y)
    heads["flow_lpm"] = [3.0, 3.0, 3.0, 3.0, 3.0, 3.2, 3.0, 3.2]
    heads["radius_m"] = [6.0, 6.0, 6.0, 6.0, 6.0, 5.9, 6.0, 5.9]
    turf = build.turf(soil_texture=["clay"], slope_pct=[14.0])
    found = scheduled(climate(200.0), {"heads": heads, "turf": turf})
    assert np.nanmax(found.runoff_fraction) > 0.05
    (warning,) = [w for w in found.warnings if "still runs off" in w]
    assert "other zones wet it too" in warning


def test_unknown_plant_type_is_warned_of_and_counts_as_the_default() -> None:
    known = scheduled(climate(150.0))
    found = scheduled(climate(150.0), {"turf": build.turf(plant_type=["warm_seasn_turf"])})
    np.testing.assert_array_equal(found.schedule.events, known.schedule.events)
    (warning,) = found.warnings
    assert "got 'warm_seasn_turf' for turf_id 'T1'" in warning
    assert "The nearest known is 'warm_season_turf'." in warning


def test_schedule_is_the_same_in_feet_and_inches() -> None:
    metric = build.turf(root_depth_mm=[203.2])
    inches = build.turf(root_depth_in=[8.0])
    one = scheduled(climate(150.0), {"turf": metric})
    other = scheduled(climate(150.0), {"turf": inches})
    np.testing.assert_allclose(one.schedule.run_minutes, other.schedule.run_minutes, rtol=1e-12)


def test_schedule_of_zones_in_another_order_is_the_same() -> None:
    site, water = LAWNS["surface_storage"]
    found = schedule_zones(site, water, climate(150.0), options=ScheduleOptions())
    reversed_rows = dataclasses.replace(
        found.need.root_zones,
        readily_available_mm=found.need.root_zones.readily_available_mm[::-1],
    )
    assert reversed_rows.readily_available_mm.tolist() != (
        found.need.root_zones.readily_available_mm.tolist()
    )  # the two lawns differ
    layers = two_lawns(soil_texture=["silty_clay", "clay_loam"], slope_pct=[8.0, 14.0])
    swapped = scheduled(climate(150.0), layers)
    np.testing.assert_allclose(swapped.schedule.water_m3[::-1], found.schedule.water_m3, rtol=1e-6)


def test_irrigation_events_of_days_that_just_fit() -> None:
    assert irrigation_events(10.0, 30.0, 3.0) == 10.0
    assert irrigation_events(10.0, 31.0, 3.0) == 11.0
    assert irrigation_events(10.0, 28.0, 40.0) == 1.0
    assert irrigation_events(np.nan, 31.0, np.nan) == 0.0
