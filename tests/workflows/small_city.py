"""Small invented cities with a programme, for the tests of a screening."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

from geoirrig.io.open_layer import LayerSource
from geoirrig.io.read_site import SiteSources
from geoirrig.workflows.export_screening import export_screening
from geoirrig.workflows.load_city import LoadedCity, ScreenOptions, load_city
from geoirrig.workflows.screen_parcels import Screening, screen_parcels
from geoirrig.workflows.unit_executors import ThisProcess, UnitExecutor

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


def _of_benchmarks(name: str) -> ModuleType:
    """A module of the city generator, which runs without the tests."""
    if str(BENCHMARKS) not in sys.path:
        sys.path.insert(0, str(BENCHMARKS))
    return importlib.import_module(name)


BUDGET = 1500  # too little for all
PROGRAMME: str = _of_benchmarks("city_programme").programme_text(BUDGET)


def write_small_city(folder: Path, n_parcels: int, **options: Any) -> dict[str, Path]:
    """A city of the benchmarks' generator with a programme beside it."""
    paths: dict[str, Path] = _of_benchmarks("city").write_city(
        folder, n_parcels, budget=BUDGET, **options
    )
    return paths


def sources_of(paths: dict[str, Path]) -> SiteSources:
    """Where the layers of a city are."""
    roles = ("heads", "turf", "parcels", "zones", "nozzles", "profiles", "hardscape")
    return SiteSources(
        site=paths.get("site"),
        layers={role: LayerSource(path=paths[role]) for role in roles if role in paths},
        slope=paths.get("slope"),
    )


def loaded(paths: dict[str, Path], **options: Any) -> LoadedCity:
    """The city, read."""
    return load_city(sources_of(paths), paths["programme"], options=ScreenOptions(**options))


def screened(
    city: LoadedCity, out_dir: Path, *, executor: UnitExecutor | None = None, resume: bool = False
) -> Screening:
    """The city, screened; nothing is written."""
    executor = ThisProcess() if executor is None else executor
    screening, journal = screen_parcels(city, executor, out_dir, run={}, resume=resume)
    journal.remove()
    return screening


def exported(screening: Screening, out_dir: Path) -> dict[str, bytes]:
    """The files of the results by name."""
    export_screening(screening, out_dir, units="si", overwrite=True, options={})
    return {path.name: path.read_bytes() for path in sorted(out_dir.iterdir())}
