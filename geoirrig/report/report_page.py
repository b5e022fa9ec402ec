"""What a report says, before it is spelled out as a page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.records import InputFile, ObjectArray, ResultRaster
from geoirrig.report.cell_values import MOST_CELLS
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
        Label of the `PlaceLayer` whose features are the rows; empty: none.
    place_rows : tuple of int
        Number of each row's place in that layer; empty: the rows are its places in their order.
    note : str
        Said below it, such as how many rows were left out.
    """

    caption: str
    columns: tuple[TableColumn, ...]
    places: str = ""
    place_rows: tuple[int, ...] = ()
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
    variant: str = ""  # of the map, with which alone it is shown; empty: with every one


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceLayer:
    """Areas or points that can be switched on and off together.

    Attributes
    ----------
    label : str
        What they are.
    geometry : ndarray of shapely geometries
        In the plane of the map; None has no place on it. [m]
    places : tuple of Place
        Of each geometry.
    colour, drawn_as : str
        How they are drawn; a place may have a colour of its own.
    classes : str
        Quantity by whose `symbology.SCALES` the places are coloured; empty: none.
    is_shown : bool
        Whether it is shown at first.
    hovered : int
        How many facts, of the first, are told on pointing; all of them are on a press.
    step_m : float
        Coordinates are rounded to whole multiples of it. [m]
    """

    label: str
    geometry: ObjectArray
    places: tuple[Place, ...]
    colour: str
    drawn_as: DrawnAs
    classes: str = ""
    is_shown: bool = True
    hovered: int = 0
    step_m: float = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class MapSurface:
    """A raster on its own grid; named as in `symbology.SCALES`."""

    raster: ResultRaster
    grid: RasterGrid
    variant: str = ""  # of the map, with which alone it is shown; empty: with every one
    most_cells: int = MOST_CELLS  # more are thinned out


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportMap:
    """Surfaces, of which one is shown at a time, and places upon them.

    Attributes
    ----------
    bounds_m : tuple of float
        West, south, east and north edge. [m]
    metres_per_unit : float
        Of the coordinates that are read off. [m]
    surfaces : tuple of MapSurface
        The first is shown first; those of one name are one choice.
    layers : tuple of PlaceLayer
        The lowest first.
    variants : tuple of str
        What the same ground may be looked at under, one at a time: the first is shown first.
    variants_are : str
        Heading of that choice.
    axes : tuple of str
        Names of the two coordinates that are read off.
    has_both_scales : bool
        Whether the scale bar is in both unit systems, whatever the page is in.
    note : str
        Said beside it.
    """

    bounds_m: tuple[float, float, float, float]
    metres_per_unit: float
    surfaces: tuple[MapSurface, ...] = ()
    layers: tuple[PlaceLayer, ...]
    variants: tuple[str, ...] = ()
    variants_are: str = ""
    axes: tuple[str, str] = ("E", "N")
    has_both_scales: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """Where the figures come from."""

    version: str
    files: tuple[InputFile, ...]
    options: tuple[tuple[str, str], ...]
    crs_name: str
    cell: str  # empty: nothing was worked on cells
    crs_is: str = "Coordinate reference system"  # what it is that of


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
