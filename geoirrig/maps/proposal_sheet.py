"""A layout as it stands and as proposed: two maps, and below them what the change does."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
import numpy as np
from numpy.typing import NDArray

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.maps.map_sheet import SheetText, about_map, amount_text, write_sheet_text
from geoirrig.maps.page import PLOT_SETTINGS, blank_page, save_page, shown_id
from geoirrig.maps.side_by_side import (
    LayoutPanel,
    NumberLine,
    draw_side_by_side,
    share_of_before,
    signed,
)
from geoirrig.records import SiteInputs, SprinklerLayout
from geoirrig.units import PERCENT, FloatArray, UnitSystem

SHEET_NAME = "proposal.png"
_TITLE = "A better layout, and the best there can be"
_CAPTION = (
    "Colour: highest rate that any one zone gives the spot. Below the maps: evenness as a mean "
    "over the turf that zones serve, flow and runoff as sums over the zones, runoff of one event; "
    "then the zones that are least even today. At most: proven bound on what is tried."
)
_ZONES_SHOWN = 6
_COLUMNS_AT = (0.6, 0.8, 1.0)  # value, change, bound
_HEADINGS = ("", "change", "at most")


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposalPanel:
    """A layout as it is drawn, and what it is measured by.

    Attributes
    ----------
    rate_mm_h : ndarray, shape (n_rows, n_cols)
        Rate of each cell's main zone. [mm/h]
    layout : SprinklerLayout
        Heads.
    totals : mapping of str to float
        ``du_lq``, ``flow_lpm``, ``overspray_fraction`` and ``runoff_l`` of the whole site.
    du_lq : ndarray, shape (n_zones,)
        Of every zone; NaN where it serves no turf.
    """

    rate_mm_h: NDArray[np.float32]
    layout: SprinklerLayout
    totals: Mapping[str, float]
    du_lq: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposalPicture:
    """The two layouts, and what tells them apart.

    Attributes
    ----------
    grid : RasterGrid
        Of both.
    before, after : ProposalPanel
        The layout as it stands and as proposed; heads of the first keep their rows.
    changed, added : ndarray of bool, shape (n_heads,)
        Heads of the proposal to refit, and to add.
    du_lq_bound : ndarray, shape (n_zones,)
        Proven of every zone; NaN where it was not worked.
    """

    grid: RasterGrid
    before: ProposalPanel
    after: ProposalPanel
    changed: NDArray[np.bool_]
    added: NDArray[np.bool_]
    du_lq_bound: FloatArray


def draw_proposal(
    folder: Path,
    inputs: SiteInputs,
    picture: ProposalPicture,
    *,
    finding: str,
    cautions: Sequence[str],
    units: UnitSystem,
) -> None:
    """Draw ``proposal.png``.

    Parameters
    ----------
    folder : Path
        Folder to write into.
    inputs : SiteInputs
        Turf, hardscape, zones, site name and CRS.
    picture : ProposalPicture
        What is drawn.
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
        about=about_map(inputs, picture.grid, units),
    )
    zones = inputs.zone_plan.zone
    panels = [
        LayoutPanel(
            name=name,
            grid=picture.grid,
            rate_mm_h=panel.rate_mm_h,
            layout=panel.layout,
            changed=picture.changed[: len(panel.layout.head_id)],
            added=picture.added[: len(panel.layout.head_id)],
            lines=lines,
        )
        for name, panel, lines in (
            ("As it stands", picture.before, _lines_before(picture, zones, units)),
            ("As proposed", picture.after, _lines_after(picture, zones, units)),
        )
    ]
    with mpl.rc_context(PLOT_SETTINGS):
        page = blank_page()
        draw_side_by_side(
            page,
            inputs,
            panels,
            columns_at=_COLUMNS_AT,
            changed_label="head to refit",
            units=units,
        )
        write_sheet_text(page, text)
        save_page(page, folder / SHEET_NAME, title=_TITLE)


# --- numbers -------------------------------------------------------------------------------------

_TOTALS = {
    "du_lq": "DU, low quarter",
    "flow_lpm": "Flow of all heads",
    "overspray_fraction": "Off the turf",
    "runoff_l": "Runoff an event",
}


def _lines_before(
    picture: ProposalPicture, zones: Sequence[str], units: UnitSystem
) -> list[NumberLine]:
    values = [
        (label, _value_text(column, picture.before.totals[column], units))
        for column, label in _TOTALS.items()
    ]
    values += [
        (_zone_label(zones[zone]), _du_text(picture.before.du_lq[zone]))
        for zone in _least_even(picture)
    ]
    return [NumberLine(label="", numbers=("", "", ""))] + [
        NumberLine(label=label, numbers=(value, "", "")) for label, value in values
    ]


def _lines_after(
    picture: ProposalPicture, zones: Sequence[str], units: UnitSystem
) -> list[NumberLine]:
    before, after = picture.before, picture.after
    lines = [NumberLine(label="", numbers=_HEADINGS)]
    for column, label in _TOTALS.items():
        value, change = after.totals[column], after.totals[column] - before.totals[column]
        numbers = (_value_text(column, value, units), _change_text(column, value, change), "")
        lines.append(NumberLine(label=label, numbers=numbers))
    for zone in _least_even(picture):
        change = float(after.du_lq[zone] - before.du_lq[zone])
        numbers = (
            _du_text(after.du_lq[zone]),
            signed(change, "", decimals=3),
            bound_text(picture.du_lq_bound[zone]),
        )
        lines.append(NumberLine(label=_zone_label(zones[zone]), numbers=numbers))
    return lines


def _least_even(picture: ProposalPicture) -> list[int]:
    """Zones that water turf, the least even today first."""
    order = np.argsort(picture.before.du_lq, kind="stable")  # NaN comes last
    worked = np.isfinite(picture.before.du_lq[order])
    return [int(zone) for zone in order[worked][:_ZONES_SHOWN]]


def _zone_label(zone: str) -> str:
    return f"DU, zone {shown_id(zone, longest=16)}"


def bound_text(value: float) -> str:
    """A bound to three decimals, rounded up: rounded down it would not be proven.

    Examples
    --------
    >>> bound_text(0.86512)
    '0.866'
    """
    return _du_text(math.ceil(1000.0 * value) / 1000.0) if math.isfinite(value) else "–"


def _du_text(value: float) -> str:
    return f"{value:.3f}" if math.isfinite(value) else "–"


def _value_text(column: str, value: float, units: UnitSystem) -> str:
    if column == "du_lq":
        return _du_text(value)
    if column == "overspray_fraction":
        return f"{PERCENT * value:.1f} %"
    return amount_text(column, value, units)


def _change_text(column: str, value: float, change: float) -> str:
    """With its sign: evenness as it is, a share of the flow in points, all else in per cent."""
    if column == "du_lq":
        return signed(change, "", decimals=3)
    if column == "overspray_fraction":
        return signed(PERCENT * change, " points")
    return share_of_before(value - change, change)
