"""Climate files: what is read, and every fault at once."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from geoirrig.errors import ProblemList
from geoirrig.io.read_climate import read_climate
from geoirrig.records import ClimateRecord

Row = dict[str, object]
SAMPLE = Path(__file__).parents[2] / "sample_gis" / "hillside_climate.csv"


def daily_rows(first: str = "2023-01-01", count: int = 365, **columns: object) -> list[Row]:
    start = dt.date.fromisoformat(first)
    given = columns or {"eto_mm": 4.0, "rain_mm": 1.0}
    return [{"date": (start + dt.timedelta(days=d)).isoformat(), **given} for d in range(count)]


def monthly_rows(**columns: object) -> list[Row]:
    given = columns or {"eto_mm": 120.0, "rain_mm": 30.0}
    return [{"date": f"2023-{month:02d}", **given} for month in range(1, 13)]


def weather_rows(**columns: object) -> list[Row]:
    return monthly_rows(
        **{"temperature_min_c": 10.0, "temperature_max_c": 24.0, "rain_mm": 30.0, **columns}
    )


def write(folder: Path, rows: list[Row]) -> Path:
    path = folder / "climate.csv"
    header = list(rows[0])
    lines = [",".join(header), *(",".join(str(row[n]) for n in header) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def read(
    folder: Path, rows: list[Row], **station: float | None
) -> tuple[ClimateRecord | None, ProblemList]:
    problems = ProblemList()
    found = read_climate(write(folder, rows), problems, **station)  # type: ignore[arg-type]
    return found, problems


def only_problem(folder: Path, rows: list[Row], **station: float | None) -> str:
    found, problems = read(folder, rows, **station)
    assert found is None
    assert len(problems.problems) == 1, problems.problems
    return problems.problems[0]


# --- what is read --------------------------------------------------------------------------------


def test_read_climate_daily_totals(tmp_path: Path) -> None:
    found, problems = read(tmp_path, daily_rows())
    assert problems == ProblemList()
    assert found is not None
    assert found.step == "daily"
    assert len(found.date) == 365
    assert float(found.rain_mm.sum()) == 365.0
    assert found.eto_mm is not None
    assert found.weather is None


def test_read_climate_inches_are_converted(tmp_path: Path) -> None:
    found, problems = read(tmp_path, monthly_rows(eto_in=5.0, rain_in=1.0))
    assert problems == ProblemList()
    assert found is not None
    assert found.eto_mm is not None
    assert found.step == "monthly"
    np.testing.assert_allclose(found.eto_mm, 127.0)
    np.testing.assert_allclose(found.rain_mm, 25.4)


def test_read_climate_fahrenheit_miles_and_watts_are_converted(tmp_path: Path) -> None:
    rows = monthly_rows(
        rain_mm=0.0,
        temperature_min_f=50.0,
        temperature_max_f=86.0,
        dew_point_f=41.0,
        wind_speed_mph=10.0,
        solar_radiation_w_m2=250.0,
    )
    found, problems = read(tmp_path, rows, latitude_deg=40.0, altitude_m=100.0)
    assert problems == ProblemList()
    assert found is not None
    weather = found.weather
    assert weather is not None
    np.testing.assert_allclose(weather.temperature_min_c, 10.0)
    np.testing.assert_allclose(weather.temperature_max_c, 30.0)
    assert weather.dew_point_c is not None
    np.testing.assert_allclose(weather.dew_point_c, 5.0)
    assert weather.wind_speed_m_s is not None
    np.testing.assert_allclose(weather.wind_speed_m_s, 4.4704)
    assert weather.solar_radiation_mj_m2 is not None
    np.testing.assert_allclose(weather.solar_radiation_mj_m2, 21.6)
    assert (found.latitude_deg, found.altitude_m) == (40.0, 100.0)


def test_read_climate_temperatures_alone_name_the_method(tmp_path: Path) -> None:
    found, problems = read(tmp_path, weather_rows(), latitude_deg=40.0)
    assert found is not None
    assert problems.problems == []
    assert problems.warnings == [
        "'climate.csv': evapotranspiration is computed from temperature alone (Hargreaves-Samani "
        "1985), since the file has no humidity and no wind speed and no solar radiation or "
        "sunshine. With these it would be FAO-56 Penman-Monteith."
    ]


def test_read_climate_without_altitude_warns_where_it_counts(tmp_path: Path) -> None:
    rows = weather_rows(dew_point_c=8.0, wind_speed_m_s=2.0, sunshine_hours=8.0)
    found, problems = read(tmp_path, rows, latitude_deg=40.0)
    assert found is not None
    assert found.altitude_m == 0.0
    assert problems.warnings == [
        "'climate.csv': the station is taken to lie at sea level. Give --altitude-m."
    ]


def test_read_climate_rows_out_of_order_are_sorted_and_said_so(tmp_path: Path) -> None:
    rows = daily_rows()
    for number, row in enumerate(rows):
        row["rain_mm"] = number / 10.0
    rows[3], rows[7] = rows[7], rows[3]
    found, problems = read(tmp_path, rows)
    assert found is not None
    assert problems.problems == []
    assert problems.warnings == [
        "'climate.csv': rows are not in the order of their dates (2023-01-05 follows 2023-01-08); "
        "they were sorted."
    ]
    np.testing.assert_allclose(found.rain_mm, np.arange(365) / 10.0)
    assert (np.diff(found.date) == np.timedelta64(1, "D")).all()


def test_read_climate_columns_without_meaning_are_noted(tmp_path: Path) -> None:
    found, problems = read(
        tmp_path, monthly_rows(eto_mm=120.0, rain_mm=3.0, wind_speed_kph=5.0, remark="x")
    )
    assert found is not None
    assert problems.warnings == [
        "'climate.csv': not used, since the names mean nothing here: 'wind_speed_kph' and "
        "'remark'. If 'wind_speed_kph' is meant to count, name it 'wind_speed_mph'."
    ]


def test_read_climate_sample_is_whole() -> None:
    problems = ProblemList()
    found = read_climate(SAMPLE, problems, latitude_deg=41.9, altitude_m=420.0)
    assert problems == ProblemList()
    assert found is not None
    assert len(found.date) == 1096


# --- faults --------------------------------------------------------------------------------------


def with_value(column: str, value: object, *numbers: int) -> Callable[[], list[Row]]:
    def rows() -> list[Row]:
        found = daily_rows()
        for number in numbers:
            found[number][column] = value
        return found

    return rows


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (
            lambda: [r for r in daily_rows() if not "2023-03-05" <= str(r["date"]) <= "2023-03-09"],
            "'climate.csv' has gaps in its dates: no row for 2023-03-05 to 2023-03-09 (5 days). "
            "Fill them, or cut the record to a stretch of whole months without gaps.",
        ),
        (
            lambda: [r for r in daily_rows() if str(r["date"])[-2:] != "15"],
            "'climate.csv' has gaps in its dates: no row for 2023-01-15, 2023-02-15, 2023-03-15 "
            "and 9 more gaps. Fill them, or cut the record to a stretch of whole months without "
            "gaps.",
        ),
        (
            lambda: [*daily_rows(), daily_rows()[40]],
            "'climate.csv': date must be unique; met more than once: '2023-02-10'. Give every row "
            "its own.",
        ),
        (
            lambda: [*daily_rows(), {"date": "2024-01", "eto_mm": 50.0, "rain_mm": 9.0}],
            "'climate.csv' mixes days and months: '2023-01-01' is a day, '2024-01' a month. Give "
            "one or the other in every row.",
        ),
        (
            lambda: daily_rows("2022-12-20", 376),
            "'climate.csv' holds a part of a month: 2022-12 begins on 2022-12-20 and 2023-12 ends "
            "on 2023-12-30. A part would count as the whole in the monthly totals. Start on the "
            "first and end on the last of a month.",
        ),
        (
            lambda: daily_rows(count=181),
            "'climate.csv' holds no 'July', 'August', 'September', 'October', 'November' and "
            "'December'; it runs from 2023-01-01 to 2023-06-30. A schedule needs every month of "
            "the year. Give at least one whole year.",
        ),
        (
            lambda: monthly_rows()[:11],
            "'climate.csv' holds no 'December'; it runs from 2023-01 to 2023-11. A schedule needs "
            "every month of the year. Give at least one whole year.",
        ),
        (
            with_value("rain_mm", 612.5, 99),
            "rain_mm must be at most 500 mm a day; got 612.5 for date '2023-04-10'. Correct "
            "'climate.csv'.",
        ),
        (
            with_value("rain_mm", -3.0, 0, 1, 2, 3),
            "rain_mm must be at least 0 mm; got -3.0 for date '2023-01-01', -3.0 for '2023-01-02', "
            "-3.0 for '2023-01-03' and 1 more. Correct 'climate.csv'.",
        ),
        (
            with_value("eto_mm", -0.5, 5),
            "eto_mm must be at least 0 mm; got -0.5 for date '2023-01-06'. Correct 'climate.csv'.",
        ),
        (
            with_value("eto_mm", "", 5, 6),
            "'climate.csv': eto_mm is empty for date '2023-01-06', '2023-01-07'. Every row needs "
            "one.",
        ),
        (
            with_value("eto_mm", "trace", 5),
            "eto_mm must be a number; got 'trace' for date '2023-01-06'. Correct 'climate.csv'.",
        ),
        (
            with_value("eto_mm", "nan", 5),
            "eto_mm must be a number; got 'nan' for date '2023-01-06'. Correct 'climate.csv'.",
        ),
        (
            with_value("date", "05/01/2023", 4),
            "'climate.csv': date must be a day such as 2024-05-01 or a month such as 2024-05; got "
            "'05/01/2023'. Correct these rows.",
        ),
        (
            with_value("date", "2023-02-30", 58),
            "'climate.csv': date must be a day such as 2024-05-01 or a month such as 2024-05; got "
            "'2023-02-30'. Correct these rows.",
        ),
        (
            with_value("date", "", 58),
            "'climate.csv': date is empty for feature 59. Every row needs one.",
        ),
        (
            lambda: [{"Date": r["date"], "eto_mm": 4, "rain_mm": 0} for r in daily_rows()],
            "'climate.csv' has no column 'date'. Add it. Is 'Date' meant for it?",
        ),
        (
            lambda: daily_rows(eto_mm=4.0),
            "'climate.csv' has no column 'rain_mm' or 'rain_in'. Add it.",
        ),
        (
            lambda: daily_rows(eto=4.0, rain_mm=0.0),
            "'climate.csv': column 'eto' names no unit. Rename it 'eto_mm' or 'eto_in', whichever "
            "it is.",
        ),
        (
            lambda: monthly_rows(eto_mm=4.1, rain_mm=0.0),
            "'climate.csv': eto of no month is above 4.1 mm, so these must be means of a day. A "
            "monthly file holds the totals of the months: multiply by their days.",
        ),
    ],
)
def test_read_climate_fault_of_dates_or_totals(
    tmp_path: Path, rows: Callable[[], list[Row]], message: str
) -> None:
    assert only_problem(tmp_path, rows()) == message


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        (
            {"temperature_max_c": 88.0},
            "temperature_max_c must be at most 60 °C; got 88.0 for date '2023-01', 88.0 for "
            "'2023-02', 88.0 for '2023-03' and 9 more. Such a value can only be in Fahrenheit: if "
            "'climate.csv' is, name the column 'temperature_max_f'.",
        ),
        (
            {"temperature_min_c": 46.0, "temperature_max_c": 58.0},
            "'climate.csv': the mean of all temperatures is 52.0 °C, and no place on Earth is that "
            "hot. If they are in Fahrenheit, name the columns 'temperature_min_f' and "
            "'temperature_max_f'.",
        ),
        (
            {"temperature_min_c": 30.0},
            "'climate.csv': temperature_min must not be above temperature_max; got 30 and 24 °C "
            "first, for date '2023-01', '2023-02', '2023-03' and 9 more. Correct these rows.",
        ),
        (
            {"dew_point_c": 28.0},
            "'climate.csv': dew_point must not be above temperature_max; got 28 and 24 °C first, "
            "for date '2023-01', '2023-02', '2023-03' and 9 more. Correct these rows.",
        ),
        (
            {"relative_humidity_min_pct": 80.0, "relative_humidity_max_pct": 60.0},
            "'climate.csv': relative_humidity_min_pct must not be above relative_humidity_max_pct; "
            "got 80 and 60 % first, for date '2023-01', '2023-02', '2023-03' and 9 more. Correct "
            "these rows.",
        ),
        (
            {"relative_humidity_mean_pct": 104.0},
            "relative_humidity_mean_pct must be at most 100; got 104.0 for date '2023-01', 104.0 "
            "for '2023-02', 104.0 for '2023-03' and 9 more. Correct 'climate.csv'.",
        ),
        (
            {"relative_humidity_mean_pct": 0.6},
            "'climate.csv': relative_humidity_mean_pct holds no value above 1, so it must be a "
            "fraction. Give it in percent, 0 to 100.",
        ),
        (
            {"relative_humidity_mean": 60},
            "'climate.csv': column 'relative_humidity_mean' names no unit. Rename it "
            "'relative_humidity_mean_pct', whichever it is.",
        ),
        (
            {"wind_speed": 3.0},
            "'climate.csv': column 'wind_speed' names no unit. Rename it 'wind_speed_m_s' or "
            "'wind_speed_km_h' or 'wind_speed_mph', whichever it is.",
        ),
        (
            {"dew_point": 8.0},
            "'climate.csv': column 'dew_point' names no unit. Rename it 'dew_point_c' or "
            "'dew_point_f', whichever it is.",
        ),
        (
            {"temperature_max_f": 75.0},
            "'climate.csv' has 'temperature_max_c' and 'temperature_max_f', more than one spelling "
            "of one quantity. Keep one, 'temperature_max_c' or 'temperature_max_f'.",
        ),
        (
            {"sunshine_hours": ""},
            "'climate.csv': sunshine_hours is empty for date '2023-01', '2023-02', '2023-03' and 9 "
            "more. Every row needs one.",
        ),
    ],
)
def test_read_climate_fault_of_weather(tmp_path: Path, columns: Row, message: str) -> None:
    found = only_problem(tmp_path, weather_rows(**columns), latitude_deg=40.0, altitude_m=0.0)
    assert found == message


def test_read_climate_temperature_without_unit_is_no_temperature(tmp_path: Path) -> None:
    rows = monthly_rows(rain_mm=1.0, temperature_min=50.0, temperature_max=80.0)
    _, problems = read(tmp_path, rows, latitude_deg=40.0)
    assert problems.problems == [
        "'climate.csv': column 'temperature_min' names no unit. Rename it 'temperature_min_c' or "
        "'temperature_min_f', whichever it is.",
        "'climate.csv': column 'temperature_max' names no unit. Rename it 'temperature_max_c' or "
        "'temperature_max_f', whichever it is.",
    ]


def test_read_climate_latitude_missing_names_the_option(tmp_path: Path) -> None:
    assert only_problem(tmp_path, weather_rows()) == (
        "'climate.csv' states no 'eto_mm', so evapotranspiration has to be computed, which needs "
        "the latitude of the station. Give --latitude in degrees, north positive; the place of the "
        "site is not taken for that of the station."
    )


@pytest.mark.parametrize(
    ("station", "message"),
    [
        ({"latitude_deg": 141.0}, "--latitude must be from -90 to 90 degrees; got 141.0."),
        ({"latitude_deg": np.nan}, "--latitude must be from -90 to 90 degrees; got nan."),
        (
            {"latitude_deg": 40.0, "altitude_m": 2e4},
            "--altitude-m must be from -500 to 9000 m; got 20000.0.",
        ),
        (
            {"latitude_deg": 40.0, "wind_height_m": 0.0},
            "--wind-height-m must be from 0.5 to 100 m; got 0.0.",
        ),
    ],
)
def test_read_climate_station_out_of_range(
    tmp_path: Path, station: dict[str, float], message: str
) -> None:
    assert only_problem(tmp_path, weather_rows(), **station) == message


def test_read_climate_neither_evapotranspiration_nor_weather(tmp_path: Path) -> None:
    assert only_problem(tmp_path, monthly_rows(rain_mm=1.0, eto_mmm=120.0), latitude_deg=1.0) == (
        "'climate.csv' has neither 'eto_mm' (or 'eto_in') nor 'temperature_min_c' (or "
        "'temperature_min_f') and 'temperature_max_c' (or 'temperature_max_f'), from which it "
        "could be computed. Add the one or the others. Is 'eto_mmm' meant for one of them?"
    )
    rows = monthly_rows(rain_mm=1.0, temperature_min_c=12.0)
    assert only_problem(tmp_path, rows, latitude_deg=1.0) == (
        "'climate.csv' has no column 'temperature_max_c' (or 'temperature_max_f'). Add it, or "
        "'eto_mm' instead."
    )


def test_read_climate_all_faults_come_out_together(tmp_path: Path) -> None:
    rows = daily_rows(
        rain_mm=0.0, temperature_min_c=12.0, temperature_max_c=20.0, relative_humidity_mean_pct=50.0
    )
    rows[10]["temperature_max_c"] = 95.0
    rows[20]["relative_humidity_mean_pct"] = 130.0
    rows[30]["rain_mm"] = 900.0
    rows[40]["temperature_min_c"] = 21.0
    del rows[50]
    rows.append(dict(rows[60]))
    found, problems = read(tmp_path, rows)
    assert found is None
    starts = ["date must be unique", "gaps in its dates", "rain_mm must be at most 500"]
    starts += [
        "can only be in Fahrenheit",
        "must be at most 100",
        "must not be above",
        "--latitude",
    ]
    assert len(problems.problems) == len(starts)
    for words, problem in zip(starts, problems.problems, strict=True):
        assert words in problem


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty (0 bytes)"),
        (b"date,eto_mm,rain_mm\n", "holds no rows"),
        (b"\x00\x01\x02\x03binary\x00", "binary data of another kind"),
        (b"date,eto_mm,rain_mm\n2023-01-01,\xff\xfe,1\n", "is not UTF-8 text"),
        (b"date;eto_mm;rain_mm\n2023-01-01;1;1\n", "is not separated by commas"),
        (b"date,eto_mm,rain_mm\n2023-01-01,1\n", "row 1 has 2 values, the header 3"),
        (b"date,eto_mm,eto_mm,rain_mm\n2023-01,1,1,1\n", "more than one column named 'eto_mm'"),
        (b"<html>", "a web page"),
    ],
)
def test_read_climate_no_table_is_a_problem(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "climate.csv"
    path.write_bytes(content)
    problems = ProblemList()
    assert read_climate(path, problems) is None
    assert len(problems.problems) == 1, problems.problems
    assert words in problems.problems[0]


def test_read_climate_other_suffix_missing_file_and_folder(tmp_path: Path) -> None:
    table = tmp_path / "climate.xlsx"
    table.write_bytes(b"PK\x03\x04")
    problems = ProblemList()
    for path in (table, tmp_path / "none.csv", tmp_path / "none.txt"):
        assert read_climate(path, problems) is None
    assert "has the suffix '.xlsx'; a climate file is a CSV." in problems.problems[0]
    assert "does not exist. Check the path." in problems.problems[1]
    assert "does not exist. Check the path." in problems.problems[2]
