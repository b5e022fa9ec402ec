"""Read and check a city and the programme it is held against: what `screen` starts with."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from geoirrig.city_records import CityInputs, CityTurf
from geoirrig.errors import InputError, ProblemList
from geoirrig.io.checksums import Checksum, file_sha256
from geoirrig.io.file_formats import file_read
from geoirrig.io.programme_changes import programme_nozzle_set
from geoirrig.io.read_city import REQUIRED_LAYERS, OpenCity, PlacedCity, open_city, read_city
from geoirrig.io.read_programme import has_programme_keys, read_programme
from geoirrig.io.read_settings import read_settings
from geoirrig.io.read_site import SiteSources, layer_places, terrain_source
from geoirrig.io.terrain_units import TerrainSource
from geoirrig.physics.effective_rain import EFFECTIVE_RAIN_METHODS
from geoirrig.physics.irrigation_interval import (
    available_water_mm_m,
    readily_available_water_mm,
    root_zone_water_mm,
)
from geoirrig.physics.plant_water_use import monthly_coefficients, plant_evapotranspiration_mm
from geoirrig.programme import Programme
from geoirrig.records import AnalysisSettings, ClimateRecord, InputFile, NozzleSet
from geoirrig.units import FloatArray
from geoirrig.workflows.cycle_collection import without_cycle_collection
from geoirrig.workflows.run_record import Progress
from geoirrig.workflows.schedule_options import ScheduleOptions
from geoirrig.workflows.work_units import Ground


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenOptions:
    """Choices of a screening.

    Attributes
    ----------
    schedule : ScheduleOptions
        How the need of a year follows from the climate, and what makes the gross from the net
        depth.
    pressure_apart : bool
        Whether the saving by pressure is told apart from that by nozzles, which takes a third run
        of the engine. Without it, both are in the parts of evenness, overspray and runoff.
    """

    schedule: ScheduleOptions = field(default_factory=ScheduleOptions)
    pressure_apart: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedCity:
    """A city without problems of its own, ready to be worked."""

    inputs: CityInputs
    programme: Programme
    settings: AnalysisSettings
    options: ScreenOptions
    ground: Ground | None
    net_need_mm_year: FloatArray  # (n_turf,)


def is_worth_starting(sources: SiteSources, programme_file: Path) -> bool:
    """Whether the files of a city and its programme are there, which is seen at once.

    Where they are not, no workers need be started to have `load_city` say so.
    """
    problems = ProblemList()
    layer_places(sources, problems, required=REQUIRED_LAYERS)
    return has_programme_keys(programme_file, problems) and not problems.problems


@without_cycle_collection()
def load_city(  # noqa: PLR0913 - as `load_site`, and the climate, the choices and the progress
    sources: SiteSources,
    programme_file: Path,
    *,
    climate: ClimateRecord | None = None,
    settings_file: Path | None = None,
    overrides: Mapping[str, object] | None = None,
    options: ScreenOptions | None = None,
    problems: ProblemList | None = None,
    checksum: Checksum = file_sha256,
    progress: Progress = lambda _: None,
) -> LoadedCity:
    """Read a city and a programme.

    Parameters
    ----------
    sources : SiteSources
        The layers; parcels are needed too. Slope or elevation where turf does not state its slope.
    programme_file : Path
        The rebate programme.
    climate : ClimateRecord, optional
        Needed unless the programme states ``annual_net_need_mm``; it prevails over it.
    settings_file, overrides : optional
        As for one site.
    options : ScreenOptions, optional
        The defaults where absent.
    problems : ProblemList, optional
        What was found in other files of the run.
    checksum : callable, optional
        What reckons the checksum of a file: see `geoirrig.io.checksums.checksums_beside`.
    progress : callable, optional
        Told the name of each step as it begins.

    Returns
    -------
    LoadedCity
        Parcels with faults of their own are among its failures.

    Raises
    ------
    InputError
        With every problem that concerns the city as a whole.
    """
    problems = ProblemList() if problems is None else problems
    options = ScreenOptions() if options is None else options
    settings = _settings(settings_file, overrides or {}, problems)
    source = terrain_source(sources, problems)
    if not has_programme_keys(programme_file, problems):  # told before a large city is read
        layer_places(sources, problems, required=REQUIRED_LAYERS)
        problems.raise_if_any()
    progress("Reading the layers of the city")
    opened = open_city(sources, problems, checksum=checksum)
    programme, nozzle_set = _programme(opened, programme_file, problems)
    progress("Finding whose turf and heads these are")
    placed = read_city(
        opened,
        problems,
        nozzle_set=nozzle_set,
        has_terrain=sources.slope is not None or sources.elevation is not None,
        pressure_apart=options.pressure_apart,
    )
    ground = _ground(source, placed, settings, problems)
    if programme is not None and (climate is not None or not sources.others.get("climate")):
        _check_need(programme, climate, problems)  # a climate at fault was told of already
    problems.raise_if_any()
    if placed is None or programme is None:
        raise InputError(["The city could not be read."])
    files = (*placed.inputs.files, *_programme_files(programme, programme_file, checksum))
    inputs = dataclasses.replace(placed.inputs, files=files, warnings=tuple(problems.warnings))
    return LoadedCity(
        inputs=inputs,
        programme=programme,
        settings=settings,
        options=options,
        ground=ground,
        net_need_mm_year=turf_net_need_mm(
            inputs.turf, climate, options.schedule, stated_mm=programme.annual_net_need_mm
        ),
    )


def turf_net_need_mm(
    turf: CityTurf, climate: ClimateRecord | None, options: ScheduleOptions, *, stated_mm: float
) -> FloatArray:
    """What the plants of every polygon need from irrigation in the mean year.

    Parameters
    ----------
    turf : CityTurf
        Plants, soil and depth of the roots.
    climate : ClimateRecord or None
        None: the programme's figure is taken for all.
    options : ScheduleOptions
        How evapotranspiration and effective rain are reckoned.
    stated_mm : float
        Need that the programme states. [mm/yr]

    Returns
    -------
    ndarray of float64, shape (n_turf,)
        Over the months, what the plants use beyond the effective rain. [mm/yr]
    """
    if climate is None:
        return np.full(len(turf.parcel), stated_mm)
    key, kind = np.unique(
        np.column_stack([turf.plant_type, turf.soil_texture, turf.root_depth_mm]),
        axis=0,
        return_inverse=True,
    )
    if not EFFECTIVE_RAIN_METHODS[options.effective_rain_method].needs_plant_use:
        by_plants: dict[str, float] = {}
        for plants in turf.plant_types:
            by_plants.setdefault(plants, _need_mm(climate, options, plants, None))
        return np.array([by_plants[p] for p in turf.plant_types])[turf.plant_type]
    need = []
    for plant, texture, root_depth_mm in key:
        water = available_water_mm_m(turf.textures[int(texture)])
        storage = readily_available_water_mm(
            root_zone_water_mm(water, root_depth_mm), options.allowable_depletion
        )
        need.append(_need_mm(climate, options, turf.plant_types[int(plant)], float(storage)))
    return np.array(need)[kind.ravel()]


def _need_mm(
    climate: ClimateRecord, options: ScheduleOptions, plants: str, storage_mm: float | None
) -> float:
    from geoirrig.climate.mean_year import mean_year  # its libraries take long to load

    coefficient = monthly_coefficients(plants)
    stored: dict[str, Any] = {} if storage_mm is None else {"storage_mm": storage_mm}
    year = mean_year(
        climate,
        evapotranspiration_method=options.evapotranspiration_method,
        effective_rain_method=options.effective_rain_method,
        rain_share=options.effective_rain_share,
        plant_coefficient=coefficient,
        **stored,
    )
    use = plant_evapotranspiration_mm(year.eto_mm, coefficient)
    return float(np.sum(np.maximum(use - year.effective_rain_mm, 0.0)))


# --- parts ---------------------------------------------------------------------------------------


def _settings(
    path: Path | None, overrides: Mapping[str, object], problems: ProblemList
) -> AnalysisSettings:
    count = len(problems.problems)
    settings = read_settings(path, overrides, problems)
    if len(problems.problems) > count:
        return AnalysisSettings()
    if settings.runoff_model != "surface_storage":
        problems.add(
            "runoff_model must be surface_storage for a whole city; got "
            f"{settings.runoff_model!r}. Leave runoff_model out of the settings and of the options."
        )
    return settings


def _ground(
    source: TerrainSource | None,
    placed: PlacedCity | None,
    settings: AnalysisSettings,
    problems: ProblemList,
) -> Ground | None:
    """The raster, tried on one polygon, so that a wrong unit or CRS is told before the work."""
    if source is None or placed is None or not len(placed.inputs.turf.parcel):
        return None
    # what reads rasters takes long to load, and most cities state their slopes
    from geoirrig.io.read_terrain import read_terrain

    read_terrain(
        source,
        placed.plane,
        tuple(placed.inputs.turf.box_m[0].tolist()),
        margin_m=3.0 * settings.cell_size_m,
        problems=problems,
    )
    return Ground(source=source, plane=placed.plane)


def _programme(
    opened: OpenCity, path: Path, problems: ProblemList
) -> tuple[Programme | None, NozzleSet | None]:
    programme = read_programme(path, problems, parcel_columns=opened.parcel_columns)
    if programme is None:
        return None, None
    nozzles, in_use = opened.tables.nozzles, opened.nozzles_in_use
    return programme, programme_nozzle_set(programme, path, nozzles, in_use, problems)


def _programme_files(
    programme: Programme, programme_file: Path, checksum: Checksum
) -> tuple[InputFile, ...]:
    """The programme file, and that of its nozzle set where it has one."""
    paths = {"programme": programme_file}
    if programme.nozzle_set:
        paths["nozzle_set"] = programme_file.parent / programme.nozzle_set
    return tuple(file_read(role, path, checksum) for role, path in paths.items())


def _check_need(programme: Programme, climate: ClimateRecord | None, problems: ProblemList) -> None:
    is_stated = np.isfinite(programme.annual_net_need_mm)
    if climate is None and not is_stated:
        problems.add(
            "What the plants need in a year is not known: give --climate FILE, or state "
            "annual_net_need_mm (or _in) in the programme file."
        )
    if climate is not None and is_stated:
        problems.warn(
            f"The programme states a net need of {programme.annual_net_need_mm:g} mm a year, and "
            "--climate was given: the climate is taken."
        )
