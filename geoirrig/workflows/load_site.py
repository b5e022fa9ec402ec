"""Read and check one site: what every command starts with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely

from geoirrig.errors import InputError, ProblemList, named_rows
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.io.read_settings import read_settings
from geoirrig.io.read_site import SiteReading, SiteSources, read_site
from geoirrig.io.read_terrain import SLOPE_AT_MOST_PCT
from geoirrig.records import (
    AnalysisSettings,
    NozzleSet,
    SiteInputs,
    SprinklerLayout,
    TerrainSurface,
    TurfAreas,
    TurfCells,
)
from geoirrig.surfaces.terrain_surface import (
    ground_elevation_m,
    terrain_notes,
    terrain_surface,
    turf_without_slope,
)
from geoirrig.surfaces.turf_cells import site_grid, turf_cells, whole_grid
from geoirrig.units import METRES_PER_FOOT, PERCENT, FloatArray

MOST_CELLS = 40_000_000  # up to 5 GiB at work; see docs/explanation/coordinates_and_cells.md
CELLS_PER_RADIUS = 12.0  # fewer, and the cells follow the profile only roughly (computed rule)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedSite:
    """A site without problems, laid on its grid."""

    inputs: SiteInputs
    settings: AnalysisSettings
    grid: RasterGrid
    cells: TurfCells
    terrain: TerrainSurface
    elevation_m: FloatArray | None = None  # (n_rows, n_cols), turf and around it, for run-on


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteAlternative:
    """A site under a nozzle set.

    Attributes
    ----------
    name : str
        Name of the set.
    site : LoadedSite
        On the grid of the site as it stands; its warnings are those of the set alone.
    at_new_pressure : LoadedSite or None
        The nozzles that are there at the pressures of the set; None where it states none.
    """

    name: str
    site: LoadedSite
    at_new_pressure: LoadedSite | None


def load_site(
    sources: SiteSources,
    *,
    settings_file: Path | None = None,
    overrides: Mapping[str, object] | None = None,
    slope_is_needed: bool = True,
    problems: ProblemList | None = None,
) -> LoadedSite:
    """Read a site and lay its turf and slope on the grid.

    Parameters
    ----------
    sources : SiteSources
        The files.
    settings_file : Path, optional
        TOML file of settings.
    overrides : mapping, optional
        Settings given on the command line; they win over the file.
    slope_is_needed : bool
        Whether turf without any slope is a problem; a mere check of the layers can do without.
    problems : ProblemList, optional
        What was found in other files of the run; it is told together with what is found here.

    Returns
    -------
    LoadedSite

    Raises
    ------
    InputError
        With every problem found in all inputs.
    """
    problems = ProblemList() if problems is None else problems
    settings = _settings(settings_file, overrides or {}, problems)
    reading = read_site(
        sources, problems, cell_size_m=settings.cell_size_m, slope_is_needed=slope_is_needed
    )
    return _loaded(reading, settings, problems, has_elevation=sources.elevation is not None)


def load_nozzle_sets(
    sources: SiteSources,
    nozzle_sets: Sequence[NozzleSet],
    *,
    settings_file: Path | None = None,
    overrides: Mapping[str, object] | None = None,
    problems: ProblemList | None = None,
) -> tuple[LoadedSite, tuple[SiteAlternative, ...]]:
    """Read a site once and lay it on one grid, as it stands and under each nozzle set.

    Parameters
    ----------
    sources, settings_file, overrides, problems
        As for `load_site`.
    nozzle_sets : sequence of NozzleSet
        What is to be compared.

    Returns
    -------
    tuple of LoadedSite and tuple of SiteAlternative
        The grid holds what the heads can wet under any of the sets.

    Raises
    ------
    InputError
        With every problem found in all inputs, under every set.
    """
    problems = ProblemList() if problems is None else problems
    settings = _settings(settings_file, overrides or {}, problems)
    reading = read_site(
        sources, problems, cell_size_m=settings.cell_size_m, nozzle_sets=nozzle_sets
    )
    site = _loaded(reading, settings, problems, has_elevation=sources.elevation is not None)

    def under(layout: SprinklerLayout, warnings: tuple[str, ...]) -> LoadedSite:
        return replace(site, inputs=replace(site.inputs, layout=layout, warnings=warnings))

    found = []
    for one in reading.alternatives:
        own = ProblemList()
        _warn_of_coarse_cells(one.layout, settings.cell_size_m, own)
        coarse = [
            f"Nozzle set {one.name!r}: {text}"
            for text in own.warnings
            if text not in site.inputs.warnings
        ]
        found.append(
            SiteAlternative(
                name=one.name,
                site=under(one.layout, (*one.warnings, *coarse)),
                at_new_pressure=None
                if one.at_new_pressure is None
                else under(one.at_new_pressure, ()),
            )
        )
    return site, tuple(found)


def _loaded(
    reading: SiteReading,
    settings: AnalysisSettings,
    problems: ProblemList,
    *,
    has_elevation: bool,
) -> LoadedSite:
    """The reading on its grid; raises what was found."""
    ground = _ground(reading, settings, problems)
    elevation = None
    if settings.run_on and not has_elevation:
        problems.add(
            "Run-on needs to know the way downhill: give --elevation FILE, a raster of elevation, "
            "or leave --run-on out."
        )
    elif settings.run_on:
        elevation = _elevation(reading, ground, problems)
    problems.raise_if_any()
    if ground is None:
        raise InputError(["The inputs could not be laid on a grid."])
    grid, cells, terrain = ground
    return LoadedSite(
        inputs=reading.complete(tuple(problems.warnings)),
        settings=settings,
        grid=grid,
        cells=cells,
        terrain=terrain,
        elevation_m=elevation,
    )


def _settings(
    path: Path | None, overrides: Mapping[str, object], problems: ProblemList
) -> AnalysisSettings:
    """Settings as given; the defaults where they have problems, so that checking goes on."""
    count = len(problems.problems)
    settings = read_settings(path, overrides, problems)
    return settings if len(problems.problems) == count else AnalysisSettings()


def _ground(
    reading: SiteReading, settings: AnalysisSettings, problems: ProblemList
) -> tuple[RasterGrid, TurfCells, TerrainSurface] | None:
    """Grid, turf cells and slope, as far as the parts that they need were readable."""
    turf = reading.turf
    if turf is None or not len(turf.turf_id) or np.any(shapely.is_missing(turf.geometry)):
        return None
    if reading.layout is not None and not problems.problems:
        layouts = [reading.layout]
        for one in reading.alternatives:
            layouts += (
                [one.layout]
                if one.at_new_pressure is None
                else [
                    one.layout,
                    one.at_new_pressure,
                ]
            )
        grid = whole_grid(
            [site_grid(turf, one, cell_size_m=settings.cell_size_m) for one in layouts]
        )
        _warn_of_coarse_cells(reading.layout, settings.cell_size_m, problems)
    else:  # heads may be at fault, but the slope can still be checked
        grid = RasterGrid.covering(
            *shapely.total_bounds(turf.geometry), cell_size_m=settings.cell_size_m
        )
    n_cells = grid.n_rows * grid.n_cols
    if n_cells > MOST_CELLS:
        problems.add(
            f"The site needs {grid.n_cols} × {grid.n_rows} cells of {settings.cell_size_m:g} m; "
            f"at most {MOST_CELLS:,} fit. Choose larger cells (--cell) or split the site."
        )
        return None
    cells = turf_cells(turf, grid)
    terrain = terrain_surface(reading.terrain, turf, cells, method=settings.slope_method)
    for note in terrain_notes(reading.terrain, cells):
        problems.warn(note)
    if reading.terrain is not None or np.all(np.isfinite(turf.slope_pct)):
        _check_slope(terrain, cells, turf, problems)
    return grid, cells, terrain


def _elevation(
    reading: SiteReading,
    ground: tuple[RasterGrid, TurfCells, TerrainSurface] | None,
    problems: ProblemList,
) -> FloatArray | None:
    """Ground of the turf cells and those around them; every turf cell must have one."""
    if ground is None or reading.turf is None or reading.terrain is None:
        return None
    _, cells, _ = ground
    elevation = ground_elevation_m(reading.terrain, cells)
    without = (cells.turf_index >= 0) & np.isnan(elevation)
    count = np.bincount(cells.turf_index[without], minlength=len(reading.turf.turf_id))
    if np.any(count):
        rows = [
            (reading.turf.turf_id[number], f"{count[number]} cells without elevation")
            for number in np.flatnonzero(count)
        ]
        problems.add(
            "turf: run-on needs an elevation under all turf, also where slope_pct is stated; "
            f"{named_rows('turf_id', rows)}. Extend the raster or fill its gaps."
        )
    return elevation


def _check_slope(
    terrain: TerrainSurface, cells: TurfCells, turf: TurfAreas, problems: ProblemList
) -> None:
    missing, total = turf_without_slope(terrain, cells, len(turf.turf_id))
    bare = np.flatnonzero(missing)
    if len(bare):
        shares = [
            f"{PERCENT * missing[number] / total[number]:.1f} % of {str(turf.turf_id[number])!r}"
            for number in bare[:3]
        ]
        more = f" and {len(bare) - 3} more" if len(bare) > 3 else ""
        problems.add(
            "turf: all turf without a slope_pct of its own needs a slope, and the slope or "
            f"elevation raster has no value under {', '.join(shares)} (turf_id){more}. Extend "
            "the raster, fill its gaps, or state slope_pct for these polygons."
        )
    if np.any(terrain.slope_pct > SLOPE_AT_MOST_PCT):
        place = np.unravel_index(int(np.nanargmax(terrain.slope_pct)), terrain.slope_pct.shape)
        problems.add(
            f"turf: a slope must be from 0 to {SLOPE_AT_MOST_PCT:,.0f} %; got "
            f"{float(terrain.slope_pct[place]):,.0f} % in turf_id "
            f"{str(turf.turf_id[cells.turf_index[place]])!r}. Is the value for 'no data' set in "
            "the elevation raster, and is its unit right?"
        )
    small = np.flatnonzero(total == 0)
    if len(small):
        named = ", ".join(repr(str(turf.turf_id[number])) for number in small[:3])
        problems.warn(
            f"turf: no cell centre lies in turf_id {named}"
            + (f" and {len(small) - 3} more" if len(small) > 3 else "")
            + "; these polygons have no results. Choose smaller cells (--cell)."
        )


def _warn_of_coarse_cells(
    layout: SprinklerLayout, cell_size_m: float, problems: ProblemList
) -> None:
    coarse = np.flatnonzero(layout.radius_m < CELLS_PER_RADIUS * cell_size_m)
    if len(coarse):
        shortest = float(np.min(layout.radius_m[coarse]))
        problems.warn(
            f"heads: cells of {cell_size_m:g} m are coarse for {len(coarse)} heads that throw less "
            f"than {CELLS_PER_RADIUS:.0f} cells (shortest {shortest:.2f} m, "
            f"{shortest / METRES_PER_FOOT:.1f} ft); their volume is right, their pattern is rough. "
            "Choose smaller cells (--cell)."
        )
