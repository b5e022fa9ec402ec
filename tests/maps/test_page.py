"""Text on a page: lines that fit, whatever their letters and weight."""

from __future__ import annotations

import gc
import weakref
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from geoirrig.maps.page import blank_page, save_page, wrapped, write_paragraph

FINDING = (
    "7,965 of 10,000 parcels are eligible. The budget of USD 100,000 funds 988 of them: 176,189 m³ "
    "(46,544 thousand US gal) of water a year for USD 100,000.00 in rebates."
)


@pytest.mark.parametrize("weight", ["normal", "bold"])
@pytest.mark.parametrize("text", [FINDING, "WWWW MMMM " * 40, "il.,ii ll' " * 60])
def test_write_paragraph_keeps_within_its_width(text: str, weight: str) -> None:
    page = blank_page(1000, 700)
    below = write_paragraph(page, 100.0, 680.0, text, width_px=600.0, size_pt=9.5, weight=weight)
    canvas = page.figure.canvas
    assert isinstance(canvas, FigureCanvasAgg)
    canvas.draw()
    ink = np.flatnonzero((np.asarray(canvas.buffer_rgba())[..., 0] < 200).any(axis=0))
    assert ink.min() >= 99
    assert 580 < ink.max() <= 701  # nor are the lines much shorter than they may be
    assert below > 0.0


def test_wrapped_breaks_between_words_and_loses_none() -> None:
    lines = wrapped(FINDING, width_px=500.0, size_pt=9.5, weight="bold")
    assert " ".join(lines) == FINDING
    assert len(lines) > 2
    assert wrapped("", width_px=100.0, size_pt=8.0) == []


def test_wrapped_word_that_is_longer_than_a_line_is_broken() -> None:
    lines = wrapped(f"of {'W' * 60} it", width_px=200.0, size_pt=9.5)
    assert "".join(lines).replace(" ", "") == f"of{'W' * 60}it"
    assert len(lines) > 4


def test_save_page_lets_go_of_what_is_large_at_once(tmp_path: Path) -> None:
    page = blank_page(200, 100)
    held = [
        weakref.ref(page.sheet.imshow(np.ones((10, 10)))),
        weakref.ref(page.figure.canvas),
    ]
    gc.disable()  # as the command line does
    try:
        save_page(page, tmp_path / "page.png", title="A page")
        del page
        assert [reference() for reference in held] == [None, None]
    finally:
        gc.enable()
