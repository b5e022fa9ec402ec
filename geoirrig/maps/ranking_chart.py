"""Slopes as bars, worst first, with how sure amount and rank are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from geoirrig import symbology
from geoirrig.maps.map_sheet import (
    FRAME_FACE,
    FRAME_LINE,
    MAP_BOTTOM_PX,
    MAP_HEIGHT_PX,
    MARGIN_PX,
    SheetText,
    about_chart,
    write_sheet_text,
)
from geoirrig.maps.page import (
    INK,
    PAGE_HEIGHT_PX,
    PAGE_WIDTH_PX,
    PLOT_SETTINGS,
    QUIET_INK,
    Page,
    blank_page,
    line_height_px,
    save_page,
    shown_id,
    write_text,
)
from geoirrig.records import ResultTable, SiteInputs
from geoirrig.units import FloatArray, UnitSystem, in_unit_system, unit_of_column

CHART_NAME = "ranked_slopes.png"
MOST_BARS = 25
_TITLE = "What each slope sheds, and how sure that is"
_CAPTION = (
    "Bar: water that runs off in one event as planned, on the tabulated soil. Line: 90 % of the "
    "drawn soils lie within it, each lawn with an intake and a storage of its own. Rank in "
    "brackets: 90 % of the draws lie within it."
)
_RANK_PX, _SLOPE_PX, _BARS_LEFT_PX, _BARS_RIGHT_PX = MARGIN_PX, 210.0, 500.0, 1330.0
_AMOUNT_PX, _SHARE_PX = 1425.0, 1560.0  # right ends of two columns of numbers
_HEADING_PX, _AXIS_PX = 46.0, 54.0  # kept free above and below the bars
_TALLEST_ROW_PX = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """What is drawn, in the unit of the chart; the last row may stand for the rest."""

    rank: list[str]
    slope: list[str]
    amount: FloatArray
    low: FloatArray  # NaN where no interval is drawn
    high: FloatArray
    share: FloatArray  # of this row and all before it
    n_slopes: int  # rows that are slopes


def draw_ranking_chart(
    folder: Path,
    inputs: SiteInputs,
    ranked: ResultTable,
    *,
    finding: str,
    cautions: Sequence[str],
    units: UnitSystem,
) -> None:
    """Draw ``ranked_slopes.png``: at most 25 bars, and all other slopes summed in a row of text.

    Parameters
    ----------
    folder : Path
        Folder to write into.
    inputs : SiteInputs
        Site name and CRS.
    ranked : ResultTable
        Slopes, worst first, as `rank_slopes` gives them.
    finding : str
        The ranking in a sentence.
    cautions : sequence of str
        What the reader ought to know.
    units : {"si", "us"}
        Unit system of the amounts.
    """
    rows = _rows(ranked, units)
    _, unit = unit_of_column(in_unit_system("runoff_l", 0.0, units)[0])
    printed = unit.printed if unit else ""
    with mpl.rc_context(PLOT_SETTINGS):
        page = blank_page()
        row_px = min(
            _TALLEST_ROW_PX, (MAP_HEIGHT_PX - _HEADING_PX - _AXIS_PX) / max(1, len(rows.slope))
        )
        bottom_px = MAP_BOTTOM_PX + MAP_HEIGHT_PX - _HEADING_PX - row_px * len(rows.slope)
        axes = _bar_axes(page, bottom_px, row_px * max(1, len(rows.slope)))
        _draw_bars(axes, rows, printed)
        _write_rows(page, rows, top_px=MAP_BOTTOM_PX + MAP_HEIGHT_PX, row_px=row_px, unit=printed)
        write_sheet_text(
            page,
            SheetText(
                title=_TITLE,
                caption=_CAPTION,
                finding=finding,
                cautions=cautions,
                about=about_chart(inputs),
            ),
        )
        save_page(page, folder / CHART_NAME, title=_TITLE)


def _rows(ranked: ResultTable, units: UnitSystem) -> _Rows:
    columns = ranked.columns
    n_slopes = min(MOST_BARS, len(columns["rank"]))
    amount, low, high = (
        np.asarray(in_unit_system(name, columns[name], units)[1], dtype=np.float64)
        for name in ("runoff_l", "runoff_low_l", "runoff_high_l")
    )
    share: NDArray[np.float64] = np.asarray(columns["cumulative_share"], dtype=np.float64)
    rank = [
        f"{rank}  ({best} – {worst})" if best != worst else f"{rank}"
        for rank, best, worst in zip(
            columns["rank"][:n_slopes],
            columns["rank_low"][:n_slopes],
            columns["rank_high"][:n_slopes],
            strict=True,
        )
    ]
    slope = [shown_id(name, longest=28) for name in columns["slope_unit"][:n_slopes]]
    drawn = slice(n_slopes)
    if len(amount) == n_slopes:
        return _Rows(
            rank=rank, slope=slope, amount=amount, low=low, high=high, share=share,
            n_slopes=n_slopes,
        )  # fmt: skip
    return _Rows(
        rank=[*rank, ""],
        slope=[*slope, f"the other {len(amount) - n_slopes} together"],
        amount=np.append(amount[drawn], np.sum(amount[n_slopes:])),
        low=np.append(low[drawn], np.nan),
        high=np.append(high[drawn], np.nan),
        share=np.append(share[drawn], share[-1]),
        n_slopes=n_slopes,
    )


def _bar_axes(page: Page, bottom_px: float, height_px: float) -> Axes:
    axes = page.figure.add_axes(
        (
            _BARS_LEFT_PX / PAGE_WIDTH_PX,
            bottom_px / PAGE_HEIGHT_PX,
            (_BARS_RIGHT_PX - _BARS_LEFT_PX) / PAGE_WIDTH_PX,
            height_px / PAGE_HEIGHT_PX,
        ),
        facecolor=FRAME_FACE,
    )
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set(color=FRAME_LINE, linewidth=0.8)
    axes.set_yticks([])
    axes.tick_params(axis="x", colors=QUIET_INK, labelsize=8.0)
    axes.grid(axis="x", color="#dcdad2", linewidth=0.6)
    axes.set_axisbelow(True)
    return axes


def _draw_bars(axes: Axes, rows: _Rows, unit: str) -> None:
    place = np.arange(len(rows.amount))
    drawn = slice(rows.n_slopes)  # a bar of all the rest would dwarf the others
    axes.barh(place[drawn], rows.amount[drawn], height=0.62, color=symbology.RUNOFF_6[2])
    axes.hlines(place, rows.low, rows.high, color=INK, linewidth=1.3)
    for ends in (rows.low, rows.high):
        axes.plot(ends, place, linestyle="none", marker="|", markersize=7.0, color=INK)
    longest = np.max([*rows.amount[drawn], *rows.high[drawn], 0.0])
    axes.set_xlim(0.0, 1.04 * longest if longest > 0.0 else 1.0)
    axes.set_ylim(len(place) - 0.5 if len(place) else 0.5, -0.5)
    axes.xaxis.set_major_formatter("{x:,.10g}")
    axes.set_xlabel(f"Runoff of one event [{unit}]", color=QUIET_INK, fontsize=8.5)


def _write_rows(page: Page, rows: _Rows, *, top_px: float, row_px: float, unit: str) -> None:
    """Write the columns of text on both sides of the bars, and their headings."""
    heading_px = top_px - 8.0
    for x_px, text, side in (
        (_RANK_PX, "Rank  (90 %)", "left"),
        (_SLOPE_PX, "Slope", "left"),
        (_AMOUNT_PX, f"Runoff [{unit}]", "right"),
        (_SHARE_PX, "Share so far", "right"),
    ):
        write_text(
            page, x_px, heading_px, text, size_pt=8.5, weight="bold", horizontalalignment=side
        )
    size_pt = min(9.0, 0.42 * row_px)
    for number, (rank, slope, amount, share) in enumerate(
        zip(rows.rank, rows.slope, rows.amount, rows.share, strict=True)
    ):
        row_top = top_px - _HEADING_PX - row_px * number
        text_top = row_top - 0.5 * (row_px - 0.75 * line_height_px(size_pt))
        shown_share = f"{100.0 * share:.0f} %" if np.isfinite(share) else "–"
        shown_amount = f"{amount:,.0f}" if amount >= 10.0 or amount == 0.0 else f"{amount:.2g}"
        for x_px, text, side in (
            (_RANK_PX, rank, "left"),
            (_SLOPE_PX, slope, "left"),
            (_AMOUNT_PX, shown_amount, "right"),
            (_SHARE_PX, shown_share, "right"),
        ):
            write_text(page, x_px, text_top, text, size_pt=size_pt, horizontalalignment=side)
