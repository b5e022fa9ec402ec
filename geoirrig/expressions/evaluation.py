"""Values of an expression over whole columns, with what is not known kept apart.

A value that is missing makes what is computed from it not known. ``and``, ``or`` and ``not`` keep
what can be told all the same: a false side settles ``and``, a true side settles ``or``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.expressions.grammar import Expression, Node, ValueKind

BoolArray = NDArray[np.bool_]
Column = NDArray[Any]  # numbers, truth values, text or objects


@dataclass(frozen=True, slots=True, kw_only=True)
class Values:
    """Values of one kind, and where they are known.

    Attributes
    ----------
    values : ndarray, shape (n,) or ()
        float64, bool or str objects; without meaning where not known.
    is_known : ndarray of bool, same shape
        False where something that the value needs is missing, or it is no finite number.
    """

    values: Column
    is_known: BoolArray


def value_kind(column: Column) -> ValueKind:
    """What a column holds: text where its values are mixed.

    Parameters
    ----------
    column : ndarray, shape (n,)
        Numbers, truth values, text or objects; None and NaN are missing.

    Examples
    --------
    >>> value_kind(np.array([1.5, np.nan]))
    'number'
    >>> value_kind(np.array([True, None], dtype=object))
    'truth'
    """
    if column.dtype.kind == "b":
        return "truth"
    if column.dtype.kind in "iuf":
        return "number"
    if column.dtype.kind != "O":
        return "text"
    types = {type(value) for value in column[~_is_missing(column)].tolist()}
    if not types:
        return "text"
    if all(issubclass(t, (bool, np.bool_)) for t in types):
        return "truth"
    if any(issubclass(t, (bool, np.bool_)) for t in types):
        return "text"
    is_number = all(issubclass(t, (int, float, np.integer, np.floating)) for t in types)
    return "number" if is_number else "text"


def column_values(column: Column, kind: ValueKind | None = None) -> Values:
    """A column as values of its kind.

    None, NaN and empty text are missing; an infinite number is not known either.

    Parameters
    ----------
    column : ndarray, shape (n,)
        As `value_kind` takes it.
    kind : {"number", "text", "truth"} or None
        What it holds, where that is settled; None: see `value_kind`.

    Raises
    ------
    ValueError
        If its values are not of the kind.
    """
    kind = value_kind(column) if kind is None else kind
    is_known = ~_is_missing(column)
    if kind == "truth":
        truths = np.zeros(column.shape, dtype=bool)
        truths[is_known] = column[is_known].astype(bool)
        return Values(values=truths, is_known=is_known)
    if kind == "number":
        numbers = np.zeros(column.shape, dtype=np.float64)
        numbers[is_known] = column[is_known].astype(np.float64)
        is_known &= np.isfinite(numbers)
        return Values(values=np.where(is_known, numbers, 0.0), is_known=is_known)
    texts = np.full(column.shape, "", dtype=object)
    texts[is_known] = [str(value) for value in column[is_known].tolist()]
    is_blank = np.array([not text.strip() for text in texts.ravel()], dtype=bool)
    return Values(values=texts, is_known=is_known & ~is_blank.reshape(texts.shape))


def _is_missing(column: Column) -> BoolArray:
    if column.dtype.kind == "f":
        return np.asarray(np.isnan(column), dtype=bool)
    if column.dtype.kind in "mM":
        return np.asarray(np.isnat(column), dtype=bool)
    if column.dtype.kind != "O":
        return np.zeros(column.shape, dtype=bool)
    missing = [_is_missing_value(value) for value in column.ravel().tolist()]
    return np.array(missing, dtype=bool).reshape(column.shape)


def _is_missing_value(value: object) -> bool:
    """Whether it is None, NaN, or one of the marks that table libraries use."""
    if value is None or type(value).__name__ in ("NAType", "NaTType"):
        return True
    return isinstance(value, (float, np.floating)) and bool(np.isnan(value))


def evaluate(expression: Expression, columns: Mapping[str, Values], n_rows: int) -> Values:
    """Values of an expression for every row.

    Parameters
    ----------
    expression : Expression
        Of `parse_expression`.
    columns : mapping of str to Values, each of shape (n_rows,)
        At least the columns that the expression names, of the kinds it was read with.
    n_rows : int
        Number of rows.

    Returns
    -------
    Values
        Of shape (n_rows,). A division by zero, or a number too large, is not known.

    Examples
    --------
    >>> from geoirrig.expressions.grammar import parse_expression
    >>> condition = parse_expression("slope_pct <= 25", {"slope_pct": "number"})
    >>> slope = column_values(np.array([10.0, 30.0, np.nan]))
    >>> found = evaluate(condition, {"slope_pct": slope}, 3)
    >>> found.values[:2].tolist(), found.is_known.tolist()
    ([True, False], [True, True, False])
    """
    found = node_values(expression.root, columns)
    return Values(
        values=np.broadcast_to(found.values, (n_rows,)),
        is_known=np.broadcast_to(found.is_known, (n_rows,)),
    )


def node_values(node: Node, columns: Mapping[str, Values]) -> Values:
    """Values of a part of an expression, of the columns' shape or () where it names none."""
    if node.operation == "name":
        return columns[str(node.value)]
    if node.operation == "literal":
        dtype = {"number": np.float64, "truth": np.bool_, "text": np.object_}[node.kind]
        return Values(values=np.array(node.value, dtype=dtype), is_known=np.array(True))
    operands = [node_values(operand, columns) for operand in node.operands]
    if node.operation in _LOGIC:
        return _LOGIC[node.operation](operands)
    is_known = np.asarray(reduce(np.logical_and, [part.is_known for part in operands]))
    with np.errstate(all="ignore"):  # what is no finite number is marked below
        values = _computed(node, [part.values for part in operands])
    if values.dtype.kind == "f":
        is_known = is_known & np.isfinite(values)
    return Values(values=values, is_known=is_known)


