from __future__ import annotations

import numpy as np
import shapely

from geoirrig import symbology
from geoirrig.workflows.reports.places import (
    MOST_PLACES,
    LayerLook,
    left_off_note,
    place_layer,
    plain_layer,
)
from tests.workflows.reports.test_parts import objects, table


def test_place_layer_takes_the_colours_of_the_classes():
    look = LayerLook(
        label="slopes", named="Slope {}", colour="#000000", drawn_as="outline", classes="runoff_l"
    )
    # 0 L is "none", 30 L is in 20 to 100
    found = place_layer(
        table(turf_id=objects("a", "b"), runoff_l=[0.0, 30.0]), ("turf_id", "runoff_l"), look,
        units="si",
    )  # fmt: skip
    assert found is not None
    assert [place.name for place in found.places] == ["Slope a", "Slope b"]
    colours = symbology.SCALES["runoff_l"].colours
    assert [place.colour for place in found.places] == [colours[0], colours[2]]
    assert found.places[1].facts == (("Runoff volume [L]", "30.0"),)


def test_place_layer_name_with_braces_is_taken_as_it_is():
    look = LayerLook(label="x", named="Turf {}", colour="#000000", drawn_as="outline")
    found = place_layer(table(turf_id=objects("{0.__class__}")), ("turf_id",), look, units="si")
    assert found is not None
    assert found.places[0].name == "Turf {0.__class__}"


def test_place_layer_tells_differences_in_brackets_where_there_are_any():
    look = LayerLook(
        label="turf", colour="#000000", drawn_as="outline", variant_column="nozzle_set"
    )
    found = place_layer(
        table(
            turf_id=objects("a", "a", "b"),
            nozzle_set=objects("existing", "new", "new"),
            du_lq=[0.5, 0.75, 0.6],
            du_lq_change=[0.0, 0.25, 0.001],
            runoff_l=[1200.0, 1100.0, np.nan],
            runoff_change_l=[0.0, -100.0, np.nan],
        ),
        ("turf_id", ("du_lq", "du_lq_change"), ("runoff_l", "runoff_change_l")),
        look,
        units="si",
    )
    assert found is not None
    told = [[text for _, text in place.facts] for place in found.places]
    assert told == [["0.50", "1,200"], ["0.75 (+0.25)", "1,100 (−100)"], ["0.60", "–"]]
    assert [place.variant for place in found.places] == ["existing", "new", "new"]


def test_place_layer_differences_are_in_the_units_of_the_page():
    look = LayerLook(label="turf", colour="#000000", drawn_as="outline")
    found = place_layer(
        table(turf_id=objects("a"), mean_rate_mm_h=[50.8], mean_rate_change_mm_h=[-25.4]),
        ("turf_id", ("mean_rate_mm_h", "mean_rate_change_mm_h")), look, units="us",
    )  # fmt: skip
    assert found is not None
    assert found.places[0].facts == (("Mean rate [in/h]", "2.00 (−1.00)"),)


def test_place_layer_leaves_out_what_is_nowhere_known():
    look = LayerLook(label="turf", colour="#000000", drawn_as="outline")
    found = place_layer(
        table(turf_id=objects("a", "b"), water_m3_year=[np.nan, np.nan], area_m2=[1.0, 2.0]),
        ("turf_id", "water_m3_year", "area_m2"), look, units="si",
    )  # fmt: skip
    assert found is not None
    assert [title for title, _ in found.places[0].facts] == ["Area [m²]"]


def test_place_layer_unknown_class_has_the_colour_of_no_value():
    look = LayerLook(label="turf", colour="#000000", drawn_as="area", classes="du_lq")
    found = place_layer(table(turf_id=objects("a"), du_lq=[np.nan]), ("turf_id",), look, units="si")
    assert found is not None
    assert found.places[0].colour == symbology.NO_VALUE_COLOUR


def test_place_layer_too_large_for_a_page_is_left_off_and_told():
    count = MOST_PLACES + 1
    places = np.full(count, shapely.Point(0, 0), dtype=object)
    look = LayerLook(label="heads", colour="#000000", drawn_as="dot")
    assert plain_layer(places, np.arange(count).astype(object), look) is None
    assert left_off_note({"turf": 3, "heads": count}) == (
        "Left off the map, since a layer of a page has at most 4,000 places: heads."
    )
