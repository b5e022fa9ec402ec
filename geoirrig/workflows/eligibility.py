"""Which parcels meet a programme's conditions, and what the owners of the others are told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.expressions.evaluation import BoolArray, Values, evaluate
from geoirrig.expressions.explanation import (
    NameWords,
    why_refused,
    why_unknown,
)
from geoirrig.expressions.grammar import ValueKind
from geoirrig.expressions.sentence import sentence_texts
from geoirrig.parcel_quantities import spoken_names
from geoirrig.programme import Condition, Programme
from geoirrig.records import ObjectArray
from geoirrig.workflows.parcel_values import named_values

NO_HEADS = "Nothing would change: the parcel has no heads."
NOTHING_CHANGES = "Nothing would change: the programme has nothing for the heads of this parcel."
COST_NOT_KNOWN = (
    "The cost is not known: a new nozzle has no unit cost, and the programme states no "
    "nozzle_default."
)
NOTHING_PAID = "No pay rate of the programme applies to this parcel."


@dataclass(frozen=True, slots=True, kw_only=True)
class Eligibility:
    """Verdict on every parcel; arrays of shape (n,).

    Attributes
    ----------
    is_eligible : ndarray of bool
        Every condition holds, something changes, and something is paid for it.
    reasons : ndarray of str
        What fails, sentence by sentence, each with its value and limit; "" where eligible.
    refused_by : dict of str to int
        Number of parcels that each condition refuses, by its id; a parcel may count for several.
        Behind the conditions, what else refuses, where it does: ``nothing would change``, ``cost
        not known``, ``no pay rate applies``, ``rebate below the smallest claim``. Every parcel
        that is refused counts somewhere.
    not_known_by : dict of str to int
        Number of those where it is refused because something is not known.
    """

    is_eligible: BoolArray
    reasons: ObjectArray
    refused_by: dict[str, int]
    not_known_by: dict[str, int]


def eligibility(
    programme: Programme,
    columns: Mapping[str, NDArray[Any]],
    *,
    is_failed: BoolArray | None = None,
) -> Eligibility:
    """Hold every parcel against the conditions of a programme.

    Parameters
    ----------
    programme : Programme
        The programme.
    columns : mapping of str to ndarray, each of shape (n,)
        ``head_count``, ``replaced_head_count``, ``cost``, ``rebate``, and every name of the
        programme: computed quantities in SI, NaN where not known, and columns of the parcels layer.
    is_failed : ndarray of bool, shape (n,), optional
        Parcels that could not be worked: they are not eligible, count nowhere, and their reasons
        are left to the caller.

    Returns
    -------
    Eligibility
        A condition that is not known refuses, and says what is missing. A parcel without heads is
        told that alone.
    """
    kinds: dict[str, ValueKind] = {}
    for condition in programme.conditions:
        kinds |= condition.require.name_kinds | condition.reason.name_kinds
    values = named_values(kinds, columns)
    n_rows = len(columns["replaced_head_count"])
    failed = np.zeros(n_rows, dtype=bool) if is_failed is None else is_failed
    # what the conditions say of a parcel where there is nothing to change would only be noise
    is_asked = ~failed & ~_lacks_heads(columns)
    told: list[list[str]] = [[] for _ in range(n_rows)]
    refused_by, not_known_by = {}, {}
    outside = _without_rebate(programme, columns, failed)
    for rows, sentences in outside.values():
        _tell(told, rows, sentences)
    for condition in programme.conditions:
        found = evaluate(condition.require, values, n_rows)
        failing = np.flatnonzero(is_asked & found.is_known & ~found.values)
        unknown = np.flatnonzero(is_asked & ~found.is_known)
        refused_by[condition.condition_id] = len(failing) + len(unknown)
        not_known_by[condition.condition_id] = len(unknown)
        words = spoken_names(condition.require.names)
        _tell(told, failing, _refusals(condition, values, words, failing))
        _tell(told, unknown, _gaps(condition, values, words, unknown))
    for name, (rows, _) in outside.items():
        if len(rows):
            refused_by[name] = refused_by.get(name, 0) + len(rows)
    reasons = np.full(n_rows, "", dtype=object)
    reasons[:] = [" ".join(sentences) for sentences in told]
    return Eligibility(
        is_eligible=np.array([not sentences for sentences in told], dtype=bool) & ~failed,
        reasons=reasons,
        refused_by=refused_by,
        not_known_by=not_known_by,
    )


def _tell(told: list[list[str]], rows: NDArray[np.intp], sentences: Sequence[str]) -> None:
    for row, sentence in zip(rows.tolist(), sentences, strict=True):
        told[row].append(sentence)


def _refusals(
    condition: Condition,
    values: Mapping[str, Values],
    words: Mapping[str, NameWords],
    rows: NDArray[np.intp],
) -> list[str]:
    said = sentence_texts(condition.reason, values, rows)
    measured = why_refused(condition.require, values, words, rows)
    return [
        f"{condition.condition_id}: {_ended(reason)} {_begun(_ended(clause))}"
        for reason, clause in zip(said, measured, strict=True)
    ]


def _gaps(
    condition: Condition,
    values: Mapping[str, Values],
    words: Mapping[str, NameWords],
    rows: NDArray[np.intp],
) -> list[str]:
    missing = why_unknown(condition.require, values, words, rows)
    return [
        f"{condition.condition_id}: This cannot be checked; {_ended(clause)}" for clause in missing
    ]


def _lacks_heads(columns: Mapping[str, NDArray[Any]]) -> BoolArray:
    lacks: BoolArray = np.asarray(columns["head_count"], dtype=np.float64) == 0.0
    return lacks


def _without_rebate(
    programme: Programme, columns: Mapping[str, NDArray[Any]], failed: BoolArray
) -> dict[str, tuple[NDArray[np.intp], list[str]]]:
    """Parcels that nothing is paid for whatever the conditions say, and why, by kind of reason.

    The first reason that holds is told; the others would follow from it.
    """
    heads = np.asarray(columns["replaced_head_count"], dtype=np.float64)
    cost = np.asarray(columns["cost"], dtype=np.float64)
    rebate = np.asarray(columns["rebate"], dtype=np.float64)
    least = programme.caps.minimum_claim
    lacks_heads = _lacks_heads(columns)
    found: dict[str, tuple[NDArray[np.intp], list[str]]] = {}
    is_open = ~failed
    for name, refuses in (
        ("nothing would change", ~(heads > 0)),
        ("cost not known", ~np.isfinite(cost)),
        ("no pay rate applies", ~(rebate > 0.0)),
        ("rebate below the smallest claim", rebate < least),
    ):
        found[name] = (np.flatnonzero(is_open & refuses), [])
        is_open = is_open & ~refuses
    unchanged, unpriced, unpaid, small = found.values()
    unchanged[1].extend(NO_HEADS if lacks_heads[row] else NOTHING_CHANGES for row in unchanged[0])
    unpriced[1].extend([COST_NOT_KNOWN] * len(unpriced[0]))
    unpaid[1].extend([NOTHING_PAID] * len(unpaid[0]))
    small[1].extend(
        f"The rebate would be {_money(programme, amount)}, below the smallest claim of "
        f"{_money(programme, least)}."
        for amount in rebate[small[0]].tolist()
    )
    return found


def _money(programme: Programme, amount: float) -> str:
    return f"{amount:.2f} {programme.currency}"


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "!", "?")) else f"{sentence}."


def _begun(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]
