"""Map and chart of ranked slopes: what stands on them, and that it is true."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import shapely
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.patches import Rectangle
from matplotlib.text import Text

from geoirrig.maps import ranking_chart, ranking_map
from geoirrig.maps.page import Page
from geoirrig.maps.ranking_chart import MOST_BARS, draw_ranking_chart
from geoirrig.maps.ranking_map import draw_ranking_map
from geoirrig.records import ResultTable
from geoirrig.symbology import RUNOFF_6
from geoirrig.units import LITRES_PER_US_GALLON
from tests.made_up_analysis import BOTTOM_M, HOSTILE_ID, LEFT_M, made_up

FINDING = "The worst two of 8 slopes shed 80 % of the runoff."
CAUTIONS = ("Check it on the ground.",)
SITE = made_up(width_m=120.0, height_m=40.0)


@pytest.fixture
def pages(monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, Page]]:
    """The pages that were drawn, by file name, and not saved."""
    drawn: dict[str, Page] = {}

    def keep(page: Page, path: Path, *, title: str) -> None:
        drawn[path.name] = page

    monkeypatch.setattr(ranking_map, "save_page", keep)
    monkeypatch.setattr(ranking_chart, "save_page", keep)
    return drawn


def ranked(runoff_l: list[float], *, apart_m: float = 10.0, name: str = "lawn") -> ResultTable:
    """Square slopes in a row, made up, worst first."""
    amount = np.array(runoff_l)
    count = len(amount)
    rank = np.array([1 + np.count_nonzero(amount > own) for own in amount], dtype=np.int64)
    share = amount / amount.sum() if amount.sum() else np.full(count, np.nan)
    left_m = LEFT_M + apart_m * np.arange(count)
    squares = np.empty(count, dtype=object)
    squares[:] = [
        shapely.multipolygons([shapely.box(x, BOTTOM_M, x + 0.8 * apart_m, BOTTOM_M + 8.0)])
        for x in left_m
    ]
    return ResultTable(
        name="ranked_slopes",
        columns={
            "rank": rank,
            "slope_unit": np.array([f"{name} {n}" for n in range(count)], dtype=object),
            "runoff_l": amount,
            "rank_low": np.maximum(1, rank - 1),
            "rank_high": np.minimum(max(count, 1), rank + 1),
            "runoff_low_l": 0.5 * amount,
            "runoff_high_l": 1.5 * amount,
            "cumulative_share": np.cumsum(share),
        },
        geometry=squares,
        geometry_type="MultiPolygon",
    )


def draw(table: ResultTable, folder: Path, units="si") -> None:
    shared = {"finding": FINDING, "cautions": CAUTIONS, "units": units}
    draw_ranking_map(folder, SITE.inputs, SITE.analysis.grid, table, **shared)
    draw_ranking_chart(folder, SITE.inputs, table, **shared)


def texts(page: Page) -> list[str]:
    return [text.get_text() for text in page.figure.findobj(Text) if text.get_text()]


def numbers(page: Page) -> list[str]:
    """Texts in a box: the ranks on the map."""
    return [t.get_text() for t in page.figure.findobj(Text) if t.get_bbox_patch() is not None]


def bars(page: Page) -> list[Rectangle]:
    axes = next(axes for axes in page.figure.axes if axes is not page.sheet)
    assert isinstance(axes, Axes)
    return [bar for container in axes.containers for bar in container]


# --- the map -------------------------------------------------------------------------------------


def test_map_numbers_the_slopes_that_shed_and_no_others(pages, tmp_path: Path) -> None:
    draw(ranked([900.0, 40.0, 40.0, 0.0]), tmp_path)
    assert numbers(pages["map_ranked_slopes.png"]) == ["1", "2", "2"]


def test_map_leaves_out_numbers_that_have_no_room_but_keeps_the_worst(pages, tmp_path) -> None:
    draw(ranked([500.0 - n for n in range(40)], apart_m=0.5), tmp_path)
    found = numbers(pages["map_ranked_slopes.png"])
    assert found[0] == "1"
    assert 1 < len(found) < 20


def test_map_carries_finding_cautions_legend_north_and_scale(pages, tmp_path: Path) -> None:
    draw(ranked([900.0, 0.0]), tmp_path, units="us")
    words = " ".join(texts(pages["map_ranked_slopes.png"]))
    for expected in (
        FINDING, "Check it on the ground.", "Runoff of one event [US gal]", "grid north", "ft",
        "hardscape", "none",
    ):  # fmt: skip
        assert expected in words


def test_map_fills_each_slope_in_the_colour_of_its_class(pages, tmp_path: Path) -> None:
    # 0, 10, 50, 300, 1000 and 5000 L are one in each class
    draw(ranked([5000.0, 1000.0, 300.0, 50.0, 10.0, 0.0]), tmp_path)
    page = pages["map_ranked_slopes.png"]
    axes = next(axes for axes in page.figure.axes if axes is not page.sheet)
    fills = [to_hex(patch.get_facecolor()) for patch in axes.patches]
    assert [colour for colour in fills if colour in RUNOFF_6] == list(RUNOFF_6)


# --- the chart -----------------------------------------------------------------------------------


def test_chart_bars_are_the_litres_with_rank_interval_and_share(pages, tmp_path: Path) -> None:
    draw(ranked([60.0, 30.0, 10.0]), tmp_path)
    page = pages["ranked_slopes.png"]
    assert [bar.get_width() for bar in bars(page)] == [60.0, 30.0, 10.0]
    words = texts(page)
    for expected in ("1  (1 – 2)", "2  (1 – 3)", "lawn 2", "60 %", "90 %", "100 %", FINDING):
        assert expected in words


def test_chart_us_units_convert_the_bars(pages, tmp_path: Path) -> None:
    draw(ranked([60.0, 30.0]), tmp_path, units="us")
    page = pages["ranked_slopes.png"]
    assert bars(page)[0].get_width() == pytest.approx(60.0 / LITRES_PER_US_GALLON)
    assert "Runoff [US gal]" in texts(page)


def test_chart_of_many_slopes_sums_up_the_rest(pages, tmp_path: Path) -> None:
    draw(ranked([100.0] * 25 + [7.0, 6.0, 5.0]), tmp_path)
    page = pages["ranked_slopes.png"]
    assert len(bars(page)) == MOST_BARS
    words = texts(page)
    assert "the other 3 together" in words
    assert "18" in words  # 7 + 6 + 5
    assert words.count("100 %") == 1


def test_chart_of_nothing_but_dry_slopes_claims_no_share(pages, tmp_path: Path) -> None:
    draw(ranked([0.0, 0.0]), tmp_path)
    words = texts(pages["ranked_slopes.png"])
    assert words.count("–") == 2
    assert "100 %" not in words


def test_pictures_of_hostile_names_are_written(tmp_path: Path) -> None:
    draw(ranked([5.0, 3.0], name=HOSTILE_ID), tmp_path)
    for name in ("map_ranked_slopes.png", "ranked_slopes.png"):
        assert (tmp_path / name).read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_pictures_of_no_slope_at_all_are_written(tmp_path: Path) -> None:
    draw(ranked([]), tmp_path)
    assert (tmp_path / "ranked_slopes.png").exists()
