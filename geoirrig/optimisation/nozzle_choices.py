"""What the heads of a zone may be fitted with: each choice's water on the turf that is scored.

The rates of a zone are the sum of its heads' rates, so that a layout is a choice of one column of
a matrix for every head. The columns come from the same superposition as the analysis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.precipitation_rate import head_precipitation_rate
from geoirrig.records import IntArray, SprinklerLayout, TerrainSurface
from geoirrig.surfaces.precipitation_surface import precipitation_surface
from geoirrig.units import PERCENT, FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class NozzleChoices:
    """Choices of the heads of one zone, those of a head side by side.

    A position where a head *may* be added has one choice more, without flow: no head.

    Attributes
    ----------
    rate_mm_h : sparse array, shape (n_cells, n_choices)
        Rate of each choice on the cells that are scored.
    cell_row, cell_col : ndarray of int, shape (n_cells,)
        Where those cells lie.
    first : ndarray of int, shape (n_heads + 1,)
        Choices ``first[h]`` up to ``first[h + 1]`` are those of head h.
    flow_lpm, overspray_lpm, own_rate_mm_h : ndarray, shape (n_choices,)
        Flow; the part of it that lands off the turf; flow over the choice's own sector.
    is_added : ndarray of bool, shape (n_choices,)
        Choices that put a head where there is none.
    """

    rate_mm_h: csc_array
    cell_row: IntArray
    cell_col: IntArray
    first: IntArray
    flow_lpm: FloatArray
    overspray_lpm: FloatArray
    own_rate_mm_h: FloatArray
    is_added: NDArray[np.bool_]

    @property
    def head(self) -> IntArray:
        """Head of each choice, shape (n_choices,)."""
        return np.repeat(np.arange(len(self.first) - 1), np.diff(self.first))

    def rates(self, layout: IntArray) -> FloatArray:
        """Rates of a layout, one choice for each head, on the scored cells, in mm/h."""
        return np.asarray(self.rate_mm_h[:, layout].sum(axis=1), dtype=np.float64).ravel()


def nozzle_choices(
    candidates: SprinklerLayout,
    first: IntArray,
    grid: RasterGrid,
    *,
    is_scored: NDArray[np.bool_],
    on_turf: NDArray[np.bool_],
    may_be_left_out: NDArray[np.bool_],
    terrain: TerrainSurface | None = None,
) -> NozzleChoices:
    """Lay every candidate on the grid by itself.

    Parameters
    ----------
    candidates : SprinklerLayout
        One row a candidate, those of a head side by side; zones are not looked at.
    first : ndarray of int, shape (n_heads + 1,)
        Rows ``first[h]`` up to ``first[h + 1]`` are those of head h.
    grid : RasterGrid
        Holds the turf.
    is_scored, on_turf : ndarray of bool, shape (n_rows, n_cols)
        Cells whose evenness counts; cells that are meant to be wetted.
    may_be_left_out : ndarray of bool, shape (n_heads,)
        Positions where a head may be added.
    terrain : TerrainSurface, optional
        As in `precipitation_surface`.
    """
    n = len(candidates.x_m)
    alone = replace(candidates, zone_index=np.arange(n))  # each runs by itself
    surface = precipitation_surface(alone, n, grid, on_turf=on_turf, terrain=terrain)
    place = np.full(is_scored.size, -1, dtype=np.int64)
    scored = np.flatnonzero(is_scored)
    place[scored] = np.arange(len(scored))
    cells = [place[zone.cell] for zone in surface.zone_rates]
    rates = [
        zone.rate_mm_h[cell >= 0] for zone, cell in zip(surface.zone_rates, cells, strict=True)
    ]
    cells = [cell[cell >= 0] for cell in cells]
    left_out = np.repeat(first[1:], may_be_left_out)  # "no head" comes after a position's choices
    start = np.concatenate([[0], np.cumsum([len(cell) for cell in cells])]).astype(np.int64)
    start = np.insert(start, left_out, start[left_out])
    own = head_precipitation_rate(candidates.flow_lpm, candidates.radius_m, candidates.arc_deg)
    off_target = candidates.flow_lpm * (1.0 - surface.head_on_target_fraction)

    def with_none(values: FloatArray) -> FloatArray:
        return np.insert(values, left_out, 0.0)

    added = np.repeat(may_be_left_out, np.diff(first))
    return NozzleChoices(
        rate_mm_h=csc_array(
            (
                np.concatenate([*rates, np.empty(0)]).astype(np.float64),
                np.concatenate([*cells, np.empty(0, dtype=np.int64)]),
                start,
            ),
            shape=(len(scored), n + len(left_out)),
        ),
        cell_row=scored // grid.n_cols,
        cell_col=scored % grid.n_cols,
        first=first + np.concatenate([[0], np.cumsum(may_be_left_out)]),
        flow_lpm=with_none(candidates.flow_lpm),
        overspray_lpm=with_none(off_target),
        own_rate_mm_h=with_none(own),
        is_added=np.insert(added, left_out, False),
    )


def without_unreached_cells(choices: NozzleChoices) -> NozzleChoices:
    """The same without the cells that no choice wets: no layout can do anything for them."""
    reached = np.diff(choices.rate_mm_h.tocsr().indptr) > 0
    return replace(
        choices,
        rate_mm_h=csc_array(choices.rate_mm_h.tocsr()[reached]),
        cell_row=choices.cell_row[reached],
        cell_col=choices.cell_col[reached],
    )


def matched_rate_spread_pct(own_rate_mm_h: FloatArray) -> float:
    """Highest less lowest own rate of the heads there are, over their mean, in percent."""
    rates = own_rate_mm_h[own_rate_mm_h > 0.0]
    return float(PERCENT * np.ptp(rates) / np.mean(rates)) if len(rates) else 0.0
