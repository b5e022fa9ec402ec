"""Dates of a climate file: days or months, in order, without gaps, in whole calendar months."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.errors import ProblemList
from geoirrig.io.column_values import row_ids, texts
from geoirrig.io.columns import listed
from geoirrig.io.open_layer import LayerTable
from geoirrig.records import ClimateStep
from geoirrig.units import FloatArray

DateArray = NDArray[np.datetime64]

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_MONTH = re.compile(r"\d{4}-\d{2}")
_ONE_DAY, _ONE_MONTH = np.timedelta64(1, "D"), np.timedelta64(1, "M")
_MONTH_NAMES = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ClimateDates:
    """Dates of the rows of a climate file, in the order of the file; shape (n_rows,)."""

    step: ClimateStep
    date: DateArray  # datetime64[D]; the first of the month where monthly


def read_dates(table: LayerTable, problems: ProblemList) -> ClimateDates | None:
    """Dates of the rows; None where one cannot be understood.

    Parameters
    ----------
    table : LayerTable
        The climate file, with a column ``date``.
    problems : ProblemList
        Takes missing, repeated, misspelt and mixed dates, gaps, months that are partly there and
        records that lack a month of the year; a warning where rows are out of order.
    """
    written = [text.strip() for text in texts(table.columns["date"])]
    row_ids(table, problems)  # notes missing and repeated ones
    parsed = [_parsed(text) for text in written]
    bad = [text for text, date in zip(written, parsed, strict=True) if text and date is None]
    if bad:
        problems.add(
            f"{table.start}: date must be a day such as 2024-05-01 or a month such as 2024-05; "
            f"got {listed(dict.fromkeys(bad), at_most=3)}. Correct these rows."
        )
    is_day = [_DAY.fullmatch(text) is not None for text in written if text and text not in bad]
    if any(is_day) and not all(is_day):
        day = next(text for text in written if _DAY.fullmatch(text))
        month = next(text for text in written if _MONTH.fullmatch(text))
        problems.add(
            f"{table.start} mixes days and months: {day!r} is a day, {month!r} a month. Give one "
            "or the other in every row."
        )
        return None
    if not written or not all(date is not None for date in parsed):
        return None
    date = np.array(parsed, dtype="datetime64[D]")
    step: ClimateStep = "daily" if is_day[0] else "monthly"
    _check_order(table, written, date, problems)
    _check_cover(table, np.unique(date), step, problems)
    return ClimateDates(step=step, date=date)


def days_of_rows(table: LayerTable) -> FloatArray:
    """Days that each row stands for: 1, or those of its month; NaN where its date is at fault."""
    days = np.full(table.n_rows, np.nan)
    for row, text in enumerate(texts(table.columns["date"]) if "date" in table.columns else []):
        date = _parsed(text.strip())
        if date is not None:
            month = np.array([date])
            length = _month_start(month, 1) - _month_start(month, 0)
            is_day = _DAY.fullmatch(text.strip()) is not None
            days[row] = 1.0 if is_day else float(length[0].astype(np.int64))
    return days


def _parsed(text: str) -> np.datetime64 | None:
    if not (_DAY.fullmatch(text) or _MONTH.fullmatch(text)):
        return None
    try:
        return np.datetime64(text, "D")
    except ValueError:  # the 30th of February
        return None


def _month_start(date: DateArray, months_later: int) -> DateArray:
    """First day of the month of each date, or of a later month."""
    month = date.astype("datetime64[M]").astype(np.int64) + months_later
    return month.astype("datetime64[M]").astype("datetime64[D]")


def _check_order(
    table: LayerTable, written: list[str], date: DateArray, problems: ProblemList
) -> None:
    back = np.flatnonzero(np.diff(date) < np.timedelta64(0, "D"))
    if len(back):
        at = int(back[0])
        problems.warn(
            f"{table.start}: rows are not in the order of their dates ({written[at + 1]} follows "
            f"{written[at]}); they were sorted."
        )


def _check_cover(
    table: LayerTable, date: DateArray, step: ClimateStep, problems: ProblemList
) -> None:
    """Note gaps, part months and months of the year without any row; dates rise."""
    unit = _ONE_DAY if step == "daily" else _ONE_MONTH
    steps = date if step == "daily" else date.astype("datetime64[M]")
    gaps = np.flatnonzero(np.diff(steps) > unit)
    if len(gaps):
        named = [_gap(steps[at] + unit, steps[at + 1] - unit, step) for at in gaps[:3]]
        more = f" and {len(gaps) - 3} more gaps" if len(gaps) > 3 else ""
        problems.add(
            f"{table.start} has gaps in its dates: no row for {', '.join(named)}{more}. Fill them, "
            "or cut the record to a stretch of whole months without gaps."
        )
    if step == "daily":
        _check_whole_months(table, date, problems)
    present = set((date.astype("datetime64[M]").astype(np.int64) % 12).tolist())
    missing = [name for number, name in enumerate(_MONTH_NAMES) if number not in present]
    if missing:
        problems.add(
            f"{table.start} holds no {listed(missing)}; it runs from {steps[0]} to {steps[-1]}. A "
            "schedule needs every month of the year. Give at least one whole year."
        )


def _gap(first: np.datetime64, last: np.datetime64, step: ClimateStep) -> str:
    count = int((last - first).astype(np.int64)) + 1
    if count == 1:
        return str(first)
    return f"{first} to {last} ({count} {'days' if step == 'daily' else 'months'})"


def _check_whole_months(table: LayerTable, date: DateArray, problems: ProblemList) -> None:
    first, last = date[0], date[-1]
    found = []
    if first != _month_start(date[:1], 0)[0]:
        found.append(f"{first.astype('datetime64[M]')} begins on {first}")
    if last + _ONE_DAY != _month_start(date[-1:], 1)[0]:
        found.append(f"{last.astype('datetime64[M]')} ends on {last}")
    if found:
        problems.add(
            f"{table.start} holds a part of a month: {' and '.join(found)}. A part would count as "
            "the whole in the monthly totals. Start on the first and end on the last of a month."
        )
