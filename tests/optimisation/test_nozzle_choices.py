"""Candidates laid on the grid one by one: what adds up must be the superposition of the layout."""

from __future__ import annotations

import numpy as np
import pytest

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.optimisation.nozzle_choices import (
    matched_rate_spread_pct,
    nozzle_choices,
    without_unreached_cells,
)
from geoirrig.surfaces.precipitation_surface import precipitation_surface
from tests.surfaces.lattice import CONE, layout_of

GRID = RasterGrid(left_m=-5.0, top_m=15.0, cell_size_m=0.5, n_rows=40, n_cols=60)


def three_heads():
    return layout_of(
        [0.0, 5.0, 10.0], [2.0, 4.0, 1.0], np.array([6.0, 4.0, 5.0]), profile=CONE,
        arc_deg=[360.0, 180.0, 90.0], start_bearing_deg=[0.0, 30.0, 200.0],
    )  # fmt: skip


def turf() -> np.ndarray:
    on = np.zeros(GRID.shape, dtype=bool)
    on[10:30, 10:35] = True
    return on


def test_choices_of_a_layout_add_up_to_its_rates_and_its_overspray() -> None:
    layout, on = three_heads(), turf()
    choices = nozzle_choices(
        layout, np.arange(4), GRID, is_scored=on, on_turf=on,
        may_be_left_out=np.zeros(3, dtype=bool),
    )  # fmt: skip
    whole = precipitation_surface(layout, 1, GRID, on_turf=on)
    expected = whole.precipitation_rate_mm_h[on]
    assert choices.rates(np.arange(3)) == pytest.approx(expected, rel=1e-5, abs=1e-5)
    off = layout.flow_lpm * (1.0 - whole.head_on_target_fraction)
    assert choices.overspray_lpm == pytest.approx(off, abs=1e-9)
    # 5 L/min over a quarter of a circle of 5 m: 300/(25π/4) mm/h
    assert choices.own_rate_mm_h[2] == pytest.approx(300.0 / (25.0 * np.pi / 4.0))


def test_choices_of_a_place_end_with_no_head() -> None:
    layout, on = three_heads(), turf()
    choices = nozzle_choices(
        layout, np.array([0, 1, 3]), GRID, is_scored=on, on_turf=on,
        may_be_left_out=np.array([False, True]),
    )  # fmt: skip
    assert choices.first.tolist() == [0, 1, 4]
    assert choices.head.tolist() == [0, 1, 1, 1]
    assert choices.is_added.tolist() == [False, True, True, False]
    assert choices.flow_lpm.tolist() == [6.0, 4.0, 5.0, 0.0]
    assert np.all(choices.rates(np.array([3])) == 0.0)
    whole = precipitation_surface(layout, 1, GRID, on_turf=on).precipitation_rate_mm_h[on]
    assert choices.rates(np.array([0, 1, 2])) == pytest.approx(whole, rel=1e-5, abs=1e-5)


def test_unreached_cells_are_left_out_and_no_others() -> None:
    layout, everywhere = three_heads(), np.ones(GRID.shape, dtype=bool)
    choices = nozzle_choices(
        layout, np.arange(4), GRID, is_scored=everywhere, on_turf=everywhere,
        may_be_left_out=np.zeros(3, dtype=bool),
    )  # fmt: skip
    reached = without_unreached_cells(choices)
    rates = choices.rates(np.arange(3))
    assert reached.rates(np.arange(3)).tolist() == rates[rates > 0.0].tolist()
    assert len(reached.cell_row) == len(reached.cell_col) == np.count_nonzero(rates > 0.0)


def test_matched_rate_spread_counts_the_heads_there_are() -> None:
    assert matched_rate_spread_pct(np.array([30.0, 0.0, 33.0])) == pytest.approx(100.0 / 10.5)
    assert matched_rate_spread_pct(np.zeros(2)) == 0.0
