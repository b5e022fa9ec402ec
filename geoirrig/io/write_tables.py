"""Result tables as rows: for the summary, and as CSV."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from geoirrig.io.result_columns import RESULT_COLUMNS
from geoirrig.records import ResultTable
from geoirrig.units import UnitSystem, in_unit_system


def table_records(table: ResultTable, units: UnitSystem) -> list[dict[str, Any]]:
    """Rows of a table as dictionaries, without geometry.

    Result columns are in the chosen units; columns carried through keep name and values.
    """
    columns = columns_in(table, units)
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def totals_record(totals: Mapping[str, float], units: UnitSystem) -> dict[str, Any]:
    """Totals in the chosen units, under the names that these give them."""
    return dict(in_unit_system(name, value, units) for name, value in totals.items())


def write_csv(path: Path, table: ResultTable, *, units: UnitSystem) -> None:
    """Write a table as CSV (RFC 4180, UTF-8), without geometry.

    Missing values are empty. Numbers are written in full, so that they read back as they were.

    Parameters
    ----------
    path : Path
        File to write.
    table : ResultTable
        The rows.
    units : {"si", "us"}
        Unit system of the result columns.
    """
    columns = columns_in(table, units)
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(columns)
        for row in zip(*columns.values(), strict=True):
            writer.writerow([_plain(value) for value in row])


def columns_in(table: ResultTable, units: UnitSystem) -> dict[str, Any]:
    """Columns of a table in the chosen units, under the names that these give them."""
    return dict(
        in_unit_system(name, values, units)
        if name in RESULT_COLUMNS and np.asarray(values).dtype.kind == "f"
        else (name, values)
        for name, values in table.columns.items()
    )


def _plain(value: Any) -> Any:
    value = value.item() if isinstance(value, np.generic) else value
    return "" if value is None or value != value else value
