"""Sentences with values in them, such as "The slope is {max_slope_pct:0} %, too much to water.".

What stands between braces is an expression; a colon and a number after it fix the decimals.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from geoirrig.expressions.evaluation import Values
from geoirrig.expressions.explanation import RowNumbers, values_text
from geoirrig.expressions.grammar import Expression, ValueKind, parse_expression
from geoirrig.expressions.tokens import ExpressionError

_DECIMALS = re.compile(r":\s*([0-6])\s*$")
_NOT_DECIMALS = re.compile(r":[^'\"`]*$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """Plain text, and values between: one more text than there are values."""

    texts: tuple[str, ...]
    values: tuple[Expression, ...]
    decimals: tuple[int | None, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns that it looks at, each once, in order."""
        return tuple(self.name_kinds)

    @property
    def name_kinds(self) -> dict[str, ValueKind]:
        """Names of the columns that it looks at, and what each was read as."""
        return {name: kind for value in self.values for name, kind in value.name_kinds.items()}


def parse_sentence(text: str, names: Mapping[str, ValueKind]) -> Sentence:
    """Read a sentence with expressions between braces.

    Parameters
    ----------
    text : str
        The sentence.
    names : mapping of str to {"number", "text", "truth"}
        Names that it may use, as for `parse_expression`.

    Raises
    ------
    ExpressionError
        For a brace without its partner, and for what is wrong between braces.

    Examples
    --------
    >>> parse_sentence("It has {head_count} heads.", {"head_count": "number"}).texts
    ('It has ', ' heads.')
    """
    texts, values, decimals = [], [], []
    at = 0
    while (start := text.find("{", at)) >= 0:
        texts.append(_plain(text, at, start))
        end = text.find("}", start)
        if end < 0:
            raise ExpressionError(start + 1, "the brace '{' is not closed. Close it.")
        value, places = _value(text[start + 1 : end], start + 1, names)
        values.append(value)
        decimals.append(places)
        at = end + 1
    texts.append(_plain(text, at, len(text)))
    return Sentence(texts=tuple(texts), values=tuple(values), decimals=tuple(decimals))


def _plain(text: str, start: int, end: int) -> str:
    if (lone := text.find("}", start, end)) >= 0:
        raise ExpressionError(lone + 1, "the brace '}' was never opened. Take it away.")
    return text[start:end]


def _value(
    inner: str, before: int, names: Mapping[str, ValueKind]
) -> tuple[Expression, int | None]:
    """Expression and decimals between two braces; ``before`` is the number of characters before."""
    found = _DECIMALS.search(inner)
    if found is None and (other := _NOT_DECIMALS.search(inner)):
        raise ExpressionError(
            before + other.start() + 1,
            "after a colon stands the number of decimals, 0 to 6; got "
            f"{other.group()[1:].strip()!r}.",
        )
    source = inner if found is None else inner[: found.start()]
    try:
        value = parse_expression(source, names)
    except ExpressionError as error:
        raise ExpressionError(
            before + error.position, error.fault, unknown_name=error.unknown_name
        ) from error
    return value, None if found is None else int(found.group(1))


def sentence_texts(
    sentence: Sentence, columns: Mapping[str, Values], rows: RowNumbers
) -> list[str]:
    """The sentence for every row, with its values.

    Parameters
    ----------
    sentence : Sentence
        Of `parse_sentence`.
    columns : mapping of str to Values, each of shape (n_rows,)
        At least those that it names.
    rows : ndarray of int
        Rows wanted.

    Returns
    -------
    list of str
        Numbers with four significant digits unless decimals were stated; a value that is missing
        reads "unknown".
    """
    spoken = [
        values_text(value, columns, rows, decimals=places)
        for value, places in zip(sentence.values, sentence.decimals, strict=True)
    ]
    first, *others = sentence.texts
    return [
        first + "".join(f"{value}{text}" for value, text in zip(row, others, strict=True))
        for row in (zip(*spoken, strict=True) if spoken else [()] * len(rows))
    ]
