"""The report of a screening: which parcels it draws and tells of, and that it stays small."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geoirrig.records import ResultTable
from geoirrig.report.report_page import PlaceLayer, ReportPage, ReportTable
from geoirrig.report.write_report import report_html
from geoirrig.symbology import STATUS_COLOURS
from geoirrig.workflows.reports.screening import MOST_PARCELS_DRAWN, screening_report
from tests.workflows.reports.made_up_screening import RECORD, made_up_parcels, made_up_summary

FIVE_MB = 5_000_000


def page_of(parcels: ResultTable, **changes: Any) -> ReportPage:
    return screening_report(
        made_up_summary(parcels, **changes), parcels, RECORD, Path("nowhere"), metres_per_unit=1.0
    )


def parcels_drawn(page: ReportPage) -> PlaceLayer:
    assert page.map is not None
    (layer,) = page.map.layers
    return layer


def table_of(page: ReportPage, caption: str) -> ReportTable:
    return next(
        part
        for section in page.sections
        for part in section.content
        if isinstance(part, ReportTable) and part.caption.startswith(caption)
    )


def test_screening_report_tells_of_ranked_then_failed_then_refused_parcels():
    page = page_of(made_up_parcels(12, ranked=5, funded=2, failed=3))
    layer = parcels_drawn(page)
    facts = [dict(place.facts) for place in layer.places]
    assert [one["Status"] for one in facts] == (
        ["funded"] * 2 + ["eligible, beyond the budget"] * 3
        + ["could not be worked"] * 3 + ["not eligible"] * 4
    )  # fmt: skip
    assert [one["Rank"] for one in facts][:6] == ["1", "2", "3", "4", "5", "–"]
    assert [place.colour for place in layer.places] == (
        [STATUS_COLOURS[3]] * 2 + [STATUS_COLOURS[2]] * 3
        + [STATUS_COLOURS[0]] * 3 + [STATUS_COLOURS[1]] * 4
    )  # fmt: skip
    hovered = [title for title, _ in layer.places[-1].facts][: layer.hovered]
    assert hovered[:3] == ["Status", "Reasons", "Rank"]
    assert hovered[3].startswith("Water saved")
    assert hovered[4] == "Cost [USD]"
    assert page.map is not None
    assert page.map.surfaces == ()


def test_screening_report_figures_are_of_those_funded():
    parcels = made_up_parcels(12, ranked=5, funded=2, failed=3)
    figures = {one.label: (one.value, one.also) for one in page_of(parcels).figures}
    assert [figures[label][0] for label in ("Funded", "Could not be worked")] == ["2", "3"]
    # parcels 0 and 7919 mod 12 = 11 are funded: 10 + 21 m³, 31 000 / 3.785411784 US gal
    assert figures["Water that they save a year"] == ("31 m³", "8,189 US gal")
    us = page_of(parcels, options={"units": "us"}).figures
    assert ("8,189 US gal", "31 m³") in [(one.value, one.also) for one in us]


def test_screening_report_rows_lead_to_their_parcels():
    parcels = made_up_parcels(12, ranked=5, funded=2, failed=3)
    page = page_of(parcels)
    places = parcels_drawn(page).places
    ranked = table_of(page, "All 12 parcels, by rank")
    assert [f"Parcel {text}" for text in ranked.columns[0].texts] == [p.name for p in places]
    failed = table_of(page, "Parcels that could not be worked")
    rows = [places[row].name for row in failed.place_rows]
    assert [f"Parcel {text}" for text in failed.columns[0].texts] == rows


def test_screening_report_a_parcel_without_outline_is_in_the_tables_alone():
    parcels = made_up_parcels(3, ranked=1, funded=1, failed=1)
    assert parcels.geometry is not None
    geometry = parcels.geometry.copy()
    geometry[parcels.columns["status_code"] == 0] = None
    text = report_html(page_of(replace(parcels, geometry=geometry)))
    assert text.count("to-place") - text.count(".to-place") == 2  # of three parcels
    nowhere = replace(parcels, geometry=np.full(3, None, dtype=object))
    assert page_of(nowhere).map is None


def test_screening_report_of_a_large_city_is_bounded_and_says_so():
    count = 100_000
    page = page_of(made_up_parcels(count, ranked=60_000, funded=20_000, failed=900))
    layer = parcels_drawn(page)
    assert len(layer.places) == MOST_PARCELS_DRAWN
    assert len(report_html(page).encode()) < FIVE_MB
    assert page.map is not None
    assert page.map.note.startswith("Of 100,000 parcels the first 10,000 are drawn")
    # all of them stand in the picture: the ground between the parcels apart, 19·29 of 20·30 m²
    (surface,) = page.map.surfaces
    codes, cells = np.unique(surface.raster.values, return_counts=True)
    assert codes[:4].tolist() == [0.0, 1.0, 2.0, 3.0]
    area_m2 = cells[:4] * surface.grid.cell_area_m2
    expected = np.array([900, 39_100, 40_000, 20_000]) * 19.0 * 29.0
    np.testing.assert_allclose(area_m2, expected, rtol=0.05)


def test_screening_report_long_texts_make_fewer_parcels_and_no_larger_page():
    parcels = made_up_parcels(3_000, ranked=0, funded=0, failed=1_500)
    ids = np.array(["<" * 900 + text for text in parcels.columns["parcel_id"]], dtype=object)
    reasons = np.array(["&" * 5_000 + text for text in parcels.columns["reasons"]], dtype=object)
    told = replace(parcels, columns={**parcels.columns, "parcel_id": ids, "reasons": reasons})
    page = page_of(told)
    assert 0 < len(parcels_drawn(page).places) < 3_000
    assert len(report_html(page).encode()) < FIVE_MB


def test_screening_report_outlines_are_simple_and_rounded():
    parcels = made_up_parcels(2, ranked=1, funded=1, failed=0)
    ring = shapely.Point(500_010.0, 4_600_015.0).buffer(9.0, quad_segs=2_000)
    star = shapely.Polygon(
        [(500_030.0 + r * np.cos(t), 4_600_015.0 + r * np.sin(t))
         for n, t in enumerate(np.linspace(0.0, 2.0 * np.pi, 5_001)[:-1])
         for r in [9.0 if n % 2 else 5.0]]
    )  # fmt: skip
    layer = parcels_drawn(page_of(replace(parcels, geometry=np.array([ring, star], dtype=object))))
    assert layer.step_m == 0.1
    assert max(shapely.get_num_coordinates(layer.geometry)) < 100
    np.testing.assert_allclose(np.sort(shapely.area(layer.geometry)), np.pi * 81.0, rtol=0.02)


def test_screening_report_headings_state_currency_and_unit():
    parcels = made_up_parcels(12, ranked=5, funded=2, failed=3)
    for units, per, volume in (("si", "m³", "m³/year"), ("us", "acre-foot", "1000 US gal/year")):
        told = parcels
        if units == "us":
            columns = dict(parcels.columns)
            columns["levelised_cost_per_acre_foot"] = columns.pop("levelised_cost_per_m3")
            told = replace(parcels, columns=columns)
        ranked = table_of(page_of(told, options={"units": units}), "All 12")
        titles = {column.title: column.meaning for column in ranked.columns}
        assert {
            "Cost [USD]", "Rebate [USD]", f"Levelised cost [USD per {per}]",
            f"Water saved [{volume}]", f"Runoff avoided [{volume}]", "Payback [years]",
        } <= titles.keys()  # fmt: skip
        assert "slope" not in titles["Rank"]
        assert "spread with interest" in titles[f"Levelised cost [USD per {per}]"]
        assert max(map(len, titles)) <= 40


def test_screening_report_every_parcel_that_gets_nothing_has_a_reason():
    ranked = table_of(page_of(made_up_parcels(12, ranked=5, funded=2, failed=3)), "All 12")
    (reasons,) = (column.texts for column in ranked.columns if column.title == "Reasons")
    assert reasons[:5] == ("", "", *["beyond the budget"] * 3)
    assert all(text not in ("", "beyond the budget") for text in reasons[5:])


def test_screening_report_of_many_parcels_says_which_rows_are_shown():
    page = page_of(made_up_parcels(300, ranked=5, funded=2, failed=3))
    assert table_of(page, "The first 200 of 300 parcels by rank").columns
