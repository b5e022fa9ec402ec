"""The documentation site: it builds without a warning, leads everywhere, and shows what there is.

The site is built once, by a process of its own, as ``python -m sphinx -W`` builds it by hand.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

from geoirrig.cli import COMMANDS
from tests.run_command import run

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = sorted(path for suffix in ("md", "rst") for path in DOCS.rglob(f"*.{suffix}"))
# Pages that the site makes itself, without a source.
MADE_PAGES = {"genindex", "search", "py-modindex"}


class Page(HTMLParser):
    """Anchors of a page, where its links lead, and what it loads as it opens."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.anchors: set[str] = set()
        self.links: set[str] = set()
        self.loaded: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "id":
                self.anchors.add(value or "")
            elif name in ("href", "src"):
                (self.links if tag == "a" else self.loaded).add(value or "")


@cache
def read_page(path: Path) -> Page:
    return Page(path.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def build(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess]:
    folder = tmp_path_factory.mktemp("site")
    command = ["-m", "sphinx", "-W", "--keep-going", "-q", "-b", "html"]
    finished = subprocess.run(
        [sys.executable, *command, "-d", str(folder / "read"), str(DOCS), str(folder / "site")],
        capture_output=True,
        encoding="utf-8",
        timeout=600,
        check=False,
    )
    return folder / "site", finished


@pytest.fixture(scope="module")
def site(build: tuple[Path, subprocess.CompletedProcess]) -> Path:
    return build[0]


def text_of(path: Path) -> str:
    return re.sub(r"<[^>]+>", "", path.read_text(encoding="utf-8"))


def test_site_builds_without_a_warning(
    build: tuple[Path, subprocess.CompletedProcess],
) -> None:
    _, finished = build

    assert finished.stderr == ""
    assert finished.returncode == 0


def test_every_page_is_reached_from_the_contents(site: Path) -> None:
    reached = {urlsplit(link).path for link in read_page(site / "index.html").links}

    wanted = {page.relative_to(DOCS).with_suffix(".html").as_posix() for page in PAGES}
    assert len(wanted) > 50
    assert wanted - reached - {"index.html"} == set()


def test_every_link_leads_to_a_page_and_a_place_on_it(site: Path) -> None:
    broken, checked = [], 0
    for path in site.rglob("*.html"):
        for link in read_page(path).links:
            target = urlsplit(link)
            if target.scheme or path.stem in MADE_PAGES:
                continue
            led_to = path.parent / unquote(target.path) if target.path else path
            place = unquote(target.fragment)
            checked += 1
            if not led_to.is_file() or (place and place not in read_page(led_to.resolve()).anchors):
                broken.append((path.name, link))

    assert checked > 1000
    assert broken == []


def test_pages_load_nothing_from_the_network(site: Path) -> None:
    loaded = {link for path in site.rglob("*.html") for link in read_page(path).loaded}

    assert {link for link in loaded if urlsplit(link).netloc} == set()


def test_commands_page_lists_every_command_with_its_options(site: Path) -> None:
    page = site / "reference" / "commands.html"
    text = text_of(page)
    for command in COMMANDS:
        name = command.__name__.replace("_", "-")
        assert name in read_page(page).anchors

        _, _, own = text.partition(f"geoirrig {name} [OPTIONS]")
        own = own.partition("geoirrig ")[0]
        options = set(re.findall(r"(?<![\w-])--[a-z-]+", run(name, "--help").output))
        assert "--help" in options
        assert {option for option in options if option not in own} == set(), name


def test_reference_shows_every_documented_equation(site: Path) -> None:
    anchors = read_page(site / "reference" / "physics.html").anchors
    equations = {
        f"geoirrig.physics.{path.stem}.{node.name}"
        for path in (ROOT / "geoirrig" / "physics").glob("[!_]*.py")
        if not path.stem.endswith("_kernels")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
        if ast.get_docstring(node)
    }

    assert len(equations) > 50
    assert equations - anchors == set()


def test_docstrings_are_shown_as_they_were_meant(site: Path) -> None:
    text = text_of(site / "reference" / "physics.html")

    assert "CU = 1 − Σw·|x − m| / (m·Σw)" in text  # christiansen_uniformity
    assert "1/throw_ratio²" in text  # rate_ratio
    assert "TypeAliasForwardRef" not in text


def test_figures_are_those_that_their_command_draws(tmp_path: Path) -> None:
    draw = "import sys, pathlib, draw_figures as d; d.draw_figures(pathlib.Path(sys.argv[1]))"
    subprocess.run(
        [sys.executable, "-c", draw, str(tmp_path)], cwd=DOCS / "figures", timeout=300, check=True
    )

    drawn = {path.name for path in tmp_path.iterdir()}
    shown = {
        name
        for page in PAGES
        for name in re.findall(r"figures/(\w+\.svg)\)", page.read_text(encoding="utf-8"))
    }
    assert drawn == {path.name for path in (DOCS / "figures").glob("*.svg")}
    assert shown == drawn
