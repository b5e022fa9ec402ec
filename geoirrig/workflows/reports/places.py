"""Layers of the map of a page, made of results and of inputs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geoirrig.records import ObjectArray, ResultTable
from geoirrig.report.report_page import DrawnAs, Place, PlaceLayer
from geoirrig.symbology import NO_VALUE_COLOUR, SCALES
from geoirrig.units import UnitSystem
from geoirrig.workflows.reports.parts import (
    NO_HEADINGS,
    NOT_KNOWN,
    Headings,
    Told,
    told_texts,
    told_title,
    value_name,
    value_texts,
)

MOST_PLACES = 4000  # of a layer of the map


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerLook:
    """How a result is drawn on the map of a page.

    Attributes
    ----------
    label : str
        Name of the layer.
    named : str
        Name of a place, with ``{}`` for the value of its first column.
    colour, drawn_as, is_shown, hovered, step_m
        As of `PlaceLayer`.
    fill : str
        Colour of areas whose line has another; empty: that of the line.
    classes : str
        Column of `SCALES` by whose classes the places are coloured; empty: all alike.
    variant_column : str
        Column that names the variant of the map with which a place is shown; empty: with every one.
    most_places : int
        A layer of more is left off the map.
    """

    label: str
    named: str = "{}"
    colour: str
    drawn_as: DrawnAs
    fill: str = ""
    classes: str = ""
    is_shown: bool = True
    hovered: int = 0
    step_m: float = 0.01
    variant_column: str = ""
    most_places: int = MOST_PLACES


def place_layer(
    table: ResultTable,
    columns: Sequence[Told],
    look: LayerLook,
    *,
    units: UnitSystem,
    headings: Headings = NO_HEADINGS,
) -> PlaceLayer | None:
    """A layer of the map out of a result; None where it is empty or too large for a page.

    Parameters
    ----------
    table : ResultTable
        The result, with geometry.
    columns : sequence of str or tuple of str
        The column that names a place, then those that are told of it.
    look : LayerLook
        How it is drawn.
    units : {"si", "us"}
        Unit system of the page.
    headings : mapping of str to tuple of str
        As of `report_table`.
    """
    name_column = value_name(columns[0])
    n_rows = len(table.columns[name_column])
    if table.geometry is None or not 0 < n_rows <= look.most_places:
        return None
    facts = _known_facts(table, columns[1:], units, headings)
    names = value_texts(name_column, table.columns[name_column], units)
    colours = _class_colours(table, look.classes, units) if look.classes else [look.fill] * n_rows
    variants = table.columns[look.variant_column] if look.variant_column else [""] * n_rows
    return PlaceLayer(
        label=look.label,
        geometry=table.geometry,
        places=tuple(
            Place(
                name=look.named.format(name),
                facts=tuple((title, texts[row]) for title, texts in facts if texts[row]),
                colour=colours[row],
                variant=str(variants[row]),
            )
            for row, name in enumerate(names)
        ),
        colour=look.colour,
        drawn_as=look.drawn_as,
        classes=look.classes,
        is_shown=look.is_shown,
        hovered=look.hovered,
        step_m=look.step_m,
    )


def _known_facts(
    table: ResultTable, columns: Sequence[Told], units: UnitSystem, headings: Headings
) -> list[tuple[str, tuple[str, ...]]]:
    """Title and texts of each column that the result has and that is known somewhere."""
    found = [
        (_title(value_name(told), units, headings), told_texts(told, table, units))
        for told in columns
        if value_name(told) in table.columns
    ]
    return [(title, texts) for title, texts in found if not set(texts) <= {NOT_KNOWN, ""}]


def _title(name: str, units: UnitSystem, headings: Headings) -> str:
    return headings[name][0] if name in headings else told_title(name, units)


def _class_colours(table: ResultTable, column: str, units: UnitSystem) -> list[str]:
    scale = SCALES[column]
    index = scale.class_index(np.asarray(table.columns[column], dtype=np.float64), units)
    return [(*scale.colours, NO_VALUE_COLOUR)[number] for number in index]


def plain_layer(geometry: ObjectArray, names: ObjectArray, look: LayerLook) -> PlaceLayer | None:
    """What the input has, with its names; None where there is nothing, or too much of it."""
    if not 0 < len(geometry) <= look.most_places:
        return None
    return PlaceLayer(
        label=look.label,
        geometry=shapely.force_2d(geometry),
        places=tuple(Place(name=look.named.format(name), facts=()) for name in names),
        colour=look.colour,
        drawn_as=look.drawn_as,
        is_shown=look.is_shown,
    )


def left_off_note(n_places: Mapping[str, int]) -> str:
    """A sentence on layers that are too large for a page; empty where all fit.

    Parameters
    ----------
    n_places : mapping of str to int
        Places of each layer, by its label.

    Examples
    --------
    >>> left_off_note({"turf": 3})
    ''
    """
    labels = [label for label, count in n_places.items() if count > MOST_PLACES]
    if not labels:
        return ""
    return (
        f"Left off the map, since a layer of a page has at most {MOST_PLACES:,} places: "
        f"{', '.join(labels)}."
    )
