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
    not_known_by : dict of str to int
        Number of those where it is refused because something is not known.
    """

    is_eligible: BoolArray
    reasons: ObjectArray
    refused_by: dict[str, int]
    not_known_by: dict[str, int]


def eligibility(programme: Programme, columns: Mapping[str, NDArray[Any]]) -> Eligibility:
    """Hold every parcel against the conditions of a programme.

    Parameters
    ----------
    programme : Programme
        The programme.
    columns : mapping of str to ndarray, each of shape (n,)
        ``replaced_head_count``, ``cost``, ``rebate``, and every name of the programme: computed
        quantities in SI, NaN where not known, and columns of the parcels layer.

    Returns
    -------
    Eligibility
        A condition that is not known refuses, and says what is missing.
    """
    kinds: dict[str, ValueKind] = {}
    for condition in programme.conditions:
        kinds |= condition.require.name_kinds | condition.reason.name_kinds
    values = named_values(kinds, columns)
    n_rows = len(columns["replaced_head_count"])
    told: list[list[str]] = [[] for _ in range(n_rows)]
    refused_by, not_known_by = {}, {}
    _tell(told, *_without_rebate(programme, columns))
    for condition in programme.conditions:
        found = evaluate(condition.require, values, n_rows)
        failing = np.flatnonzero(found.is_known & ~found.values)
        unknown = np.flatnonzero(~found.is_known)
        refused_by[condition.condition_id] = len(failing) + len(unknown)
        not_known_by[condition.condition_id] = len(unknown)
        words = spoken_names(condition.require.names)
        _tell(told, failing, _refusals(condition, values, words, failing))
        _tell(told, unknown, _gaps(condition, values, words, unknown))
    reasons = np.full(n_rows, "", dtype=object)
    reasons[:] = [" ".join(sentences) for sentences in told]
    return Eligibility(
        is_eligible=np.array([not sentences for sentences in told], dtype=bool),
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


def _without_rebate(
    programme: Programme, columns: Mapping[str, NDArray[Any]]
) -> tuple[NDArray[np.intp], list[str]]:
    """Parcels that nothing is paid for whatever the conditions say, and why."""
    heads = np.asarray(columns["replaced_head_count"], dtype=np.float64)
    cost = np.asarray(columns["cost"], dtype=np.float64)
    rebate = np.asarray(columns["rebate"], dtype=np.float64)
    least = programme.caps.minimum_claim
    reasons = np.full(len(heads), "", dtype=object)
    for row in np.flatnonzero((rebate > 0.0) & (rebate < least)).tolist():
        reasons[row] = (
            f"The rebate would be {_money(programme, rebate[row])}, below the smallest claim of "
            f"{_money(programme, least)}."
        )
    reasons[~(rebate > 0.0)] = NOTHING_PAID
    reasons[~np.isfinite(cost)] = COST_NOT_KNOWN
    reasons[~(heads > 0)] = NOTHING_CHANGES
    rows = np.flatnonzero(reasons != "")
    return rows, reasons[rows].tolist()


def _money(programme: Programme, amount: float) -> str:
    return f"{amount:.2f} {programme.currency}"


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "!", "?")) else f"{sentence}."


def _begun(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]
