"""A bound on the evenness of every layout from regions of the turf.

The lower quartile t of a layout's rates d lies in one of a few narrow ranges. For the layouts with
a ≤ t ≤ b, the low-quarter mean (`geoirrig.physics.low_quarter`)

    LQ = t − (4/n)·Σ (t − dᵢ) over dᵢ < t  ≤  b − (4/n)·Σ (b − dᵢ) over dᵢ < a.

Proof: leaving out the cells from a to t leaves out nothing negative; what remains rises with t, by
1 − (4/n)·(number of dᵢ < a), and at most a quarter of the cells is below the quartile. The right
side is a sum over cells, so over regions of the turf, each with few heads near it whose
combinations can all be looked at (`regions`). That the regions take the same choice of a
head, and that a layout keeps its linear limits, is priced: for any prices,

    max over layouts of LQ − θ·mean  ≤  b + Σ over regions of max (value + prices)
                                          + Σ over heads of max (−θ·mean − prices),

Lagrange's bound, here by dual decomposition [1]_ (limits add their price times what they leave).
A range whose bound is below 0 holds no layout with a uniformity of θ. Nor does such a layout have
a choice with which the bound is below 0: it is left out, which makes the tables smaller and the
next bound tighter. Prices begin with those of the linear programme and are passed between the
regions so that the bound never rises [2]_. A range that makes no headway is divided: by the
quartile while it is wide, then by the choices of one head.

References
----------
.. [1] Komodakis, N., Paragios, N. and Tziritas, G., 2007. MRF optimization via dual decomposition:
   message-passing revisited. International Conference on Computer Vision (from memory).
.. [2] Globerson, A. and Jaakkola, T., 2007. Fixing max-product: convergent message passing
   algorithms for MAP LP-relaxations. Neural Information Processing Systems (from memory).
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geoirrig.optimisation.limits import LayoutLimits
from geoirrig.optimisation.nozzle_choices import NozzleChoices
from geoirrig.optimisation.prices import (
    PricedZone,
    Prices,
    first_prices,
    improved_prices,
    joined_prices,
    mean_rate_range,
    priced_zone,
)
from geoirrig.optimisation.regions import nearest_heads_regions
from geoirrig.physics.application_uniformity import low_quarter_uniformity
from geoirrig.physics.low_quarter import LOW_FRACTION
from geoirrig.processors import processor_count, run_on_all_processors

# Judgement, tried on zones of 12 and 30 heads.
_WIDTH, _NARROW = 0.06, 0.016  # of a range of the quartile, of its rate
_FIRST_ENTRIES, _MOST_ENTRIES, _MORE = 5_000.0, 80_000.0, 4.0  # of a region's table
_AIM = 0.75  # of the way from the goal to the bound: choices are ruled out only by a high aim
_NEAR = 0.02  # from the goal to the bound: then the goal itself is the aim
_FEWER = 0.8  # of the choices left: then the tables are made anew
_LEAST_RATE = 1e-3  # of the lowest range, of the highest one
_MOST_PRICES = 2_000_000  # regions times choices: more is left to the programmes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Range:
    """Layouts of some choices whose lower quartile is between two rates; what is known of them.

    Attributes
    ----------
    low_mm_h, high_mm_h : float
        The rates.
    bound : float
        No layout has a higher uniformity.
    own : ndarray of bool, shape (n_choices,)
        Choices of these layouts.
    possible : ndarray of bool, shape (n_choices,)
        Those that a layout whose uniformity is the aim may have.
    most_entries : float
        Most entries of a region's table.
    aim : float or None
        That uniformity; None where it is to be set anew, and all choices are possible.
    prices, all_prices : Prices or None
        Latest ones, and those for all choices, before regions were joined; None at first.
    is_settled : bool
        Whether its bound is reached by a layout that keeps the linear limits.
    """

    low_mm_h: float
    high_mm_h: float
    bound: float
    own: NDArray[np.bool_]
    possible: NDArray[np.bool_]
    most_entries: float
    aim: float | None = None
    prices: Prices | None = None
    all_prices: Prices | None = None
    is_settled: bool = False


def layout_bound(
    choices: NozzleChoices,
    limits: LayoutLimits,
    *,
    goal: float,
    bound: float,
    until: float,
) -> float:
    """A tighter bound on the uniformity of every layout that keeps the limits.

    Parameters
    ----------
    choices, limits
        Of a zone. The limits on the spread of own rates and on dry cells are not used: the bound
        holds without them.
    goal : float
        Bound that is low enough, > 0. [1]
    bound : float
        Bound known so far. [1]
    until : float
        Value of `time.monotonic` at which to stop.

    Returns
    -------
    float
        From goal to bound, or bound itself where that is lower. [1]
    """
    region = nearest_heads_regions(choices)
    too_large = (int(region.max()) + 1) * len(choices.flow_lpm) > _MOST_PRICES
    if bound <= goal or too_large or time.monotonic() > until:
        return bound
    zone = priced_zone(choices, limits)
    means = mean_rate_range(zone, goal)
    if means is None:
        return goal
    # t ≥ LQ ≥ θ·mean, and mean ≥ ¾·t + ¼·LQ: three quarters of the cells have at least t.
    low, high = goal * means[0], means[1] * _quartile_over_mean(goal)
    if low < _LEAST_RATE * high:
        return bound  # layouts of hardly any water: too many ranges
    edges = np.geomspace(low, high, max(1, int(np.ceil(np.log(high / low) / _WIDTH))) + 1)
    ranges = [
        _Range(
            low_mm_h=float(a),
            high_mm_h=float(b),
            bound=bound,
            own=zone.possible,
            possible=zone.possible,
            most_entries=_FIRST_ENTRIES,
        )
        for a, b in pairwise(edges)
    ]
    return _Proof(zone, ranges, goal=goal, until=until).bound()


def _quartile_over_mean(uniformity: float) -> float:
    """Highest lower quartile over the mean of layouts with at least this uniformity."""
    return (1.0 - LOW_FRACTION * uniformity) / (1.0 - LOW_FRACTION)


class _Proof:
    """The ranges of a zone, worked on by all processors, that with the highest bound first."""

    def __init__(
        self, zone: PricedZone, ranges: list[_Range], *, goal: float, until: float
    ) -> None:
        self._zone, self._goal, self._until = zone, goal, until
        self._waiting, self._at_work = ranges, list[_Range]()
        self._reached = goal  # bound of what is not looked at any more
        self._changed = threading.Condition()

    def bound(self) -> float:
        """Highest bound of all ranges when time is over or nothing more can be gained."""
        run_on_all_processors(self._work, at_most=processor_count())
        return max([self._reached, *(one.bound for one in self._waiting)])

    def _work(self) -> None:
        while (one := self._taken()) is not None:
            parts = _looked_at(self._zone, one, goal=self._goal, until=self._until)
            with self._changed:
                self._at_work = [other for other in self._at_work if other is not one]
                for part in parts:
                    if part.is_settled:
                        self._reached = max(self._reached, part.bound)
                    else:
                        self._waiting.append(part)
                self._changed.notify_all()

    def _taken(self) -> _Range | None:
        """The next range to look at; None where work is over."""
        with self._changed:
            while time.monotonic() <= self._until:
                one = max(self._waiting, key=lambda one: one.bound, default=None)
                if one is not None and one.bound > self._reached:
                    self._waiting = [other for other in self._waiting if other is not one]
                    self._at_work.append(one)
                    return one
                if not self._at_work:
                    break
                self._changed.wait(0.1)
        return None


def _looked_at(zone: PricedZone, one: _Range, *, goal: float, until: float) -> list[_Range]:
    """What is known of a range after one more round, or of its parts."""
    prices, all_prices, is_first = one.prices, one.all_prices, one.prices is None
    aim = one.aim
    if aim is None:  # at first the goal: most ranges hold no such layout by far
        is_far = one.bound > goal + _NEAR and not is_first
        aim = goal + _AIM * (one.bound - goal) if is_far else goal
    one = replace(one, possible=zone.kept(one.possible))
    if not one.possible.any():
        return [_begun_again(one, bound=aim)]
    if prices is None:
        region = nearest_heads_regions(zone.choices)
        prices = first_prices(zone, region, threshold=one.low_mm_h, aim=aim)
    prices = joined_prices(zone, prices, one.possible, most_entries=one.most_entries)
    found = improved_prices(
        zone,
        prices,
        one.possible,
        quartile_mm_h=(one.low_mm_h, one.high_mm_h),
        aim=aim,
        most_entries=one.most_entries,
        until=until,
    )
    if all_prices is None or len(found.prices.of_choice) == len(all_prices.of_choice):
        all_prices = found.prices
    one = replace(one, all_prices=all_prices)
    if found.surplus_mm_h < 0.0:
        reached = aim
        if np.array_equal(one.possible, one.own) and np.isfinite(found.surplus_mm_h):
            # So much below 0 for all layouts; the mean of one that reaches the goal is at most:
            reached = max(goal, aim + found.surplus_mm_h / (one.high_mm_h / goal))
        return [_begun_again(one, bound=reached)]
    # LQ − θ·mean is at most the surplus; the mean of a layout that reaches θ is at least this.
    least_mean = one.low_mm_h / _quartile_over_mean(aim)
    bound = min(one.bound, aim + found.surplus_mm_h / least_mean)
    possible = zone.kept(found.possible)
    if not possible.any():
        return [_begun_again(one, bound=aim)]
    if np.count_nonzero(possible) == len(zone.choices.first) - 1:  # one layout: it is tried
        value = low_quarter_uniformity(zone.choices.rates(np.flatnonzero(possible)))
        return [replace(_begun_again(one, bound=max(aim, value)), is_settled=value > aim)]
    fewer = np.count_nonzero(possible) <= _FEWER * np.count_nonzero(one.possible)
    one = replace(
        one, bound=bound, aim=None if is_first else aim, possible=possible, prices=found.prices
    )
    return [one] if is_first or fewer else _with_more_effort(zone, one)


def _with_more_effort(zone: PricedZone, one: _Range) -> list[_Range]:
    """A range that makes no headway: with larger tables or in parts."""
    larger = one.most_entries * _MORE
    is_wide = one.high_mm_h > one.low_mm_h * (1.0 + _NARROW)
    if larger < _MOST_ENTRIES or (larger == _MOST_ENTRIES and not is_wide):
        return [replace(one, most_entries=larger)]
    if is_wide:
        middle = float(np.sqrt(one.low_mm_h * one.high_mm_h))
        return [replace(one, high_mm_h=middle), replace(one, low_mm_h=middle)]
    parts = []
    for others in _by_water(zone, one.possible):
        own = zone.kept(one.own & ~others)
        parts.append(replace(one, own=own, possible=one.possible & own))
    return [part for part in parts if part.own.any()]


def _begun_again(one: _Range, *, bound: float) -> _Range:
    """All layouts of a range, for a lower aim."""
    return replace(
        one,
        bound=min(one.bound, bound),
        aim=None,
        possible=one.own,
        most_entries=max(_FIRST_ENTRIES, one.most_entries / _MORE),
        prices=one.all_prices,
    )


def _by_water(zone: PricedZone, possible: NDArray[np.bool_]) -> list[NDArray[np.bool_]]:
    """Half of the choices of the head with most choices left: those with more water, with less."""
    first = zone.choices.first
    head = int(np.argmax(np.add.reduceat(possible.astype(np.int64), first[:-1])))
    own = slice(int(first[head]), int(first[head + 1]))
    rank = np.argsort(np.argsort(zone.mean_mm_h[own], kind="stable"))
    middle = np.median(rank[possible[own]])
    halves = []
    for half in (rank > middle, rank <= middle):
        halves.append(np.zeros(len(possible), dtype=bool))
        halves[-1][own] = half
    return halves
