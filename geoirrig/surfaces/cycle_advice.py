"""Fewest equal cycles, and the soak between them, that keep a zone's turf from running off.

What the turf cells say is gathered once; the answer for one running time or another is then cheap.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoirrig.physics.surface_storage import cycle_count, minutes_to_runoff, soak_minutes
from geoirrig.processors import run_in_threads
from geoirrig.records import (
    AdvisedCycles,
    AnalysisSettings,
    PrecipitationSurface,
    TerrainSurface,
    TurfAreas,
    TurfCells,
)
from geoirrig.surfaces.turf_soil import (
    TurfSoil,
    green_ampt_soils,
    intake_rates_mm_h,
    turf_soil,
)
from geoirrig.surfaces.zone_turf import served_zone
from geoirrig.units import MINUTES_PER_HOUR, FloatArray

MOST_ADVISED_CYCLES = 30
SENSITIVE_FRACTION = 0.05  # share of a zone's turf that the advice may leave running off

_SMALLEST_PIECE = 2048  # cells worth a thread of their own
_CYCLE_TOLERANCE = 1e-6  # of a float32 rate: a run of whole cycles gains none by rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class _SensitiveCells:
    """The cells of one zone on which its advice can depend; arrays of shape (n_cells,)."""

    left_out: int  # the most sensitive of them, which may run off
    rate_mm_h: NDArray[np.float32]
    soil: NDArray[np.int16]
    storage_mm: NDArray[np.float32]


class _SoilModel(Protocol):
    """What the soil does with cycles and soaks."""

    def fewest_cycles(self, cells: _SensitiveCells, run: float) -> tuple[int, float] | None:
        """Cycles and soak minutes for a run in minutes, or None."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleAdvice:
    """What the advice of every zone rests on, ready to be asked for any running time.

    Attributes
    ----------
    zone_cells : tuple, shape (n_zones,)
        The cells that can decide; None for a zone that serves no turf of known slope.
    model : object
        The runoff model with its soils.
    """

    zone_cells: tuple[_SensitiveCells | None, ...]
    model: _SoilModel

    def for_run_minutes(self, run_minutes: ArrayLike) -> AdvisedCycles:
        """Cycles and soaks for these running times.

        Parameters
        ----------
        run_minutes : array_like, shape (n_zones,)
            Minutes that the valve of each zone is open in one event; 0 or NaN: it does not run.

        Returns
        -------
        AdvisedCycles
            Cycles 0 and minutes NaN for a zone that serves no turf, does not run, or would need
            more than 30 cycles.
        """
        run = np.asarray(run_minutes, dtype=np.float64)
        cycles = np.zeros(len(run), dtype=np.int64)
        cycle, soak = np.full(len(run), np.nan), np.full(len(run), np.nan)
        for zone, (cells, minutes) in enumerate(zip(self.zone_cells, run, strict=True)):
            if cells is None or not minutes > 0.0:
                continue
            found = self.model.fewest_cycles(cells, float(minutes))
            if found is not None:
                cycles[zone], soak[zone] = found
                cycle[zone] = minutes / cycles[zone]
        return AdvisedCycles(cycles=cycles, cycle_minutes=cycle, soak_minutes=soak)


def cycle_advice(
    precipitation: PrecipitationSurface,
    terrain: TerrainSurface,
    turf_cells: TurfCells,
    turf: TurfAreas,
    *,
    settings: AnalysisSettings,
) -> CycleAdvice:
    """Gather what the advice on cycles and soaks rests on.

    Parameters
    ----------
    precipitation : PrecipitationSurface
        Rates and main zones.
    terrain : TerrainSurface
        Slope of the turf cells.
    turf_cells : TurfCells
        Which cells are turf, and of which polygon.
    turf : TurfAreas
        Soil texture and compaction of the polygons.
    settings : AnalysisSettings
        Runoff model and compaction factors.

    Returns
    -------
    CycleAdvice

    Notes
    -----
    Advice is for the turf cells whose main zone it is. At most 5 % of them may run off: with
    n cells, k = ⌊0.05·n⌋ may fail. The cycles are the fewest in which the others do not run off if
    the surface clears in each soak; the soak is the shortest in which the surface of all but k
    cells clears. Water that the cells get from other zones is not counted.

    On one soil, a cell with a higher rate and no more storage fails no later and clears no sooner.
    So a cell that is outdone by k + 1 others is not kept: the answer is the same.
    """
    no_cells = np.empty(0, dtype=np.int64)
    soils = turf_soil(terrain, turf_cells, turf, settings, cell=no_cells)
    zone_cells: list[_SensitiveCells | None] = []
    for cell in _cells_of_zones(precipitation, turf_cells):
        ground = turf_soil(terrain, turf_cells, turf, settings, cell=cell)
        known = ~np.isnan(ground.storage_mm)
        zone_cells.append(
            _sensitive_cells(
                precipitation.precipitation_rate_mm_h.ravel()[cell[known]],
                ground.soil[known],
                ground.storage_mm[known],
            )
        )
    return CycleAdvice(zone_cells=tuple(zone_cells), model=_soil_model(soils, settings))


def _cells_of_zones(
    precipitation: PrecipitationSurface, turf_cells: TurfCells
) -> Iterator[NDArray[np.int64]]:
    """Flat numbers of the turf cells that each zone serves, zone by zone."""
    zone = served_zone(precipitation, turf_cells).ravel()
    served = np.flatnonzero(zone >= 0)
    served = served[np.argsort(zone[served], kind="stable")]
    edges = np.searchsorted(zone[served], np.arange(len(precipitation.zone_rates) + 1))
    for start, stop in pairwise(edges):
        yield served[start:stop]


