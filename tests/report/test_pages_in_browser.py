"""The pages of the commands with variants, many places and plans, in a browser."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from geoirrig.report.write_report import write_report
from geoirrig.workflows.export_imported_plan import export_site
from geoirrig.workflows.export_plan import export_plan, plan_placement
from geoirrig.workflows.reports.screening import screening_report
from tests.io import site_builder as build
from tests.io.plan_builder import CRS, heads_plan, imported
from tests.report.browser import Browser
from tests.report.test_write_report import HOSTILE
from tests.run_command import run
from tests.workflows.reports.made_up_screening import RECORD, made_up_parcels, made_up_summary

SCRIPT, PICTURE = HOSTILE[:2]  # names as users must not be able to make them run
FEW, MANY = 12, 2500  # parcels drawn as elements, and as a picture
PLAIN_HEADS = [(SCRIPT, 0, 0, "90", {"rotation": 90.0}), ("OFF", 20, -3.0, "180", {})]


def compared(folder: Path) -> Path:
    """A comparison whose heads, zone, turf and nozzle sets have hostile names."""
    nozzles = pd.DataFrame(
        {"nozzle": ["Q", "H"], "flow_lpm": [12.0, 6.0], "radius_m": [6.0] * 2,
         "pressure_kpa": [200.0] * 2}
    )  # fmt: skip
    heads = build.heads(head_id=[f"{SCRIPT}{n}" for n in range(4)], zone=[HOSTILE[2]] * 4)
    layers = build.good_layers(heads=heads, turf=build.turf(turf_id=[PICTURE]), nozzles=nozzles)
    site = build.write_site(folder / "site.gpkg", layers)
    nozzle_set = folder / f"{PICTURE}.csv"
    nozzle_set.write_text("from_nozzle,to_nozzle\nQ,H\n", encoding="utf-8")
    out = folder / "out"
    done = run(
        "compare", site, "--nozzle-set", nozzle_set, "--cell", "0.5", "--out", out, "--quiet",
        "--report",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    return out / "report.html"


def screened(folder: Path, count: int) -> Path:
    """A screening whose parcels and reasons have hostile names."""
    parcels = made_up_parcels(count, ranked=count // 2, funded=count // 4, failed=count // 6)
    columns = dict(parcels.columns)
    columns["parcel_id"] = np.array([f"{SCRIPT}{n}" for n in range(count)], dtype=object)
    columns["reasons"] = np.array(
        [text and PICTURE + text for text in columns["reasons"]], dtype=object
    )
    parcels = replace(parcels, columns=columns)
    told = made_up_summary(parcels, programme=HOSTILE[2], currency=PICTURE)
    page = screening_report(told, parcels, RECORD, folder, metres_per_unit=1.0)
    write_report(folder / "report.html", page)
    return folder / "report.html"


def plan_imported(folder: Path) -> Path:
    """A plan whose heads have hostile names, one of which stands off the turf."""
    found = imported(folder, heads_plan(PLAIN_HEADS))
    export_site(found, folder / "out", overwrite=False, options={}, with_report=True)
    return folder / "out" / "report.html"


def plan_exported(folder: Path) -> Path:
    """Results with hostile texts, drawn on a plan."""
    found = imported(folder, heads_plan(PLAIN_HEADS))
    export_site(found, folder / "site", overwrite=False, options={})
    mark = gpd.GeoDataFrame(
        {"finding_id": [1], "severity": [PICTURE], "finding": [SCRIPT]},
        geometry=shapely.points(found.placement.transform.to_map([(40.0, 30.0)])),
        crs=CRS,
    )
    pyogrio.write_dataframe(mark, folder / "results.gpkg", layer="layout_findings")
    export_plan(
        folder / "results.gpkg", plan_placement(folder / "site" / "summary.json"), folder / "out",
        overwrite=False, options={}, with_report=True,
    )  # fmt: skip
    return folder / "out" / "report.html"


PAGES: dict[str, Callable[[Path], Path]] = {
    "compare": compared,
    "screen": lambda folder: screened(folder, FEW),
    "screen many": lambda folder: screened(folder, MANY),
    "plan-import": plan_imported,
    "plan-export": plan_exported,
}
# What must stand in the tables of each page, as text.
HOSTILE_TEXTS = {
    "compare": (SCRIPT, PICTURE, HOSTILE[2]),
    "screen": (SCRIPT, PICTURE),
    "screen many": (SCRIPT,),
    "plan-import": (SCRIPT,),
    "plan-export": (SCRIPT, PICTURE),
}


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("browser")) as running:
        yield running


@pytest.fixture(scope="module")
def paths(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return {name: make(tmp_path_factory.mktemp("page")) for name, make in PAGES.items()}


@pytest.fixture
def opened(browser: Browser, paths: dict[str, Path]) -> Callable[[str], Browser]:
    def open_page(name: str) -> Browser:
        browser.call(
            "Emulation.setDeviceMetricsOverride",
            width=1280, height=900, deviceScaleFactor=1, mobile=False,
        )  # fmt: skip
        browser.open(paths[name])
        return browser

    return open_page


def wait(page: Browser, milliseconds: int) -> None:
    page.run(f"new Promise((done) => setTimeout(done, {milliseconds}))")


def box_of(page: Browser, selector: str) -> dict[str, float]:
    found = f"document.querySelector({json.dumps(selector)}).getBoundingClientRect()"
    box: dict[str, float] = json.loads(page.run(f"JSON.stringify({found})"))
    return box


def put_pointer(page: Browser, x: float, y: float) -> None:
    for step in (-1.0, 0.0):
        page.call("Input.dispatchMouseEvent", type="mouseMoved", x=x + step, y=y)


def point_at(page: Browser, selector: str) -> None:
    """Put the pointer in the middle of an element of the map."""
    page.run("document.getElementById('map').scrollIntoView({ block: 'end' })")
    box = box_of(page, selector)
    put_pointer(page, box["x"] + box["width"] / 2.0, box["y"] + box["height"] / 2.0)


def shapes(page: Browser) -> int:
    found: Any = page.run("document.querySelectorAll('#map path.leaflet-interactive').length")
    return int(found)


@pytest.mark.parametrize("name", PAGES)
def test_page_asks_for_nothing_and_complains_of_nothing(name, opened, paths):
    page = opened(name)
    page.run("document.querySelectorAll('input, thead button').forEach((one) => one.click())")
    page.run(
        "Array.from(document.querySelectorAll('button.to-place')).slice(0, 40)"
        ".forEach((one) => one.click())"
    )
    wait(page, 200)
    assert page.requests() == [paths[name].as_uri()]
    assert page.complaints() == []
    assert page.run("window.hit") is None


@pytest.mark.parametrize("name", PAGES)
def test_hostile_texts_are_shown_as_text(name, opened):
    page = opened(name)
    shown = page.run(
        "Array.from(document.querySelectorAll('tbody th, tbody td'), (e) => e.textContent)"
    )
    for hostile in HOSTILE_TEXTS[name]:
        assert any(hostile in text for text in shown), hostile
    assert page.run("document.querySelectorAll('main img:not([src^=\"data:\"])').length") == 0


@pytest.mark.parametrize("name", PAGES)
def test_a_row_leads_to_its_place_and_tells_it_in_text(name, opened):
    page = opened(name)
    page.run("document.querySelector('button.to-place').click()")
    popup = page.run("document.querySelector('.leaflet-popup-content strong').textContent")
    row = page.run("document.querySelector('button.to-place').textContent")
    assert row in popup
    assert page.run("document.activeElement.id") == "map"
    assert row in page.run("document.getElementById('announcement').textContent")


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("width", [390, 1280])
def test_page_fits_its_width(name, width, opened):
    page = opened(name)
    page.call(
        "Emulation.setDeviceMetricsOverride",
        width=width, height=900, deviceScaleFactor=1, mobile=width < 500,
    )  # fmt: skip
    assert page.run("document.documentElement.scrollWidth") == width


@pytest.mark.parametrize("name", [name for name in PAGES if name != "screen many"])
def test_layers_switch_off_and_on(name, opened):
    page = opened(name)
    boxes = "document.querySelectorAll('input[name=map-layer]')"
    page.run(f"{boxes}.forEach((box) => box.checked && box.click())")
    assert shapes(page) == 0
    page.run(f"{boxes}.forEach((box) => box.click())")
    assert shapes(page) > 0
    legends = "document.querySelectorAll('.legend:not([hidden])').length"
    assert page.run(legends) == (1 if name in ("compare", "screen") else 0)


def test_nozzle_sets_switch_surface_and_places(opened):
    page = opened("compare")
    picture = "document.querySelector('#map .leaflet-image-layer').src"
    before, n_before = page.run(picture), shapes(page)
    page.run("document.querySelectorAll('input[name=map-variant]')[1].click()")
    assert page.run(picture) != before
    assert page.run("document.querySelectorAll('#map .leaflet-image-layer').length") == 1
    # turf and four heads as before, and a ring around each of the four that change
    assert shapes(page) == n_before + 4
    page.run("document.querySelectorAll('input[name=map-variant]')[0].click()")
    assert page.run(picture) == before
    assert shapes(page) == n_before


def test_a_row_of_another_nozzle_set_switches_to_it(opened):
    page = opened("compare")
    rows = "Array.from(document.querySelectorAll('button.to-place'))"
    zone = f"{rows}.filter((one) => one.textContent.startsWith('</script>'))"
    assert page.run(f"{zone}.length") == 2  # of the layout as it stands, and of the set
    page.run(f"{zone}[1].click()")
    assert page.run("document.querySelectorAll('input[name=map-variant]')[1].checked") is True
    told = page.run("document.querySelector('.leaflet-popup-content').textContent")
    assert "(−" in told  # half the rate
    said = page.run("document.getElementById('announcement').textContent")
    assert said.startswith(f"The map shows {PICTURE}, Zone </script>")
    page.run(f"{zone}[0].click()")
    assert page.run("document.querySelectorAll('input[name=map-variant]')[0].checked") is True
    assert "(−" not in page.run("document.querySelector('.leaflet-popup-content').textContent")


def test_pointing_at_turf_tells_its_measures(opened):
    page = opened("compare")
    page.run("document.querySelectorAll('input[name=map-variant]')[1].click()")
    point_at(page, "#map .leaflet-image-layer")
    tip = page.run("document.querySelector('.leaflet-tooltip').textContent")
    assert PICTURE in tip
    assert "Mean rate [mm/h]" in tip
    assert "(−" in tip
    assert "Precipitation rate" in page.run("document.getElementById('read-off').textContent")


def test_pointing_at_a_parcel_tells_status_reason_and_figures(opened):
    page = opened("screen")
    point_at(page, "#map path.leaflet-interactive[fill='#e4e3df']")  # not eligible
    tip = page.run("document.querySelector('.leaflet-tooltip').textContent")
    assert f"Parcel {SCRIPT}" in tip
    assert "Statusnot eligible" in tip
    assert f"Reasons{PICTURE}" in tip
    assert "Cost [" in tip


def test_many_parcels_are_a_picture_that_tells_them_all_the_same(opened):
    page = opened("screen many")
    assert shapes(page) == 0
    assert page.run("document.querySelectorAll('#map canvas').length") == 1
    page.run("document.querySelectorAll('button.to-place')[3].click()")
    row = page.run("document.querySelectorAll('button.to-place')[3].textContent")
    tip = box_of(page, ".leaflet-popup-tip-container")
    page.run("document.querySelector('.leaflet-popup-close-button').click()")
    put_pointer(page, tip["x"] + tip["width"] / 2.0, tip["y"] + tip["height"] + 4.0)
    assert row in page.run("document.querySelector('.leaflet-tooltip').textContent")


def test_coordinates_of_a_plan_are_read_off_in_its_unit(opened):
    page = opened("plan-export")
    point_at(page, "#map path.leaflet-interactive")
    text = page.run("document.getElementById('read-off').textContent")
    bar = box_of(page, ".leaflet-control-scale-line")
    length, unit = page.run(
        "document.querySelector('.leaflet-control-scale-line').textContent"
    ).split()
    told = [float(one) for one in re.findall(r"[-\d.]+", text)]
    # The mark is drawn, and the pointer taken, at whole pixels.
    pixel = float(length) / bar["width"]
    assert (unit, told) == ("m", pytest.approx([40.0, 30.0], abs=1.5 * pixel + 0.05))
    assert page.run("document.querySelectorAll('.leaflet-control-scale-line').length") == 2
