"""The optimum against brute force, against known lattices, and its proof in time."""

from __future__ import annotations

import time
from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.optimisation.limits import LayoutLimits
from geoirrig.optimisation.nozzle_choices import NozzleChoices, nozzle_choices
from geoirrig.optimisation.optimum import most_even_layout
from geoirrig.physics.radial_distribution import peak_to_mean_ratio
from tests.optimisation.made_up_choices import NO_LIMITS, enumerated, random_choices
from tests.surfaces.lattice import CONE, PARABOLOID, layout_of

SQUARE_M, CELLS = 6.0, 24
# Table of square lattices: spacing in per cent of the wetted diameter, low quarter in per cent
# (computed for this project by separate code, see tests/data/lattice_uniformity.md).
CONE_DU_LQ = {50: 95.0, 55: 95.6, 60: 84.7, 65: 70.8}
PARABOLOID_DU_LQ = {50: 85.9, 55: 86.7, 60: 89.7, 65: 80.4}


@pytest.mark.parametrize("seed", range(3))
def test_most_even_layout_four_heads_of_eight_choices_is_the_best_of_all(seed: int) -> None:
    choices = random_choices(seed, [8, 8, 8, 8], side=7)
    limits = replace(NO_LIMITS, flow_lpm=16.0, matched_rate_spread_pct=30.0)
    layouts = enumerated(choices, limits)
    assert len(layouts) > 100
    best = max(layouts.values())

    found = most_even_layout(choices, limits, choices.first[:-1], gap=1e-4, seconds=60.0)

    assert found.layout is not None
    assert found.bound is not None
    assert layouts[tuple(found.layout.tolist())] == pytest.approx(best, abs=1e-9)
    assert found.uniformity == pytest.approx(best, abs=1e-9)
    assert best <= found.bound
    assert found.gap <= 1e-4


def test_most_even_layout_adds_heads_only_where_that_helps() -> None:
    choices = random_choices(4, [3, 3, 4, 4], side=7, optional=2)
    nobody = choices.first[1:] - 1
    start = np.array([0, 3, nobody[2], nobody[3]])
    values = []
    for n in (0, 1, 2):
        limits = replace(NO_LIMITS, added_heads=n)
        best = max(enumerated(choices, limits).values())
        found = most_even_layout(choices, limits, start, gap=1e-4, seconds=60.0)
        assert found.layout is not None
        assert found.uniformity == pytest.approx(best, abs=1e-9)
        assert np.count_nonzero(choices.is_added[found.layout]) <= n
        assert found.gap <= 1e-4
        values.append(best)
    assert values[0] <= values[1] <= values[2]


def test_most_even_layout_without_any_layout_says_so() -> None:
    choices = random_choices(1, [3, 3])
    limits = replace(NO_LIMITS, flow_lpm=1.0)
    found = most_even_layout(choices, limits, choices.first[:-1], gap=1e-3, seconds=5.0)
    assert found.layout is None
    assert found.bound is None


def test_most_even_layout_out_of_time_still_bounds_and_is_not_worse() -> None:
    choices = random_choices(9, [9] * 8, side=16)
    layout = choices.first[:-1]
    before = most_even_layout(
        replace_with_one(choices, layout), NO_LIMITS, np.arange(8), gap=1e-3, seconds=5.0
    )
    start = time.monotonic()
    found = most_even_layout(choices, NO_LIMITS, layout, gap=1e-6, seconds=0.0)
    assert time.monotonic() - start < 10.0
    assert found.layout is not None
    assert found.bound is not None
    assert before.uniformity <= found.uniformity <= found.bound


def replace_with_one(choices: NozzleChoices, layout: np.ndarray) -> NozzleChoices:
    """The same heads with no choice left."""
    return replace(
        choices,
        rate_mm_h=choices.rate_mm_h[:, layout],
        first=np.arange(len(layout) + 1),
        flow_lpm=choices.flow_lpm[layout],
        overspray_lpm=choices.overspray_lpm[layout],
        own_rate_mm_h=choices.own_rate_mm_h[layout],
        is_added=choices.is_added[layout],
    )


# --- lattices: quarter heads in the corners of a square give the field of the endless lattice ----


def corner_choices(profile, percents, *, matched: bool) -> NozzleChoices:
    """Quarter heads in the corners of a square, throwing 100/(2·percent) of its side."""
    corners = [(0.0, 0.0, 0.0), (0.0, 1.0, 90.0), (1.0, 1.0, 180.0), (1.0, 0.0, 270.0)]
    rows = [(x, y, bearing, p) for x, y, bearing in corners for p in percents]
    radius = np.array([SQUARE_M * 100.0 / (2.0 * p) for *_, p in rows])
    # peak of 30 mm/h under every head; matched no more where every nozzle has a peak of its own
    peak = 30.0 * np.array([1.0 if matched else 1.0 + 0.3 * percents.index(p) for *_, p in rows])
    flow = peak / peak_to_mean_ratio(profile) * np.pi * radius**2 / 4.0 / 60.0
    layout = layout_of(
        [SQUARE_M * x for x, *_ in rows],
        [SQUARE_M * y for _, y, *_ in rows],
        flow,
        profile=profile,
        arc_deg=90.0,
        start_bearing_deg=[bearing for _, _, bearing, _ in rows],
    )
    side = SQUARE_M / CELLS
    grid = RasterGrid(left_m=0.0, top_m=SQUARE_M, cell_size_m=side, n_rows=CELLS, n_cols=CELLS)
    everywhere = np.ones(grid.shape, dtype=bool)
    return nozzle_choices(
        replace(layout, radius_m=radius),
        len(percents) * np.arange(5),
        grid,
        is_scored=everywhere,
        on_turf=everywhere,
        may_be_left_out=np.zeros(4, dtype=bool),
    )


@pytest.mark.parametrize(("profile", "table"), [(CONE, CONE_DU_LQ), (PARABOLOID, PARABOLOID_DU_LQ)])
def test_most_even_lattice_is_that_of_the_table_where_all_heads_must_match(profile, table) -> None:
    # Own rates 30 % apart and a limit of 10 %: all four heads have to take the same nozzle, so that
    # the layouts allowed are the lattices of the table, and its best spacing is the answer.
    percents = list(table)
    choices = corner_choices(profile, percents, matched=False)
    limits = LayoutLimits(flow_lpm=np.inf, overspray_fraction=np.inf, matched_rate_spread_pct=10.0)
    start = choices.first[1:] - 1  # the widest spacing

    found = most_even_layout(choices, limits, start, gap=1e-4, seconds=60.0)

    assert found.layout is not None
    best = max(table, key=lambda percent: table[percent])
    assert [percents[c] for c in found.layout - choices.first[:-1]] == [best] * 4
    assert 100.0 * found.uniformity == pytest.approx(table[best], abs=0.5)  # 24 × 24 cells
    assert found.gap <= 1e-4


def test_most_even_lattice_free_heads_are_no_less_even_than_the_table() -> None:
    percents = list(CONE_DU_LQ)
    choices = corner_choices(CONE, percents, matched=True)
    limits = replace(NO_LIMITS, dry_cells=0)
    layouts = enumerated(choices, limits)
    assert len(layouts) == len(list(product(percents, repeat=4)))
    found = most_even_layout(choices, limits, choices.first[:-1], gap=1e-4, seconds=60.0)
    assert found.uniformity == pytest.approx(max(layouts.values()), abs=1e-9)
    assert 100.0 * found.uniformity >= max(CONE_DU_LQ.values()) - 0.5
