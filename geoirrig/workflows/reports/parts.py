"""What the reports of all commands are made of: tables, key figures, pictures, origin."""

from __future__ import annotations

import calendar
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig import __version__
from geoirrig.io.result_columns import (
    RESULT_COLUMNS,
    column_description,
    column_title,
    column_unit,
)
from geoirrig.maps.map_sheet import amount_text
from geoirrig.records import InputFile, ResultTable
from geoirrig.report.report_page import (
    BarChart,
    KeyFigure,
    Provenance,
    ReportPicture,
    ReportTable,
    TableColumn,
)
from geoirrig.symbology import STATUS_LABELS
from geoirrig.units import UnitSystem, in_unit_system
from geoirrig.wording import led_by
from geoirrig.workflows.run_record import RunRecord

MOST_ROWS = 400  # of a table; a page is for reading
NOT_KNOWN = "–"
# A column of a result, or one with the column that holds its difference to the layout as it stands.
Told = str | tuple[str, str]
# Of columns: heading with the unit, and meaning.
Headings = Mapping[str, tuple[str, str]]
NO_HEADINGS: Headings = {}
_MONTHS = ("month", "peak_month")  # told by their names
_DECIMALS = {"interval_days": 1}  # the same in every table
_SENTENCES = ("finding", "instruction", "limit", "measured", "rule_text")  # with quantities
_OUR_WORDS = ("kind", "device", "soil_texture")  # names of ours, with underscores between words
_OTHER_SYSTEM: dict[UnitSystem, UnitSystem] = {"si": "us", "us": "si"}


# --- tables --------------------------------------------------------------------------------------


def report_table(
    table: ResultTable,
    columns: Sequence[Told],
    *,
    caption: str,
    units: UnitSystem,
    places: str = "",
    at_most: int = MOST_ROWS,
    headings: Headings = NO_HEADINGS,
) -> ReportTable:
    """Chosen columns of the first rows of a result; the first column names them.

    A column that the result does not have, or that is nowhere known, is left out. One that is told
    with its difference has that behind it in brackets.

    Parameters
    ----------
    table : ResultTable
        The result, in SI.
    columns : sequence of str or tuple of str
        SI names.
    caption : str
        What the rows are.
    units : {"si", "us"}
        Unit system of the page.
    places : str
        Label of the layer of the map that `place_layer` made of the same result.
    at_most : int
        How many rows; the note tells of more.
    headings : mapping of str to tuple of str
        Heading and meaning of columns of which this page says something else than the layer.
    """
    present = [told for told in columns if value_name(told) in table.columns]
    n_rows = len(table.columns[value_name(present[0])])
    first = table
    if n_rows > at_most:
        first = in_order(table, np.arange(at_most))
    return ReportTable(
        caption=caption,
        columns=tuple(
            column
            for column in (
                _table_column(told, first, units, headings, is_name=not number)
                for number, told in enumerate(present)
            )
            if column.is_name or not set(column.texts) <= {NOT_KNOWN, ""}
        ),
        places=places,
        note=_left_out(n_rows, at_most),
    )


def _left_out(n_rows: int, at_most: int) -> str:
    if n_rows <= at_most:
        return ""
    return f"The first {at_most:,} of {n_rows:,} rows; all are in the GeoPackage."


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


def _table_column(
    told: Told, table: ResultTable, units: UnitSystem, headings: Headings, *, is_name: bool
) -> TableColumn:
    name = value_name(told)
    title, meaning = headings.get(name, (told_title(name, units), _told_meaning(name, units)))
    if isinstance(told, tuple):
        meaning = f"{meaning} In brackets: the difference to the layout as it stands.".lstrip()
    return TableColumn(
        title=title,
        meaning=meaning,
        texts=told_texts(told, table, units),
        sort_by=_sort_keys(table.columns[name]),
        is_name=is_name,
    )


def _told_meaning(name: str, units: UnitSystem) -> str:
    """What a column says; empty where that is no more than its title says."""
    if name not in RESULT_COLUMNS:
        return ""
    title, meaning = RESULT_COLUMNS[name]
    return "" if meaning.rstrip(".") == title else column_description(name, units)


