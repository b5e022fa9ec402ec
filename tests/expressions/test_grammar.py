"""What an expression may be, what its faults are called, and that it means what Python means."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.expressions.evaluation import column_values, evaluate
from geoirrig.expressions.grammar import DEEPEST, LONGEST, ValueKind, parse_expression
from geoirrig.expressions.tokens import ExpressionError

NAMES: dict[str, ValueKind] = {
    "a": "number", "b": "number", "slope_pct": "number", "device": "text", "land_use": "text",
    "is_wet": "truth", "Year built": "number", "min": "number",
}  # fmt: skip


def fault(text: str) -> ExpressionError:
    with pytest.raises(ExpressionError) as caught:
        parse_expression(text, NAMES)
    return caught.value


def value(text: str, **columns: object) -> object:
    """Value of an expression at one row; None where it is not known."""
    given_values = {name: np.array([v], dtype=object) for name, v in columns.items()}
    kinds = {name: NAMES[name.replace("_q", "")] for name in columns}
    expression = parse_expression(text, NAMES)
    values = {name: column_values(v, kinds[name]) for name, v in given_values.items()}
    found = evaluate(expression, values, 1)
    return found.values.tolist()[0] if found.is_known[0] else None


# --- meaning -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("1 + 2 * 3", 7.0),
        ("(1 + 2) * 3", 9.0),
        ("8 - 3 - 2", 3.0),
        ("24 / 4 / 2", 3.0),
        ("-a * 2", -10.0),
        ("- - a", 5.0),
        ("+a", 5.0),
        ("2 - -a", 7.0),
        ("min(a, 3, 4) + max(1, a)", 8.0),
        (".5 + 1. + 1e2 + 1E-1", 101.6),
        ("1 < a < 6", True),
        ("1 < a < 5", False),
        ("1 < a > 2 == 2", True),
        ("a == 5 != 6", True),
        ("not a < 3", True),
        ("not not a < 3", False),
        ("a < 3 or a > 4 and a > 9", False),
        ("(a < 3 or a > 4) and a < 9", True),
        ("a in [1, -2, 5]", True),
        ("a not in [1, -2, 5]", False),
        ("true and not false", True),
        ("(a > 4) == true", True),
    ],
)
def test_binds_as_in_python(text: str, wanted: object) -> None:
    assert value(text, a=5.0) == (pytest.approx(wanted) if isinstance(wanted, float) else wanted)


def test_text_is_compared_letter_by_letter() -> None:
    assert value("device == 'rotor'", device="rotor") is True
    assert value('device == "Rotor"', device="rotor") is False
    assert value("device in ['rotor', 'fixed_spray']", device="rotor") is True
    assert value("device != land_use", device="rotor", land_use="rotor") is False
    assert value("device == 'it is \"so\"'", device='it is "so"') is True


def test_names_with_blanks_or_of_words_stand_between_backticks() -> None:
    expression = parse_expression("`Year built` < 1990 and `min` > 2", NAMES)
    assert expression.names == ("Year built", "min")


def test_names_come_once_in_order() -> None:
    assert parse_expression("b > a and a > 1 or b in [2]", NAMES).names == ("b", "a")


# --- against Python ------------------------------------------------------------------------------

_LEAVES = st.one_of(
    st.integers(0, 20).map(str),
    st.floats(0.0, 100.0, allow_nan=False).map(lambda number: repr(round(number, 3))),
    st.sampled_from(["a", "b", "slope_pct"]),
)


def _wider(numbers: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.one_of(
        st.tuples(numbers, st.sampled_from("+-*"), numbers).map(" ".join),
        # never by zero: that is not known here and an error there
        st.tuples(numbers, st.integers(1, 9)).map(lambda parts: f"{parts[0]} / {parts[1]}"),
        numbers.map(lambda inner: f"-({inner})"),
        numbers.map(lambda inner: f"({inner})"),
        st.lists(numbers, min_size=2, max_size=3).map(lambda parts: f"max({', '.join(parts)})"),
        st.lists(numbers, min_size=2, max_size=3).map(lambda parts: f"min({','.join(parts)})"),
    )


_NUMBERS = st.recursive(_LEAVES, _wider, max_leaves=8)
_SIGNS = st.sampled_from(["<", "<=", ">", ">=", "==", "!="])
_CHAINS = st.tuples(_NUMBERS, st.lists(st.tuples(_SIGNS, _NUMBERS), min_size=1, max_size=3)).map(
    lambda parts: parts[0] + "".join(f" {sign} {number}" for sign, number in parts[1])
)
_MEMBERS = st.tuples(_NUMBERS, st.sampled_from(["in", "not in"]), st.integers(-3, 20)).map(
    lambda parts: f"{parts[0]} {parts[1]} [{parts[2]}, 4, 5.5]"
)
_TRUTHS = st.recursive(
    st.one_of(_CHAINS, _MEMBERS, st.just("is_wet"), st.sampled_from(["true", "false"])),
    lambda inner: st.one_of(
        st.tuples(inner, st.sampled_from(["and", "or"]), inner).map(" ".join),
        inner.map(lambda text: f"not ({text})"),
        inner.map(lambda text: f"({text})"),
    ),
    max_leaves=6,
)
_ROW = st.fixed_dictionaries(
    {
        "a": st.integers(-5, 20).map(float),
        "b": st.floats(-50.0, 50.0, allow_nan=False),
        "slope_pct": st.floats(0.0, 60.0, allow_nan=False),
        "is_wet": st.booleans(),
    }
)
_PYTHON = {"__builtins__": {}, "min": min, "max": max, "true": True, "false": False}


@settings(max_examples=300, deadline=None)
@given(text=_NUMBERS, row=_ROW)
def test_numbers_mean_what_python_means(text: str, row: dict[str, float]) -> None:
    wanted = eval(text, dict(_PYTHON), dict(row))
    found = value(text, **row)
    assert found == float(wanted) or (found is None and not math.isfinite(wanted))


@settings(max_examples=300, deadline=None)
@given(text=_TRUTHS, row=_ROW)
def test_conditions_mean_what_python_means(text: str, row: dict[str, object]) -> None:
    assert value(text, **row) is bool(eval(text, dict(_PYTHON), dict(row)))


@settings(max_examples=400, deadline=None)
@given(text=st.text(max_size=40) | _TRUTHS.map(lambda text: text[: len(text) // 2]))
def test_any_text_is_read_or_refused_with_a_place(text: str) -> None:
    found = None
    try:
        parse_expression(text, NAMES)
    except ExpressionError as error:
        found = error
    if found is not None:
        assert 1 <= found.position <= len(text) + 1
        assert found.fault.endswith(".")


# --- faults --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "position", "said"),
    [
        ("", 1, "the expression is empty"),
        ("a <= ", 6, "a name or a parenthesis is expected; got the end"),
        ("a = 3", 3, "Write '=='"),
        ("a ≤ 3", 3, "Write '<='"),
        ("a && is_wet", 3, "Write 'and'"),
        ("a <> 3", 3, "Write '!='"),
        ("a − 3 > 1", 3, "Write '-'"),
        ("!is_wet", 1, "Write 'not'"),
        ("is_wet AND is_wet", 8, "Write 'and' in small letters"),
        ("NOT is_wet", 1, "Write 'not' in small letters"),
        ("a > 5 psi", 7, "the name of the column states the unit"),
        ("a > 5 %", 7, "0.05 where it is a fraction"),
        ("a > 1,000", 6, "',' is not expected here"),
        ("a > 1 000", 7, "no blank or comma within it"),
        ("(a > 1", 7, "')' is expected to close the parenthesis"),
        ("a > 1)", 6, "')' is not expected here"),
        ("device == 'rotor", 11, "is not closed"),
        ("device == “rotor”", 11, "no plain quotation mark"),
        ("device == ''", 11, "the text between the quotes is empty"),
        ("device < 'rotor'", 8, "puts numbers in order; text has none"),
        ("device == 5", 8, "text cannot be compared with a number"),
        ("a == '5'", 3, "a number cannot be compared with text"),
        ("device + 1 > 2", 1, "each side of '+' must be a number; this is text"),
        ("-device", 2, "must be a number; this is text"),
        ("a and is_wet", 1, "each side of 'and' must be a condition; this is a number"),
        ("not a", 5, "must be a condition"),
        ("(a < 1) < 2", 9, "a condition cannot be compared with a number"),
        ("min(a)", 1, "needs two numbers or more"),
        ("min(a, is_wet)", 8, "each part of 'min' must be a number"),
        ("min a", 5, "'(' is expected after 'min'"),
        ("a in (1, 2)", 6, "'[' is expected after 'in'"),
        ("a in [1, 'x']", 10, "must be a number; this is text"),
        ("a in [b]", 7, "no names"),
        ("a in []", 7, "is expected; got ']'"),
        ("a not 3", 7, "'in' is expected after 'not'"),
        ("a(1)", 2, "no functions but min and max"),
        ("a[1]", 2, "no functions but min and max"),
        ("a.real > 1", 2, "'.' has no meaning here"),
        ("a ** 2 > 1", 4, "is expected; got '*'"),
        ("1e999 > a", 1, "is too large"),
        ("a > 1; b", 6, "';' has no meaning here"),
        ("lambda: 1", 7, "':' has no meaning here"),
        ("__import__('os')", 1, "unknown name '__import__'"),
    ],
)
def test_faults_say_where_and_what(text: str, position: int, said: str) -> None:
    found = fault(text)
    assert (found.position, said in found.fault) == (position, True), str(found)


def test_unknown_name_is_carried() -> None:
    assert fault("a > 1 and slop_pct < 3").unknown_name == "slop_pct"
    assert fault("a >").unknown_name == ""


def test_length_and_depth_are_bounded() -> None:
    assert "longer than" in fault("a" * (LONGEST + 1)).fault
    for opened in ("(", "not ", "-", "min(1, "):
        assert "within each other" in fault(opened * (DEEPEST + 1) + "1").fault
    deep = "(" * DEEPEST + "a" + ")" * DEEPEST
    assert parse_expression(deep, NAMES).kind == "number"


def test_long_flat_chains_are_no_depth() -> None:
    text = "+".join(["1"] * 900)
    assert value(text) == 900.0
    assert value(" or ".join(["a > 9"] * 200), a=1.0) is False
