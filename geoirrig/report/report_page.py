"""What a report says, before it is spelled out as a page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.records import InputFile, ObjectArray, ResultRaster
from geoirrig.units import UnitSystem

DrawnAs = Literal["area", "outline", "dashed_outline", "dot", "ring"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyFigure:
    """A figure at the head of the page, in the units of the run and, where short, in the others."""

    label: str
    value: str
    also: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableColumn:
    """A column: what is shown in each row, and what it is sorted by."""

    title: str
    meaning: str
    texts: tuple[str, ...]
    sort_by: tuple[float, ...] | None = None  # None: by the text; NaN comes last
    is_name: bool = False  # of its row


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportTable:
    """A table that sorts; its rows may be places on the map.

    Attributes
    ----------
    caption : str
        What the rows are.
    columns : tuple of TableColumn
        One of them names the row.
    places : str
        Label of the `PlaceLayer` whose features are the rows, in their order; empty: none.
    note : str
        Said below it, such as how many rows were left out.
    """

    caption: str
    columns: tuple[TableColumn, ...]
    places: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BarChart:
    """Values as bars from zero, in the order given."""

    caption: str
    labels: tuple[str, ...]
    values: tuple[float, ...]  # NaN: not known
    texts: tuple[str, ...]  # the values with their unit
    longest: float  # value of a bar of full length, > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportPicture:
    """A picture in PNG."""

    png: bytes
    caption: str
    alternative: str  # what it shows, for who does not see it


Content = str | ReportTable | BarChart | ReportPicture


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSection:
    """A heading with what stands below it; text is a paragraph."""

    heading: str
    content: tuple[Content, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A feature of the map: its name and what is said of it."""

    name: str
    facts: tuple[tuple[str, str], ...]
    colour: str = ""  # of this one alone; empty: that of the layer


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceLayer:
    """Areas or points that can be switched on and off together."""

    label: str
    geometry: ObjectArray  # shapely, in the working plane [m]
    places: tuple[Place, ...]
    colour: str
    drawn_as: DrawnAs
    classes: str = ""  # quantity by whose `symbology.SCALES` the places are coloured
    is_shown: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportMap:
    """Surfaces, of which one is shown at a time, and places upon them."""

    grid: RasterGrid
    metres_per_unit: float  # of the working CRS
    rasters: tuple[ResultRaster, ...]  # the first is shown first; named as in `symbology.SCALES`
    layers: tuple[PlaceLayer, ...]  # the lowest first
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """Where the figures come from."""

    version: str
    files: tuple[InputFile, ...]
    options: tuple[tuple[str, str], ...]
    crs_name: str
    cell: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportPage:
    """A whole report."""

    title: str
    lead: str  # the answer in a sentence or two
    units: UnitSystem
    figures: tuple[KeyFigure, ...]
    map: ReportMap | None
    sections: tuple[ReportSection, ...]
    method: tuple[str, ...]  # paragraphs: how it was found, and what that leaves out
    provenance: Provenance
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
