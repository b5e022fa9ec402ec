"""What the reports of all commands are made of: tables, places, key figures, origin."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig import __version__
from geoirrig.io.result_columns import (
    RESULT_COLUMNS,
    column_description,
    column_title,
    column_unit,
)
from geoirrig.maps.map_sheet import amount_text
from geoirrig.records import ObjectArray, ResultTable
from geoirrig.report.report_page import (
    BarChart,
    DrawnAs,
    KeyFigure,
    Place,
    PlaceLayer,
    Provenance,
    ReportPicture,
    ReportTable,
    TableColumn,
)
from geoirrig.symbology import SCALES
from geoirrig.units import UnitSystem, in_unit_system
from geoirrig.workflows.run_record import RunRecord

MOST_ROWS = 400  # of a table; a page is for reading
MOST_PLACES = 4000  # of a layer of the map
NOT_KNOWN = "–"
_OUR_WORDS = ("kind", "device", "soil_texture")  # names of ours, with underscores between words
_OTHER_SYSTEM: dict[UnitSystem, UnitSystem] = {"si": "us", "us": "si"}


# --- tables --------------------------------------------------------------------------------------


def report_table(
    table: ResultTable,
    columns: Sequence[str],
    *,
    caption: str,
    units: UnitSystem,
    places: str = "",
    at_most: int = MOST_ROWS,
) -> ReportTable:
    """Chosen columns of the first rows of a result; the first column names them.

    A column that the result does not have, or that is nowhere known, is left out.

    Parameters
    ----------
    table : ResultTable
        The result, in SI.
    columns : sequence of str
        SI names.
    caption : str
        What the rows are.
    units : {"si", "us"}
        Unit system of the page.
    places : str
        Label of the layer of the map that `place_layer` made of the same result.
    at_most : int
        How many rows; the note tells of more.
    """
    present = [name for name in columns if name in table.columns]
    n_rows = len(table.columns[present[0]])
    note = ""
    if n_rows > at_most:
        note = f"The first {at_most:,} of {n_rows:,} rows; all are in the GeoPackage."
    return ReportTable(
        caption=caption,
        columns=tuple(
            column
            for column in (
                _table_column(name, table.columns[name][:at_most], units, is_name=not number)
                for number, name in enumerate(present)
            )
            if column.is_name or not set(column.texts) <= {NOT_KNOWN, ""}
        ),
        places=places,
        note=note,
    )


def largest_first(table: ResultTable, column: str) -> ResultTable:
    """The same rows in falling order of a column."""
    falling = -np.asarray(table.columns[column], dtype=np.float64)
    return in_order(table, np.argsort(falling, kind="stable"))


def in_order(table: ResultTable, order: NDArray[np.int64]) -> ResultTable:
    """The rows of those numbers, in that order."""
    return replace(
        table,
        columns={name: np.asarray(values)[order] for name, values in table.columns.items()},
        geometry=None if table.geometry is None else table.geometry[order],
    )


def _table_column(name: str, values: Any, units: UnitSystem, *, is_name: bool) -> TableColumn:
    is_ours = name in RESULT_COLUMNS
    return TableColumn(
        title=column_title(name, units) if is_ours else name,
        meaning=column_description(name, units) if is_ours else "",
        texts=value_texts(name, values, units),
        sort_by=_sort_keys(values),
        is_name=is_name,
    )


def _sort_keys(values: Any) -> tuple[float, ...] | None:
    """Numbers to sort by, NaN where there is none; None for texts."""
    keys = []
    for value in values:
        if isinstance(value, int | float | np.number) and not isinstance(value, bool):
            keys.append(float(value))
        elif value is None:
            keys.append(math.nan)
        else:
            return None
    return tuple(keys)


def value_texts(name: str, values: Any, units: UnitSystem) -> tuple[str, ...]:
    """Values of an SI column as text without the unit, all with the same decimals.

    Examples
    --------
    >>> value_texts("mean_depth_mm", [25.4, 12.7, float("nan")], "us")
    ('1.00', '0.50', '–')
    """
    if np.asarray(values).dtype.kind == "f":
        numbers = np.asarray(in_unit_system(name, values, units)[1], dtype=np.float64)
        largest = float(np.max(np.abs(numbers[np.isfinite(numbers)]), initial=0.0))
        decimals = 2 if largest == 0.0 else min(3, max(0, 2 - math.floor(math.log10(largest))))
        # a share stands in the same form in every table
        decimals = 2 if largest <= 1.0 and name.endswith(("_lq", "_lh", "fraction")) else decimals
        return tuple(f"{x:,.{decimals}f}" if math.isfinite(x) else NOT_KNOWN for x in numbers)
    return tuple(_plain_text(name, value) for value in values)


def _plain_text(name: str, value: Any) -> str:
    if value is None or value != value:
        return NOT_KNOWN
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, int | np.integer):
        return f"{value:,}" if not name.endswith("_id") else str(value)
    return str(value).replace("_", " ") if name in _OUR_WORDS else str(value)


def bars(
    table: ResultTable, name_column: str, column: str, *, caption: str, units: UnitSystem
) -> BarChart | None:
    """A bar for each row, none where there is nothing to compare; at most 60 rows."""
    values = np.asarray(table.columns[column], dtype=np.float64)[:60]
    largest = float(np.max(values[np.isfinite(values)], initial=0.0))
    if len(values) < 2 or largest <= 0.0:
        return None
    unit = column_unit(column, units)
    return BarChart(
        caption=caption,
        labels=tuple(str(name) for name in table.columns[name_column][: len(values)]),
        values=tuple(values.tolist()),
        texts=tuple(
            text if text == NOT_KNOWN else f"{text} {unit}".rstrip()
            for text in value_texts(column, values, units)
        ),
        longest=1.0 if column.startswith("du_") else largest,
    )


# --- the map -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerLook:
    """How a result is drawn on the map of a page.

    Attributes
    ----------
    label : str
        Name of the layer.
    named : str
        Name of a place, with ``{}`` for the value of its first column.
    colour, drawn_as : str
        As of `PlaceLayer`.
    classes : str
        Column of `SCALES` by whose classes the places are coloured; empty: all alike.
    is_shown : bool
        Whether it is shown at first.
    """

    label: str
    named: str = "{}"
    colour: str
    drawn_as: DrawnAs
    classes: str = ""
    is_shown: bool = True


def place_layer(
    table: ResultTable, columns: Sequence[str], look: LayerLook, *, units: UnitSystem
) -> PlaceLayer | None:
    """A layer of the map out of a result; None where it is empty or too large for a page.

    Parameters
    ----------
    table : ResultTable
        The result, with geometry.
    columns : sequence of str
        The column that names a place, then those that are told of it.
    look : LayerLook
        How it is drawn.
    units : {"si", "us"}
        Unit system of the page.
    """
    n_rows = len(table.columns[columns[0]])
    if table.geometry is None or not 0 < n_rows <= MOST_PLACES:
        return None
    told = [name for name in columns[1:] if name in table.columns]
    texts = [value_texts(name, table.columns[name], units) for name in told]
    titles = [column_title(name, units) if name in RESULT_COLUMNS else name for name in told]
    names = value_texts(columns[0], table.columns[columns[0]], units)
    colours = _class_colours(table, look.classes, units) if look.classes else [""] * n_rows
    return PlaceLayer(
        label=look.label,
        geometry=table.geometry,
        places=tuple(
            Place(
                name=look.named.format(name),
                facts=tuple(
                    (title, text[row])
                    for title, text in zip(titles, texts, strict=True)
                    if text[row]
                ),
                colour=colours[row],
            )
            for row, name in enumerate(names)
        ),
        colour=look.colour,
        drawn_as=look.drawn_as,
        classes=look.classes,
        is_shown=look.is_shown,
    )


def _class_colours(table: ResultTable, column: str, units: UnitSystem) -> list[str]:
    scale = SCALES[column]
    index = scale.class_index(np.asarray(table.columns[column], dtype=np.float64), units)
    return [(*scale.colours, "")[number] for number in index]


def plain_layer(geometry: ObjectArray, names: ObjectArray, look: LayerLook) -> PlaceLayer | None:
    """What the input has, with its names; None where there is nothing, or too much of it."""
    if not 0 < len(geometry) <= MOST_PLACES:
        return None
    return PlaceLayer(
        label=look.label,
        geometry=shapely.force_2d(geometry),
        places=tuple(Place(name=look.named.format(name), facts=()) for name in names),
        colour=look.colour,
        drawn_as=look.drawn_as,
        is_shown=look.is_shown,
    )


# --- figures and origin --------------------------------------------------------------------------


def key_figure(label: str, column: str, value: float, units: UnitSystem) -> KeyFigure:
    """A quantity in the units of the run, and in the others where they differ."""
    if not math.isfinite(value):
        return KeyFigure(label=label, value=NOT_KNOWN)
    own = amount_text(column, value, units)
    other = amount_text(column, value, _OTHER_SYSTEM[units])
    return KeyFigure(label=label, value=own, also="" if other == own else other)


def picture(path: Path, *, caption: str, alternative: str) -> ReportPicture | None:
    """A picture that the run has drawn; None where it drew none."""
    if not path.is_file():
        return None
    return ReportPicture(png=path.read_bytes(), caption=caption, alternative=alternative)


def provenance(record: RunRecord, units: UnitSystem) -> Provenance:
    """Files, options and grid of a run."""
    return Provenance(
        version=__version__,
        files=record.files,
        options=tuple(
            (name.replace("_", " "), _option_text(value))
            for name, value in record.options.items()
            if value is not None
        ),
        crs_name=record.crs_name,
        cell=amount_text("cell_m", record.cell_size_m, units),
    )


def _option_text(value: Any) -> str:
    if isinstance(value, Mapping):
        return "; ".join(f"{name} {_option_text(part)}" for name, part in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else json.dumps(value, default=str, ensure_ascii=False)


def records_table(
    records: Sequence[Mapping[str, Any]], columns: Mapping[str, str], *, caption: str
) -> ReportTable:
    """Rows of a summary as a table; ``columns`` maps their keys to headings."""
    return ReportTable(
        caption=caption,
        columns=tuple(
            TableColumn(
                title=title,
                meaning="",
                texts=tuple(_plain_text(key, row.get(key)) for row in records[:MOST_ROWS]),
                sort_by=_sort_keys([row.get(key) for row in records[:MOST_ROWS]]),
                is_name=number == 0,
            )
            for number, (key, title) in enumerate(columns.items())
        ),
    )
