"""A proposal drawn: what stands on the sheet, and that it is true."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.text import Text

from geoirrig import symbology
from geoirrig.maps import proposal_sheet
from geoirrig.maps.page import Page
from geoirrig.maps.proposal_sheet import ProposalPanel, ProposalPicture, draw_proposal
from tests.made_up_analysis import HOSTILE_ID, made_up

FINDING = "Zone Z1: evenness 0.520 → 0.710."
BEFORE = {"du_lq": 0.6, "flow_lpm": 100.0, "overspray_fraction": 0.08, "runoff_l": 200.0}
AFTER = {"du_lq": 0.65, "flow_lpm": 75.0, "overspray_fraction": 0.03, "runoff_l": 210.0}


@pytest.fixture
def pages(monkeypatch: pytest.MonkeyPatch) -> dict[str, Page]:
    """The pages that were drawn, by file name, and not saved."""
    drawn: dict[str, Page] = {}

    def keep(page: Page, path: Path, *, title: str) -> None:
        drawn[path.name] = page

    monkeypatch.setattr(proposal_sheet, "save_page", keep)
    return drawn


def draw(
    folder: Path,
    *,
    units: str = "si",
    n_added: int = 0,
    zones: tuple[str, ...] = ("Z1", "Z2", "dry"),
    du_lq: tuple[tuple[float, float, float], ...] = (
        (0.7, 0.75, 0.76), (0.52, 0.71, 0.72), (np.nan, np.nan, np.nan),
    ),
) -> None:  # fmt: skip
    """Draw heads of which the second is refitted and the last ``n_added`` are new."""
    site = made_up()
    inputs = replace(site.inputs, zone_plan=replace(site.inputs.zone_plan, zone=zones))
    new, grid = inputs.layout, site.analysis.grid
    n_heads = len(new.head_id)
    arrays: dict[str, Any] = {
        name: getattr(new, name)[: n_heads - n_added]
        for name in ("head_id", "x_m", "y_m", "device", "zone_index")
    }
    before, after, bound = np.array(du_lq).T
    rate = np.full(grid.shape, 10.0, dtype=np.float32)
    picture = ProposalPicture(
        grid=grid,
        before=ProposalPanel(
            rate_mm_h=rate, layout=replace(new, **arrays), totals=BEFORE, du_lq=before
        ),
        after=ProposalPanel(rate_mm_h=rate, layout=new, totals=AFTER, du_lq=after),
        changed=np.arange(n_heads) == 1,
        added=np.arange(n_heads) >= n_heads - n_added,
        du_lq_bound=bound,
    )
    draw_proposal(folder, inputs, picture, finding=FINDING, cautions=("Check it.",), units=units)


def texts(page: Page) -> list[str]:
    return [text.get_text() for text in page.figure.findobj(Text) if text.get_text()]


def marks(page: Page, colour: str) -> list[int]:
    """Number of heads drawn in a colour, map by map."""
    maps = [axes for axes in page.figure.axes if axes is not page.sheet]
    return [
        sum(len(line.get_xdata()) for line in axes.lines if line.get_markerfacecolor() == colour)
        for axes in maps
    ]


def test_sheet_prints_both_layouts_with_signed_differences_and_bounds(pages, tmp_path) -> None:
    draw(tmp_path)
    words = texts(pages["proposal.png"])
    for expected in (
        "As it stands", "As proposed", "change", "at most", FINDING, "grid north",
        "0.600", "0.650", "+0.050", "100 L/min", "75 L/min", "−25.0 %",
        "8.0 %", "3.0 %", "−5.0 points", "200 L", "210 L", "+5.0 %",
        "DU, zone Z2", "0.520", "0.710", "+0.190", "0.720", "Precipitation rate [mm/h]",
    ):  # fmt: skip
        assert expected in words, expected


def test_sheet_lists_the_least_even_zones_first_and_none_without_turf(pages, tmp_path) -> None:
    draw(tmp_path)
    words = [word for word in texts(pages["proposal.png"]) if word.startswith("DU, zone")]
    assert words == ["DU, zone Z2", "DU, zone Z1"] * 2
    pages.clear()
    many = tuple((0.9 - 0.01 * n, 0.9, 0.9) for n in range(20))
    draw(tmp_path, zones=tuple(f"Z{n}" for n in range(20)), du_lq=many)
    words = [word for word in texts(pages["proposal.png"]) if word.startswith("DU, zone")]
    assert words[:3] == ["DU, zone Z19", "DU, zone Z18", "DU, zone Z17"]
    assert len(words) == 12


def test_sheet_marks_heads_to_refit_on_both_maps_and_to_add_on_the_second(pages, tmp_path) -> None:
    draw(tmp_path, n_added=2)
    page = pages["proposal.png"]
    assert marks(page, symbology.HEAD_FINDING_COLOUR) == [1, 1]
    assert marks(page, symbology.HEAD_ADDED_COLOUR) == [0, 2]
    assert {"head to refit", "head to add"} <= set(texts(page))
    pages.clear()
    draw(tmp_path)
    assert "head to add" not in texts(pages["proposal.png"])


def test_sheet_in_us_units_prints_gallons(pages, tmp_path) -> None:
    draw(tmp_path, units="us")
    words = texts(pages["proposal.png"])
    # 75 L/min over 3.785412 L to the US gallon is 19.8; 210 L is 55.5 US gal
    assert {"19.8 US gal/min", "55.5 US gal", "Precipitation rate [in/h]"} <= set(words)


def test_sheet_of_hostile_zone_names_is_written(tmp_path: Path) -> None:
    draw(tmp_path, zones=(HOSTILE_ID, "$x^", "\x00"))
    assert (tmp_path / "proposal.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
