"""Write a report: one file that holds everything, runs under a strict policy and asks for nothing.

The policy names the page's own scripts and styles by their SHA-256 (Content Security Policy
Level 3, W3C), so that nothing else runs or loads, whatever ids and texts of the user hold.
"""

from __future__ import annotations

import base64
import hashlib
import re
from importlib.resources import files
from pathlib import Path
from xml.etree.ElementTree import Element

from geoirrig.report.elements import Child, add, element, json_for_page, written
from geoirrig.report.map_data import map_data, place_numbers
from geoirrig.report.map_panel import map_panel
from geoirrig.report.page_content import section, table
from geoirrig.report.report_page import (
    KeyFigure,
    Provenance,
    ReportPage,
    ReportTable,
    TableColumn,
)

_ASSETS = files("geoirrig.report") / "assets"
# Pictures of controls that the page does not use, and the address of a source map.
_ADDRESS_IN_STYLE = re.compile(r"url\([^)]*\)")
_SOURCE_MAP = re.compile(r"//# sourceMappingURL=\S*")


def write_report(path: Path, page: ReportPage) -> None:
    """Write a report as one HTML file.

    Parameters
    ----------
    path : Path
        File to write.
    page : ReportPage
        What it says.
    """
    path.write_text(report_html(page), encoding="utf-8", errors="replace", newline="\n")


def report_html(page: ReportPage) -> str:
    """The page as text."""
    styles, scripts = [_asset("report.css")], [_asset("sort_tables.js")]
    if page.map is not None:
        library = f"/*\n{_asset('leaflet_licence.txt')}*/\n{_asset('leaflet.js')}"
        styles = [_asset("leaflet.css"), *styles]
        scripts = [*scripts, library, _asset("site_map.js")]
    styles = [_ADDRESS_IN_STYLE.sub("none", style) for style in styles]
    scripts = [_SOURCE_MAP.sub("", script) for script in scripts]
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element(
            "meta",
            http_equiv="Content-Security-Policy",
            content=f"default-src 'none'; img-src data:; style-src {_hashes(styles)}; "
            f"script-src {_hashes(scripts)}; base-uri 'none'; form-action 'none'",
        ),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", name="color-scheme", content="light dark"),
        element("title", page.title),
        element("link", rel="icon", href="data:,"),
        *(element("style", style) for style in styles),
    )
    body = element("body", *_parts(page))
    if page.map is not None:
        data = json_for_page(map_data(page.map, page.units))
        add(body, [element("script", data, type="application/json", id="map-data")])
    add(body, [element("script", script) for script in scripts])
    return "<!DOCTYPE html>\n" + written(element("html", head, body, lang="en")) + "\n"


def _asset(name: str) -> str:
    return (_ASSETS / name).read_text(encoding="utf-8")


def _hashes(texts: list[str]) -> str:
    """Sources of a policy: the texts by their SHA-256."""
    digests = [hashlib.sha256(text.encode("utf-8")).digest() for text in texts]
    return " ".join(f"'sha256-{base64.b64encode(digest).decode('ascii')}'" for digest in digests)


# --- the body ------------------------------------------------------------------------------------


def _parts(page: ReportPage) -> list[Child]:
    places = {} if page.map is None else place_numbers(page.map)
    sections = [section(told, number, places) for number, told in enumerate(page.sections, start=1)]
    ends = [
        _block("method", "Method and its limits", [element("p", text) for text in page.method]),
        _block("cautions", "Cautions", [_list(page.cautions)]),
        _block("provenance", "Where this comes from", _provenance(page.provenance)),
    ]
    site_map = None
    if page.map is not None:
        site_map = _block("site", "Map", [map_panel(page.map, page.units)])
        site_map.set("class", "map-section")
    blocks = [site_map, *sections, *ends]
    return [
        element("a", "Skip to the content", href="#content", class_="skip"),
        element(
            "header",
            element("h1", page.title),
            element("p", page.lead, class_="lead"),
            element("dl", *(_figure(figure) for figure in page.figures), class_="figures")
            if page.figures
            else None,
        ),
        _contents(blocks),
        element("main", _warnings(page.warnings), *blocks, id="content"),
        element("p", role="status", class_="unseen", id="announcement"),
    ]


def _contents(blocks: list[Element | None]) -> Element:
    headings = [block[0] for block in blocks if block is not None]
    links = [
        element("li", element("a", heading.text or "", href=f"#{heading.get('id')}"))
        for heading in headings
    ]
    return element("nav", element("ul", *links), aria_label="Contents")


def _figure(figure: KeyFigure) -> Element:
    also = element("span", figure.also) if figure.also else None
    return element("div", element("dt", figure.label), element("dd", figure.value, also))


def _block(identity: str, heading: str, content: list[Element]) -> Element:
    return element(
        "section", element("h2", heading, id=identity), *content, aria_labelledby=identity
    )


def _warnings(warnings: tuple[str, ...]) -> Element | None:
    if not warnings:
        return None
    block = _block("warnings", "To know before reading on", [_list(warnings)])
    block.set("class", "warnings")
    return block


def _list(texts: tuple[str, ...]) -> Element:
    return element("ul", *(element("li", text) for text in texts))


def _provenance(told: Provenance) -> list[Element]:
    inputs = ReportTable(
        caption="Files that were read",
        columns=(
            TableColumn(
                title="Read as", meaning="", texts=tuple(f.role for f in told.files), is_name=True
            ),
            TableColumn(title="File", meaning="", texts=tuple(f.name for f in told.files)),
            TableColumn(title="SHA-256", meaning="", texts=tuple(f.sha256 for f in told.files)),
        ),
    )
    facts = (
        ("Program", f"geoirrig {told.version}"),
        (told.crs_is, told.crs_name),
        *([("Cell", told.cell)] if told.cell else []),
    )
    options = [part for name, value in told.options for part in _pair(name, value)]
    return [
        element("dl", *(part for fact in facts for part in _pair(*fact))),
        table(inputs, "inputs", {}),
        element("details", element("summary", "Options of the run"), element("dl", *options)),
    ]


def _pair(name: str, value: str) -> tuple[Element, Element]:
    return element("dt", name), element("dd", value)
