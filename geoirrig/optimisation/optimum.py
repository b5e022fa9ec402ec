"""The most even layout of a zone, with a proven bound on how even any other could be.

A local search finds the layout. The bound is the lowest of three: mixtures of choices
(`relaxed_layout`, at once), regions of the turf (`layout_bound`, most of the time) and, where these
are stuck above a layout that the search may have missed, an integer programme (`layout_above`).
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from geoirrig.optimisation.bound import layout_bound
from geoirrig.optimisation.integer_programme import block_groups, layout_above, relaxed_layout
from geoirrig.optimisation.limits import LayoutLimits
from geoirrig.optimisation.nozzle_choices import NozzleChoices
from geoirrig.optimisation.search import (
    columns_of,
    near_layouts,
    searched_layout,
    uniformity_of,
)
from geoirrig.optimisation.search_kernels import Columns
from geoirrig.records import IntArray

# Judgement, tried on zones of 4 to 30 heads: the first takes a second or a few.
RELAXED_ENTRIES, EXACT_GROUPS = 5_000_000, 600  # entries: groups times choices
PRICED_FIRST, PRICED_LATER = 80, 20
SEARCH_SHARE = 0.1  # of the time, before the proof begins
GOAL_SHARE = 0.9  # of the gap allowed: what is proven first, with room for slack
# Of the way from the best layout to the bound: what lies far above is soon ruled out, and that
# stands when time runs out on the rest.
STEPS_DOWN = (0.4,)


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutOptimum:
    """Best layout found, and what no layout can beat.

    Attributes
    ----------
    layout : ndarray of int, shape (n_heads,), or None
        A choice of each head; None where no layout was found that keeps the limits.
    uniformity : float
        Low-quarter uniformity of the layout on the scored cells; NaN without one. [1]
    bound : float or None
        No layout that keeps the limits has a higher one; None where no layout keeps them. [1]
    """

    layout: IntArray | None
    uniformity: float
    bound: float | None

    @property
    def gap(self) -> float:
        """How much better than the layout a layout could be at most: bound over it, less 1."""
        return np.nan if self.bound is None else max(0.0, self.bound / self.uniformity - 1.0)


def most_even_layout(
    choices: NozzleChoices,
    limits: LayoutLimits,
    start: IntArray,
    *,
    gap: float,
    seconds: float,
) -> LayoutOptimum:
    """Search for an even layout and prove how far from the best it is.

    Parameters
    ----------
    choices : NozzleChoices
        Choices of every head.
    limits : LayoutLimits
        What the layout has to keep.
    start : ndarray of int, shape (n_heads,)
        Layout to begin with; the result is not less even, if this one keeps the limits.
    gap : float
        Relative gap between layout and bound at which to stop, > 0. [1]
    seconds : float
        Time after which to stop, with the best layout and bound so far; what is running then
        (a linear programme at most) is brought to its end.
    """
    begun = time.monotonic()
    until = begun + seconds
    columns = columns_of(choices, limits)
    relaxed = relaxed_layout(
        choices,
        limits,
        block_groups(choices, at_most=max(EXACT_GROUPS, RELAXED_ENTRIES // len(choices.flow_lpm))),
    )
    if relaxed.bound is None:
        return LayoutOptimum(layout=None, uniformity=np.nan, bound=None)
    layout, value = searched_layout(
        columns, start, mixture=relaxed.mixture, until=begun + SEARCH_SHARE * seconds
    )
    bound = relaxed.bound
    if value > 0.0:
        goal = value * (1.0 + GOAL_SHARE * gap)
        bound = layout_bound(choices, limits, goal=goal, bound=bound, until=until)
    return _proven(choices, limits, columns, (layout, value, bound), gap=gap, until=until)


def _proven(
    choices: NozzleChoices,
    limits: LayoutLimits,
    columns: Columns,
    so_far: tuple[IntArray, float, float],
    *,
    gap: float,
    until: float,
) -> LayoutOptimum:
    """Ask for better layouts until there is none, or time runs out."""
    layout, value, bound = so_far
    group = block_groups(choices, at_most=EXACT_GROUPS)
    priced = [layout, *near_layouts(layout, columns, at_most=PRICED_FIRST)]
    steps = list(STEPS_DOWN) if value >= 0.0 else []
    while bound > max(value, 0.0) * (1.0 + gap) and time.monotonic() < until:
        step = steps[0] if steps else 0.0
        answer = layout_above(
            choices,
            limits,
            group,
            target=max(value * (1.0 + GOAL_SHARE * gap), value + step * (bound - value), 0.0),
            priced=priced if value >= 0.0 else (),
            seconds=until - time.monotonic(),
        )
        if answer.bound is not None:
            bound = min(bound, max(answer.bound, value))
        if answer.layout is None:
            if answer.bound is not None and value < 0.0:
                return LayoutOptimum(layout=None, uniformity=np.nan, bound=None)
            if answer.bound is None or not steps:
                break
            steps = steps[1:]
            continue
        found = answer.layout.copy()
        better, better_value = searched_layout(columns, found, until=-np.inf)
        priced += [found, better, *near_layouts(found, columns, at_most=PRICED_LATER)]
        if better_value > value:
            layout, value = better, better_value
    if value < 0.0:
        return LayoutOptimum(layout=None, uniformity=np.nan, bound=bound)
    return LayoutOptimum(layout=layout, uniformity=uniformity_of(layout, columns), bound=bound)
