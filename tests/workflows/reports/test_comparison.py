"""The report of a comparison: what the map shows under each nozzle set."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

from geoirrig.io.read_nozzle_set import EXISTING
from geoirrig.report.report_page import PlaceLayer, ReportMap, ReportPage, ReportTable
from geoirrig.symbology import SCALES
from geoirrig.units import UnitSystem
from geoirrig.workflows.compare_nozzles import Comparison
from geoirrig.workflows.comparison_tables import comparison_summary, comparison_tables
from geoirrig.workflows.reports.comparison import comparison_report
from geoirrig.workflows.run_record import run_record
from tests.io import site_builder as build
from tests.workflows.test_compare_nozzles import compared

# Half the flow, thrown alike: half the rate, twice the minutes, evenness as before.
SLOW = "from_nozzle,to_nozzle\nQ,H\n"
ONE_HEAD = "head_id,nozzle\nNE,H\n"


@pytest.fixture(scope="module")
def found() -> Comparison:
    walk = build.gpd.GeoDataFrame(
        {"surface": ["walk"]},
        geometry=[shapely.box(build.X0, build.Y0 - 2.0, build.X0 + 6.0, build.Y0)],
        crs=build.CRS,
    )
    dry = shapely.box(build.X0 + 40.0, build.Y0, build.X0 + 44.0, build.Y0 + 4.0)
    lawn = shapely.box(build.X0, build.Y0, build.X0 + 6.0, build.Y0 + 6.0)
    return compared(
        {"slow": SLOW, "one": ONE_HEAD}, turf=build.turf([lawn, dry], slope_pct=[0.0, 0.0]),
        hardscape=walk,
    )  # fmt: skip


def page_of(found: Comparison, units: UnitSystem = "si") -> ReportPage:
    record = run_record(found.site, options={}, units=units, warnings=())
    tables = comparison_tables(found)
    told = comparison_summary(found, tables, record, units=units)
    return comparison_report(found, told, tables, record, Path("nowhere"))


@pytest.fixture(scope="module")
def page(found: Comparison) -> ReportPage:
    return page_of(found)


@pytest.fixture(scope="module")
def site_map(page: ReportPage) -> ReportMap:
    assert page.map is not None
    return page.map


def layer(site_map: ReportMap, label: str) -> PlaceLayer:
    return next(one for one in site_map.layers if one.label == label)


def facts(one: PlaceLayer, name: str, variant: str) -> dict[str, str]:
    (place,) = (p for p in one.places if (p.name, p.variant) == (name, variant))
    return dict(place.facts)


def tables(page: ReportPage) -> list[ReportTable]:
    return [part for part in page.sections[0].content if isinstance(part, ReportTable)]


def test_comparison_report_has_a_variant_and_a_surface_for_each_set(site_map: ReportMap) -> None:
    assert site_map.variants == (EXISTING, "slow", "one")
    assert [one.variant for one in site_map.surfaces] == [EXISTING, "slow", "one"]
    before, slow, _ = (one.raster.values for one in site_map.surfaces)
    wet = np.nan_to_num(before) > 0.0
    np.testing.assert_allclose(slow[wet], before[wet] / 2.0, rtol=1e-5)


def test_comparison_report_dry_turf_is_told_and_dry_ground_off_it_stays_clear(
    site_map: ReportMap,
) -> None:
    surface = site_map.surfaces[0]
    x, y = np.meshgrid(surface.grid.cell_centre_x_m(), surface.grid.cell_centre_y_m())
    rate = surface.raster.values
    in_dry_turf = (x > build.X0 + 40.0) & (x < build.X0 + 44.0) & (y > build.Y0)
    in_dry_turf &= y < build.Y0 + 4.0
    assert in_dry_turf.any()
    assert (rate[in_dry_turf] == 0.0).all()
    between = (x > build.X0 + 20.0) & (x < build.X0 + 30.0)
    assert np.isnan(rate[between]).all()


def test_comparison_report_tells_measures_with_their_differences(site_map: ReportMap) -> None:
    zones = layer(site_map, "served area of a zone")
    before, slow = (facts(zones, "Zone A", name) for name in (EXISTING, "slow"))
    rate = float(before["Mean rate [mm/h]"])
    after, _, change = slow["Mean rate [mm/h]"].partition(" ")
    assert float(after) == pytest.approx(rate / 2.0, abs=0.06)
    assert change.startswith("(−")
    assert slow["DU, low quarter"] == before["DU, low quarter"]  # as it was: nothing in brackets
    assert slow["Heads changed"] == "4"
    assert facts(zones, "Zone A", "one")["Heads changed"] == "1"
    assert facts(layer(site_map, "turf"), "Turf T2", "slow")["DU, low quarter"] == "–"


def test_comparison_report_differences_are_in_the_units_of_the_page(found: Comparison) -> None:
    us = page_of(found, "us").map
    assert us is not None
    told = facts(layer(us, "turf"), "Turf T1", "slow")
    assert {"Mean rate [in/h]", "Runoff volume [US gal]"} <= set(told)


def test_comparison_report_colours_are_those_of_the_classes(
    found: Comparison, site_map: ReportMap
) -> None:
    for label, table in zip(
        ("turf by its evenness", "zones by their evenness"), comparison_tables(found), strict=True
    ):
        scale = SCALES["du_lq"]
        du = np.asarray(table.columns["du_lq"], dtype=np.float64)
        colours = [place.colour for place in layer(site_map, label).places]
        known = np.isfinite(du)
        index = scale.class_index(du[known], "si")
        assert np.array(colours)[known].tolist() == [scale.colours[n] for n in index]


def test_comparison_report_marks_the_heads_that_a_set_changes(
    page: ReportPage, site_map: ReportMap
) -> None:
    changed = layer(site_map, "heads with another nozzle or pressure")
    assert [(p.name, p.variant) for p in changed.places] == [
        *((f"Head {name}", "slow") for name in ("SW", "NW", "NE", "SE")), ("Head NE", "one"),
    ]  # fmt: skip
    assert facts(changed, "Head NE", "one")["Old nozzle"] == "Q"
    assert facts(changed, "Head NE", "one")["New nozzle"] == "H"
    listed = next(table for table in tables(page) if table.places == changed.label)
    assert [f"Head {text}" for text in listed.columns[0].texts] == [p.name for p in changed.places]


def test_comparison_report_rows_are_the_places_of_their_layer(
    page: ReportPage, site_map: ReportMap
) -> None:
    for label, named in (("turf", "Turf {}"), ("served area of a zone", "Zone {}")):
        table = next(one for one in tables(page) if one.places == label)
        name, nozzle_set = (column.texts for column in table.columns[:2])
        assert [(named.format(n), s) for n, s in zip(name, nozzle_set, strict=True)] == [
            (place.name, place.variant) for place in layer(site_map, label).places
        ]


def test_comparison_report_totals_have_a_row_for_each_set(page: ReportPage) -> None:
    totals = next(one for one in tables(page) if one.caption.startswith("The whole site"))
    assert totals.columns[0].texts == (EXISTING, "slow", "one")
    changed = next(column for column in totals.columns if column.title == "Heads changed")
    assert changed.texts == ("0", "4", "1")


def test_comparison_report_without_a_change_lists_none() -> None:
    same = pd.DataFrame({"nozzle": ["Q"], "flow_lpm": [12.0], "radius_m": [6.0],
                         "pressure_kpa": [200.0]})  # fmt: skip
    found = compared({"same": "from_nozzle,to_nozzle\nQ,Q\n"}, nozzles=same)
    page = page_of(found)
    assert page.map is not None
    assert "heads with another nozzle or pressure" not in [one.label for one in page.map.layers]
    assert not any(table.caption == "Heads that a set changes" for table in tables(page))


def test_comparison_report_parts_of_the_saving_add_up(found: Comparison, page: ReportPage) -> None:
    parts = next(one for one in tables(page) if one.caption.startswith("What makes the saving"))
    assert parts.columns[0].texts == tuple(one.name for one in found.sets[1:])
    saved, *causes = (
        np.array([float(text.replace(",", "").replace("−", "-")) for text in column.texts])
        for column in parts.columns[1:]
    )
    assert len(causes) >= 1
    np.testing.assert_allclose(saved, np.sum(causes, axis=0), atol=0.02 * np.abs(saved).max())


def test_comparison_report_sentences_begin_with_the_units_of_the_run(found: Comparison) -> None:
    told = {units: page_of(found, units).sections[0].content for units in ("si", "us")}
    (si,), (us,) = (
        [part for part in content if isinstance(part, str) and part.startswith("Held equal")]
        for content in told.values()
    )
    assert "an event of 12.7 mm (0.50 in)" in si
    assert "an event of 0.50 in (12.7 mm)" in us
