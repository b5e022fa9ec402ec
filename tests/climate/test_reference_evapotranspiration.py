"""Reference evapotranspiration against FAO-56 and a second library."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyet
import pytest

from geoirrig.climate.reference_evapotranspiration import (
    computable_method,
    reference_evapotranspiration,
    vapour_pressure_kpa,
    wind_at_2_m_factor,
)
from geoirrig.errors import GeoirrigError
from geoirrig.records import ClimateRecord, WeatherSeries
from geoirrig.units import UNITS, to_si
from tests.external import REQUIRE_ALL

EXAMPLES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parents[1] / "data" / "water_budget_examples.toml").read_text(encoding="utf-8")
)["fao56"]


def second_library() -> Any:
    """The library refet; skipped without it, unless everything is required."""
    if os.environ.get(REQUIRE_ALL) == "1":
        import refet

        return refet
    return pytest.importorskip("refet")


def record(step: str, dates: list[str], weather: WeatherSeries, **place: float) -> ClimateRecord:
    return ClimateRecord(
        step=step,  # type: ignore[arg-type]
        date=np.array(dates, dtype="datetime64[D]"),
        rain_mm=np.zeros(len(dates)),
        weather=weather,
        **place,  # type: ignore[arg-type]
    )


def one(value: float) -> np.ndarray:
    return np.array([value])


def uccle(**other: Any) -> ClimateRecord:
    """FAO-56 example 18."""
    e = EXAMPLES["example_18"]
    weather = {
        "temperature_min_c": one(e["temperature_min_c"]),
        "temperature_max_c": one(e["temperature_max_c"]),
        "relative_humidity_min_pct": one(e["relative_humidity_min_pct"]),
        "relative_humidity_max_pct": one(e["relative_humidity_max_pct"]),
        "wind_speed_m_s": to_si([e["wind_speed_km_h"]], UNITS["km_h"]),
        "wind_height_m": e["wind_height_m"],
        "sunshine_hours": one(e["sunshine_hours"]),
    }
    return record(
        "daily",
        ["2023-07-06"],
        WeatherSeries(**{**weather, **other}),
        latitude_deg=e["latitude_deg"],
        altitude_m=e["altitude_m"],
    )


def synthetic_year(step_count: int = 365) -> tuple[ClimateRecord, np.ndarray]:
    """A year of changing weather at 2 m, and its days of the year."""
    doy = np.arange(1, step_count + 1)
    season = np.cos(2.0 * np.pi * (doy - 200) / 365.0)
    jitter = np.sin(doy * 1.7)
    tmax = 19.0 + 12.0 * season + 3.0 * jitter
    weather = WeatherSeries(
        temperature_min_c=tmax - 11.0 - 2.0 * jitter,
        temperature_max_c=tmax,
        vapour_pressure_kpa=1.0 + 0.4 * season,
        wind_speed_m_s=2.0 + jitter,
        solar_radiation_mj_m2=16.0 + 9.0 * season + 2.0 * jitter,
    )
    dates = (np.datetime64("2023-01-01") + doy - 1).astype(str).tolist()
    return record("daily", dates, weather, latitude_deg=39.5, altitude_m=1200.0), doy


def test_fao_example_5_vapour_pressure() -> None:
    e = EXAMPLES["example_5"]
    names = ("temperature_min_c", "temperature_max_c")
    names += ("relative_humidity_min_pct", "relative_humidity_max_pct")
    found = vapour_pressure_kpa(WeatherSeries(**{name: one(e[name]) for name in names}))
    assert float(found[0]) == pytest.approx(e["published_kpa"], abs=0.005)


@pytest.mark.parametrize("name", ["example_8", "example_9", "example_10", "example_15"])
def test_fao_examples_of_radiation_hold_in_the_library(name: str) -> None:
    e = EXAMPLES[name]
    index, latitude = pd.DatetimeIndex([e["date"]]), float(np.radians(e["latitude_deg"]))
    radiation = float(pyet.extraterrestrial_r(index, latitude).iloc[0])
    if name == "example_8":
        assert radiation == pytest.approx(e["published_mj_m2"], abs=0.05)
    elif name == "example_9":
        hours = float(pyet.daylight_hours(index, latitude)[0])
        assert hours == pytest.approx(e["published_hours"], abs=0.05)
    elif name == "example_10":
        sunshine = pd.Series([e["sunshine_hours"]], index=index)
        found = float(pyet.calc_rad_sol_in(sunshine, latitude).iloc[0])
        assert found == pytest.approx(e["published_mj_m2"], abs=0.05)
    else:
        spread = e["temperature_max_c"] - e["temperature_min_c"]
        found = e["coefficient"] * spread**0.5 * radiation
        assert found == pytest.approx(e["published_mj_m2"], abs=0.05)


def test_fao_example_17_monthly_with_soil_heat_flux() -> None:
    e = EXAMPLES["example_17"]
    march, april = e["mean_temperature_of_march_c"], e["temperature_min_c"]
    spread = e["temperature_max_c"] - april
    weather = WeatherSeries(
        # of March only the mean counts
        temperature_min_c=np.array([march - spread / 2.0, april]),
        temperature_max_c=np.array([march + spread / 2.0, e["temperature_max_c"]]),
        vapour_pressure_kpa=np.full(2, e["vapour_pressure_kpa"]),
        wind_speed_m_s=np.full(2, e["wind_speed_m_s"]),
        sunshine_hours=np.full(2, e["sunshine_hours"]),
    )
    place = {"latitude_deg": e["latitude_deg"], "altitude_m": e["altitude_m"]}
    found = reference_evapotranspiration(
        record("monthly", ["2023-03-01", "2023-04-01"], weather, **place)
    )
    assert float(found[1]) == pytest.approx(e["published_mm_d"], abs=0.005)


def test_first_month_and_single_days_have_no_soil_heat_flux() -> None:
    # The trap of the monthly example: with G = 0 it comes to 5.76 and not to 5.72.
    e = EXAMPLES["example_17"]
    weather = WeatherSeries(
        temperature_min_c=one(e["temperature_min_c"]),
        temperature_max_c=one(e["temperature_max_c"]),
        vapour_pressure_kpa=one(e["vapour_pressure_kpa"]),
        wind_speed_m_s=one(e["wind_speed_m_s"]),
        sunshine_hours=one(e["sunshine_hours"]),
    )
    place = {"latitude_deg": e["latitude_deg"], "altitude_m": e["altitude_m"]}
    for step, date in (("monthly", "2023-04-01"), ("daily", "2023-04-15")):
        found = reference_evapotranspiration(record(step, [date], weather, **place))
        assert float(found[0]) == pytest.approx(e["recomputed_without_heat_flux_mm_d"], abs=0.001)


def test_fao_example_18_daily() -> None:
    e = EXAMPLES["example_18"]
    found = reference_evapotranspiration(uccle())
    assert float(found[0]) == pytest.approx(e["published_mm_d"], abs=0.005)
    wind = e["wind_speed_km_h"] / 3.6 * wind_at_2_m_factor(e["wind_height_m"])
    assert wind == pytest.approx(e["published_wind_at_2_m_m_s"], abs=0.001)


def test_fao_example_20_temperature_alone() -> None:
    e = EXAMPLES["example_20"]
    low, high = one(e["temperature_min_c"]), one(e["temperature_max_c"])
    place = {"latitude_deg": e["latitude_deg"], "altitude_m": e["altitude_m"]}
    alone = WeatherSeries(temperature_min_c=low, temperature_max_c=high)
    assert computable_method(alone) == "hargreaves_samani_1985"
    july = ["2023-07-01"]
    found = float(reference_evapotranspiration(record("monthly", july, alone, **place))[0])
    assert found == pytest.approx(e["published_hargreaves_mm_d"], abs=0.05)
    assert found == pytest.approx(e["recomputed_hargreaves_mm_d"], abs=0.001)
    # Penman-Monteith with what FAO-56 puts in place of the missing: Rs from example 15, which is
    # 0.16·√11.8·Ra, the dew point at the lowest temperature, and wind of 2 m/s.
    index = pd.DatetimeIndex(["2023-07-15"])
    extraterrestrial = pyet.extraterrestrial_r(index, float(np.radians(e["latitude_deg"])))
    filled = WeatherSeries(
        temperature_min_c=low,
        temperature_max_c=high,
        dew_point_c=low,
        wind_speed_m_s=one(2.0),
        solar_radiation_mj_m2=0.16 * np.sqrt(high - low) * np.asarray(extraterrestrial),
    )
    found = float(reference_evapotranspiration(record("monthly", july, filled, **place))[0])
    assert found == pytest.approx(e["published_penman_monteith_mm_d"], abs=0.005)


def test_second_library_agrees_on_fao_example_18() -> None:
    refet = second_library()
    e = EXAMPLES["example_18"]
    ours = uccle()
    assert ours.weather is not None
    index, latitude = pd.DatetimeIndex(["2023-07-06"]), float(np.radians(e["latitude_deg"]))
    sunshine = pd.Series([e["sunshine_hours"]], index=index)
    theirs = refet.Daily(
        tmin=ours.weather.temperature_min_c,
        tmax=ours.weather.temperature_max_c,
        ea=vapour_pressure_kpa(ours.weather),
        rs=np.asarray(pyet.calc_rad_sol_in(sunshine, latitude)),
        uz=ours.weather.wind_speed_m_s,
        zw=e["wind_height_m"],
        elev=e["altitude_m"],
        lat=e["latitude_deg"],
        doy=187,
        method="asce",
    ).eto()
    # Its pressure and psychrometric constants carry other digits.
    assert float(reference_evapotranspiration(ours)[0]) == pytest.approx(
        float(np.ravel(theirs)[0]), abs=0.002
    )


def test_second_library_agrees_on_a_synthetic_year() -> None:
    refet = second_library()
    ours, doy = synthetic_year()
    weather = ours.weather
    assert weather is not None
    theirs = refet.Daily(
        tmin=weather.temperature_min_c,
        tmax=weather.temperature_max_c,
        ea=weather.vapour_pressure_kpa,
        rs=weather.solar_radiation_mj_m2,
        uz=weather.wind_speed_m_s,
        zw=2.0,
        elev=ours.altitude_m,
        lat=ours.latitude_deg,
        doy=doy,
        method="asce",
    ).eto()
    found = reference_evapotranspiration(ours)
    np.testing.assert_allclose(found, theirs, atol=0.01)
    assert float(np.sum(found)) == pytest.approx(float(np.sum(theirs)), rel=1e-3)


def test_kinds_of_humidity_that_say_the_same_give_the_same() -> None:
    by_pair = uccle()
    assert by_pair.weather is not None
    pressure = vapour_pressure_kpa(by_pair.weather)
    neither = {"relative_humidity_min_pct": None, "relative_humidity_max_pct": None}
    by_pressure = uccle(**neither, vapour_pressure_kpa=pressure)
    # Tetens' equation turned round: T = 237.3·x/(17.27 − x) with x = ln(e/0.6108)
    x = np.log(pressure / 0.6108)
    by_dew_point = uccle(**neither, dew_point_c=237.3 * x / (17.27 - x))
    e_mean = (pyet.calc_e0(one(12.3)) + pyet.calc_e0(one(21.5))) / 2.0
    by_mean = uccle(**neither, relative_humidity_mean_pct=100.0 * pressure / e_mean)
    wanted = reference_evapotranspiration(by_pair)
    for other in (by_pressure, by_dew_point, by_mean):
        np.testing.assert_allclose(reference_evapotranspiration(other), wanted, rtol=1e-9)


def test_more_sunshine_than_daylight_counts_as_all_day() -> None:
    longest = reference_evapotranspiration(uccle(sunshine_hours=one(24.0)))
    clear = reference_evapotranspiration(uccle(sunshine_hours=one(16.1)))
    np.testing.assert_allclose(longest, clear, atol=0.01)


def test_polar_night_gives_no_evapotranspiration_from_light() -> None:
    night = record(
        "daily",
        ["2023-12-21"],
        WeatherSeries(
            temperature_min_c=one(-8.0),
            temperature_max_c=one(-4.0),
            vapour_pressure_kpa=one(0.35),
            wind_speed_m_s=one(3.0),
            sunshine_hours=one(0.0),
        ),
        latitude_deg=78.0,
    )
    found = float(reference_evapotranspiration(night)[0])
    assert 0.0 <= found < 0.5


def test_southern_summer_is_in_january() -> None:
    north, _ = synthetic_year()
    weather = WeatherSeries(
        temperature_min_c=np.full(365, 10.0), temperature_max_c=np.full(365, 25.0)
    )
    dates = north.date.astype(str).tolist()
    south = reference_evapotranspiration(record("daily", dates, weather, latitude_deg=-35.0))
    mirrored = reference_evapotranspiration(record("daily", dates, weather, latitude_deg=35.0))
    assert south[14] > 2.0 * south[195]
    assert mirrored[195] > 2.0 * mirrored[14]


def test_given_evapotranspiration_is_taken_as_it_is() -> None:
    given = ClimateRecord(
        step="monthly",
        date=np.array(["2024-02-01", "2024-03-01"], dtype="datetime64[D]"),
        rain_mm=np.zeros(2),
        eto_mm=np.array([58.0, 93.0]),
    )
    assert given.days.tolist() == [29.0, 31.0]
    assert reference_evapotranspiration(given).tolist() == [2.0, 3.0]


def test_records_that_lack_something_are_refused() -> None:
    weather = WeatherSeries(temperature_min_c=one(10.0), temperature_max_c=one(20.0))
    assert weather.missing_for_penman_monteith == (
        "humidity",
        "wind speed",
        "solar radiation or sunshine",
    )
    with pytest.raises(ValueError, match="latitude of the station"):
        reference_evapotranspiration(record("daily", ["2023-07-06"], weather))
    placed = record("daily", ["2023-07-06"], weather, latitude_deg=40.0)
    with pytest.raises(
        GeoirrigError,
        match=r"it has no humidity and no wind speed and no solar radiation or sunshine\. "
        r"Add these columns, or choose 'hargreaves_samani_1985'",
    ):
        reference_evapotranspiration(placed, method="fao56_penman_monteith")
