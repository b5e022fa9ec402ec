from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
import shapely

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.records import InputFile, ResultRaster
from geoirrig.report.report_page import (
    BarChart,
    KeyFigure,
    MapSurface,
    Place,
    PlaceLayer,
    Provenance,
    ReportMap,
    ReportPage,
    ReportSection,
    ReportTable,
    TableColumn,
)
from geoirrig.report.write_report import report_html, write_report

HOSTILE = (
    "<script>window.hit = 1</script>",
    '"><img src=x onerror="window.hit = 1">',
    "</script><script>window.hit = 1</script>",
    "<!--<script>",
    "\u202etxet &amp; \u2028 {{x}} \x00\x1b[0m",
)


class Structure(HTMLParser):
    """Elements of a page in order, their attributes and text."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.raw: dict[str, list[str]] = {"script": [], "style": []}
        self._tag = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._tag = tag

    def handle_endtag(self, tag: str) -> None:
        self._tag = ""

    def handle_data(self, data: str) -> None:
        self.raw[self._tag].append(data) if self._tag in self.raw else self.text.append(data)

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


def small_page(*names: str, with_map: bool = True) -> ReportPage:
    """A site of 4 m by 2 m: four cells of 1 m in a row of 2, and a point for each name."""
    grid = RasterGrid(left_m=100.0, top_m=202.0, cell_size_m=1.0, n_rows=2, n_cols=4)
    rates = np.array([[0.0, 12.3, 99.0, np.nan], [3.0, 3.0, 3.0, 3.0]], dtype=np.float32)
    places = PlaceLayer(
        label="findings",
        geometry=np.array([shapely.Point(101.5, 201.5)] * len(names), dtype=object),
        places=tuple(Place(name=name, facts=(("Said", name),)) for name in names),
        colour="#b3471b",
        drawn_as="ring",
        is_shown=False,
    )
    site_map = ReportMap(
        bounds_m=grid.bounds_m,
        metres_per_unit=1.0,
        surfaces=tuple(
            MapSurface(
                raster=ResultRaster(
                    name=name, description="", unit="", values=rates, nodata=-9999.0
                ),
                grid=grid,
            )
            for name in ("precipitation_rate_mm_h", "slope_pct")
        ),
        layers=(places,),
    )
    numbers = tuple(float(10 - number) for number in range(len(names)))
    table = ReportTable(
        caption="Findings",
        columns=(
            TableColumn(title="Name", meaning="Its name.", texts=names, is_name=True),
            TableColumn(
                title="Size",
                meaning="",
                texts=(*(f"{number:g}" for number in numbers[:-1]), "–"),
                sort_by=(*numbers[:-1], float("nan")),
            ),
        ),
        places="findings" if with_map else "",
    )
    bars = BarChart(caption="Bars", labels=names, values=numbers, texts=names, longest=10.0)
    return ReportPage(
        title=f"Site {names[0]}",
        lead=names[0],
        units="si",
        figures=(KeyFigure(label="Turf", value="100 m²", also="1,080 ft²"),),
        map=site_map if with_map else None,
        sections=(ReportSection(heading="Findings", content=(table, bars, names[0])),),
        method=("A way.",),
        provenance=Provenance(
            version="1",
            files=(InputFile(role="site", name=names[0], sha256="ab" * 32),),
            options=(("option", names[0]),),
            crs_name=names[0],
            cell="1 m",
        ),
        warnings=(names[0],),
        cautions=("Take care.",),
    )


def test_report_html_hostile_text_stays_text():
    page = Structure(report_html(small_page(*HOSTILE)))
    plain = Structure(report_html(small_page(*["plain"] * len(HOSTILE))))
    assert [tag for tag, _ in page.elements] == [tag for tag, _ in plain.elements]
    assert "img" not in [tag for tag, _ in page.elements]
    for name in HOSTILE[:4]:
        assert name in page.text


def test_report_html_map_data_holds_hostile_names_whole():
    page = Structure(report_html(small_page(*HOSTILE)))
    data = json.loads(next(text for text in page.raw["script"] if text.startswith('{"units"')))
    assert data["layers"][0]["names"] == list(HOSTILE)
    assert data["layers"][0]["facts"] == [["Said", {"texts": list(HOSTILE)}]]


def test_report_html_policy_names_every_script_and_style_by_its_hash():
    page = Structure(report_html(small_page("a", "b")))
    policy = next(m["content"] for m in page.named("meta") if "http-equiv" in m)
    assert policy is not None
    rules = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data:"
    for kind in ("script", "style"):
        run = [text for text in page.raw[kind] if not text.startswith('{"units"')]
        hashes = [base64.b64encode(hashlib.sha256(t.encode()).digest()).decode() for t in run]
        assert rules[f"{kind}-src"].split() == [f"'sha256-{one}'" for one in hashes]


def test_report_html_names_no_address_to_load_from():
    text = report_html(small_page("a", "b"))
    page = Structure(text)
    for _, attributes in page.elements:
        for name in ("src", "href", "action", "data", "poster", "srcset"):
            address = attributes.get(name)
            assert address is None or address.startswith(("data:", "#"))
        assert not any(name.startswith("on") for name in attributes)
        assert "style" not in attributes
    assert not re.search(r"url\(|@import", "".join(page.raw["style"]))
    assert "sourceMappingURL" not in text


def test_report_html_has_headings_in_order_and_names_for_everything():
    page = Structure(report_html(small_page("a", "b")))
    tags = [tag for tag, _ in page.elements]
    assert [tag for tag in tags if re.fullmatch(r"h\d", tag)][:2] == ["h1", "h2"]
    assert tags.count("h1") == 1
    assert "h3" not in tags
    assert page.named("html")[0]["lang"] == "en"
    assert tags.count("caption") == tags.count("table")
    identities = {attributes.get("id") for _, attributes in page.elements}
    for _, attributes in page.elements:
        assert attributes.get("aria-labelledby") in {None, *identities}
        href = attributes.get("href") or ""
        assert not href.startswith("#") or href[1:] in identities
    assert all("scope" in attributes for attributes in page.named("th"))


def test_report_html_keeps_the_licence_of_the_map_library():
    text = report_html(small_page("a", "b"))
    assert "Redistributions of source code must retain the above copyright" in text


def test_report_html_without_map_carries_no_map_library():
    text = report_html(small_page("a", "b", with_map=False))
    assert "Leaflet 1." not in text
    assert "map-data" not in text


def test_write_report_replaces_lone_surrogates(tmp_path):
    write_report(tmp_path / "report.html", small_page("a\ud800", "b"))
    assert "Site a?" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_report_html_is_the_same_each_time():
    page = small_page("a", "b")
    assert report_html(page) == report_html(replace(page))


def _luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [part / 255.0 for part in bytes.fromhex(colour[1:])]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", [0, 1, 2])  # light, dark, print
def test_report_css_text_contrast_meets_wcag_aa(scheme):
    style = "".join(Structure(report_html(small_page("a", "b"))).raw["style"])
    blocks = re.findall(r":root \{([^}]*)\}", style)
    assert len(blocks) == 3
    colours = dict(re.findall(r"--(\w+): (#\w{6})", blocks[scheme]))
    for ground in ("paper", "band"):
        for ink in ("ink", "quiet", "accent", "warn"):
            low, high = sorted(_luminance(colours[name]) for name in (ground, ink))
            assert (high + 0.05) / (low + 0.05) >= 4.5, (ground, ink)
