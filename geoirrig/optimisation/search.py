"""Local search for an even layout: good quickly, but without a proof of how good it could be."""

from __future__ import annotations

import time
from itertools import pairwise

import numpy as np

from geoirrig.optimisation.limits import LayoutLimits
from geoirrig.optimisation.nozzle_choices import NozzleChoices
from geoirrig.optimisation.search_kernels import (
    LEAST_GAIN,
    Columns,
    exchange_one,
    layout_value,
    neighbour_values,
)
from geoirrig.records import IntArray
from geoirrig.units import PERCENT, FloatArray

# Judgement, tried on zones of 4 to 30 heads: more found nothing better.
_DRAWS, _SHAKES = 20, 300
_MOST_SHAKEN = 4  # heads


def columns_of(choices: NozzleChoices, limits: LayoutLimits) -> Columns:
    """Choices and limits as the kernels want them."""
    _, rows, most = limits.linear(choices)
    rate = choices.rate_mm_h
    return Columns(
        start=rate.indptr.astype(np.int64),
        cell=rate.indices.astype(np.int64),
        rate=rate.data.astype(np.float64),
        first=choices.first.astype(np.int64),
        limit_rows=np.ascontiguousarray(rows),
        limit_most=most,
        own_rate=choices.own_rate_mm_h,
        spread=limits.matched_rate_spread_pct / PERCENT,
        dry_cells=limits.dry_cells,
        n_cells=rate.shape[0],
    )


def searched_layout(
    columns: Columns,
    start: IntArray,
    *,
    mixture: FloatArray | None = None,
    until: float = np.inf,
    seed: int = 5,
) -> tuple[IntArray, float]:
    """The most even layout that exchanges of single heads lead to, from many starts.

    Starts are the one given, some drawn from a mixture, and the best so far with a few heads
    shaken.

    Parameters
    ----------
    columns : Columns
        Choices and limits.
    start : ndarray of int, shape (n_heads,)
        A choice of each head; may break limits.
    mixture : ndarray, shape (n_choices,), optional
        Share of each choice, adding up to 1 over a head: more starts are drawn from it.
    until : float
        Value of `time.monotonic` at which to stop.
    seed : int
        Of the draws: the same arguments give the same layout, unless time runs out.

    Returns
    -------
    tuple of ndarray and float
        Layout and its uniformity; −1 where no layout was found that keeps the limits.
    """
    rng = np.random.default_rng(seed)
    best = start.astype(np.int64)
    value = exchange_one(best, columns)
    for turn in range(_DRAWS * (mixture is not None) + _SHAKES):
        if time.monotonic() > until:
            break
        if mixture is not None and turn < _DRAWS:
            other = _drawn(np.asarray(mixture), columns.first, rng)
        else:
            other = _shaken(best, columns.first, rng)
        found = exchange_one(other, columns)
        if found > value + LEAST_GAIN:
            best, value = other, found
    return best, value


def _drawn(mixture: FloatArray, first: IntArray, rng: np.random.Generator) -> IntArray:
    """A layout with each head's choice drawn by its shares."""
    drawn = first[:-1].copy()
    for head, (start, stop) in enumerate(pairwise(first.tolist())):
        rising = np.cumsum(np.clip(mixture[start:stop], 0.0, 1.0))
        place = int(np.searchsorted(rising, rng.random() * rising[-1], side="right"))
        drawn[head] = min(start + place, stop - 1)
    return drawn


def _shaken(layout: IntArray, first: IntArray, rng: np.random.Generator) -> IntArray:
    """A layout with a few heads at random."""
    shaken = layout.copy()
    few = int(rng.integers(2, _MOST_SHAKEN + 1))
    heads = rng.choice(len(layout), min(few, len(layout)), replace=False)
    shaken[heads] = rng.integers(first[heads], first[heads + 1])
    return shaken


def near_layouts(layout: IntArray, columns: Columns, *, at_most: int) -> list[IntArray]:
    """The most even layouts that differ from one in a single head, best first."""
    values = np.empty(len(columns.own_rate))
    neighbour_values(layout.copy(), columns, values)
    values[layout] = -1.0
    head = np.repeat(np.arange(len(layout)), np.diff(columns.first))
    found = []
    for choice in np.argsort(-values, kind="stable")[:at_most]:
        if values[choice] >= 0.0:
            other = layout.copy()
            other[head[choice]] = choice
            found.append(other)
    return found


def uniformity_of(layout: IntArray, columns: Columns) -> float:
    """Low-quarter uniformity of a layout; −1 where it breaks a limit."""
    return float(layout_value(layout, columns))
