"""What stands beside a map: legend, scale bar, north arrow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle

from geoirrig.maps.page import (
    INK,
    QUIET_INK,
    Page,
    line_height_px,
    write_paragraph,
    write_text,
)
from geoirrig.symbology import ClassScale
from geoirrig.units import METRES_PER_FOOT, UnitSystem

_SWATCH_WIDTH_PX, _SWATCH_HEIGHT_PX = 40.0, 25.0
_SCALE_BAR_HEIGHT_PX = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LegendEntry:
    """A symbol of the map and what it stands for."""

    label: str
    marker: str = ""  # of a point; empty: an area
    patch: dict[str, Any] = field(default_factory=dict)  # how an area is drawn
    colour: str = INK  # of a point


def scale_bar_length(longest_m: float, units: UnitSystem) -> tuple[float, str]:
    """The longest round length that fits: 1, 2 or 5 times a power of ten, in m or ft.

    Parameters
    ----------
    longest_m : float
        Ground length of the space there is, > 0. [m]
    units : {"si", "us"}
        Whether the length is round in metres or in feet.

    Returns
    -------
    tuple of float and str
        The length and how it is printed. [m]

    Examples
    --------
    >>> scale_bar_length(33.0, "si")
    (20.0, '20 m')
    >>> length_m, label = scale_bar_length(33.0, "us")  # 33 m is 108.3 ft
    >>> round(length_m, 4), label
    (30.48, '100 ft')
    """
    metres_per_unit, name = (METRES_PER_FOOT, "ft") if units == "us" else (1.0, "m")
    longest = longest_m / metres_per_unit
    power = 10.0 ** math.floor(math.log10(longest))
    # A length that equals the space must not fail to fit by a rounding error.
    step = max(step for step in (1.0, 2.0, 5.0) if step * power <= longest * (1.0 + 1e-9))
    return step * power * metres_per_unit, f"{step * power:g} {name}"


def draw_scale_bar(
    page: Page,
    *,
    left_px: float,
    bottom_px: float,
    metres_per_pixel: float,
    longest_px: float,
    units: UnitSystem,
) -> None:
    """Draw a bar of two halves, dark and light, as long on the page as its label says."""
    length_m, label = scale_bar_length(longest_px * metres_per_pixel, units)
    length_px = length_m / metres_per_pixel
    for start, colour in ((0.0, INK), (0.5, "white")):
        page.sheet.add_patch(
            Rectangle(
                (left_px + start * length_px, bottom_px),
                0.5 * length_px,
                _SCALE_BAR_HEIGHT_PX,
                facecolor=colour,
                edgecolor=INK,
                linewidth=0.8,
            )
        )
    top_px = bottom_px + _SCALE_BAR_HEIGHT_PX + line_height_px(8.0)
    write_text(page, left_px, top_px, "0", size_pt=8.0, horizontalalignment="center")
    write_text(page, left_px + length_px, top_px, label, size_pt=8.0, horizontalalignment="center")


def draw_north_arrow(page: Page, *, centre_px: float, top_px: float) -> None:
    """Draw an arrow to grid north, which is up."""
    half_width, height = 13.0, 52.0
    tip, foot = (centre_px, top_px), top_px - height
    notch = (centre_px, foot + 12.0)
    for side, colour in ((-1.0, INK), (1.0, "white")):
        corner = (centre_px + side * half_width, foot)
        page.sheet.add_patch(
            Polygon([tip, corner, notch], facecolor=colour, edgecolor=INK, linewidth=0.9)
        )
    write_text(
        page, centre_px, foot - 6.0, "N", size_pt=11, weight="bold", horizontalalignment="center"
    )
    write_text(
        page,
        centre_px,
        foot - 38.0,
        "grid north",
        size_pt=7.5,
        color=QUIET_INK,
        horizontalalignment="center",
    )


def draw_legend(
    page: Page,
    scale: ClassScale,
    entries: Sequence[LegendEntry],
    *,
    left_px: float,
    top_px: float,
    width_px: float,
    units: UnitSystem,
) -> float:
    """Draw the classes, most water or risk on top, then the symbols; return the next top."""
    top = write_paragraph(
        page, left_px, top_px, scale.heading(units), width_px=width_px, size_pt=9.5, weight="bold"
    )
    top -= 8.0
    for step in reversed(scale.classes(units)):
        _draw_area(page, left_px, top, {"facecolor": step.colour, "edgecolor": "#ffffff"})
        write_text(page, left_px + 54.0, top - 2.0, step.label, size_pt=8.5)
        top -= _SWATCH_HEIGHT_PX
    return draw_symbols(page, entries, left_px=left_px, top_px=top - 20.0, width_px=width_px)


def draw_symbols(
    page: Page, entries: Sequence[LegendEntry], *, left_px: float, top_px: float, width_px: float
) -> float:
    """Draw symbols with what they stand for, one below the other; return the next top."""
    top = top_px
    for entry in entries:
        if entry.marker:
            _draw_point(page, left_px, top, entry)
        else:
            _draw_area(page, left_px, top - 2.0, entry.patch)
        top = write_paragraph(
            page, left_px + 54.0, top - 2.0, entry.label, width_px=width_px - 54.0, size_pt=8.5
        )
        top -= 6.0
    return top


def _draw_area(page: Page, left_px: float, top_px: float, patch: dict[str, Any]) -> None:
    page.sheet.add_patch(
        Rectangle(
            (left_px, top_px - _SWATCH_HEIGHT_PX + 1.0),
            _SWATCH_WIDTH_PX,
            _SWATCH_HEIGHT_PX - 1.0,
            **patch,
        )
    )


def _draw_point(page: Page, left_px: float, top_px: float, entry: LegendEntry) -> None:
    page.sheet.add_line(
        Line2D(
            [left_px + 0.5 * _SWATCH_WIDTH_PX],
            [top_px - 0.55 * _SWATCH_HEIGHT_PX],
            linestyle="none",
            marker=entry.marker,
            markersize=7.0,
            markerfacecolor=entry.colour,
            markeredgecolor="white",
            markeredgewidth=0.7,
        )
    )
