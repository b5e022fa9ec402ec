"""Zones of a city: each of one parcel, in running order, with the plan as it stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.city_records import BoolArray, CityZones
from geoirrig.errors import ProblemList
from geoirrig.io.arrow_layer import ArrowLayer
from geoirrig.io.coded_text import CodedText, Words, coded_text, is_repeated
from geoirrig.io.column_values import check_required_columns
from geoirrig.io.columns import listed_as
from geoirrig.io.parcel_faults import ParcelFaults, grouped, numbers_by_row
from geoirrig.units import FloatArray

Rows = NDArray[np.int64] | slice  # the slice is of all: what stands in order is not copied


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneWordPlan:
    """For each zone name: where it stands in the running order, and its plan; (n_words,)."""

    rank: NDArray[np.int64]
    run_minutes: FloatArray
    cycles: FloatArray
    soak_minutes: FloatArray
    is_bad: BoolArray  # out of range or no number


def read_city_zone_plan(
    layer: ArrowLayer | None,
    words: Words,
    problems: ProblemList,
) -> ZoneWordPlan:
    """The plan of every zone that heads name.

    Parameters
    ----------
    layer : ArrowLayer or None
        The zones table; its order is the running order. None: there is none.
    words : Words
        Names of zones that heads state; two parcels may each have a zone of one name.
    problems : ProblemList
        Takes missing columns and names that stand there twice.

    Returns
    -------
    ZoneWordPlan
        Zones of the table first, then those it lacks by name; NaN where the plan does not say.
    """
    nothing, is_bad = np.full(len(words), np.nan), np.zeros(len(words), dtype=bool)
    plan = {name: nothing.copy() for name in ("run_minutes", "cycles", "soak_minutes")}
    if layer is None:
        return ZoneWordPlan(rank=words.ranks(), is_bad=is_bad, **plan)
    check_required_columns(layer.table, problems)
    coded = coded_text(layer, "zone")
    if is_repeated(layer, "zone").any():
        problems.add(
            f"{layer.table.start}: every row needs a zone of its own; a name is empty or stands "
            "there more than once."
        )
    row_of = np.full(len(coded.words) + 1, -1, dtype=np.int64)
    row_of[coded.code] = np.arange(layer.n_rows)
    row = row_of[words.places_in(coded.words)]
    planned = row >= 0
    for name in plan:
        values, bad = numbers_by_row(layer, name)
        plan[name][planned] = values[row[planned]]
        is_bad[planned] |= bad[row[planned]]
    rank = row.copy()
    others = np.flatnonzero(~planned)
    rank[others] = layer.n_rows + words.taken(others).ranks()
    return ZoneWordPlan(rank=rank, is_bad=is_bad, **plan)


def note_bad_plans(
    layer: ArrowLayer,
    zone: CodedText,
    parcel: NDArray[np.int32],
    plan: ZoneWordPlan,
    faults: ParcelFaults,
) -> None:
    """Note the parcels with heads in a zone whose plan cannot be used."""
    if not plan.is_bad.any():
        return
    rows = np.flatnonzero(plan.is_bad[zone.code] & (parcel >= 0))
    for number, own in grouped(parcel[rows]):
        names = [zone.words[code] for code in np.unique(zone.code[rows[own]]).tolist()]
        zones = listed_as("zone", names, at_most=3)
        faults.add(
            number,
            f"{layer.table.start}: the plan of {zones} is out of range or no number. "
            "Correct run_minutes, cycles or soak_minutes.",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadsInOrder:
    """Heads that somebody owns, by parcel and by the running order of its zones."""

    rows: Rows
    key: NDArray[np.int64]  # the same for the heads of one zone; rises from row to row


def heads_in_order(zone: CodedText, parcel: NDArray[np.int32], plan: ZoneWordPlan) -> HeadsInOrder:
    """Put the heads of all parcels in order."""
    is_owned = parcel >= 0
    rows = slice(None) if is_owned.all() else np.flatnonzero(is_owned)
    key = parcel[rows].astype(np.int64)
    key *= int(np.max(plan.rank, initial=0)) + 1
    key += plan.rank[zone.code[rows]]
    if np.any(key[1:] < key[:-1]):
        order = np.argsort(key, kind="stable")
        rows = order if isinstance(rows, slice) else rows[order]
        key = key[order]
    return HeadsInOrder(rows=rows, key=key)


def zones_of_heads(
    zone: CodedText,
    parcel: NDArray[np.int32],
    plan: ZoneWordPlan,
    ordered: HeadsInOrder,
    kept: BoolArray,
) -> tuple[CityZones, Rows, NDArray[np.int32]]:
    """Zones of the parcels that are worked, their heads in order, and the zone of each of these."""
    rows, key = ordered.rows, ordered.key
    if not kept.all():
        is_worked = kept[parcel[rows]]
        rows = np.flatnonzero(is_worked) if isinstance(rows, slice) else rows[is_worked]
        key = key[is_worked]
    starts = np.flatnonzero(np.r_[True, key[1:] != key[:-1]]) if len(key) else np.empty(0, int)
    n_heads = np.diff(np.append(starts, len(key)))
    first = starts if isinstance(rows, slice) else rows[starts]
    word = zone.code[first]
    cycles = plan.cycles[word]
    soak = plan.soak_minutes[word]
    zones = CityZones(
        parcel=parcel[first],
        name=word.astype(np.int32),
        names=zone.words,
        cycles=np.where(np.isnan(cycles), 1.0, cycles).astype(np.int32),
        soak_minutes=np.where(np.isnan(soak), 0.0, soak),
    )
    return zones, rows, np.repeat(np.arange(len(starts), dtype=np.int32), n_heads)
