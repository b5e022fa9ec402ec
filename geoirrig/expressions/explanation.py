"""Why a condition does not hold for a row, in words and numbers that can be read aloud."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.expressions.evaluation import BoolArray, Values, evaluate, node_values
from geoirrig.expressions.grammar import Expression, Node

RowNumbers = NDArray[np.intp]

_SPOKEN_DIGITS = 4  # enough in speech
_MORE_DIGITS = (6, 9, 12, 17)  # where a value would look like its limit
_EXACT = 12  # of a limit: as it was written

_WANTED = {
    "<": "below", "<=": "at most", ">": "above", ">=": "at least", "==": "", "!=": "other than",
}  # fmt: skip
_MIRRORED = {"<": ">", "<=": ">=", ">": "<", ">=": "<=", "==": "==", "!=": "!="}
_OPPOSITE = {"<": ">=", "<=": ">", ">": "<=", ">=": "<", "==": "!=", "!=": "=="}
_SPOKEN = {"+": "plus", "-": "minus", "*": "times", "/": "divided by"}


@dataclass(frozen=True, slots=True, kw_only=True)
class NameWords:
    """How a name is spoken: ``max_slope_pct`` is "steepest slope of the turf", in "%"."""

    words: str
    unit: str = ""


def number_text(value: float, *, digits: int = _SPOKEN_DIGITS) -> str:
    """A number with so many significant digits, never fewer than its whole part.

    Examples
    --------
    >>> number_text(31.24567), number_text(123456.7), number_text(0.5)
    ('31.25', '123457', '0.5')
    """
    if not math.isfinite(value):
        return f"{value:g}"
    if value == int(value):
        return str(int(value))
    decimals = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def why_refused(
    expression: Expression,
    columns: Mapping[str, Values],
    words: Mapping[str, NameWords],
    rows: RowNumbers,
) -> list[str]:
    """What falls short in every row where a condition is known not to hold.

    Parameters
    ----------
    expression : Expression
        A condition.
    columns : mapping of str to Values, each of shape (n_rows,)
        As for `evaluate`.
    words : mapping of str to NameWords
        How the names are spoken; a name that it lacks is spoken as it is written.
    rows : ndarray of int
        Rows where it is known not to hold.

    Returns
    -------
    list of str
        One clause for each row, without a full stop, with each value and its limit.

    Examples
    --------
    >>> from geoirrig.expressions.evaluation import column_values
    >>> from geoirrig.expressions.grammar import parse_expression
    >>> condition = parse_expression("max_slope_pct <= 25", {"max_slope_pct": "number"})
    >>> slope = {"max_slope_pct": column_values(np.array([31.2]))}
    >>> spoken = {"max_slope_pct": NameWords(words="steepest slope", unit="%")}
    >>> why_refused(condition, slope, spoken, np.array([0]))
    ['steepest slope is 31.2 % and must be at most 25 %']
    """
    return _Explaining(_at_rows(expression, columns, rows), words, len(rows)).clauses(
        expression.root, wanted=True
    )


def why_unknown(
    expression: Expression,
    columns: Mapping[str, Values],
    words: Mapping[str, NameWords],
    rows: RowNumbers,
) -> list[str]:
    """What is missing in every row where a condition is not known.

    Parameters and result are those of `why_refused`, for rows where the condition is not known.
    """
    missing: list[list[str]] = [[] for _ in rows]
    for name in expression.names:
        spoken = _spoken_name(name, words).words
        for number in np.flatnonzero(~columns[name].is_known[rows]):
            missing[number].append(spoken)
    return [
        f"{_joined(names, 'and')} {'is' if len(names) == 1 else 'are'} not known"
        if names
        else "it cannot be worked out: a number is divided by zero or too large"
        for names in missing
    ]


def values_text(
    expression: Expression,
    columns: Mapping[str, Values],
    rows: RowNumbers,
    *,
    decimals: int | None = None,
) -> list[str]:
    """Values of an expression as they stand in a sentence; "unknown" where not known.

    Parameters
    ----------
    expression : Expression
        Of any kind.
    columns : mapping of str to Values
        As for `evaluate`.
    rows : ndarray of int
        Rows wanted.
    decimals : int or None
        Decimals of a number; None: four significant digits.
    """
    found = evaluate(expression, _at_rows(expression, columns, rows), len(rows))
    return [
        _unquoted(value, decimals) if is_known else "unknown"
        for value, is_known in zip(found.values.tolist(), found.is_known, strict=True)
    ]


def _at_rows(
    expression: Expression, columns: Mapping[str, Values], rows: RowNumbers
) -> dict[str, Values]:
    return {
        name: Values(values=columns[name].values[rows], is_known=columns[name].is_known[rows])
        for name in expression.names
    }


class _Explaining:
    """Clauses for the parts of one condition over the rows that it refuses."""

    def __init__(
        self, columns: Mapping[str, Values], words: Mapping[str, NameWords], n_rows: int
    ) -> None:
        self.columns = columns
        self.words = words
        self.n_rows = n_rows

    def clauses(self, node: Node, *, wanted: bool) -> list[str]:
        """One clause for each row; "" where the part is as wanted, not known, or a constant."""
        if not any(node.names()):
            return [""] * self.n_rows
        if node.operation == "not":
            return self.clauses(node.operands[0], wanted=not wanted)
        if node.operation in ("and", "or"):
            parts = [self.clauses(operand, wanted=wanted) for operand in node.operands]
            # all must be put right where `and` should hold or `or` should not; else one will do
            link = "and" if (node.operation == "and") == wanted else "or"
            return self.where_amiss(node, wanted, _linked(parts, link))
        if node.operation == "compare":
            return self.compared(node, wanted)
        if node.operation in ("in", "not in"):
            return self.listed(node, wanted)
        spoken = _spoken_name(str(node.value), self.words).words
        fault = "this is not so and must be" if wanted else "this is so and must not be"
        return self.where_amiss(node, wanted, [f"{spoken}: {fault}"] * self.n_rows)

    def where_amiss(self, node: Node, wanted: bool, texts: Sequence[str]) -> list[str]:
        """The texts, kept where the part is known to be otherwise than wanted."""
        found = node_values(node, self.columns)
        amiss: BoolArray = np.broadcast_to(found.is_known & (found.values != wanted), self.n_rows)
        return [text if is_amiss else "" for text, is_amiss in zip(texts, amiss, strict=True)]

    def compared(self, node: Node, wanted: bool) -> list[str]:
        pairs = list(zip(node.operands, node.signs, node.operands[1:], strict=False))
        parts = []
        for left, sign, right in pairs:
            pair = Node(
                operation="compare",
                kind="truth",
                position=left.position,
                operands=(left, right),
                signs=(sign,),
            )
            texts = self.pair_texts(left, sign if wanted else _OPPOSITE[sign], right)
            parts.append(self.where_amiss(pair, wanted, texts))
        return self.where_amiss(node, wanted, _linked(parts, "and" if wanted else "or"))

    def pair_texts(self, left: Node, sign: str, right: Node) -> list[str]:
        """Value and limit of each row: "slope is 31 % and must be at most 25 %"."""
        if not any(left.names()):
            left, right, sign = right, left, _MIRRORED[sign]
        unit = self.unit(left) or self.unit(right)
        limits = self.texts(right)
        values = self.told_apart(left, right, limits)
        subject, wish = self.spoken(left), f"must be {_WANTED[sign]}".rstrip()
        limit_words = f" ({self.spoken(right)})" if any(right.names()) else ""
        return [
            f"{subject} is {value}{unit} and {wish} {limit}{unit}{limit_words}"
            for value, limit in zip(values, limits, strict=True)
        ]

    def listed(self, node: Node, wanted: bool) -> list[str]:
        sought, *members = node.operands
        named = [self.texts(member)[0] if self.n_rows else "" for member in members]
        is_among = (node.operation == "in") == wanted
        if len(named) == 1:
            wish = named[0] if is_among else f"other than {named[0]}"
        else:
            wish = f"{'one' if is_among else 'none'} of {_joined(named, 'and')}"
        subject, unit = self.spoken(sought), self.unit(sought)
        texts = [
            f"{subject} is {_text(value, digits=_EXACT)}{unit} and must be {wish}"
            for value in self.plain(sought)
        ]
        return self.where_amiss(node, wanted, texts)

    def texts(self, node: Node) -> list[str]:
        """Values of a part; one that the condition states, as it states it."""
        if node.operation == "literal":
            return [_text(node.value, digits=_EXACT)] * self.n_rows
        return [_text(value) for value in self.plain(node)]

    def told_apart(self, node: Node, other: Node, other_texts: list[str]) -> list[str]:
        """Values of a part, with digits enough not to look like another value."""
        texts = self.texts(node)
        if node.kind != "number":
            return texts
        compared = enumerate(zip(self.plain(node), self.plain(other), strict=True))
        differing = [(n, value) for n, (value, limit) in compared if value != limit]
        for digits in _MORE_DIGITS:
            differing = [(n, value) for n, value in differing if texts[n] == other_texts[n]]
            for n, value in differing:
                texts[n] = _text(value, digits=digits)
        return texts

    def plain(self, node: Node) -> list[object]:
        values: list[object] = np.broadcast_to(
            node_values(node, self.columns).values, self.n_rows
        ).tolist()
        return values

    def spoken(self, node: Node) -> str:
        """A part of an expression in words."""
        if node.operation == "name":
            return _spoken_name(str(node.value), self.words).words
        if node.operation == "literal":
            return _text(node.value)
        if node.kind == "truth":
            return "the condition"
        parts = [
            f"({self.spoken(operand)})"
            if operand.operation == "arithmetic"
            else self.spoken(operand)
            for operand in node.operands
        ]
        if node.operation == "negative":
            return f"minus {parts[0]}"
        if node.operation == "arithmetic":
            following = zip(node.signs, parts[1:], strict=True)
            return parts[0] + "".join(f" {_SPOKEN[sign]} {part}" for sign, part in following)
        which = "lowest" if node.operation == "min" else "highest"
        return f"the {which} of {_joined(parts, 'and')}"

    def unit(self, node: Node) -> str:
        """Unit of a bare name, with a blank before it; "" of anything computed."""
        if node.operation != "name":
            return ""
        unit = _spoken_name(str(node.value), self.words).unit
        return f" {unit}" if unit else ""


def _spoken_name(name: str, words: Mapping[str, NameWords]) -> NameWords:
    return words.get(name) or NameWords(words=name)


def _text(value: object, *, digits: int = _SPOKEN_DIGITS, decimals: int | None = None) -> str:
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, str):
        return repr(value)
    number = float(value)  # type: ignore[arg-type]  # a number: the kinds were checked
    return number_text(number, digits=digits) if decimals is None else f"{number:.{decimals}f}"


def _unquoted(value: object, decimals: int | None) -> str:
    return value if isinstance(value, str) else _text(value, decimals=decimals)


def _linked(parts: Sequence[Sequence[str]], link: str) -> list[str]:
    """Clauses of each row in one, with a semicolon where they hold such links themselves."""
    if len(parts) == 1:
        return list(parts[0])
    linked = []
    for row in zip(*parts, strict=True):
        clauses = [clause for clause in row if clause]
        is_nested = any(", and " in clause or ", or " in clause for clause in clauses)
        linked.append(f"{';' if is_nested else ','} {link} ".join(clauses))
    return linked


def _joined(words: Sequence[str], link: str) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {link} {words[-1]}"
