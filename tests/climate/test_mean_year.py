"""The mean year of a record."""

from __future__ import annotations

import numpy as np
import pytest

from geoirrig.climate.mean_year import mean_year
from geoirrig.errors import GeoirrigError
from geoirrig.records import ClimateRecord


def months(first: str, eto_mm: list[float], rain_mm: list[float]) -> ClimateRecord:
    start = np.datetime64(first, "M")
    date = (start + np.arange(len(eto_mm))).astype("datetime64[D]")
    return ClimateRecord(
        step="monthly", date=date, rain_mm=np.array(rain_mm), eto_mm=np.array(eto_mm)
    )


def days(first: str, last: str, *, eto_mm: float, rain_mm: np.ndarray | float) -> ClimateRecord:
    date = np.arange(np.datetime64(first), np.datetime64(last) + 1)
    shape = date.shape
    return ClimateRecord(
        step="daily",
        date=date,
        rain_mm=np.broadcast_to(np.asarray(rain_mm, dtype=float), shape),
        eto_mm=np.full(shape, eto_mm),
    )


def test_mean_year_of_one_year_is_that_year() -> None:
    eto, rain = [float(10 * (m + 1)) for m in range(12)], [50.0] * 12
    found = mean_year(months("2023-01", eto, rain))
    np.testing.assert_allclose(found.eto_mm, eto)
    np.testing.assert_allclose(found.rain_mm, 50.0)
    np.testing.assert_allclose(found.effective_rain_mm, 46.0)  # 50·(125 − 10)/125
    assert found.days.tolist() == [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
    assert found.years.tolist() == [1] * 12
    assert found.evapotranspiration_method == "as_given"
    assert found.effective_rain_method == "usda_scs"


def test_mean_year_starts_in_january_whatever_the_record() -> None:
    found = mean_year(months("2022-07", [float(m) for m in range(18)], [0.0] * 18))
    # Julys and later are 0 to 5 and 12 to 17; January to June are 6 to 11.
    np.testing.assert_allclose(found.eto_mm, [6, 7, 8, 9, 10, 11, 6, 7, 8, 9, 10, 11])
    assert found.years.tolist() == [1] * 6 + [2] * 6


def test_effective_rain_is_averaged_after_its_formula() -> None:
    # Januaries of 0 and 200 mm: 0 and 200·(125 − 40)/125 = 136, mean 68. The formula of the mean
    # rain, 100 mm, would say 84.
    rain = [0.0] + [0.0] * 11 + [200.0] + [0.0] * 11
    found = mean_year(months("2022-01", [100.0] * 24, rain))
    assert float(found.rain_mm[0]) == pytest.approx(100.0)
    assert float(found.effective_rain_mm[0]) == pytest.approx(68.0)


def test_daily_method_counts_single_days() -> None:
    # Every second day half an inch: 0.4 in of each is effective. January has 16 such days.
    rain = np.where(np.arange(365) % 2 == 0, 12.7, 0.0)
    record = days("2023-01-01", "2023-12-31", eto_mm=3.0, rain_mm=rain)
    found = mean_year(record, effective_rain_method="texas_daily")
    assert float(found.effective_rain_mm[0]) == pytest.approx(16 * 0.4 * 25.4)
    assert float(found.eto_mm[0]) == pytest.approx(93.0)
    monthly = mean_year(record)  # the monthly method sees the month's 203.2 mm
    assert float(monthly.effective_rain_mm[0]) == pytest.approx(203.2 * (125 - 40.64) / 125)


def test_leap_days_count_in_the_mean() -> None:
    found = mean_year(days("2021-01-01", "2024-12-31", eto_mm=2.0, rain_mm=0.0))
    assert float(found.days[1]) == pytest.approx(28.25)
    assert float(found.eto_mm[1]) == pytest.approx(56.5)
    assert float(np.sum(found.days)) == pytest.approx(365.25)


def test_daily_and_monthly_records_of_the_same_weather_agree() -> None:
    generator = np.random.default_rng(3)
    daily = days("2022-01-01", "2023-12-31", eto_mm=4.0, rain_mm=generator.gamma(0.3, 6.0, 730))
    group = daily.date.astype("datetime64[M]").astype(int)
    group -= group[0]
    totals = np.bincount(group, daily.rain_mm)
    monthly = months("2022-01", np.bincount(group, daily.eto_mm).tolist(), totals.tolist())
    for method in ("usda_scs", "fao_1986", "fao_dependable", "nrcs_tr21", "fixed_share"):
        first, second = (mean_year(r, effective_rain_method=method) for r in (daily, monthly))
        np.testing.assert_allclose(
            first.effective_rain_mm, second.effective_rain_mm, err_msg=method
        )
        np.testing.assert_allclose(first.eto_mm, second.eto_mm)


def test_nrcs_method_takes_the_plants_use_of_each_month() -> None:
    record = months("2023-01", [101.6] * 12, [50.8] * 12)  # 4 in, 2 in
    coefficient = np.ones(12)
    coefficient[6] = 1.5  # 6 in in July
    found = mean_year(record, effective_rain_method="nrcs_tr21", plant_coefficient=coefficient)
    assert float(found.effective_rain_mm[0]) / 25.4 == pytest.approx(1.426, abs=5e-4)
    # ten to the 0.02426·2 more
    assert float(found.effective_rain_mm[6] / found.effective_rain_mm[0]) == pytest.approx(
        10.0**0.04852
    )


def test_daily_method_with_a_monthly_record_is_refused_in_words() -> None:
    with pytest.raises(
        GeoirrigError,
        match=r"'texas_daily' takes the rain of single days, and the climate file is monthly\. "
        r"Give a daily file, or choose one of: fixed_share, usda_scs, ",
    ):
        mean_year(months("2023-01", [100.0] * 12, [0.0] * 12), effective_rain_method="texas_daily")


def test_unknown_method_is_refused() -> None:
    with pytest.raises(ValueError, match="no method of effective rain is named 'none'"):
        mean_year(months("2023-01", [100.0] * 12, [0.0] * 12), effective_rain_method="none")
