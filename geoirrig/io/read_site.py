"""Everything about one site, read and checked in one go.

Every part is read as far as it can be, so that all problems come out together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.checksums import Checksum, file_sha256
from geoirrig.io.column_values import named_ids
from geoirrig.io.columns import LAYERS, listed, nearest_hint
from geoirrig.io.file_formats import GEOPACKAGE, file_read, files_of, vector_format
from geoirrig.io.open_layer import LayerSource, LayerTable, chosen_layer, layer_names, read_layer
from geoirrig.io.read_catch_cans import read_catch_cans
from geoirrig.io.read_layouts import LayoutAlternative, read_layouts
from geoirrig.io.read_turf import (
    PlacedTurf,
    read_hardscape,
    read_parcels,
    read_turf,
    turf_bounds_m,
)
from geoirrig.io.terrain_units import TerrainSource
from geoirrig.records import (
    CatchCans,
    HardscapeAreas,
    InputFile,
    NozzleSet,
    ParcelAreas,
    SiteInputs,
    SprinklerLayout,
    TerrainRaster,
    TurfAreas,
    WorkingPlane,
    ZonePlan,
)

REQUIRED_LAYERS = ("heads", "turf")


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteSources:
    """Where the parts of a site come from.

    Attributes
    ----------
    site : Path or None
        GeoPackage that holds every layer not named in ``layers``.
    layers : mapping of str to LayerSource
        Layers from files of their own, by role: the names of `geoirrig.io.columns.LAYERS`.
    slope, elevation : Path or None
        Terrain raster; at most one of them.
    slope_unit, elevation_unit : str or None
        Its unit, where the band does not say.
    others : mapping of str to tuple of Path
        Files that are read elsewhere, by role ("settings", "climate", "rules"): they are listed
        with their checksum among the files of the run.
    """

    site: Path | None = None
    layers: Mapping[str, LayerSource] = field(default_factory=dict)
    slope: Path | None = None
    slope_unit: str | None = None
    elevation: Path | None = None
    elevation_unit: str | None = None
    others: Mapping[str, tuple[Path, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteReading:
    """What could be read; None where a part is absent or at fault."""

    plane: WorkingPlane | None
    layout: SprinklerLayout | None
    zone_plan: ZonePlan | None
    turf: TurfAreas | None
    hardscape: HardscapeAreas | None
    parcels: ParcelAreas | None
    catch_cans: CatchCans | None
    terrain: TerrainRaster | None
    files: tuple[InputFile, ...]
    alternatives: tuple[LayoutAlternative, ...] = ()

    def complete(self, warnings: tuple[str, ...]) -> SiteInputs:
        """The reading as inputs of an analysis, with the warnings of the run.

        Raises
        ------
        GeoirrigError
            If a part that every analysis needs is absent: call it only where no problem was noted.
        """
        if not (self.plane and self.layout and self.zone_plan and self.turf):
            raise GeoirrigError("The site was not read whole; its problems were not raised.")
        return SiteInputs(
            plane=self.plane,
            layout=self.layout,
            zone_plan=self.zone_plan,
            turf=self.turf,
            hardscape=self.hardscape,
            parcels=self.parcels,
            catch_cans=self.catch_cans,
            terrain=self.terrain,
            files=self.files,
            warnings=warnings,
        )


def read_site(
    sources: SiteSources,
    problems: ProblemList,
    *,
    cell_size_m: float,
    terrain_margin_m: float = 0.0,
    slope_is_needed: bool = True,
    nozzle_sets: Sequence[NozzleSet] = (),
) -> SiteReading:
    """A site with all its parts.

    Parameters
    ----------
    sources : SiteSources
        Files.
    problems : ProblemList
        Takes every problem and warning; nothing is raised for a fault of the data.
    cell_size_m : float
        Cell size of the run: terrain is read for three cells around the turf. [m]
    terrain_margin_m : float
        How much farther around the turf the terrain is wanted. [m]
    slope_is_needed : bool
        Whether turf without any slope is a problem; otherwise it is a warning.
    nozzle_sets : sequence of NozzleSet
        Sets under which the layout is wanted too.
    """
    tables, unreadable = _tables(sources, problems)
    turf = PlacedTurf(plane=None, areas=None)
    if "turf" in tables:
        turf = read_turf(tables["turf"], problems)
    layout, zone_plan, alternatives = read_layouts(tables, unreadable, turf, problems, nozzle_sets)
    plane = turf.plane
    terrain = _terrain(sources, turf, problems, margin_m=3.0 * cell_size_m + terrain_margin_m)
    if "turf" in tables:
        unknown = _unknown_slope(sources, tables["turf"], turf)
        if unknown is not None:
            (problems.add if slope_is_needed else problems.warn)(unknown)
    return SiteReading(
        plane=None if plane is None else plane.record,
        layout=layout,
        zone_plan=zone_plan,
        turf=turf.areas,
        hardscape=(
            read_hardscape(tables["hardscape"], plane, problems) if "hardscape" in tables else None
        ),
        parcels=read_parcels(tables["parcels"], plane, problems) if "parcels" in tables else None,
        catch_cans=(
            read_catch_cans(tables["catch_cans"], plane, problems)
            if "catch_cans" in tables
            else None
        ),
        terrain=terrain,
        files=input_files(sources, problems),
        alternatives=alternatives,
    )


def _tables(
    sources: SiteSources, problems: ProblemList
) -> tuple[dict[str, LayerTable], frozenset[str]]:
    """Every layer that could be read, by role, and the roles whose layer could not."""
    places, unreadable = layer_places(sources, problems)
    tables: dict[str, LayerTable] = {}
    for role, where in places.items():
        table = read_layer(*where, LAYERS[role], problems)
        if table is not None:
            tables[role] = table
    return tables, unreadable | (places.keys() - tables.keys())


def layer_places(
    sources: SiteSources, problems: ProblemList, *, required: tuple[str, ...] = REQUIRED_LAYERS
) -> tuple[dict[str, tuple[Path, str]], frozenset[str]]:
    """File and layer of every role that is there, and the roles whose layer cannot be found.

    Parameters
    ----------
    sources : SiteSources
        Files.
    problems : ProblemList
        Takes files that cannot be opened, and layers that are required and absent.
    required : tuple of str
        Roles without which there is no run.
    """
    in_site: tuple[str, ...] | None = ()
    if sources.site is not None:
        in_site = _site_layers(sources.site, problems)
    places: dict[str, tuple[Path, str]] = {}
    lost = set()
    for role in LAYERS:
        where = _layer_place(role, sources, in_site, problems, required=required)
        if where is not None:
            places[role] = where
        elif role in sources.layers or in_site is None:
            lost.add(role)
    return places, frozenset(lost)


def _site_layers(site: Path, problems: ProblemList) -> tuple[str, ...] | None:
    """Layers of the site file; None, with the problem noted, where it cannot be opened."""
    try:
        if vector_format(site) is not GEOPACKAGE:
            raise GeoirrigError(
                f"{str(site)!r} is not a GeoPackage. Give the site as a GeoPackage, and other "
                "formats by layer (--heads FILE, --turf FILE and so on)."
            )
        return layer_names(site)
    except GeoirrigError as error:
        problems.add(str(error))
        return None


def _layer_place(
    role: str,
    sources: SiteSources,
    in_site: tuple[str, ...] | None,
    problems: ProblemList,
    *,
    required: tuple[str, ...],
) -> tuple[Path, str] | None:
    """File and layer for a role; a missing layer that every site needs is noted."""
    if role in sources.layers:
        source = sources.layers[role]
        try:
            return source.path, chosen_layer(source, role)
        except GeoirrigError as error:
            problems.add(str(error))
            return None
    if in_site is not None and sources.site is not None and role in in_site:
        return sources.site, role
    if role in required and in_site is not None:
        if sources.site is None:
            problems.add(
                f"No {role} layer was given. Name a site GeoPackage or give --{role} FILE."
            )
        else:
            problems.add(
                f"{sources.site.name!r} has no layer {role!r}; it has {listed(in_site)}. Add it or "
                f"give --{role} FILE.{nearest_hint(role, in_site)}"
            )
    return None


def terrain_source(sources: SiteSources, problems: ProblemList) -> TerrainSource | None:
    """The raster of slopes or elevations; None where none is named, or both are."""
    if sources.slope is not None and sources.elevation is not None:
        problems.add("Both --slope and --elevation were given. Give one of them.")
        return None
    if sources.slope is not None:
        return TerrainSource(path=sources.slope, quantity="slope_pct", unit=sources.slope_unit)
    if sources.elevation is not None:
        return TerrainSource(
            path=sources.elevation, quantity="elevation_m", unit=sources.elevation_unit
        )
    return None


def _terrain(
    sources: SiteSources, turf: PlacedTurf, problems: ProblemList, *, margin_m: float
) -> TerrainRaster | None:
    source = terrain_source(sources, problems)
    if source is None:
        return None
    bounds = None
    if turf.areas is not None and any(g is not None for g in turf.areas.geometry):
        bounds = turf_bounds_m(turf.areas)
    # what reads rasters takes long to load, and many sites state their slopes
    from geoirrig.io.read_terrain import read_terrain

    return read_terrain(source, turf.plane, bounds, margin_m=margin_m, problems=problems)


def _unknown_slope(sources: SiteSources, table: LayerTable, turf: PlacedTurf) -> str | None:
    """What is missing where there is no raster and some turf does not state its slope."""
    if sources.slope is not None or sources.elevation is not None:
        return None
    slope_pct = turf.areas.slope_pct if turf.areas is not None else None
    if "slope_pct" not in table.columns:
        which = "and the turf layer has no column 'slope_pct'"
    elif slope_pct is not None and np.isnan(slope_pct).any():
        which = f"and slope_pct is empty for {named_ids(table, np.isnan(slope_pct))}"
    else:
        return None
    return (
        f"The slope is not known: there is no slope or elevation raster, {which}. Give --slope "
        "FILE or --elevation FILE, or fill in slope_pct."
    )


def input_files(
    sources: SiteSources, problems: ProblemList, checksum: Checksum = file_sha256
) -> tuple[InputFile, ...]:
    """Every file of the run with its checksum; what cannot be read was noted already."""
    roles: list[tuple[str, Path | None]] = [("site", sources.site)]
    roles += [(role, source.path) for role, source in sources.layers.items()]
    roles += [("slope", sources.slope), ("elevation", sources.elevation)]
    roles += [(role, path) for role, paths in sources.others.items() for path in paths]
    files: list[InputFile] = []
    for role, path in roles:
        if path is None or not path.is_file():
            continue
        for part in files_of(path):
            try:
                files.append(file_read(role, part, checksum))
            except OSError as error:
                if not problems.problems:
                    problems.add(f"{str(part)!r} cannot be read: {error.strerror}.")
    return tuple(files)
