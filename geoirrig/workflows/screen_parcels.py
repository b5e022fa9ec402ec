"""Which parcels a rebate programme reaches, what each saves, and where the money stops."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Future
from dataclasses import asdict, dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from geoirrig import __version__
from geoirrig.city_records import WorkUnit
from geoirrig.io.output_folder import remove_partial_folders
from geoirrig.io.unit_journal import UnitJournal, open_journal
from geoirrig.processors import threads_beside
from geoirrig.records import ResultTable
from geoirrig.units import FloatArray
from geoirrig.wording import counted
from geoirrig.workflows.cycle_collection import without_cycle_collection
from geoirrig.workflows.load_city import LoadedCity
from geoirrig.workflows.parcel_measures import (
    CityMeasures,
    Columns,
    head_columns,
    parcel_columns,
)
from geoirrig.workflows.run_record import SharedProgress
from geoirrig.workflows.screening_verdict import Verdict, screening_verdict
from geoirrig.workflows.unit_executors import UnitExecutor
from geoirrig.workflows.work_units import (
    EXISTING,
    KEPT_MEASURES,
    RETROFIT,
    SLOPES,
    UnitSource,
    Worked,
    head_states,
    most_unit_cells,
    pack_units,
    rows_of,
)

_SECONDS_BETWEEN_NEWS = 2.0
_SHARE_BETWEEN_NEWS = 0.02  # of the time gone by: a long run is told of less often


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """The answer, ready to be written and drawn."""

    city: LoadedCity
    parcels: ResultTable  # without geometry: the outlines are in the city
    failures: ResultTable
    left_out: ResultTable
    verdict: Verdict


@without_cycle_collection()
def screen_parcels(
    city: LoadedCity,
    executor: UnitExecutor,
    out_dir: Path,
    *,
    run: Mapping[str, Any],
    resume: bool = False,
    progress: SharedProgress = lambda *_: None,
) -> tuple[Screening, UnitJournal]:
    """Work the units of a city and hold its parcels against the programme.

    Parameters
    ----------
    city : LoadedCity
        The city and the programme.
    executor : UnitExecutor
        Who works the units: see `unit_executor`.
    out_dir : Path
        Where the results will go: the journal lies beside it.
    run : mapping
        Options of the run, without those that change nothing in the results.
    resume : bool
        Whether an unfinished run is continued.
    progress : callable, optional
        Told how far the work is, with the time left.

    Returns
    -------
    Screening and UnitJournal
        The journal is to be removed when the results are written.

    Raises
    ------
    OutputError
        If an unfinished run is in the way, or is another one.
    """
    units = pack_units(
        city.inputs,
        cell_size_m=city.settings.cell_size_m,
        most_cells=most_unit_cells(city.ground),
    )
    journal = open_journal(out_dir, _identity(city, units, run), resume=resume)
    if resume:
        remove_partial_folders(out_dir)
    done = journal.done()
    kept = ((unit, journal.kept(unit.number)) for unit in units if unit.number in done)
    to_do = [unit for unit in units if unit.number not in done]
    found = chain(kept, _worked(city, to_do, executor, journal, progress))
    with threads_beside(1) as aside:
        heads = aside.submit(head_columns, city.inputs)
        measures = _city_measures(city, found)
    progress("Holding the parcels against the programme")
    return _screening(city, heads.result(), measures), journal


def _screening(city: LoadedCity, heads: Columns, measures: CityMeasures) -> Screening:
    """The verdict on every parcel from its heads and what its zones do."""
    inputs = city.inputs
    failures = (*inputs.failures, *measures.failures)
    columns = parcel_columns(
        inputs, heads, measures, run_time_method=city.options.schedule.run_time_method
    )
    verdict = screening_verdict(city.programme, inputs.parcels, columns, failures=failures)
    ids = inputs.parcels.parcel_id
    return Screening(
        city=city,
        parcels=ResultTable(name="parcels", columns=verdict.columns, geometry=None),
        failures=ResultTable(
            name="failures",
            columns={
                "parcel_id": np.array([ids[p] for p, _ in failures], dtype=object),
                "reason": np.array([reason for _, reason in failures], dtype=object),
            },
            geometry=None,
        ),
        left_out=ResultTable(
            name="left_out",
            columns={
                "layer": np.array(inputs.left_out.layer, dtype=object),
                "item_id": np.array(inputs.left_out.item_id, dtype=object),
                "reason": np.array(inputs.left_out.reason, dtype=object),
            },
            geometry=None,
        ),
        verdict=verdict,
    )


def _identity(
    city: LoadedCity, units: tuple[WorkUnit, ...], run: Mapping[str, Any]
) -> dict[str, Any]:
    """What two runs must share so that one may go on with the results of the other."""
    return {
        "version": __version__,
        "inputs": {f"{f.role} {f.name}": f.sha256 for f in city.inputs.files},
        "settings": asdict(city.settings),
        "choices": asdict(city.options),
        "options": dict(run),
        "work_units": len(units),
    }


def _worked(
    city: LoadedCity,
    units: list[WorkUnit],
    executor: UnitExecutor,
    journal: UnitJournal,
    progress: SharedProgress,
) -> Iterator[tuple[WorkUnit, Worked]]:
    """What the units find, as it comes; the one before is on the disk by then, and the last."""
    begun = told = time.monotonic()
    total = sum(len(unit.parcel) for unit in units)
    unit_of = {unit.number: unit for unit in units}
    worked = 0
    if units:
        progress(f"Working {counted(total, 'parcel')} in {counted(len(units), 'unit')}")
    source = UnitSource(
        turf=city.inputs.turf,
        zones=replace(city.inputs.zones, names=()),  # which are not asked for there
        heads=city.inputs.heads,
        net_need_mm_year=city.net_need_mm_year,
        settings=city.settings,
        ground=city.ground,
    )
    with threads_beside(1) as aside:
        kept: Future[None] | None = None
        for number, values in executor.results(source, units):
            if kept is not None:
                kept.result()
            kept = aside.submit(journal.keep, number, values)
            yield unit_of[number], values
            worked += len(unit_of[number].parcel)
            now = time.monotonic()
            pause = max(_SECONDS_BETWEEN_NEWS, _SHARE_BETWEEN_NEWS * (now - begun))
            if now - told >= pause:
                told = now
                left_s = (now - begun) * (total - worked) / worked
                progress(
                    f"Worked {worked:,} of {counted(total, 'parcel')} ({worked / total:.0%}), "
                    f"about {_duration(left_s)} left",
                    worked / total,
                )
        if kept is not None:
            kept.result()


def _duration(seconds: float) -> str:
    if seconds < 90.0:
        return f"{max(1.0, seconds):.0f} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.1f} h"


def _city_measures(city: LoadedCity, found: Iterable[tuple[WorkUnit, Worked]]) -> CityMeasures:
    """What all units found, in the order of the city's zones and turf."""
    inputs = city.inputs
    n_zones, n_turf = len(inputs.zones.parcel), len(inputs.turf.parcel)
    zones = {
        state: np.full((len(KEPT_MEASURES), n_zones), np.nan) for state in head_states(inputs.heads)
    }
    slopes: FloatArray = np.full((len(SLOPES), n_turf), np.nan)
    failures: list[tuple[int, str]] = []
    for unit, kept in found:
        of_zone, _ = rows_of(inputs.zones.parcel, unit.parcel)
        of_turf, _ = rows_of(inputs.turf.parcel, unit.parcel)
        for state, own in zones.items():
            own[:, of_zone] = kept[state]
        slopes[:, of_turf] = kept["slopes"]
        failures += zip(kept["failed_parcel"].tolist(), kept["reason"].tolist(), strict=True)
    by_name: dict[str, Mapping[str, FloatArray]] = {
        state: dict(zip(KEPT_MEASURES, own, strict=True)) for state, own in zones.items()
    }
    by_name.setdefault(RETROFIT, by_name[EXISTING])
    return CityMeasures(
        zones=by_name,
        mean_slope_pct=slopes[0],
        max_slope_pct=slopes[1],
        failures=tuple(sorted(failures)),
    )
