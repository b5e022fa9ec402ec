"""Columns as values, and what can be told where something is missing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.expressions.evaluation import column_values, evaluate, value_kind
from geoirrig.expressions.grammar import ValueKind, parse_expression

KINDS: dict[str, ValueKind] = {"p": "truth", "q": "truth", "x": "number", "y": "number"}


@pytest.mark.parametrize(
    ("column", "kind", "known"),
    [
        (np.array([1, 2]), "number", [True, True]),
        (np.array([1.0, np.nan, np.inf]), "number", [True, False, False]),
        (np.array([True, False]), "truth", [True, True]),
        (np.array([True, None], dtype=object), "truth", [True, False]),
        (np.array([1, None, 2.5], dtype=object), "number", [True, False, True]),
        (np.array(["a", "", " ", None, np.nan], dtype=object), "text", [True] + [False] * 4),
        (np.array(["a", 1], dtype=object), "text", [True, True]),
        (np.array([True, 1], dtype=object), "text", [True, True]),
        (np.array([None, None], dtype=object), "text", [False, False]),
        (np.array(["2020-01-01", "NaT"], dtype="datetime64[D]"), "text", [True, False]),
        (pd.array([1, None], dtype="Int64").astype(object), "number", [True, False]),
        (np.array(["a", "b"]), "text", [True, True]),
        (np.array([], dtype=object), "text", []),
    ],
)
def test_kind_and_gaps_of_columns(column: np.ndarray, kind: str, known: list[bool]) -> None:
    assert value_kind(column) == kind
    assert column_values(column).is_known.tolist() == known


def test_column_is_not_altered() -> None:
    column = np.array([1.0, np.nan, np.inf])
    column_values(column)
    np.testing.assert_array_equal(column, [1.0, np.nan, np.inf])


def test_date_reads_as_iso_text() -> None:
    dates = column_values(np.array(["2020-01-31"], dtype="datetime64[D]"))
    assert dates.values.tolist() == ["2020-01-31"]


# Kleene (1952), Introduction to Metamathematics, section 64: strong three-valued tables.
T, F, N = True, False, None


@pytest.mark.parametrize(
    ("p", "q", "both", "either"),
    [
        (T, T, T, T), (T, F, F, T), (T, N, N, T),
        (F, T, F, T), (F, F, F, F), (F, N, F, N),
        (N, T, N, T), (N, F, F, N), (N, N, N, N),
    ],
)  # fmt: skip
def test_logic_keeps_what_can_be_told(p: object, q: object, both: object, either: object) -> None:
    columns = {
        "p": column_values(np.array([p], dtype=object), "truth"),
        "q": column_values(np.array([q], dtype=object), "truth"),
    }

    def told(text: str) -> object:
        found = evaluate(parse_expression(text, KINDS), columns, 1)
        return found.values.tolist()[0] if found.is_known[0] else None

    assert told("p and q") is both
    assert told("p or q") is either
    assert told("not p") is (None if p is None else not p)


@pytest.mark.parametrize("text", ["x / 0", "x / y", "1e200 * 1e200 * x", "-(x / y) + 1"])
def test_no_finite_number_is_not_known(text: str) -> None:
    columns = {"x": column_values(np.array([1.0])), "y": column_values(np.array([0.0]))}
    assert not evaluate(parse_expression(text, KINDS), columns, 1).is_known[0]
    held = parse_expression(f"{text} > 1 or x == 1", KINDS)
    assert evaluate(held, columns, 1).values[0]


_CONDITIONS = st.recursive(
    st.sampled_from(["x < y", "x + 1 >= 3", "p", "q", "y in [1, 2]", "min(x, y) == 2", "q == p"]),
    lambda inner: st.one_of(
        st.tuples(inner, inner).map(lambda pair: f"({pair[0]} and {pair[1]})"),
        st.tuples(inner, inner).map(lambda pair: f"({pair[0]} or {pair[1]})"),
        inner.map(lambda text: f"not ({text})"),
    ),
    max_leaves=6,
)
_MAYBE_TRUTH = st.sampled_from([True, False, None])
_MAYBE_NUMBER = st.sampled_from([0.0, 1.0, 2.0, 3.0, None])


@settings(max_examples=200, deadline=None)
@given(text=_CONDITIONS, p=_MAYBE_TRUTH, q=_MAYBE_TRUTH, x=_MAYBE_NUMBER, y=_MAYBE_NUMBER)
def test_what_is_told_holds_however_the_gaps_are_filled(
    text: str, p: object, q: object, x: object, y: object
) -> None:
    expression = parse_expression(text, KINDS)
    row = {"p": p, "q": q, "x": x, "y": y}

    def told(filled: dict[str, object]) -> object:
        columns = {
            name: column_values(np.array([value], dtype=object), KINDS[name])
            for name, value in filled.items()
        }
        found = evaluate(expression, columns, 1)
        return found.values.tolist()[0] if found.is_known[0] else None

    verdict = told(row)
    if verdict is None:
        assert any(row[name] is None for name in expression.names)
        return
    for truth in (True, False):
        for number in (0.0, 1.0, 2.0, 3.0):
            fill = {"p": truth, "q": truth, "x": number, "y": number}
            assert told({n: fill[n] if v is None else v for n, v in row.items()}) is verdict


@settings(max_examples=50, deadline=None)
@given(rows=st.lists(st.tuples(_MAYBE_NUMBER, _MAYBE_NUMBER), min_size=1, max_size=8))
def test_rows_do_not_touch_one_another(rows: list[tuple[object, object]]) -> None:
    expression = parse_expression("x / y > 0.5 or y == 0", KINDS)

    def told(part: list[tuple[object, object]]) -> list[object]:
        columns = {
            name: column_values(np.array([row[place] for row in part], dtype=object), "number")
            for place, name in enumerate(("x", "y"))
        }
        found = evaluate(expression, columns, len(part))
        pairs = zip(found.values.tolist(), found.is_known.tolist(), strict=True)
        return [value if known else None for value, known in pairs]

    assert told(rows) == [told([row])[0] for row in rows]