def number_column(
    title: str, values: NDArray[np.float64], *, decimals: int, meaning: str = ""
) -> TableColumn:
    """A column of numbers that no result layer holds; the title states their unit.

    Parameters
    ----------
    title, meaning : str
        Heading, and what it says.
    values : ndarray
        NaN where not known. [the unit that the title states]
    decimals : int
        How many are shown.
    """
    return TableColumn(
        title=title,
        meaning=meaning,
        texts=tuple(f"{x:,.{decimals}f}" if math.isfinite(x) else NOT_KNOWN for x in values),
        sort_by=tuple(values.tolist()),
    )


def value_name(told: Told) -> str:
    """Column that holds the value itself."""
    return told[0] if isinstance(told, tuple) else told


def told_title(name: str, units: UnitSystem) -> str:
    """Title of a result column; a column of the input has its own name."""
    return column_title(name, units) if name in RESULT_COLUMNS else name


def told_texts(told: Told, table: ResultTable, units: UnitSystem) -> tuple[str, ...]:
    """Values of a column as text, with the difference behind each where there is one."""
    name = value_name(told)
    values = value_texts(name, table.columns[name], units)
    if not isinstance(told, tuple):
        return values
    changes = np.asarray(in_unit_system(told[1], table.columns[told[1]], units)[1], np.float64)
    return tuple(
        f"{value} ({change})" if change else value
        for value, change in zip(values, map(_signed, changes, values), strict=True)
    )


def _signed(change: float, beside: str) -> str:
    """A difference with its sign and the decimals of its value; empty where it rounds to none."""
    if not math.isfinite(change):
        return ""
    text = f"{change:+,.{len(beside.partition('.')[2])}f}".replace("-", "−")
    return text if any(digit in "123456789" for digit in text) else ""


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
    if name == "status_code":
        return tuple(STATUS_LABELS[int(value)] for value in values)
    if name in _MONTHS:
        return tuple(calendar.month_name[int(value)] or NOT_KNOWN for value in values)
    if np.asarray(values).dtype.kind == "f":
        numbers = np.asarray(in_unit_system(name, values, units)[1], dtype=np.float64)
        largest = float(np.max(np.abs(numbers[np.isfinite(numbers)]), initial=0.0))
        decimals = 2 if largest == 0.0 else min(3, max(0, 2 - math.floor(math.log10(largest))))
        # a share stands in the same form in every table
        decimals = 2 if largest <= 1.0 and name.endswith(("_lq", "_lh", "fraction")) else decimals
        decimals = _DECIMALS.get(name, decimals)
        return tuple(
            f"{x:,.{decimals}f}".replace("-", "−") if math.isfinite(x) else NOT_KNOWN
            for x in numbers
        )
    texts = tuple(_plain_text(name, value) for value in values)
    return tuple(led_by(units, text) for text in texts) if name in _SENTENCES else texts


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
    cell = amount_text("cell_m", record.cell_size_m, units)
    return origin(record.files, record.options, crs_name=record.crs_name, cell=cell)


def origin(
    files: Sequence[InputFile], options: Mapping[str, Any], *, crs_name: str, cell: str = ""
) -> Provenance:
    """Files and options of a run that may have no grid."""
    return Provenance(
        version=__version__,
        files=tuple(files),
        options=tuple(
            (name.replace("_", " "), _option_text(value))
            for name, value in options.items()
            if value is not None
        ),
        crs_name=crs_name,
        cell=cell,
    )


def _option_text(value: Any) -> str:
    if isinstance(value, Mapping):
        return "; ".join(f"{name} {_option_text(part)}" for name, part in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else json.dumps(value, default=str, ensure_ascii=False)


def records_table(
    records: Sequence[Mapping[str, Any]],
    columns: Mapping[str, str],
    *,
    caption: str,
    places: str = "",
    place_rows: Sequence[int] = (),
) -> ReportTable:
    """The first rows of a summary as a table; ``columns`` maps their keys to headings.

    Parameters
    ----------
    records : sequence of mapping
        The rows.
    columns : mapping of str to str
        Their keys and the headings; the first names the row.
    caption : str
        What the rows are.
    places : str
        Label of a layer of the map whose places the rows are.
    place_rows : sequence of int
        Number of the place of each row.
    """
    return ReportTable(
        caption=caption,
        places=places,
        place_rows=tuple(place_rows[:MOST_ROWS]),
        note=_left_out(len(records), MOST_ROWS),
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
