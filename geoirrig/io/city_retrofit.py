"""A nozzle set put on the heads of a city, by the rules of `geoirrig.io.replace_nozzles`.

Heads with one nozzle (and one zone, where the set speaks of zones) fare alike: the rules are asked
once for each such kind, and the answer is handed to all of its heads.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.errors import ProblemList
from geoirrig.io.city_heads import NozzleTables, StatedCityHeads
from geoirrig.io.coded_text import CodedText, Words, coded_text
from geoirrig.io.column_values import BoolArray
from geoirrig.io.head_change_kernels import Change, ChangedHeads, change_heads
from geoirrig.io.read_heads import StatedHeads
from geoirrig.io.replace_nozzles import replace_nozzles
from geoirrig.records import NozzleSet, ObjectArray
from geoirrig.units import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class RetrofittedHeads:
    """Heads under a nozzle set; flags of shape (n_heads,)."""

    heads: StatedCityHeads
    is_replaced: BoolArray  # another nozzle or pressure
    is_regulated: BoolArray  # … and the set states the pressure


def heads_under_nozzle_set(
    heads: StatedCityHeads, nozzle_set: NozzleSet, tables: NozzleTables, problems: ProblemList
) -> RetrofittedHeads:
    """The heads with the nozzles and pressures of a set.

    Parameters
    ----------
    heads : StatedCityHeads
        As they stand.
    nozzle_set : NozzleSet
        What is to change.
    tables : NozzleTables
        The nozzle table.
    problems : ProblemList
        Takes what `replace_nozzles` notes.
    """
    kind, stand_ins = _kinds(heads, nozzle_set)
    of_kind = replace_nozzles(stand_ins, nozzle_set, tables.nozzles, problems)
    number = {word: code for code, word in enumerate(heads.nozzle.words)}
    new_code = np.array(
        [number.setdefault(str(name), len(number)) for name in of_kind.nozzle], dtype=np.int32
    )
    n_heads = len(kind)
    changed = ChangedHeads(
        nozzle=np.empty(n_heads, dtype=np.int32),
        pressure=np.empty(n_heads),
        is_replaced=np.empty(n_heads, dtype=bool),
        is_regulated=np.empty(n_heads, dtype=bool),
    )
    change_heads(
        kind, Change(new_code, of_kind.pressure_kpa), heads.nozzle.code, heads.pressure_kpa, changed
    )

    def unless_changed(values: FloatArray) -> FloatArray:
        """The same array where nothing is lost, as where nothing was stated."""
        is_lost = changed.is_replaced & ~np.isnan(values)
        return np.where(is_lost, np.nan, values) if is_lost.any() else values

    new = dataclasses.replace(
        heads,
        nozzle=CodedText(code=changed.nozzle, words=Words.of(list(number))),
        pressure_kpa=changed.pressure,
        radius_m=unless_changed(heads.radius_m),
        flow_lpm=unless_changed(heads.flow_lpm),
    )
    return RetrofittedHeads(
        heads=new,
        is_replaced=changed.is_replaced,
        is_regulated=changed.is_regulated,
    )


def _kinds(heads: StatedCityHeads, nozzle_set: NozzleSet) -> tuple[NDArray[np.int32], StatedHeads]:
    """Kind of every head, −1 where the set cannot speak of it, and one head of each kind."""
    if np.any(nozzle_set.head_id != ""):
        return _named_heads(heads, nozzle_set)
    code, zones = heads.nozzle.code, heads.zone.words
    if not np.any(nozzle_set.zone != ""):
        is_used = np.bincount(code, minlength=len(heads.nozzle.words)) > 0
        kind = (np.cumsum(is_used, dtype=np.int32) - np.int32(1))[code]
        nozzle = np.flatnonzero(is_used)
        zone, zones = np.zeros(len(nozzle), dtype=np.int64), Words.of([""])
    else:
        pair = code.astype(np.int64) * len(zones) + heads.zone.code
        used, of_pair = np.unique(pair, return_inverse=True)
        kind = of_pair.astype(np.int32)
        nozzle, zone = np.divmod(used, len(zones))
    return kind, _stand_ins(heads, heads.nozzle.words.array()[nozzle], zones.taken(zone).array())


def _named_heads(
    heads: StatedCityHeads, nozzle_set: NozzleSet
) -> tuple[NDArray[np.int32], StatedHeads]:
    wanted = {str(head_id) for head_id in nozzle_set.head_id if head_id}
    ids = coded_text(heads.layer, "head_id")
    is_wanted = np.array([word in wanted for word in ids.words], dtype=bool)
    rows = np.flatnonzero(is_wanted[ids.code])
    kind = np.full(len(heads.pressure_kpa), -1, dtype=np.int32)
    kind[rows] = np.arange(len(rows))
    nozzle, zone, names = (
        coded.words.taken(coded.code[rows]).array() for coded in (heads.nozzle, heads.zone, ids)
    )
    return kind, dataclasses.replace(_stand_ins(heads, nozzle, zone), head_id=names)


def _stand_ins(heads: StatedCityHeads, nozzle: ObjectArray, zone: ObjectArray) -> StatedHeads:
    """A head of each kind, of which nothing else is stated."""
    nothing = np.full(len(nozzle), np.nan)
    return StatedHeads(
        table=heads.layer.table,
        head_id=np.array([f"any with {name!r}" for name in nozzle], dtype=object),
        zone=zone,
        nozzle=nozzle,
        x_m=nothing,
        y_m=nothing,
        arc_deg=nothing,
        start_bearing_deg=nothing,
        radius_m=nothing,
        flow_lpm=nothing,
        pressure_kpa=nothing,
        trajectory_deg=nothing,
    )