def _computed(node: Node, operands: list[Column]) -> Column:
    if node.operation in _NUMBERS:
        return np.asarray(_NUMBERS[node.operation](operands))
    if node.operation == "arithmetic":
        value = operands[0]
        for sign, operand in zip(node.signs, operands[1:], strict=True):
            value = _ARITHMETIC[sign](value, operand)
        return np.asarray(value)
    if node.operation == "compare":
        pairs = zip(node.signs, operands, operands[1:], strict=False)
        holds = [_COMPARISONS[sign](left, right) for sign, left, right in pairs]
        return np.asarray(reduce(np.logical_and, holds), dtype=bool)
    is_member = np.asarray(
        reduce(np.logical_or, [operands[0] == member for member in operands[1:]]), dtype=bool
    )
    return ~is_member if node.operation == "not in" else is_member


def _all_of(operands: list[Values]) -> Values:
    is_false = reduce(np.logical_or, [part.is_known & ~part.values for part in operands])
    is_known = is_false | reduce(np.logical_and, [part.is_known for part in operands])
    return Values(values=np.asarray(~is_false), is_known=np.asarray(is_known))


def _any_of(operands: list[Values]) -> Values:
    is_true = reduce(np.logical_or, [part.is_known & part.values for part in operands])
    is_known = is_true | reduce(np.logical_and, [part.is_known for part in operands])
    return Values(values=np.asarray(is_true), is_known=np.asarray(is_known))


def _none_of(operands: list[Values]) -> Values:
    (part,) = operands
    return Values(values=np.asarray(~part.values), is_known=part.is_known)


_LOGIC: Mapping[str, Callable[[list[Values]], Values]] = {
    "and": _all_of,
    "or": _any_of,
    "not": _none_of,
}
_NUMBERS: Mapping[str, Callable[[list[Column]], Column]] = {
    "negative": lambda operands: -operands[0],
    "min": lambda operands: reduce(np.minimum, operands),
    "max": lambda operands: reduce(np.maximum, operands),
}
_ARITHMETIC: Mapping[str, np.ufunc] = {
    "+": np.add,
    "-": np.subtract,
    "*": np.multiply,
    "/": np.divide,
}
_COMPARISONS: Mapping[str, np.ufunc] = {
    "<": np.less,
    "<=": np.less_equal,
    ">": np.greater,
    ">=": np.greater_equal,
    "==": np.equal,
    "!=": np.not_equal,
}
