"""The reports against the published rules of accessibility, and as a screen reader meets them.

The rules are those of axe-core (Deque Systems, MPL 2.0), which holds a page against the WCAG 2.1
success criteria of levels A and AA that a program can decide; what it cannot decide was looked at.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from geoirrig.cli.main_job import SAMPLE_FOLDER
from tests.external import require_module
from tests.report.browser import Browser
from tests.run_command import run

HILLSIDE = (
    SAMPLE_FOLDER / "hillside_site.gpkg", "--slope", SAMPLE_FOLDER / "hillside_slope_pct.tif",
    "--cell", "1.0",
)  # fmt: skip
CLIMATE = (
    "--climate", SAMPLE_FOLDER / "hillside_climate.csv", "--latitude", "41.9",
    "--altitude-m", "420",
)  # fmt: skip
COMMANDS: dict[str, tuple[Any, ...]] = {
    "analyze": HILLSIDE,
    "rank": HILLSIDE,
    "schedule": (*HILLSIDE, *CLIMATE),
    "compare": (*HILLSIDE, "--nozzle-set", SAMPLE_FOLDER / "hillside_rotary.csv"),
    "screen": (
        SAMPLE_FOLDER / "hill_quarter_site.gpkg",
        "--programme", SAMPLE_FOLDER / "hill_quarter_programme.toml",
        "--climate", SAMPLE_FOLDER / "hillside_climate.csv", "--latitude", "41.9",
        "--altitude-m", "420", "--workers", "1",
    ),
    "plan-import": (SAMPLE_FOLDER / "surveyed_court.dxf",),
}  # fmt: skip
VIEWS = ((1280, "light"), (390, "dark"))
BROKEN = """axe.run(document).then((found) => found.violations.map((rule) =>
    `${rule.id}: ${rule.help}: ${rule.nodes.map((one) => one.html.slice(0, 200)).join(" | ")}`))"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("browser")) as running:
        yield running


@pytest.fixture(scope="module", params=COMMANDS)
def report(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("run") / "out"
    run(request.param, *COMMANDS[request.param], "--out", folder, "--quiet", "--report")
    return folder / "report.html"


def test_report_breaks_no_rule_of_accessibility(browser: Browser, report: Path) -> None:
    require_module("axe_core_python")
    rules = files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    for width, scheme in VIEWS:
        browser.call(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=900, deviceScaleFactor=1, mobile=False,
        )  # fmt: skip
        browser.show_on(scheme=scheme)
        browser.open(report)
        browser.run(f"{rules}; 0")
        assert browser.run(BROKEN) == [], (width, scheme)


def test_report_says_what_everything_is(browser: Browser, report: Path) -> None:
    """Headings without a gap, and a name on all that is shown or worked with."""
    browser.open(report)
    nodes = [n for n in browser.call("Accessibility.getFullAXTree")["nodes"] if not n["ignored"]]
    role = {id(node): node["role"]["value"] for node in nodes}
    levels = [
        one["value"]["value"]
        for node in nodes
        if role[id(node)] == "heading"
        for one in node["properties"]
        if one["name"] == "level"
    ]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    named = ("table", "image", "button", "link", "radio", "checkbox", "region")
    silent = [role[id(n)] for n in nodes if role[id(n)] in named and not n["name"]["value"].strip()]
    assert silent == []
    assert sum(kind == "main" for kind in role.values()) == 1
    assert sum(kind == "table" for kind in role.values()) >= 1
