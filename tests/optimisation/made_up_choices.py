"""Small choices of nozzles made of random columns, and every layout of them enumerated."""

from __future__ import annotations

from itertools import product

import numpy as np
from scipy.sparse import csc_array

from geoirrig.optimisation.limits import LayoutLimits
from geoirrig.optimisation.nozzle_choices import NozzleChoices, matched_rate_spread_pct
from geoirrig.physics.application_uniformity import low_quarter_uniformity
from geoirrig.records import IntArray

NO_LIMITS = LayoutLimits(
    flow_lpm=np.inf,
    overspray_fraction=np.inf,
    matched_rate_spread_pct=np.inf,
    added_heads=99,
    dry_cells=10**6,
)


def choices_of(
    rate: np.ndarray, n_choices: list[int], *, side: int, optional: int = 0, seed: int = 0
) -> NozzleChoices:
    """Choices from dense columns; the last ``optional`` heads end with "no head"."""
    rng = np.random.default_rng(seed)
    n = rate.shape[1]
    first = np.concatenate([[0], np.cumsum(n_choices)])
    flow, overspray = rng.uniform(2.0, 6.0, n), rng.uniform(0.0, 1.0, n)
    own = rng.uniform(30.0, 45.0, n)
    is_added = np.zeros(n, dtype=bool)
    for head in range(len(n_choices) - optional, len(n_choices)):
        is_added[first[head] : first[head + 1] - 1] = True
        last = first[head + 1] - 1
        rate[:, last], flow[last], overspray[last], own[last] = 0.0, 0.0, 0.0, 0.0
    cell = np.arange(rate.shape[0])
    return NozzleChoices(
        rate_mm_h=csc_array(rate),
        cell_row=cell // side,
        cell_col=cell % side,
        first=first,
        flow_lpm=flow,
        overspray_lpm=overspray,
        own_rate_mm_h=own,
        is_added=is_added,
    )


def random_choices(
    seed: int, n_choices: list[int], *, side: int = 6, optional: int = 0
) -> NozzleChoices:
    """Bumps of random place, width and height on a square of cells."""
    rng = np.random.default_rng(seed)
    row, col = np.divmod(np.arange(side * side), side)
    columns = []
    for n in n_choices:
        x, y = rng.uniform(0.0, side, 2)
        away = np.hypot(row - y, col - x)
        for width, height in zip(rng.uniform(2.0, side, n), rng.uniform(0.5, 2.0, n), strict=True):
            columns.append(height * np.clip(1.0 - away / width, 0.0, None))
    rate = np.array(columns).T
    return choices_of(rate, n_choices, side=side, optional=optional, seed=seed)


def keeps(layout: IntArray, choices: NozzleChoices, limits: LayoutLimits) -> bool:
    """The limits, each as its definition has it."""
    flow = choices.flow_lpm[layout].sum()
    return bool(
        flow <= limits.flow_lpm
        and choices.overspray_lpm[layout].sum() <= limits.overspray_fraction * flow
        and choices.is_added[layout].sum() <= limits.added_heads
        and matched_rate_spread_pct(choices.own_rate_mm_h[layout]) <= limits.matched_rate_spread_pct
        and np.count_nonzero(choices.rates(layout) <= 0.0) <= limits.dry_cells
    )


def enumerated(choices: NozzleChoices, limits: LayoutLimits) -> dict[tuple[int, ...], float]:
    """Uniformity of every layout that keeps the limits."""
    heads = [range(a, b) for a, b in zip(choices.first[:-1], choices.first[1:], strict=True)]
    found = {}
    for one in product(*heads):
        layout = np.array(one)
        rates = choices.rates(layout)
        if rates.sum() > 0.0 and keeps(layout, choices, limits):
            found[one] = low_quarter_uniformity(rates)
    return found
