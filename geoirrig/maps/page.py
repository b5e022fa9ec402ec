"""The page that a map lies on: one figure measured in pixels, and text drawn as it is written."""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties

from geoirrig import __version__

# Landscape, between the proportions of A4 and Letter, so that it prints well on either.
PAGE_WIDTH_PX, PAGE_HEIGHT_PX = 1600, 1131
PIXELS_PER_INCH = 144.0
_FONT = "DejaVu Sans"
INK = "#23282b"
QUIET_INK = "#5b6366"
# Settings of the user's own plots must not reach the map: with usetex, text would be run as TeX.
PLOT_SETTINGS: dict[Any, Any] = {
    "text.usetex": False,
    "font.family": [_FONT],
    "font.size": 8.5,
    "path.effects": [],
    "axes.unicode_minus": True,
}
_MEASURE: Any = RendererAgg(1, 1, PIXELS_PER_INCH)  # type: ignore[no-untyped-call]


@dataclass(frozen=True, slots=True)
class Page:
    """A figure with axes that cover it, whose coordinates are pixels from the lower left."""

    figure: Figure
    sheet: Axes


def blank_page(width_px: float = PAGE_WIDTH_PX, height_px: float = PAGE_HEIGHT_PX) -> Page:
    """A white page."""
    figure = Figure(
        figsize=(width_px / PIXELS_PER_INCH, height_px / PIXELS_PER_INCH),
        dpi=PIXELS_PER_INCH,
        facecolor="white",
    )
    FigureCanvasAgg(figure)
    sheet = figure.add_axes((0.0, 0.0, 1.0, 1.0), zorder=5)
    sheet.set_xlim(0.0, width_px)
    sheet.set_ylim(0.0, height_px)
    sheet.set_axis_off()
    sheet.patch.set_visible(False)
    return Page(figure, sheet)


def save_page(page: Page, path: Path, *, title: str) -> None:
    """Write the page as PNG, and empty it: its parts refer to each other, and would stay."""
    with boxes_for_missing_letters():
        page.figure.savefig(
            path,
            format="png",
            dpi=PIXELS_PER_INCH,
            metadata={"Software": f"geoirrig {__version__}", "Title": title},
            pil_kwargs={"compress_level": 4},
        )
    page.figure.clear()
    FigureCanvasAgg(page.figure)  # the one before holds the pixels


def write_text(
    page: Page,
    x_px: float,
    top_px: float,
    text: str,
    *,
    size_pt: float = 8.5,
    **style: Any,
) -> None:
    """Write text below ``top_px``, as it stands: a dollar sign starts no formula."""
    page.sheet.text(
        x_px,
        top_px,
        text,
        fontsize=size_pt,
        verticalalignment="top",
        parse_math=False,
        **{"color": INK, **style},
    )


def write_paragraph(
    page: Page,
    x_px: float,
    top_px: float,
    text: str,
    *,
    width_px: float,
    size_pt: float = 8.5,
    at_most: int = 99,
    **style: Any,
) -> float:
    """Write text in lines of a given width; return the height left below, as the next top.

    Of more than ``at_most`` lines, the last one shown ends with an ellipsis.
    """
    weight = style.get("weight", "normal")
    lines = wrapped(text, width_px=width_px, size_pt=size_pt, weight=weight)
    if len(lines) > at_most:
        lines = [*lines[: at_most - 1], lines[at_most - 1].rstrip(" .;,") + " …"]
    for number, line in enumerate(lines):
        top = top_px - number * line_height_px(size_pt)
        write_text(page, x_px, top, line, size_pt=size_pt, **style)
    return top_px - len(lines) * line_height_px(size_pt)


def wrapped(text: str, *, width_px: float, size_pt: float, weight: str = "normal") -> list[str]:
    """Lines of text that fit a width, broken between words; a longer word is broken too."""
    lines: list[str] = []
    line, used_px, space_px = "", 0.0, _advance_px(" ", size_pt, weight)
    for word in text.split():
        word_px = _advance_px(word, size_pt, weight)
        if line and used_px + space_px + word_px <= width_px:
            line, used_px = f"{line} {word}", used_px + space_px + word_px
            continue
        *parts, rest = textwrap.wrap(word, max(1, int(len(word) * min(1.0, width_px / word_px))))
        lines += [line, *parts] if line else parts
        line, used_px = rest, _advance_px(rest, size_pt, weight)
    return [*lines, line] if line else lines


@lru_cache(maxsize=10_000)
def _advance_px(word: str, size_pt: float, weight: str) -> float:
    """How much farther the next letter stands: what is measured ends with the ink of a letter."""
    font = FontProperties(family=_FONT, size=size_pt, weight=weight)
    with boxes_for_missing_letters():
        between, around = (
            _MEASURE.get_text_width_height_descent(measured, font, ismath=False)[0]
            for measured in ("||", f"|{word}|")
        )
    return float(around - between)


@contextmanager
def boxes_for_missing_letters() -> Iterator[None]:
    """Ids may hold letters that the font lacks; they come out as boxes, and that is all."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from")
        yield


def line_height_px(size_pt: float) -> float:
    """Distance from one line to the next."""
    return size_pt / 72.0 * PIXELS_PER_INCH * 1.4


def shown_id(value: object, *, longest: int = 24) -> str:
    """An id of the user as one short line, with nothing in it that does not print."""
    text = "".join(letter if letter.isprintable() else " " for letter in str(value))
    text = " ".join(text.split())
    return text if len(text) <= longest else text[: longest - 1] + "…"
