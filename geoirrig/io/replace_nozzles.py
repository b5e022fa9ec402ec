"""A nozzle set put on the heads of a layout, before their flow and radius are looked up."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Mapping, Set

import numpy as np

from geoirrig.errors import ProblemList
from geoirrig.io.columns import listed, nearest_hint
from geoirrig.io.read_heads import StatedHeads
from geoirrig.io.read_nozzles import Nozzle
from geoirrig.records import IntArray, NozzleSet, ObjectArray
from geoirrig.units import FloatArray
from geoirrig.wording import counted

_NAMED = 3  # ids in a message
_ROUNDED = 0.005  # psi and kPa that were rounded apart are one pressure


def replace_nozzles(
    heads: StatedHeads,
    nozzle_set: NozzleSet,
    nozzles: Mapping[str, Nozzle],
    problems: ProblemList,
    *,
    faulty_nozzles: Collection[str] = frozenset(),
) -> StatedHeads:
    """The heads with the nozzles and pressures of a set.

    A head that changes loses its own radius, flow and trajectory, which were those of the old
    nozzle or pressure; it keeps its place, arc and bearing, and its pressure unless the set states
    one. Rows act on the layout as it stands, never on one another.

    Parameters
    ----------
    heads : StatedHeads
        Heads of the site.
    nozzle_set : NozzleSet
        What is to change.
    nozzles : mapping of str to Nozzle
        The nozzle table.
    problems : ProblemList
        Takes unknown nozzles, zones and heads, and heads that two rows speak of; warnings where a
        row or the set changes nothing.
    faulty_nozzles : collection of str
        Nozzles whose fault has been noted already: naming one is no second fault.
    """
    _check_names(heads, nozzle_set, {*nozzles, *faulty_nozzles}, problems)
    row = _row_of_each_head(heads, nozzle_set, problems)
    spoken_of = row >= 0
    nozzle, pressure = heads.nozzle.copy(), heads.pressure_kpa.copy()
    stated = nozzle_set.pressure_kpa[row]
    keeps = nozzle_set.to_nozzle[row] == ""
    # without a nozzle there is no telling what another pressure makes of the head
    unmoved = spoken_of & keeps & (heads.nozzle == "")
    if unmoved.any():
        problems.warn(
            f"Nozzle set {nozzle_set.name!r}: head_id {_ids(heads.head_id[unmoved])} names no "
            "nozzle, so that its flow at another pressure is not known; it stays as it is."
        )
    acts = spoken_of & ~unmoved
    named = acts & ~keeps
    nozzle[named] = nozzle_set.to_nozzle[row[named]]
    regulated = acts & np.isfinite(stated)
    pressure[regulated] = stated[regulated]
    same_pressure = (pressure == heads.pressure_kpa) | (
        np.isnan(pressure) & np.isnan(heads.pressure_kpa)
    )
    changes = (nozzle != heads.nozzle) | ~same_pressure
    if len(heads.head_id) and not changes.any():
        problems.warn(
            f"Nozzle set {nozzle_set.name!r} changes nothing: every head has that nozzle and "
            "pressure already."
        )

    def unless_changed(values: FloatArray) -> FloatArray:
        return np.where(changes, np.nan, values)

    return dataclasses.replace(
        heads,
        nozzle=nozzle,
        pressure_kpa=pressure,
        radius_m=unless_changed(heads.radius_m),
        flow_lpm=unless_changed(heads.flow_lpm),
        trajectory_deg=unless_changed(heads.trajectory_deg),
    )


def warn_of_raised_pressure(
    name: str, before_kpa: FloatArray, after_kpa: FloatArray, problems: ProblemList
) -> None:
    """Warn of heads that a set would bring to a pressure above what they have.

    Parameters
    ----------
    name : str
        Name of the set.
    before_kpa, after_kpa : ndarray of float64, shape (n_heads,)
        Pressure as stated, and under the set; NaN where not stated, which is not told of. [kPa]
    problems : ProblemList
        Takes the warning.
    """
    count = int(np.count_nonzero(after_kpa > (1.0 + _ROUNDED) * before_kpa))
    if count:
        problems.warn(
            f"Nozzle set {name!r}: {counted(count, 'head')} {'is' if count == 1 else 'are'} set to "
            f"a pressure above what {'it has' if count == 1 else 'they have'} now; a regulator "
            "only lowers it."
        )


def pressure_step(nozzle_set: NozzleSet) -> NozzleSet | None:
    """The part of a set that changes pressure alone; None where it states none.

    It leaves every nozzle in its place, so that what pressure does can be told from what the new
    nozzles do.
    """
    states = np.isfinite(nozzle_set.pressure_kpa)
    if not states.any():
        return None
    return NozzleSet(
        name=nozzle_set.name,
        head_id=nozzle_set.head_id[states],
        from_nozzle=nozzle_set.from_nozzle[states],
        zone=nozzle_set.zone[states],
        to_nozzle=np.full(int(states.sum()), "", dtype=object),
        pressure_kpa=nozzle_set.pressure_kpa[states],
    )


def _check_names(
    heads: StatedHeads, nozzle_set: NozzleSet, in_table: Set[str], problems: ProblemList
) -> None:
    """Note new nozzles, old nozzles, zones and heads that do not exist."""
    in_use = set(heads.nozzle.tolist()) - {""}
    for column, values, names, where in (
        ("nozzle to put in", nozzle_set.to_nozzle, in_table, "the nozzles table"),
        ("nozzle to replace", nozzle_set.from_nozzle, in_use | in_table, "the layout"),
        ("zone", nozzle_set.zone, set(heads.zone.tolist()), "the heads layer"),
        ("head_id", nozzle_set.head_id, set(heads.head_id.tolist()), "the heads layer"),
    ):
        unknown = [v for v in dict.fromkeys(values.tolist()) if v not in ("", *names)]
        if unknown:
            problems.add(
                f"Nozzle set {nozzle_set.name!r}: unknown {column} {_ids(unknown)}; {where} has "
                f"{listed(sorted(names), at_most=6)}. Correct the set."
                f"{nearest_hint(str(unknown[0]), sorted(names))}"
            )


def _row_of_each_head(heads: StatedHeads, nozzle_set: NozzleSet, problems: ProblemList) -> IntArray:
    """Row of the set that speaks of each head; −1 for none."""
    row = np.full(len(heads.head_id), -1, dtype=np.int64)
    twice = np.zeros(len(row), dtype=bool)
    idle: list[str] = []
    for number, rows in enumerate(_heads_of_rows(heads, nozzle_set)):
        twice[rows] |= row[rows] >= 0
        row[rows] = number
        if not len(rows) and nozzle_set.from_nozzle[number]:
            zone = nozzle_set.zone[number]
            idle.append(f"{nozzle_set.from_nozzle[number]!r}" + (f" in zone {zone!r}" * bool(zone)))
    if twice.any():
        problems.add(
            f"Nozzle set {nozzle_set.name!r}: two rows or more speak of head_id "
            f"{_ids(heads.head_id[twice])}. Keep one; a row without a zone speaks of every zone."
        )
    if idle:
        more = f" and {len(idle) - _NAMED} more" if len(idle) > _NAMED else ""
        problems.warn(
            f"Nozzle set {nozzle_set.name!r}: no head has nozzle {', '.join(idle[:_NAMED])}{more}; "
            "that row does nothing."
        )
    return row


def _heads_of_rows(heads: StatedHeads, nozzle_set: NozzleSet) -> list[IntArray]:
    """Heads that each row of the set speaks of."""
    if np.any(nozzle_set.head_id != ""):
        place = {head_id: number for number, head_id in enumerate(heads.head_id.tolist())}
        found = [place.get(head_id, -1) for head_id in nozzle_set.head_id.tolist()]
        return [np.array([n] if n >= 0 else [], dtype=np.int64) for n in found]
    rows = []
    with_nozzle: dict[str, IntArray] = {}
    for old, zone in zip(nozzle_set.from_nozzle.tolist(), nozzle_set.zone.tolist(), strict=True):
        if old not in with_nozzle:
            with_nozzle[old] = np.flatnonzero((heads.nozzle == old) & (heads.nozzle != ""))
        own = with_nozzle[old]
        rows.append(own[heads.zone[own] == zone] if zone else own)
    return rows


def _ids(values: ObjectArray | list[str]) -> str:
    found = [repr(str(value))[:60] for value in values]
    more = f" and {len(found) - _NAMED} more" if len(found) > _NAMED else ""
    return ", ".join(found[:_NAMED]) + more
