"""Faults that concern one parcel each: it fails, the others go on.

The bulk readers only find the rows that are at fault; what is wrong with them is put into words by
the ordinary readers, which are given the rows of that one parcel.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geoirrig.errors import ProblemList
from geoirrig.io.arrow_layer import ArrowLayer
from geoirrig.io.column_values import (
    BoolArray,
    filled_rows,
    named_ids,
    number_column,
    texts,
)
from geoirrig.io.columns import listed
from geoirrig.io.open_layer import LayerTable
from geoirrig.units import FloatArray

MOST_EXPLAINED = 1000  # parcels; where more are at fault, the rest is hardly of another kind


@dataclass(slots=True)
class ParcelFaults:
    """Reasons by parcel, collected while reading, as `ProblemList` collects those of the run."""

    reasons: dict[int, list[str]] = field(default_factory=dict)

    def add(self, parcel: int, reason: str) -> None:
        """Note why a parcel fails."""
        found = self.reasons.setdefault(int(parcel), [])
        if reason not in found:
            found.append(reason)

    def take(self, other: ParcelFaults) -> None:
        """Note everything that was collected apart."""
        for parcel, reason in other.failures():
            self.add(parcel, reason)

    def failures(self) -> tuple[tuple[int, str], ...]:
        """Number of the parcel and reason, by parcel."""
        return tuple((p, reason) for p in sorted(self.reasons) for reason in self.reasons[p])

    def is_failed(self, n_parcels: int) -> BoolArray:
        """Which of all parcels fail."""
        failed = np.zeros(n_parcels, dtype=bool)
        failed[list(self.reasons)] = True
        return failed


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutItem:
    """A head or a polygon that belongs to no parcel; the last may stand for many more."""

    layer: str
    item_id: str
    reason: str
    count: int = 1


def numbers_by_row(layer: ArrowLayer, name: str) -> tuple[FloatArray, BoolArray]:
    """Numbers of a column in SI, NaN where missing or at fault, and the rows that are at fault.

    The numbers are read only: most often they are those of the column itself.
    """
    silent = ProblemList()
    values = number_column(layer.table, name, silent)
    values.flags.writeable = False  # always, so that kernels are compiled for this alone
    if not silent.problems:
        return values, np.zeros(len(values), dtype=bool)
    spelling = next(
        s for s in layer.table.schema.column(name).spellings if s in layer.table.columns
    )
    raw = layer.table.columns[spelling]
    filled = ~np.isnan(raw) if raw.dtype.kind in "iuf" else filled_rows(layer.table, name)
    return values, np.asarray(np.isnan(values) & filled)


def note_rows_at_fault(
    layer: ArrowLayer,
    parcel: NDArray[np.int32],
    at_fault: BoolArray,
    careful: Callable[[LayerTable, ProblemList], object],
    faults: ParcelFaults,
) -> None:
    """Put the faults of each parcel's rows into words.

    Parameters
    ----------
    layer : ArrowLayer
        The layer.
    parcel : ndarray of int, shape (n_rows,)
        Parcel of every row; −1 for none.
    at_fault : ndarray of bool, shape (n_rows,)
        Rows that cannot be used.
    careful : callable
        The ordinary reader; it is given the rows at fault of one parcel and notes the problems.
    faults : ParcelFaults
        Takes them.
    """
    rows = np.flatnonzero(at_fault & (parcel >= 0))
    for count, (number, own) in enumerate(grouped(parcel[rows])):
        found = ProblemList()
        if count < MOST_EXPLAINED:
            careful(layer.rows(rows[own]), found)
        for problem in found.problems or [_unexplained(layer, rows[own])]:
            faults.add(number, problem)


def _unexplained(layer: ArrowLayer, rows: NDArray[np.int64]) -> str:
    """What is said where so many parcels are at fault that the first of them have to do."""
    first = named_ids(layer.rows(rows[:1]), np.ones(1, dtype=bool))
    others = f" and {len(rows) - 1} more" if len(rows) > 1 else ""
    return (
        f"{layer.table.start}: {first}{others} cannot be used. The first {MOST_EXPLAINED:,} "
        "parcels with such a fault say what is wrong."
    )


def note_repeated_ids(
    layer: ArrowLayer, parcel: NDArray[np.int32], is_repeated: BoolArray, faults: ParcelFaults
) -> None:
    """Note the parcels of rows that have no id, or that of another row."""
    rows = np.flatnonzero(is_repeated & (parcel >= 0))
    if not len(rows):
        return
    table = layer.rows(rows)
    name = table.schema.id_column
    ids = [] if name is None else [text.strip() for text in texts(table.columns[name])]
    for number, own in grouped(parcel[rows]):
        empty = [str(table.feature[k]) for k in own if not ids[k]]
        repeated = list(dict.fromkeys(ids[k] for k in own if ids[k]))
        if empty:
            more = f" and {len(empty) - 3} more" if len(empty) > 3 else ""
            faults.add(
                number,
                f"{table.start}: {name} is empty for feature {', '.join(empty[:3])}{more}. Every "
                "row needs one.",
            )
        if repeated:
            faults.add(
                number,
                f"{table.start}: {name} must be unique; met more than once: "
                f"{listed(repeated, at_most=3)}. Give every row its own.",
            )


def grouped(owner: NDArray[np.int32]) -> Iterable[tuple[int, NDArray[np.int64]]]:
    """Each owner with the places that it owns."""
    order = np.argsort(owner, kind="stable")
    edges = np.flatnonzero(np.diff(owner[order])) + 1
    for places in np.split(order, edges):
        if len(places):
            yield int(owner[places[0]]), places
