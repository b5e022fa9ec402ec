"""Nozzle sets side by side: what stands on the sheet, and that it is true."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pytest
from matplotlib.text import Text

from geoirrig.maps import comparison_sheet, map_sheet
from geoirrig.maps.comparison_sheet import ComparisonPanel, draw_comparison
from geoirrig.maps.page import Page
from geoirrig.units import LITRES_PER_US_GALLON
from tests.made_up_analysis import HOSTILE_ID, made_up

FINDING = "Set “slow” takes least water."
EXISTING = {
    "du_lq": 0.6, "du_lq_change": 0.0,
    "mean_rate_mm_h": 40.0, "mean_rate_change_mm_h": 0.0,
    "runoff_l": 200.0, "runoff_change_l": 0.0,
    "overspray_l": 0.0, "overspray_change_l": 0.0,
    "run_minutes": 90.0, "run_minutes_change": 0.0,
    "water_l": 5000.0, "water_change_l": 0.0,
    "water_m3_year": 1000.0, "water_change_m3_year": 0.0,
    "saving_by_pressure_l": 0.0, "saving_by_pressure_m3_year": 0.0,
    "saving_by_evenness_l": 0.0, "saving_by_evenness_m3_year": 0.0,
    "saving_by_overspray_l": 0.0, "saving_by_overspray_m3_year": 0.0,
    "saving_by_runoff_l": 0.0, "saving_by_runoff_m3_year": 0.0,
    "saving_by_need_l": 0.0, "saving_by_need_m3_year": 0.0,
}  # fmt: skip
SLOW = EXISTING | {
    "du_lq": 0.65, "du_lq_change": 0.05,
    "mean_rate_mm_h": 30.0, "mean_rate_change_mm_h": -10.0,
    "runoff_l": 210.0, "runoff_change_l": 10.0,
    "overspray_l": 20.0, "overspray_change_l": 20.0,
    "run_minutes": 120.0, "run_minutes_change": 30.0,
    "water_m3_year": 900.0, "water_change_m3_year": -100.0,
    "saving_by_evenness_m3_year": 120.0, "saving_by_overspray_m3_year": -20.0,
    "saving_by_need_m3_year": 0.01,
}  # fmt: skip


@pytest.fixture
def pages(monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, Page]]:
    """The pages that were drawn, by file name, and not saved."""
    drawn: dict[str, Page] = {}

    def keep(page: Page, path: Path, *, title: str) -> None:
        drawn[path.name] = page

    monkeypatch.setattr(comparison_sheet, "save_page", keep)
    return drawn


def draw(
    folder: Path,
    sets: Mapping[str, Mapping[str, float]],
    *,
    units: str = "si",
    width_m: float = 60.0,
    height_m: float = 40.0,
) -> None:
    site = made_up(width_m=width_m, height_m=height_m)
    layout, grid = site.inputs.layout, site.analysis.grid
    panels = [
        ComparisonPanel(
            name=name,
            grid=grid,
            rate_mm_h=np.full(grid.shape, 10.0, dtype=np.float32),
            layout=layout,
            changed=np.full(len(layout.head_id), number > 0),
            totals=totals,
        )
        for number, (name, totals) in enumerate(sets.items())
    ]
    draw_comparison(
        folder, site.inputs, panels, finding=FINDING, cautions=("Check it.",), units=units
    )


def texts(page: Page) -> list[str]:
    return [text.get_text() for text in page.figure.findobj(Text) if text.get_text()]


def test_sheet_names_the_sets_and_prints_values_with_signed_differences(pages, tmp_path) -> None:
    draw(tmp_path, {"existing": EXISTING, "slow": SLOW})
    words = texts(pages["comparison.png"])
    for expected in (
        "existing", "slow", "0.600", "0.650", "+0.050", "30 mm/h", "−25.0 %", "210 L", "+5.0 %",
        "2.0 h", "+33.3 %", "900 m³", "−10.0 %", FINDING, "grid north", "Water a year",
    ):  # fmt: skip
        assert expected in words, expected
    # no overspray before: a share of nothing is not told
    assert "–" in words
    assert "Precipitation rate [mm/h]" in words


def test_sheet_shows_the_causes_that_matter_and_their_shares_add_up(pages, tmp_path) -> None:
    draw(tmp_path, {"existing": EXISTING, "slow": SLOW})
    words = texts(pages["comparison.png"])
    assert "   by evenness" in words
    assert "   by landing on its turf" in words
    assert "   by another area served" not in words  # 0.01 of 1000 m³
    # 120 m³ less and 20 m³ more of 1000: −12 % and +2 %, −10 % in all
    assert {"−12.0 %", "+2.0 %", "−10.0 %"} <= set(words)


def test_sheet_without_a_year_tells_the_water_of_an_event(pages, tmp_path) -> None:
    nothing = {name: np.nan for name in EXISTING if name.endswith("m3_year")}
    draw(tmp_path, {"existing": EXISTING | nothing, "slow": SLOW | nothing})
    words = texts(pages["comparison.png"])
    assert "Water an event" in words
    assert "5,000 L" in words


def test_sheet_in_us_units_prints_whole_gallons(pages, tmp_path) -> None:
    draw(tmp_path, {"existing": EXISTING, "slow": SLOW}, units="us")
    words = texts(pages["comparison.png"])
    assert f"{900_000.0 / LITRES_PER_US_GALLON:,.0f} US gal" in words
    assert "Precipitation rate [in/h]" in words


def test_sheet_of_many_sets_repeats_the_existing_layout_on_each_page(pages, tmp_path) -> None:
    sets = {"existing": EXISTING, **{f"set {n}": SLOW for n in range(1, 6)}}
    draw(tmp_path, sets)
    assert list(pages) == ["comparison.png", "comparison_2.png"]
    first, second = (texts(page) for page in pages.values())
    assert {"existing", "set 1", "set 3"} <= set(first)
    assert {"existing", "set 4", "set 5"} <= set(second)
    assert "set 4" not in first


@pytest.mark.parametrize(("width_m", "height_m"), [(400.0, 20.0), (20.0, 400.0), (60.0, 60.0)])
@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_maps_of_long_and_tall_sites_stay_in_the_frame_and_at_one_scale(
    pages, tmp_path, width_m: float, height_m: float, count: int
) -> None:
    sets = {"existing": EXISTING, **{f"set {n}": SLOW for n in range(1, count)}}
    draw(tmp_path, sets, width_m=width_m, height_m=height_m)
    page = pages["comparison.png"]
    maps = [axes for axes in page.figure.axes if axes is not page.sheet]
    assert len(maps) == count
    for axes in maps:
        box = axes.get_position()
        assert box.x0 >= 0.0
        assert box.x1 <= map_sheet.PANEL_LEFT_PX / map_sheet.PAGE_WIDTH_PX
        assert box.y1 <= 1.0
        assert box.y0 >= map_sheet.MAP_BOTTOM_PX / map_sheet.PAGE_HEIGHT_PX
        scale = np.ptp(axes.get_xlim()) / box.width / map_sheet.PAGE_WIDTH_PX
        assert scale == pytest.approx(
            np.ptp(axes.get_ylim()) / box.height / map_sheet.PAGE_HEIGHT_PX
        )
        assert np.ptp(axes.get_xlim()) >= 0.99 * width_m
        assert np.ptp(axes.get_ylim()) >= 0.99 * height_m


def test_sheet_of_hostile_names_is_written(tmp_path: Path) -> None:
    draw(tmp_path, {"existing": EXISTING, HOSTILE_ID: SLOW})
    assert (tmp_path / "comparison.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
