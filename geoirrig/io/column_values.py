"""Values of a layer's columns: units, ranges, words and ids, with every fault noted.

Each function gives back what it can, so that checking goes on after a fault.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.errors import ProblemList, named_rows
from geoirrig.io.columns import (
    NumberColumn,
    listed,
    nearest_hint,
    nearest_name,
)
from geoirrig.io.open_layer import LayerTable
from geoirrig.records import ObjectArray
from geoirrig.units import FloatArray, Unit, to_si

BoolArray = NDArray[np.bool_]


def check_required_columns(table: LayerTable, problems: ProblemList) -> None:
    """Note every required column that is absent, and every other name without its unit."""
    for name in table.schema.required:
        column = table.schema.column(name)
        bare = column.unitless_name if isinstance(column, NumberColumn) else None
        if not _found_spellings(table, name) and bare not in table.columns:
            problems.add(missing_column(table, name))
    for column in table.schema.columns:
        if isinstance(column, NumberColumn):
            _check_spelling(table, column, problems)


def missing_column(table: LayerTable, name: str) -> str:
    """Message: a column is absent, how it may be called, and what looks like it."""
    spellings = list(table.schema.column(name).spellings)
    wanted = " or ".join(repr(s) for s in spellings)
    nearest = nearest_name(name, [c for c in table.columns if c not in table.schema.spellings])
    hint = f" Is {nearest!r} meant for it?" if nearest is not None else ""
    return f"{table.start} has no column {wanted}. Add it.{hint}"


def has_column(table: LayerTable, name: str) -> bool:
    """Whether a column is there in one of its spellings."""
    return bool(_found_spellings(table, name))


def row_ids(table: LayerTable, problems: ProblemList) -> ObjectArray:
    """Ids of the rows as text; missing and repeated ones are noted.

    Returns
    -------
    ndarray of str, shape (n_rows,)
        The id, ``(feature 7)`` where it is missing, so that messages can name the row.
    """
    name = table.schema.id_column
    if name is None or name not in table.columns:
        return _feature_names(table, np.ones(table.n_rows, dtype=bool))
    ids = texts(table.columns[name])
    is_missing = np.array([not text.strip() for text in ids], dtype=bool)
    if is_missing.any():
        features = ", ".join(str(n) for n in table.feature[is_missing][:3])
        rest = int(is_missing.sum()) - 3
        problems.add(
            f"{table.start}: {name} is empty for feature {features}"
            f"{f' and {rest} more' if rest > 0 else ''}. Every row needs one."
        )
        ids = np.where(is_missing, _feature_names(table, is_missing), ids)
    if table.schema.is_id_unique:
        unique, count = np.unique(ids.astype(str), return_counts=True)
        repeated = unique[count > 1]
        if len(repeated):
            problems.add(
                f"{table.start}: {name} must be unique; met more than once: "
                f"{listed(repeated.tolist(), at_most=5)}. Give every row its own."
            )
    return ids


def text_column(table: LayerTable, name: str, problems: ProblemList) -> ObjectArray:
    """Text of a column without blanks around it; "" where absent or missing.

    Words are checked where the schema names them.
    """
    if name not in table.columns:
        return np.full(table.n_rows, "", dtype=object)
    values = np.array([t.strip() for t in texts(table.columns[name])], dtype=object)
    words = table.schema.text(name).words
    if words:
        is_unknown = np.array([bool(v) and v not in words for v in values], dtype=bool)
        if is_unknown.any():
            first = str(values[is_unknown][0])
            problems.add(
                f"{table.start}: {name} must be one of {', '.join(words)}; "
                f"{named_values(table, values, is_unknown)}.{nearest_hint(first, words)}"
            )
    return values


def number_column(table: LayerTable, name: str, problems: ProblemList) -> FloatArray:
    """Numbers of a column in SI; NaN where absent, missing or at fault.

    They may be the column's own array, which is not to be written to.

    Parameters
    ----------
    table : LayerTable
        The layer.
    name : str
        SI name of the column.
    problems : ProblemList
        Takes text that is no number, infinite values and values out of range.
    """
    column = table.schema.number(name)
    found = _found_spellings(table, name)
    if len(found) != 1:  # absent, or noted by `check_required_columns`
        return np.full(table.n_rows, np.nan)
    spelling = found[0]
    raw = table.columns[spelling]
    values, is_text = _numbers(raw)
    unit = column.spellings[spelling]
    si = values if unit is None or unit.to_si == 1.0 else to_si(values, unit)
    if not is_text.any() and _lie_within(column, si):
        return si
    _note(table, spelling, raw, is_text, "must be a number", problems)
    is_infinite = np.isinf(values)
    _note(table, spelling, values, is_infinite, "must be a finite number", problems)
    is_bad = is_text | is_infinite
    for is_out, wanted in _out_of_range(column, unit, si):
        if is_out.any():
            _note(table, spelling, values, is_out & ~is_bad, f"must be {wanted}", problems)
            is_bad = is_bad | is_out
    return np.where(is_bad, np.nan, si)


def require_stated(
    table: LayerTable, name: str, is_missing: BoolArray, problems: ProblemList
) -> None:
    """Note the rows that lack a value of a column that every row needs."""
    if is_missing.any() and has_column(table, name):
        spelling = _found_spellings(table, name)[0]
        problems.add(
            f"{table.start}: {spelling} is empty for {named_ids(table, is_missing)}. "
            "Every row needs one."
        )


def filled_rows(table: LayerTable, name: str) -> BoolArray:
    """Rows with any value in a column, be it a faulty one, which has its own message."""
    found = _found_spellings(table, name)
    if not found:
        return np.zeros(table.n_rows, dtype=bool)
    return np.array([bool(_text(v).strip()) for v in table.columns[found[0]].tolist()], dtype=bool)


def named_ids(table: LayerTable, is_meant: BoolArray) -> str:
    """Ids of some rows: ``head_id 'A', 'B' and 3 more``."""
    name, ids = _id_name(table), _silent_ids(table)
    found = [repr(str(row_id))[:60] for row_id in ids[is_meant][:3]]
    rest = int(is_meant.sum()) - 3
    return f"{name} {', '.join(found)}{f' and {rest} more' if rest > 0 else ''}"


def named_values(table: LayerTable, values: NDArray[Any], is_meant: BoolArray) -> str:
    """Values met in some rows, with the rows' ids; see `named_rows`."""
    ids = _silent_ids(table)
    return named_rows(
        _id_name(table), zip(ids[is_meant].tolist(), values[is_meant].tolist(), strict=True)
    )


