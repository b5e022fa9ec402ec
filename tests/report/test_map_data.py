from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.records import ResultRaster
from geoirrig.report.cell_values import MOST_CELLS_IN_ALL
from geoirrig.report.elements import written
from geoirrig.report.map_data import map_data, place_numbers, surface_names
from geoirrig.report.map_panel import map_panel
from geoirrig.report.report_page import MapSurface, Place, PlaceLayer, ReportMap
from geoirrig.symbology import NO_VALUE_COLOUR, SCALES, STATUS_COLOURS
from tests.report.test_write_report import Structure


def layer(*shapes: Any, **changes: Any) -> PlaceLayer:
    geometry = np.empty(len(shapes), dtype=object)
    geometry[:] = shapes
    plain = PlaceLayer(
        label="turf",
        geometry=geometry,
        places=tuple(Place(name=f"T{n}", facts=()) for n in range(len(shapes))),
        colour="#3d4a45",
        drawn_as="outline",
    )
    return replace(plain, **changes)


def surface(left_m: float, top_m: float, variant: str = "", n_rows: int = 2) -> MapSurface:
    grid = RasterGrid(left_m=left_m, top_m=top_m, cell_size_m=1.0, n_rows=n_rows, n_cols=2)
    return MapSurface(
        raster=ResultRaster(
            name="precipitation_rate_mm_h", description="", unit="mm/h",
            values=np.ones(grid.shape, dtype=np.float32), nodata=np.nan,
        ),
        grid=grid,
        variant=variant,
    )  # fmt: skip


def site_map(*layers: PlaceLayer, **changes: Any) -> ReportMap:
    return replace(
        ReportMap(bounds_m=(100.0, 200.0, 110.0, 210.0), metres_per_unit=1.0, layers=layers),
        **changes,
    )


def layer_data(one: PlaceLayer) -> dict[str, Any]:
    return map_data(site_map(one), "si")["layers"][0]


def test_map_data_rings_are_a_corner_and_steps_from_the_lower_left():
    square = shapely.Polygon([(101, 201), (103, 201), (103, 202), (101, 202)])
    # in steps of 0.5 m from (100, 200): (2, 2), then 4 east, 2 north, 4 west
    assert layer_data(layer(square, step_m=0.5))["at"] == [[[[2, 2, 4, 0, 0, 2, -4, 0]]]]


def test_map_data_corners_that_round_to_one_are_kept_once_and_holes_are_rings():
    outer = [(101, 201), (101.004, 201), (103, 201), (103, 203), (101, 203)]
    hole = [(102, 202), (102.5, 202), (102.5, 202.5)]
    rings = layer_data(layer(shapely.Polygon(outer, [hole]), step_m=0.5))["at"][0][0]
    assert [len(ring) for ring in rings] == [2 * 4, 2 * 3]


def test_map_data_a_place_without_geometry_has_no_coordinates_and_no_number():
    one = layer(None, shapely.MultiPolygon(), shapely.Point(101, 201))
    assert layer_data(one)["at"] == [[], [], [100, 100]]
    assert place_numbers(site_map(layer(), one))["turf"] == (None, None, (1, 2))


def test_map_data_facts_stand_in_one_order_where_some_places_lack_one():
    one = layer(
        *[shapely.Point(101, 201)] * 2,
        places=(
            Place(name="a", facts=(("Status", "funded"), ("Rank", "1"))),
            Place(name="b", facts=(("Status", "not eligible"), ("Reasons", "r"), ("Rank", "–"))),
        ),
    )
    titles = [title for title, _ in layer_data(one)["facts"]]
    assert titles == ["Status", "Reasons", "Rank"]


def test_map_data_texts_that_repeat_are_held_once():
    places = tuple(
        Place(name=str(n), facts=(("Zone", "A" if n else "B"), ("Id", str(n))), colour="#112233")
        for n in range(5)
    )
    data = layer_data(layer(*[shapely.Point(101, 201)] * 5, places=places))
    assert dict(data["facts"]) == {
        "Zone": {"texts": ["B", "A"], "rows": [0, 1, 1, 1, 1]},
        "Id": {"texts": ["0", "1", "2", "3", "4"]},
    }
    assert data["colours"] == {"texts": ["#112233"], "rows": [0] * 5}


def test_map_data_variants_are_numbers_and_minus_one_is_every_one():
    one = layer(
        *[shapely.Point(101, 201)] * 3,
        places=tuple(Place(name="", facts=(), variant=v) for v in ("new", "", "existing")),
    )
    told = site_map(
        one, surfaces=(surface(100, 210, "new"), surface(99, 211)), variants=("existing", "new")
    )
    data = map_data(told, "si")
    assert data["layers"][0]["variants"] == [1, -1, 0]
    assert [one["variant"] for one in data["rasters"]] == [1, -1]
    # each on its own grid, from the lower left of the map
    assert [(one["left_m"], one["top_m"]) for one in data["rasters"]] == [(0.0, 10.0), (-1.0, 11.0)]
    assert [one["choice"] for one in data["rasters"]] == [0, 0]
    assert surface_names(told) == ("precipitation_rate_mm_h",)


def test_map_data_many_surfaces_share_the_cells_of_a_page():
    count = 60
    each = MOST_CELLS_IN_ALL // count
    told = site_map(surfaces=tuple(surface(100, 210, n_rows=each) for _ in range(count)))
    rasters = map_data(told, "si")["rasters"]
    assert all(one["rows"] * one["cols"] <= each for one in rasters)
    assert {one["cell_m"] for one in rasters} == {2.0}  # 2 columns of twice as many cells as fit


@pytest.mark.parametrize(("both", "expected"), [(True, "both"), (False, "us")])
def test_map_data_scale_bar(both, expected):
    assert map_data(site_map(has_both_scales=both), "us")["units"] == expected


def panel(told: ReportMap) -> Structure:
    return Structure(written(map_panel(told, "si")))


def test_map_panel_one_legend_for_a_surface_and_layers_of_the_same_classes():
    classed = {"drawn_as": "area", "classes": "du_lq", "is_shown": False}
    page = panel(
        site_map(
            layer(label="plain"),
            layer(label="turf", **classed),
            layer(label="zones", **classed),
            surfaces=(surface(100, 210),),
        )
    )
    legends = [a for a in page.named("div") if a.get("class") == "legend"]
    assert [(a["data-rasters"], a["data-layers"], "hidden" in a) for a in legends] == [
        ("0", "", False), ("", "1 2", True),
    ]  # fmt: skip


def test_map_panel_variants_are_a_choice_of_one():
    page = panel(site_map(layer(), variants=("existing", "a<b"), variants_are="Nozzle set"))
    chosen = [a for a in page.named("input") if a["name"] == "map-variant"]
    assert [a["type"] for a in chosen] == ["radio", "radio"]
    assert ["checked" in a for a in chosen] == [True, False]
    assert "Nozzle set" in page.text
    assert "a<b" in page.text


def test_map_panel_names_the_colour_of_places_without_a_value():
    places = (Place(name="a", facts=(), colour=NO_VALUE_COLOUR),)
    shown = layer(shapely.Point(101, 201), places=places, classes="du_lq")
    assert "not known" in panel(site_map(shown)).text
    known = (Place(name="a", facts=(), colour=SCALES["du_lq"].colours[0]),)
    assert "not known" not in panel(site_map(replace(shown, places=known))).text
    # grey is a class of its own here
    status = replace(shown, classes="status_code")
    assert STATUS_COLOURS[1] == NO_VALUE_COLOUR
    assert "not known" not in panel(site_map(status)).text
