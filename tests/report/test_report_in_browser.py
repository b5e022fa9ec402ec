"""The report in a browser, under its content policy and without a network."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from geoirrig.report.write_report import write_report
from tests.report.browser import Browser
from tests.report.test_write_report import HOSTILE, small_page

NAMES = ("head 10", "head 9", *HOSTILE)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("browser")) as running:
        yield running


@pytest.fixture
def page(browser: Browser, tmp_path) -> Browser:
    path = tmp_path / "report.html"
    write_report(path, small_page(*NAMES))
    browser.call(
        "Emulation.setDeviceMetricsOverride",
        width=1280, height=900, deviceScaleFactor=1, mobile=False,
    )  # fmt: skip
    browser.open(path)
    return browser


def test_page_asks_for_nothing_and_complains_of_nothing(page, tmp_path):
    page.run("document.querySelectorAll('button, input').forEach((one) => one.click())")
    page.run("new Promise((done) => setTimeout(done, 200))")
    assert page.requests() == [(tmp_path / "report.html").as_uri()]
    assert page.complaints() == []
    assert page.run("window.hit") is None


def test_policy_stops_what_the_page_does_not_name(page):
    page.run(
        "(() => { const made = document.createElement('script'); made.textContent ="
        "'window.hit = 1'; document.body.append(made);"
        "new Image().src = 'http://localhost:9/x.png'; })()"
    )
    page.run("new Promise((done) => setTimeout(done, 100))")
    assert page.run("window.hit") is None
    assert len(page.complaints()) == 2
    failures = [e["params"] for e in page.events if e.get("method") == "Network.loadingFailed"]
    assert [one.get("blockedReason") for one in failures] == ["csp"]


def test_hostile_names_are_shown_as_text(page):
    shown = page.run(
        "Array.from(document.querySelectorAll('table.sortable tbody th'), (e) => e.textContent)"
    )
    # A parser of HTML drops NUL in the body (HTML standard, 13.2.6.4.7).
    assert shown[: len(NAMES)] == [name.replace("\x00", "") for name in NAMES]


def test_layers_switch_on_and_off(page):
    count = "document.querySelectorAll('#map path.leaflet-interactive').length"
    assert page.run(count) == 0
    page.run("document.querySelector('input[name=map-layer]').click()")
    assert page.run(count) == len(NAMES)
    page.run("document.querySelector('input[name=map-layer]').click()")
    assert page.run(count) == 0


def test_surfaces_switch_with_their_legend(page):
    legends = (
        "Array.from(document.querySelectorAll('.legend'))"
        ".filter((one) => one.offsetParent).map((one) => one.firstChild.textContent)"
    )
    assert page.run(legends) == ["Precipitation rate [mm/h]"]
    page.run("document.querySelectorAll('input[name=map-raster]')[1].click()")
    assert page.run(legends) == ["Slope [%]"]
    page.run("document.querySelectorAll('input[name=map-raster]')[2].click()")
    assert page.run(legends) == []
    assert page.run("document.querySelectorAll('#map .leaflet-image-layer').length") == 0


def test_tables_sort_by_number_and_by_name_with_unknown_last(page):
    press = "document.querySelectorAll('#section-1 ~ div thead button')[{}].click()"
    first = (
        "Array.from(document.querySelectorAll('#section-1 ~ div tbody tr'))"
        ".map((row) => row.cells[{}].textContent)"
    )
    page.run(press.format(1))
    assert page.run(first.format(1)) == ["5", "6", "7", "8", "9", "10", "–"]
    page.run(press.format(1))
    assert page.run(first.format(1)) == ["10", "9", "8", "7", "6", "5", "–"]
    assert page.run(
        "Array.from(document.querySelectorAll('#section-1 ~ div thead th'))"
        ".map((one) => one.getAttribute('aria-sort'))"
    ) == ["none", "descending"]
    assert "descending" in page.run("document.getElementById('announcement').textContent")
    page.run(press.format(0))
    names = page.run(first.format(0))
    assert names.index("head 9") < names.index("head 10")


def test_a_finding_leads_to_its_place(page):
    page.run("document.querySelectorAll('button.to-place')[2].click()")
    assert page.run("document.querySelector('input[name=map-layer]').checked") is True
    popup = page.run("document.querySelector('.leaflet-popup-content').textContent")
    assert popup == HOSTILE[0] + "Said" + HOSTILE[0]
    assert page.run("document.activeElement.id") == "map"
    # the popup points at the dot, which is on the shown part of the map
    frame, dot, tip = (
        json.loads(
            page.run(f"JSON.stringify(document.querySelector('{one}').getBoundingClientRect())")
        )
        for one in ("#map", "#map path.leaflet-interactive", ".leaflet-popup-tip-container")
    )
    middle = dot["x"] + dot["width"] / 2.0
    assert tip["x"] + tip["width"] / 2.0 == pytest.approx(middle, abs=1.0)
    assert frame["x"] < middle < frame["x"] + frame["width"]
    assert frame["y"] < dot["y"] < frame["y"] + frame["height"]


@pytest.mark.parametrize(
    ("x_share", "y_share", "expected"),
    [
        (1.5 / 4.0, 0.25, "E 101.5, N 201.5: Precipitation rate 12.30 mm/h"),
        (0.5 / 4.0, 0.25, "E 100.5, N 201.5: Precipitation rate no water"),
        (3.5 / 4.0, 0.25, "E 103.5, N 201.5"),
        (3.5 / 4.0, 0.75, "E 103.5, N 200.5: Precipitation rate 3.00 mm/h"),
    ],
)
def test_values_are_read_off(page, x_share, y_share, expected):
    page.run("document.getElementById('map').scrollIntoView({ block: 'end' })")
    box = json.loads(
        page.run(
            "JSON.stringify(document.querySelector('#map .leaflet-image-layer')"
            ".getBoundingClientRect())"
        )
    )
    page.call(
        "Input.dispatchMouseEvent",
        type="mouseMoved",
        x=box["x"] + x_share * box["width"],
        y=box["y"] + y_share * box["height"],
    )
    assert page.run("document.getElementById('read-off').textContent") == expected


@pytest.mark.parametrize("width", [390, 1280])
def test_page_fits_its_width(page, width):
    page.call(
        "Emulation.setDeviceMetricsOverride",
        width=width, height=900, deviceScaleFactor=1, mobile=width < 500,
    )  # fmt: skip
    assert page.run("document.documentElement.scrollWidth") == width


def test_everything_is_reached_by_the_tabulator_key(page):
    reached = page.run(
        "Array.from(document.querySelectorAll('button, input, a[href], #map, .wide, summary'))"
        ".every((one) => one.tabIndex === 0 || one.closest('.leaflet-control'))"
    )
    assert reached is True


def test_print_leaves_the_map_to_the_pictures_and_opens_whole_tables(page):
    page.show_on("print")
    assert page.run("document.getElementById('map').offsetParent") is None
    assert page.run("getComputedStyle(document.querySelector('.wide')).overflow") == "visible"
    page.show_on("screen")