def _sensitive_cells(
    rate_mm_h: NDArray[np.float32], soil: NDArray[np.int32], storage_mm: FloatArray
) -> _SensitiveCells | None:
    """Leave out the cells that k + 1 others outdo: as much water or more, no more storage."""
    if not len(rate_mm_h):
        return None
    left_out = int(SENSITIVE_FRACTION * len(rate_mm_h) + 1e-9)
    kept = [
        of_soil[_not_outdone(rate_mm_h[of_soil], storage_mm[of_soil], left_out + 1)]
        for of_soil in (np.flatnonzero(soil == one) for one in np.unique(soil))
    ]
    chosen = np.concatenate(kept)
    return _SensitiveCells(
        left_out=left_out,
        rate_mm_h=rate_mm_h[chosen],
        soil=soil[chosen].astype(np.int16),
        storage_mm=storage_mm[chosen].astype(np.float32),
    )


def _not_outdone(
    rate_mm_h: NDArray[np.float32], storage_mm: FloatArray, others: int
) -> NDArray[np.int64]:
    """Cells of one soil that fewer than ``others`` cells outdo."""
    kept = np.empty(0, dtype=np.int64)
    for storage in np.unique(storage_mm):  # rising: what is kept has no more storage
        alike = np.flatnonzero(storage_mm == storage)
        if len(kept) >= others:
            bar = np.partition(rate_mm_h[kept], len(kept) - others)[len(kept) - others]
            alike = alike[rate_mm_h[alike] > bar]
        if len(alike) > others:
            lower = len(alike) - others
            alike = alike[np.argpartition(rate_mm_h[alike], lower)[lower:]]
        kept = np.concatenate([kept, alike])
    return kept


def _soil_model(soils: TurfSoil, settings: AnalysisSettings) -> _SoilModel:
    if settings.runoff_model == "green_ampt":
        conductivity, deficit = green_ampt_soils(soils, settings)
        return _GreenAmptModel(conductivity_mm_h=conductivity, deficit_mm=deficit)
    return _SurfaceStorageModel(intake_mm_h=intake_rates_mm_h(soils))


@dataclass(frozen=True, slots=True, kw_only=True)
class _SurfaceStorageModel:
    """Steady intake rates; arrays of shape (n_soils,)."""

    intake_mm_h: FloatArray

    def fewest_cycles(self, cells: _SensitiveCells, run: float) -> tuple[int, float] | None:
        """As many cycles as the time to runoff goes into the run."""
        rate, intake = cells.rate_mm_h.astype(np.float64), self.intake_mm_h[cells.soil]
        minutes = minutes_to_runoff(rate, intake, cells.storage_mm)
        longest = _governing_value(minutes, cells.left_out)
        if longest <= 0.0:
            return None
        cycles = int(cycle_count(run, longest, tolerance=_CYCLE_TOLERANCE))
        if cycles > MOST_ADVISED_CYCLES:
            return None
        if cycles == 1:
            return 1, 0.0
        cycle = run / cycles
        stored = np.maximum(rate - intake, 0.0) * cycle / MINUTES_PER_HOUR
        holds = minutes >= cycle * (1.0 - _CYCLE_TOLERANCE)
        soak = np.where(holds, soak_minutes(stored, intake), np.inf)
        return cycles, -_governing_value(-soak, cells.left_out)


@dataclass(frozen=True, slots=True, kw_only=True)
class _GreenAmptModel:
    """Soil that takes in less with every pulse; arrays of shape (n_soils,)."""

    conductivity_mm_h: FloatArray
    deficit_mm: FloatArray

    def fewest_cycles(self, cells: _SensitiveCells, run: float) -> tuple[int, float] | None:
        """More and shorter cycles never store more at their worst, so halving finds the fewest."""
        enough = MOST_ADVISED_CYCLES
        soak = self._soak_minutes(cells, run, enough)
        if not math.isfinite(soak):
            return None
        too_few = 0
        while enough - too_few > 1:
            middle = (enough + too_few) // 2
            trial = self._soak_minutes(cells, run, middle)
            if math.isfinite(trial):
                enough, soak = middle, trial
            else:
                too_few = middle
        return enough, soak

    def _soak_minutes(self, cells: _SensitiveCells, run: float, cycles: int) -> float:
        # Imported where it is used, so that a run of the other model neither compiles nor loads it.
        from geoirrig.surfaces import green_ampt_cell_kernels

        n_cells = len(cells.rate_mm_h)
        soak_hours = np.empty(n_cells)

        def work(start: int, stop: int) -> None:
            soil = cells.soil[start:stop]
            green_ampt_cell_kernels.clearing_soaks(
                cells.rate_mm_h[start:stop].astype(np.float64),
                run / MINUTES_PER_HOUR,
                cycles,
                self.conductivity_mm_h[soil],
                self.deficit_mm[soil],
                cells.storage_mm[start:stop].astype(np.float64),
                soak_hours[start:stop],
            )

        run_in_threads(work, n_cells, smallest=_SMALLEST_PIECE)
        return -_governing_value(-soak_hours, cells.left_out) * MINUTES_PER_HOUR


def _governing_value(values: FloatArray, left_out: int) -> float:
    """Lowest value when that many of the lowest are left out."""
    return float(np.partition(values, left_out)[left_out])
