"""Small invented cities with a programme, for the tests of a screening."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Any

from geoirrig.io.open_layer import LayerSource
from geoirrig.io.read_site import SiteSources
from geoirrig.workflows.export_screening import export_screening
from geoirrig.workflows.load_city import LoadedCity, ScreenOptions, load_city
from geoirrig.workflows.screen_parcels import Screening, screen_parcels
from geoirrig.workflows.unit_executors import ThisProcess, UnitExecutor

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"
PROGRAMME = """\
title = "High-efficiency nozzles"
currency = "USD"
measure_life_years = 10
discount_rate = 0.03
budget = 1500
water_price_per_m3 = 1.2
annual_net_need_mm = 700
nozzle_set = "nozzle_set.csv"

[[condition]]
id = "heads"
require = "replaced_head_count >= 15"
reason = "At least 15 heads must be replaced"

[[condition]]
id = "rate"
require = "max_rate_after_mm_h <= 40"
reason = "The rate must not exceed 40 mm/h"

[[pay]]
per_head = 4.0

[caps]
per_parcel = 2000.0
share_of_cost = 0.5

[costs]
nozzle_default = 6.0
labour_per_head = 5.0
regulator_per_head = 3.0
fixed_per_parcel = 25.0

[ranking]
by = "cheapest_water"
funding = "exact"
"""


def write_small_city(folder: Path, n_parcels: int, **options: Any) -> dict[str, Path]:
    """A city of the benchmarks' generator with a programme beside it."""
    if str(BENCHMARKS) not in sys.path:
        sys.path.insert(0, str(BENCHMARKS))
    folder.mkdir(parents=True, exist_ok=True)
    paths: dict[str, Path] = importlib.import_module("city").write_city(
        folder, n_parcels, **options
    )
    programme = folder / "programme.toml"
    programme.write_text(PROGRAMME, encoding="utf-8")
    return {**paths, "programme": programme}


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
