"""Results opened in a desktop viewer come up with our styles, titles and classes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from geoirrig.io.result_columns import LAYER_TITLES
from geoirrig.io.write_layers import write_layers
from geoirrig.io.write_rasters import write_rasters
from geoirrig.symbology import SCALES
from tests.made_up_analysis import HOSTILE_ID, made_up
from tests.viewer.headless import require_bindings, run_in_viewer

SCRIPT = Path(__file__).with_name("describe_in_viewer.py")


@pytest.fixture(scope="module", params=["si", "us"])
def seen(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """What the viewer says about the results, and the unit system of their columns."""
    require_bindings("qgis.core", "python3-qgis")
    folder = tmp_path_factory.mktemp("viewer")
    results = folder / "results"
    results.mkdir()
    analysis = made_up(turf_id=HOSTILE_ID).analysis
    write_layers(
        results / "results.gpkg",
        analysis.tables,
        analysis.plane,
        units=request.param,
        run_info={},
        rasters=analysis.rasters,
    )
    write_rasters(results, analysis.rasters, analysis.grid, analysis.plane)
    moved = results.rename(folder / "moved elsewhere")  # a project may hold no path of its own
    return request.param, run_in_viewer(SCRIPT, folder, moved)


def test_results_every_layer_is_valid_with_the_renderer_of_its_style(seen: Any) -> None:
    renderers = {name: facts["renderer"] for name, facts in seen[1]["vectors"].items()}
    assert renderers == {
        "turf_results": "RuleRenderer",
        "zone_results": "RuleRenderer",
        "head_results": "RuleRenderer",
        "dry_spots": "graduatedSymbol",
        "overspray": "graduatedSymbol",
        "runoff_hotspots": "graduatedSymbol",
    }
    for facts in (*seen[1]["vectors"].values(), *seen[1]["rasters"].values()):
        assert facts["valid"]
    assert seen[1]["vectors"]["zone_results"]["labelled"]
    assert seen[1]["vectors"]["head_results"]["features"] == 54


def test_results_legend_labels_are_those_of_our_classes(seen: Any) -> None:
    units, facts = seen
    vectors = facts["vectors"]
    assert vectors["turf_results"]["labels"] == [
        "Probability of runoff in one event",
        "up to 5 %", "5 – 25 %", "25 – 50 %", "50 – 75 %", "75 – 95 %", "over 95 %", "not known",
    ]  # fmt: skip
    assert vectors["head_results"]["labels"] == ["with a finding", "without a finding"]
    expected = {"si": "1 – 2 mm of runoff", "us": "0.04 – 0.08 in of runoff"}
    assert vectors["runoff_hotspots"]["labels"][2] == expected[units]


def test_results_columns_are_shown_by_their_titles(seen: Any) -> None:
    units, facts = seen
    aliases = facts["vectors"]["turf_results"]["aliases"]
    names = {"si": ("area_m2", "Area [m²]"), "us": ("area_ft2", "Area [ft²]")}
    column, title = names[units]
    assert aliases[column] == title
    assert aliases["du_lq"] == "DU, low quarter"


def test_results_rasters_come_up_in_our_classes(seen: Any) -> None:
    rasters = seen[1]["rasters"]
    assert len(rasters) == 7
    for name, facts in rasters.items():
        assert facts["renderer"] == "singlebandpseudocolor"
        assert facts["colours"] == list(SCALES[name].colours)
    assert rasters["applied_depth_mm"]["labels"][:2] == ["no water", "0 – 2.5 mm"]


def test_results_every_layer_has_title_and_abstract(seen: Any) -> None:
    for name, facts in seen[1]["vectors"].items():
        assert (facts["title"], facts["abstract"]) == LAYER_TITLES[name]


def test_results_attribute_table_is_shown_by_its_titles(seen: Any) -> None:
    assert seen[1]["run_info"] == {"fid": "", "key": "Key", "value": "Value"}


def test_results_domains_become_value_lists_and_ranges(seen: Any) -> None:
    widgets = seen[1]["vectors"]["turf_results"]["widgets"]
    assert widgets["du_lq"] == "Range"
    assert widgets["runoff_probability"] == "Range"
    assert widgets["soil_texture"] == "ValueMap"


def test_project_opens_every_layer_in_order_with_its_style(seen: Any) -> None:
    facts = seen[1]
    project = facts["project"]
    assert project["read"]
    assert project["crs"] == facts["crs"]
    layers = {layer["id"]: layer for layer in project["layers"]}
    assert list(layers) == [
        "geoirrig_head_results", "geoirrig_runoff_hotspots", "geoirrig_dry_spots",
        "geoirrig_overspray", "geoirrig_zone_results", "geoirrig_turf_results",
        "geoirrig_precipitation_rate_mm_h", "geoirrig_applied_depth_mm", "geoirrig_heads_reaching",
        "geoirrig_slope_pct", "geoirrig_minutes_to_runoff", "geoirrig_runoff_depth_mm",
        "geoirrig_runoff_probability", "geoirrig_run_info",
    ]  # fmt: skip
    assert all(layer["valid"] for layer in layers.values())
    for name, alone in (facts["vectors"] | facts["rasters"]).items():
        in_project = layers[f"geoirrig_{name}"]
        assert in_project["renderer"] == alone["renderer"]
        assert in_project["labels"] == alone["labels"]
        assert in_project["crs"] == facts["crs"]
        if "aliases" in alone:
            assert in_project["aliases"] == alone["aliases"]
            assert in_project["name"] == LAYER_TITLES[name][0]
    shown = [name for name, layer in layers.items() if layer["shown"]]
    assert shown[-1] == "geoirrig_precipitation_rate_mm_h"
    assert "geoirrig_turf_results" not in shown
    rate = layers["geoirrig_precipitation_rate_mm_h"]
    assert rate["name"] == SCALES["precipitation_rate_mm_h"].heading("si")


def test_project_rendered_has_the_colour_of_the_class_at_known_cells(seen: Any) -> None:
    # One cell in the middle of each class that the raster has, by our own class index.
    analysis = made_up(turf_id=HOSTILE_ID).analysis
    values = next(r for r in analysis.rasters if r.name == "precipitation_rate_mm_h").values
    scale = SCALES["precipitation_rate_mm_h"]
    index = scale.class_index(values, "si")
    drawn = seen[1]["cells"]
    assert (len(drawn), len(drawn[0])) == values.shape
    met = set()
    for row, colours in enumerate(drawn):
        for col, colour in enumerate(colours):
            number = int(index[row, col])
            if number < len(scale.colours):
                assert colour == scale.colours[number], (row, col)
                met.add(number)
            else:
                assert colour == "#ffffff"  # no value: the sheet below
    assert len(met) >= 3
