from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoirrig.records import ResultTable
from geoirrig.workflows.reports.parts import (
    MOST_ROWS,
    bars,
    key_figure,
    largest_first,
    number_column,
    records_table,
    report_table,
    value_texts,
)


def table(**columns: object) -> ResultTable:
    count = len(next(iter(columns.values())))  # type: ignore[call-overload]
    return ResultTable(
        name="turf_results",
        columns={name: np.asarray(values) for name, values in columns.items()},
        geometry=np.array([shapely.Point(n, n) for n in range(count)], dtype=object),
        geometry_type="Point",
    )


def objects(*values: object) -> np.ndarray:
    return np.array(values, dtype=object)


def test_value_texts_have_the_same_decimals_in_a_column():
    assert value_texts("area_m2", np.array([9.876, 0.123]), "si") == ("9.88", "0.12")
    assert value_texts("area_m2", np.array([1234.5, 0.5]), "si") == ("1,234", "0")
    assert value_texts("area_m2", np.array([0.09290304]), "us") == ("1.00",)  # 1 ft²
    assert value_texts("eligible", np.array([True, False]), "si") == ("yes", "no")
    assert value_texts("kind", objects("edge_gap", None), "si") == ("edge gap", "–")
    assert value_texts("turf_id", objects("edge_gap"), "si") == ("edge_gap",)


def test_value_texts_months_by_name_and_intervals_alike_in_every_table():
    assert value_texts("month", np.array([1, 12]), "si") == ("January", "December")
    assert value_texts("interval_days", np.array([1.0]), "si") == ("1.0",)
    assert value_texts("interval_days", np.array([1.0, 31.0, np.nan]), "si") == ("1.0", "31.0", "–")


def test_value_texts_sentences_begin_with_the_units_of_the_page():
    gap = objects("Gap of 7.1 m (23.3 ft).")
    assert value_texts("finding", gap, "us") == ("Gap of 23.3 ft (7.1 m).",)
    assert value_texts("finding", gap, "si") == ("Gap of 7.1 m (23.3 ft).",)
    assert value_texts("turf_id", objects("3 m (10 ft)"), "us") == ("3 m (10 ft)",)  # an id stays


def test_report_table_says_no_meaning_that_is_its_heading_again():
    told = report_table(
        table(parcel_id=objects("a"), benefit_cost_ratio=[2.0], rank=[1]),
        ("parcel_id", "benefit_cost_ratio", "rank"),
        caption="",
        units="si",
        headings={"rank": ("Place", "Of a slope.")},
    )
    assert [(column.title, column.meaning) for column in told.columns[1:]] == [
        ("Value of the water saved over the cost", ""), ("Place", "Of a slope."),
    ]  # fmt: skip


def test_report_table_leaves_out_what_is_not_there_or_not_known():
    told = report_table(
        table(turf_id=objects("a", "b"), runoff_l=np.array([np.nan, np.nan]), du_lq=[0.5, np.nan]),
        ("turf_id", "cu", "runoff_l", "du_lq"),
        caption="",
        units="si",
    )
    assert [column.title for column in told.columns] == ["Turf", "DU, low quarter"]
    assert [column.is_name for column in told.columns] == [True, False]
    assert told.columns[1].texts == ("0.50", "–")


def test_report_table_sorts_whole_numbers_that_may_be_missing_as_numbers():
    told = report_table(
        table(zone=objects("a", "b"), advised_cycles=objects(10, None)),
        ("zone", "advised_cycles"),
        caption="",
        units="si",
    )
    assert told.columns[0].sort_by is None
    assert told.columns[1].sort_by == pytest.approx((10.0, np.nan), nan_ok=True)


def test_report_table_says_how_many_rows_it_leaves_out():
    told = report_table(table(zone=objects(*"abc")), ("zone",), caption="", units="si", at_most=2)
    assert told.columns[0].texts == ("a", "b")
    assert told.note == "The first 2 of 3 rows; all are in the GeoPackage."


def test_value_texts_of_a_parcel_are_the_words_of_its_status():
    assert value_texts("status_code", np.array([3, 0]), "si") == ("funded", "could not be worked")


def test_records_table_says_how_many_rows_it_leaves_out_and_keeps_their_places():
    rows = [{"id": f"P{n}"} for n in range(MOST_ROWS + 5)]
    told = records_table(
        rows, {"id": "Id"}, caption="", places="parcels", place_rows=list(range(len(rows)))[::-1]
    )
    assert len(told.columns[0].texts) == len(told.place_rows) == MOST_ROWS
    assert told.place_rows[0] == MOST_ROWS + 4
    assert told.note == "The first 400 of 405 rows; all are in the GeoPackage."


def test_number_column_sorts_by_what_it_shows():
    told = number_column("Off [mm]", np.array([1234.56, np.nan]), decimals=1)
    assert told.texts == ("1,234.6", "–")
    assert told.sort_by == pytest.approx((1234.56, np.nan), nan_ok=True)


def test_largest_first_keeps_rows_together_and_unknown_last():
    ordered = largest_first(
        table(turf_id=objects("a", "b", "c"), runoff_l=[1.0, np.nan, 3.0]), "runoff_l"
    )
    assert list(ordered.columns["turf_id"]) == ["c", "a", "b"]
    assert [point.x for point in np.asarray(ordered.geometry)] == [2.0, 0.0, 1.0]


def test_bars_are_left_out_where_there_is_nothing_to_compare():
    told = table(zone=objects("a", "b"), du_lq=[0.5, np.nan])
    chart = bars(told, "zone", "du_lq", caption="", units="si")
    assert chart is not None
    assert chart.longest == 1.0
    assert chart.texts == ("0.50", "–")
    assert (
        bars(table(zone=objects("a"), du_lq=[0.5]), "zone", "du_lq", caption="", units="si") is None
    )


def test_key_figure_has_the_other_system_beside():
    figure = key_figure("Water", "applied_l", 378.5411784, "si")  # 100 US gal
    assert (figure.value, figure.also) == ("379 L", "100 US gal")
