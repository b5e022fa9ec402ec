"""What a change costs on every parcel, and what a programme pays towards it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.expressions.evaluation import evaluate
from geoirrig.programme import Caps, CostModel, PayRate, Programme
from geoirrig.records import ObjectArray
from geoirrig.units import FloatArray
from geoirrig.workflows.parcel_values import named_values

Columns = Mapping[str, NDArray[Any]]

_CENTS = 100.0  # in one of the currency
_ROUNDING = 1e-6  # cents: what floating point may have lost below a whole cent


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebates:
    """What is paid for every parcel, whether or not it is eligible; arrays of shape (n,).

    Attributes
    ----------
    rebate : ndarray of float64
        Whole cents, rounded down; NaN where the cost is not known. [money]
    rebate_limit : ndarray of str
        The cap that holds it down; "" where none does.
    """

    rebate: FloatArray
    rebate_limit: ObjectArray


def retrofit_costs(
    costs: CostModel,
    *,
    nozzle_cost: FloatArray,
    replaced_head_count: FloatArray,
    regulated_head_count: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Cost of the equipment, and of the whole change with labour.

    Parameters
    ----------
    costs : CostModel
        Of the programme.
    nozzle_cost : ndarray, shape (n,)
        Unit costs of the new nozzles, added up. NaN: not known. [money]
    replaced_head_count, regulated_head_count : ndarray, shape (n,)
        Heads that change; those of them that get a stated pressure.

    Returns
    -------
    tuple of two ndarray of float64, shape (n,)
        Equipment; everything. Both 0 where nothing changes. [money]
    """
    heads = np.asarray(replaced_head_count, dtype=np.float64)
    equipment = nozzle_cost + costs.regulator_per_head * np.asarray(regulated_head_count)
    whole = equipment + costs.labour_per_head * heads + costs.fixed_per_parcel
    is_changed = heads > 0
    return np.where(is_changed, equipment, 0.0), np.where(is_changed, whole, 0.0)


def rebates(programme: Programme, columns: Columns) -> Rebates:
    """What a programme pays for every parcel.

    Parameters
    ----------
    programme : Programme
        Its pay rates are added up where their condition holds; a rate whose condition is not known
        is not paid.
    columns : mapping of str to ndarray, each of shape (n,)
        ``replaced_head_count``, ``served_area_m2``, ``equipment_cost``, ``cost``, and what the
        conditions of the pay rates name.

    Returns
    -------
    Rebates
        The lowest of the sum and of what each cap allows.
    """
    paid_heads = np.minimum(_numbers(columns, "replaced_head_count"), programme.caps.heads)
    bases = {
        "head": paid_heads,
        "m2": _numbers(columns, "served_area_m2"),
        "parcel": np.ones(len(paid_heads)),
        "share_of_cost": _numbers(columns, "cost"),
        "share_of_equipment_cost": _numbers(columns, "equipment_cost"),
    }
    rebate = np.zeros(len(paid_heads))
    for pay in programme.pay:
        rebate = np.where(
            _applies(pay, columns, len(rebate)), rebate + pay.amount * bases[pay.basis], rebate
        )
    limit = np.full(len(rebate), "", dtype=object)
    counted_out = _numbers(columns, "replaced_head_count") > paid_heads
    limit[counted_out & any(pay.basis == "head" for pay in programme.pay)] = "heads"
    for name, most in _limits(programme.caps, bases).items():
        is_over = rebate > most
        limit[is_over] = name
        rebate = np.where(is_over, most, rebate)
    rebate = np.where(np.isnan(bases["share_of_cost"]), np.nan, rebate)
    return Rebates(
        rebate=np.floor(rebate * _CENTS + _ROUNDING) / _CENTS,
        rebate_limit=limit,
    )


def _limits(caps: Caps, bases: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """What each stated cap allows, by its key in a programme file."""
    stated = {
        "per_parcel": (caps.per_parcel, bases["parcel"]),
        "per_head": (caps.per_head, bases["head"]),
        "per_m2": (caps.per_m2, bases["m2"]),
        "share_of_cost": (caps.share_of_cost, bases["share_of_cost"]),
    }
    return {name: cap * base for name, (cap, base) in stated.items() if np.isfinite(cap)}


def _applies(pay: PayRate, columns: Columns, n_rows: int) -> NDArray[np.bool_]:
    if pay.where is None:
        return np.ones(n_rows, dtype=bool)
    found = evaluate(pay.where, named_values(pay.where.name_kinds, columns), n_rows)
    return np.asarray(found.is_known & found.values, dtype=bool)


def _numbers(columns: Columns, name: str) -> FloatArray:
    return np.asarray(columns[name], dtype=np.float64)
