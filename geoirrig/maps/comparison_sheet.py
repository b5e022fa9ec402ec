"""Nozzle sets side by side: a small map of each with one legend, and the numbers below it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
import numpy as np
from numpy.typing import NDArray

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.maps.map_sheet import SheetText, about_chart, amount_text, write_sheet_text
from geoirrig.maps.page import PLOT_SETTINGS, blank_page, save_page
from geoirrig.maps.side_by_side import (
    LayoutPanel,
    NumberLine,
    draw_side_by_side,
    share_of_before,
    signed,
)
from geoirrig.records import SiteInputs, SprinklerLayout
from geoirrig.units import LITRES_PER_M3, MINUTES_PER_HOUR, PERCENT, UnitSystem

SHEET_NAME = "comparison.png"
MOST_ON_A_PAGE = 4
_TITLE = "What other nozzles would do"
_CAPTION = (
    "Colour: highest rate that any one zone gives the spot. Below each map: means over the turf "
    "that zones serve, sums over all zones, and the difference to the nozzles that are there. "
    "Runoff and overspray of one event of the same depth; time and water at equal net depth."
)
_CHANGED_LABEL = "head with another nozzle or pressure"
_COLUMNS_AT = (0.74, 1.0)  # value, and difference or share of the saving


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonPanel:
    """One nozzle set as it is drawn.

    Attributes
    ----------
    name : str
        Of the set.
    grid : RasterGrid
        Of the small map.
    rate_mm_h : ndarray, shape (n_rows, n_cols)
        Rate of each cell's main zone. [mm/h]
    layout : SprinklerLayout
        Heads with the nozzles of the set.
    changed : ndarray of bool, shape (n_heads,)
        Heads with another nozzle, pressure, flow or radius.
    totals : mapping of str to float
        Columns of the whole site, as in the summary.
    """

    name: str
    grid: RasterGrid
    rate_mm_h: NDArray[np.float32]
    layout: SprinklerLayout
    changed: NDArray[np.bool_]
    totals: Mapping[str, float]


def draw_comparison(
    folder: Path,
    inputs: SiteInputs,
    panels: Sequence[ComparisonPanel],
    *,
    finding: str,
    cautions: Sequence[str],
    units: UnitSystem,
) -> None:
    """Draw ``comparison.png``, and ``comparison_2.png`` and so on for more than four panels.

    Parameters
    ----------
    folder : Path
        Folder to write into.
    inputs : SiteInputs
        Turf, hardscape, site name and CRS.
    panels : sequence of ComparisonPanel
        The layout as it stands first; it comes first on every page.
    finding : str
        The answer in a sentence.
    cautions : sequence of str
        What the reader ought to know.
    units : {"si", "us"}
        Unit system of legend, scale bar and numbers.
    """
    text = SheetText(
        title=_TITLE,
        caption=_CAPTION,
        finding=finding,
        cautions=cautions,
        about=about_chart(inputs),
    )
    most = MOST_ON_A_PAGE - 1
    pages = [panels[1 + n : 1 + n + most] for n in range(0, max(1, len(panels) - 1), most)]
    with mpl.rc_context(PLOT_SETTINGS):
        for number, others in enumerate(pages, start=1):
            page = blank_page()
            shown = (panels[0], *others)
            rows = _rows(shown)
            draw_side_by_side(
                page,
                inputs,
                [_drawn(panel, rows, units, existing=panels[0]) for panel in shown],
                columns_at=_COLUMNS_AT,
                changed_label=_CHANGED_LABEL,
                units=units,
            )
            write_sheet_text(page, text)
            name = SHEET_NAME if number == 1 else SHEET_NAME.replace(".", f"_{number}.")
            save_page(page, folder / name, title=_TITLE)


def _drawn(
    panel: ComparisonPanel, rows: Sequence[_Row], units: UnitSystem, *, existing: ComparisonPanel
) -> LayoutPanel:
    return LayoutPanel(
        name=panel.name,
        grid=panel.grid,
        rate_mm_h=panel.rate_mm_h,
        layout=panel.layout,
        changed=panel.changed,
        added=np.zeros_like(panel.changed),
        lines=_lines(rows, panel, units, existing=existing),
    )


# --- numbers -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """A line of numbers: a total and its difference to the layout as it stands.

    A part of the saving has no total of its own, but a ``whole`` of which it is a share.
    """

    label: str
    change: str
    column: str = ""
    whole: str = ""
    is_share: bool = True  # the difference is printed in per cent of what is there


_ROWS = (
    _Row(label="DU, low quarter", column="du_lq", change="du_lq_change", is_share=False),
    _Row(label="Mean rate", column="mean_rate_mm_h", change="mean_rate_change_mm_h"),
    _Row(label="Runoff an event", column="runoff_l", change="runoff_change_l"),
    _Row(label="Overspray an event", column="overspray_l", change="overspray_change_l"),
    _Row(label="Time of all zones", column="run_minutes", change="run_minutes_change"),
)
_WATER = (
    _Row(label="Water a year", column="water_m3_year", change="water_change_m3_year"),
    _Row(label="Water an event", column="water_l", change="water_change_l"),
)


_CAUSES = {
    "pressure": "by pressure alone",
    "evenness": "by evenness",
    "overspray": "by landing on its turf",
    "runoff": "by less runoff",
    "need": "by another area served",
}
_WORTH_SHOWING = 0.0005  # of the water that is taken: what is not printed as 0.0 %


def _rows(panels: Sequence[ComparisonPanel]) -> tuple[_Row, ...]:
    """Lines of numbers; of the causes of the saving, those that matter in any panel."""
    existing = panels[0].totals
    has_year = math.isfinite(existing["water_m3_year"])
    water = _WATER[0] if has_year else _WATER[1]
    unit = "m3_year" if has_year else "l"
    least = _WORTH_SHOWING * existing[water.column]
    causes = [
        _Row(label=f"   {words}", change=column, whole=water.column)
        for column, words in ((f"saving_by_{cause}_{unit}", w) for cause, w in _CAUSES.items())
        if any(abs(panel.totals[column]) > least for panel in panels)
    ]
    return (*_ROWS, water, *causes)


def _lines(
    rows: Sequence[_Row], panel: ComparisonPanel, units: UnitSystem, *, existing: ComparisonPanel
) -> list[NumberLine]:
    lines = []
    for row in rows:
        change = panel.totals[row.change]
        if row.whole:  # a part of the saving: less water, so the sign turns
            if panel is existing:
                continue
            whole = existing.totals[row.whole]
            numbers = ("", signed(-PERCENT * change / whole, " %"))
        else:
            value = panel.totals[row.column]
            change_text = "" if panel is existing else _change_text(row, value, change)
            numbers = (_value_text(row, value, units), change_text)
        lines.append(NumberLine(label=row.label, numbers=numbers))
    return lines


def _value_text(row: _Row, value: float, units: UnitSystem) -> str:
    if not math.isfinite(value):
        return "–"
    if row.column == "run_minutes":
        return f"{value / MINUTES_PER_HOUR:,.1f} h"
    if not row.is_share:
        return f"{value:.3f}"
    if row.column == "water_m3_year" and units == "us":  # not in thousands: the label says a year
        return amount_text("water_l", value * LITRES_PER_M3, units)
    return amount_text(row.column, value, units).removesuffix("/year")


def _change_text(row: _Row, value: float, change: float) -> str:
    """The difference with its sign: in per cent of what is there, or as it is."""
    if row.is_share:
        return share_of_before(value - change, change)
    return signed(change, "", decimals=3)
