"""What a layout has to keep, as a check and as rows of a linear programme."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from geoirrig.optimisation.nozzle_choices import NozzleChoices
from geoirrig.units import PERCENT, FloatArray

_ROUNDING = 1e-9  # of a limit: a sum of flows that is over it by less keeps it
LIMIT_WORDS: Mapping[str, str] = {
    "flow_lpm": "flow of the zone",
    "overspray_fraction": "overspray",
    "added_heads": "number of added heads",
    "matched_rate_spread_pct": "spread of the heads' own rates",
}
_NOTHING = 1e-6  # a raise of a limit that is within what the solver leaves


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutLimits:
    """What a layout of a zone has to keep; infinite where there is no limit.

    Attributes
    ----------
    flow_lpm : float
        Most flow of the zone. [L/min]
    overspray_fraction : float
        Most of the zone's flow that may land off the turf. [1]
    matched_rate_spread_pct : float
        Most spread of the heads' own rates: highest less lowest, over their mean. [%]
    added_heads : int
        Most heads that may be added.
    dry_cells : int
        Most scored cells that may stay without water.
    """

    flow_lpm: float
    overspray_fraction: float
    matched_rate_spread_pct: float
    added_heads: int = 0
    dry_cells: int = 0

    def linear(self, choices: NozzleChoices) -> tuple[tuple[str, ...], FloatArray, FloatArray]:
        """Names, rows (n, n_choices) and right sides of the limits that are linear in the choices.

        Rows are scaled to entries around 1. The overspray of a layout is a ratio; that it keeps
        its limit L is Σ(overspray − L·flow) ≤ 0.
        """
        typical = float(np.max(choices.flow_lpm, initial=1e-9))
        named = {}
        if np.isfinite(self.flow_lpm):
            named["flow_lpm"] = (choices.flow_lpm / typical, self.flow_lpm / typical)
        if np.isfinite(self.overspray_fraction):
            excess = choices.overspray_lpm - self.overspray_fraction * choices.flow_lpm
            named["overspray_fraction"] = (excess / typical, 0.0)
        if np.any(choices.is_added):
            named["added_heads"] = (choices.is_added.astype(np.float64), float(self.added_heads))
        rows = np.array([row for row, _ in named.values()]).reshape(-1, len(choices.flow_lpm))
        most = np.array([limit for _, limit in named.values()])
        return tuple(named), rows, most + _ROUNDING * np.maximum(1.0, np.abs(most))


def limit_rows_of(choices: NozzleChoices, limits: LayoutLimits) -> tuple[Any, FloatArray]:
    """Limits over choices, lowest and highest own rate; the row on the spread itself is last.

    Where heads may be left out, the spread is held against the highest own rate instead of the
    mean, which is no tighter.
    """
    _, linear, most = limits.linear(choices)
    n = len(choices.flow_lpm)
    blocks = [wide([sparse.csr_array(linear)], n + 2)] if len(most) else []
    if np.isfinite(limits.matched_rate_spread_pct):
        own = choices.own_rate_mm_h / np.max(choices.own_rate_mm_h, initial=1e-9)
        n_heads, spread = len(choices.first) - 1, limits.matched_rate_spread_pct / PERCENT
        no_head = np.where(own > 0.0, own, 1.0)  # a head that is not there is not the lowest
        one = sparse.csr_array(np.ones((n_heads, 1)))
        itself = np.zeros((1, n + 2))
        itself[0, n:] = -1.0, 1.0
        if np.any(choices.is_added):
            itself[0, n + 1] -= spread
        else:
            itself[0, :n] = -spread * own / n_heads
        blocks += [
            sparse.hstack([-one_each(choices, no_head), one, zeros(n_heads, 1)]),
            sparse.hstack([one_each(choices, own), zeros(n_heads, 1), -one]),
            sparse.csr_array(itself),
        ]
        most = np.concatenate([most, np.zeros(2 * n_heads), [1e-9]])
    rows = sparse.vstack(blocks).tocsr() if blocks else zeros(0, n + 2)
    return rows, most


def can_be_kept(choices: NozzleChoices, limits: LayoutLimits) -> NDArray[np.bool_]:
    """Choices that some layout with the linear limits can hold."""
    _, rows, most = limits.linear(choices)
    return kept_among(np.ones(len(choices.flow_lpm), dtype=bool), choices, rows, most)


def kept_among(
    possible: NDArray[np.bool_], choices: NozzleChoices, rows: FloatArray, most: FloatArray
) -> NDArray[np.bool_]:
    """Choices, of those possible, that layouts of these can hold which keep each row of limits."""
    kept = possible.copy()
    for row, limit in zip(rows, most, strict=True):
        least = np.minimum.reduceat(np.where(kept, row, np.inf), choices.first[:-1])
        if not np.isfinite(least).all():
            return np.zeros_like(kept)
        kept &= row + least.sum() - least[choices.head] <= limit
    return kept


def binding_limits(choices: NozzleChoices, limits: LayoutLimits) -> dict[str, float]:
    """Limits that have to give way before any layout keeps them all, and by how much.

    Parameters
    ----------
    choices, limits
        Of a zone that no layout fits.

    Returns
    -------
    dict of str to float
        By the words for the limit, the least that it has to be raised, of its typical size, where
        the sum of these raises is least. Empty where a layout keeps the limits.
    """
    limit_rows, most = limit_rows_of(choices, limits)
    names, _, _ = limits.linear(choices)
    n, n_rows = len(choices.flow_lpm), limit_rows.shape[0]
    words = [LIMIT_WORDS[name] for name in names]
    if n_rows > len(names):
        words.append(LIMIT_WORDS["matched_rate_spread_pct"])
    gives_way = sparse.lil_array((n_rows, len(words)))
    for row in range(len(names)):
        gives_way[row, row] = -1.0
    if n_rows > len(names):
        gives_way[n_rows - 1, len(names)] = -1.0  # the last row is that on the spread itself
    n_columns = n + 2 + len(words)
    rows = sparse.hstack([limit_rows, gives_way]).tocsr()
    found = milp(
        np.concatenate([np.zeros(n + 2), np.ones(len(words))]),
        constraints=[
            LinearConstraint(wide([one_each(choices, np.ones(n))], n_columns), 1.0, 1.0),
            LinearConstraint(rows, -np.inf, most),
        ],
        integrality=(np.arange(n_columns) < n).astype(np.int64),
        bounds=Bounds(0.0, np.inf),
    )
    if found.x is None:
        return {}
    given = found.x[n + 2 :]
    return {word: float(by) for word, by in zip(words, given, strict=True) if by > _NOTHING}


def one_each(choices: NozzleChoices, values: FloatArray) -> Any:
    """Values of the choices, each in the row of its head."""
    n = len(values)
    shape = (len(choices.first) - 1, n)
    return sparse.csr_array((values, (choices.head, np.arange(n))), shape=shape)


def wide(blocks: list[Any], n_columns: int) -> Any:
    """Blocks side by side, filled up with zeros to the right."""
    wide = sparse.hstack([sparse.csr_array(block) for block in blocks])
    return sparse.hstack([wide, zeros(wide.shape[0], n_columns - wide.shape[1])]).tocsr()


def zeros(n_rows: int, n_columns: int) -> Any:
    """A sparse block without any entry."""
    return sparse.csr_array((n_rows, n_columns))