def texts(values: NDArray[Any]) -> ObjectArray:
    """Values as text: whole numbers without a point, missing ones as ""."""
    return np.array([_text(value) for value in values.tolist()] or [], dtype=object)


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        if math.isnan(value):
            return ""
        return str(int(value)) if value.is_integer() and abs(value) < 2**53 else repr(value)
    if isinstance(value, bytes):
        return value.decode("utf-8", errors="replace")
    return str(value)


def _numbers(values: NDArray[Any]) -> tuple[FloatArray, BoolArray]:
    """Values as float64, NaN where missing, and which of them are text but no number."""
    if values.dtype.kind in "iuf":
        return values.astype(np.float64, copy=False), np.zeros(len(values), dtype=bool)
    numbers = np.full(len(values), np.nan)
    is_text = np.zeros(len(values), dtype=bool)
    for row, value in enumerate(values.tolist()):
        text = _text(value).strip()
        if not text:
            continue
        try:
            numbers[row] = float(text)
        except ValueError:
            is_text[row] = True
        else:
            is_text[row] = "_" in text or math.isnan(numbers[row])
    return numbers, is_text


def _lie_within(column: NumberColumn, si: FloatArray) -> bool:
    """Whether all values are finite and in range, NaN apart: the lowest and the highest tell."""
    if column.is_whole or not len(si):
        return not len(si)
    ends = np.array([np.fmin.reduce(si), np.fmax.reduce(si)])
    return not np.isinf(ends).any() and not any(
        is_out.any() for is_out, _ in _out_of_range(column, None, ends)
    )


def _out_of_range(
    column: NumberColumn, unit: Unit | None, si: FloatArray
) -> list[tuple[BoolArray, str]]:
    """Rows outside each limit of a column, with the limit in the user's unit; NaN is inside."""

    def shown(limit: float) -> str:
        return f"{limit:g}" if unit is None else f"{limit / unit.to_si:g} {unit.printed}"

    found: list[tuple[BoolArray, str]] = []
    if column.above is not None:
        found.append((si <= column.above, f"greater than {shown(column.above)}"))
    if column.at_least is not None:
        found.append((si < column.at_least, f"at least {shown(column.at_least)}"))
    if column.at_most is not None:
        found.append((si > column.at_most, f"at most {shown(column.at_most)}"))
    if column.is_whole:
        found.append((np.isfinite(si) & (si != np.round(si)), "a whole number"))
    return found


def _note(
    table: LayerTable,
    spelling: str,
    values: NDArray[Any],
    is_bad: BoolArray,
    wanted: str,
    problems: ProblemList,
) -> None:
    if is_bad.any():
        problems.add(
            f"{spelling} {wanted}; {named_values(table, values, is_bad)}. Correct {table.place}."
        )


def _check_spelling(table: LayerTable, column: NumberColumn, problems: ProblemList) -> None:
    """Note a quantity that comes without a unit, or in two spellings."""
    found = _found_spellings(table, column.name)
    bare = column.unitless_name
    has_bare = bare is not None and bare in table.columns
    if len(found) > 1:
        problems.add(
            f"{table.start} has {listed(found)}, two spellings of one quantity. Keep one of them."
        )
    elif has_bare and found and column.has_units:
        problems.add(
            f"{table.start} has {bare!r} beside {found[0]!r}: one quantity twice, once without "
            "a unit. Keep the one with the unit."
        )
    elif has_bare and not found:
        wanted = " or ".join(repr(s) for s in column.spellings)
        problems.add(
            f"{table.start}: column {bare!r} names no unit. Rename it {wanted}, whichever it is."
        )


def _found_spellings(table: LayerTable, name: str) -> list[str]:
    return [s for s in table.schema.column(name).spellings if s in table.columns]


def _silent_ids(table: LayerTable) -> ObjectArray:
    return row_ids(table, ProblemList())


def _id_name(table: LayerTable) -> str:
    return table.schema.id_column or f"{table.schema.layer}"


def _feature_names(table: LayerTable, is_meant: BoolArray) -> ObjectArray:
    return np.array(
        [f"(feature {n})" if m else "" for n, m in zip(table.feature, is_meant, strict=True)],
        dtype=object,
    )
