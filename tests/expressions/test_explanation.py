"""What a refused applicant is told: every value with its limit, to be read aloud."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.expressions.evaluation import column_values, evaluate
from geoirrig.expressions.explanation import (
    NameWords,
    number_text,
    why_refused,
    why_unknown,
)
from geoirrig.expressions.grammar import ValueKind, parse_expression
from geoirrig.expressions.sentence import parse_sentence, sentence_texts
from geoirrig.expressions.tokens import ExpressionError

KINDS: dict[str, ValueKind] = {
    "slope": "number", "heads": "number", "limit": "number", "device": "text", "whole": "truth",
}  # fmt: skip
WORDS = {
    "slope": NameWords(words="steepest slope", unit="%"),
    "heads": NameWords(words="number of heads"),
    "whole": NameWords(words="whole zones"),
}
ROW = {"slope": 31.2, "heads": 12, "limit": 20.0, "device": "rotor", "whole": False}


def told(text: str, **changes: object) -> str:
    row = {**ROW, **changes}
    columns = {n: column_values(np.array([v], dtype=object), KINDS[n]) for n, v in row.items()}
    expression = parse_expression(text, KINDS)
    found = evaluate(expression, columns, 1)
    if not found.is_known[0]:
        return why_unknown(expression, columns, WORDS, np.array([0]))[0]
    assert not found.values[0]
    return why_refused(expression, columns, WORDS, np.array([0]))[0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("slope <= 25", "steepest slope is 31.2 % and must be at most 25 %"),
        ("slope < 25", "steepest slope is 31.2 % and must be below 25 %"),
        ("heads >= 15", "number of heads is 12 and must be at least 15"),
        ("heads > 15", "number of heads is 12 and must be above 15"),
        ("15 <= heads", "number of heads is 12 and must be at least 15"),
        ("heads == 15", "number of heads is 12 and must be 15"),
        ("heads != 12", "number of heads is 12 and must be other than 12"),
        ("5 < slope < 25", "steepest slope is 31.2 % and must be below 25 %"),
        ("not slope > 25", "steepest slope is 31.2 % and must be at most 25 %"),
        ("not (slope > 25 and heads > 5)",
         "steepest slope is 31.2 % and must be at most 25 %, or "
         "number of heads is 12 and must be at most 5"),
        ("slope <= 25 and heads >= 15",
         "steepest slope is 31.2 % and must be at most 25 %, and "
         "number of heads is 12 and must be at least 15"),
        ("slope <= 25 and heads >= 5", "steepest slope is 31.2 % and must be at most 25 %"),
        ("slope <= 25 or heads >= 15",
         "steepest slope is 31.2 % and must be at most 25 %, or "
         "number of heads is 12 and must be at least 15"),
        ("not (slope > 25 or heads > 50)", "steepest slope is 31.2 % and must be at most 25 %"),
        ("whole", "whole zones: this is not so and must be"),
        ("whole and slope < 50", "whole zones: this is not so and must be"),
        ("device == 'fixed_spray'", "device is 'rotor' and must be 'fixed_spray'"),
        ("device in ['fixed_spray']", "device is 'rotor' and must be 'fixed_spray'"),
        ("device not in ['rotor', 'drip']",
         "device is 'rotor' and must be none of 'rotor' and 'drip'"),
        ("device in ['a', 'b', 'c']", "device is 'rotor' and must be one of 'a', 'b' and 'c'"),
        ("heads in [1, 2]", "number of heads is 12 and must be one of 1 and 2"),
        ("(slope <= 25 or heads >= 15) and whole",
         "steepest slope is 31.2 % and must be at most 25 %, or "
         "number of heads is 12 and must be at least 15; and whole zones: this is not so and "
         "must be"),
        ("false or slope <= 25", "steepest slope is 31.2 % and must be at most 25 %"),
        ("whole == (heads > 3)",
         "whole zones is no and must be yes (the condition)"),
        ("heads in [12.0001]", "number of heads is 12 and must be 12.0001"),
        ("slope <= limit", "steepest slope is 31.2 % and must be at most 20 % (limit)"),
        ("slope / heads < 2", "steepest slope divided by number of heads is 2.6 and must be "
         "below 2"),
        ("min(heads, 2 * slope) > 15",
         "the lowest of number of heads and (2 times steepest slope) is 12 and must be above 15"),
    ],
)  # fmt: skip
def test_values_and_limits_are_said(text: str, said: str) -> None:
    assert told(text) == said


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (25.0001, "25.0001 %"),
        (25.00000001, "25.00000001 %"),
        (25.049, "25.05 %"),
        (123456.0, "123456 %"),
    ],
)
def test_a_value_never_looks_like_the_limit_it_misses(value: float, said: str) -> None:
    assert told("slope <= 25", slope=value) == f"steepest slope is {said} and must be at most 25 %"


def test_a_value_on_an_open_limit_is_said_as_it_is() -> None:
    assert told("slope < 0.1", slope=0.1) == "steepest slope is 0.1 % and must be below 0.1 %"


def test_a_limit_is_said_as_it_is_written() -> None:
    assert "at most 0.123456" in told("slope <= 0.123456")


@given(value=st.floats(1e-3, 1e7), limit=st.floats(1e-3, 1e7))
@settings(max_examples=200, deadline=None)
def test_told_numbers_are_in_the_order_of_the_values(value: float, limit: float) -> None:
    if not value > limit:
        value, limit = limit, value
    if value == limit:
        return
    said = told(f"slope <= {limit!r}", slope=value)
    shown_value, shown_limit = said.removeprefix("steepest slope is ").split(
        " % and must be at most "
    )
    assert float(shown_value) == pytest.approx(value, rel=6e-4)
    assert shown_value != shown_limit.removesuffix(" %") or value / limit - 1 < 1e-11


def test_what_is_missing_is_named() -> None:
    assert told("slope < 3", slope=None) == "steepest slope is not known"
    assert told("slope < heads", slope=None, heads=np.nan) == (
        "steepest slope and number of heads are not known"
    )
    assert told("slope / heads > 1", heads=0) == (
        "it cannot be worked out: a number is divided by zero or too large"
    )


def test_a_known_fault_beside_a_gap_is_told_alone() -> None:
    assert told("slope < 3 and heads > 50", slope=None) == (
        "number of heads is 12 and must be above 50"
    )


def test_rows_get_their_own_words() -> None:
    columns = {
        "slope": column_values(np.array([30.0, 10.0, 40.0])),
        "heads": column_values(np.array([20.0, 3.0, 4.0])),
    }
    expression = parse_expression("slope <= 25 and heads >= 5", KINDS)
    said = why_refused(expression, columns, WORDS, np.array([0, 1, 2]))
    assert ["slope" in text for text in said] == [True, False, True]
    assert ["heads" in text for text in said] == [False, True, True]
    assert why_refused(expression, columns, WORDS, np.array([], dtype=int)) == []


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (-0.0, "0"), (0.5, "0.5"), (31.24567, "31.25"), (-3.0, "-3"), (1e6, "1000000"),
     (0.00012346, "0.0001235"), (99999.6, "100000"), (100.0, "100")],
)  # fmt: skip
def test_numbers_are_short_and_without_exponent(value: float, text: str) -> None:
    assert number_text(value) == text


# --- sentences -----------------------------------------------------------------------------------


def sentence(text: str, **changes: object) -> str:
    row = {**ROW, **changes}
    columns = {n: column_values(np.array([v], dtype=object), KINDS[n]) for n, v in row.items()}
    return sentence_texts(parse_sentence(text, KINDS), columns, np.array([0]))[0]


def test_sentences_take_values() -> None:
    assert sentence("Slope {slope} %.") == "Slope 31.2 %."
    assert sentence("{15 - heads} more, {slope:0} %, {slope * 2:2}.") == "3 more, 31 %, 62.40."
    assert sentence("It is a {device}; whole: {whole}.") == "It is a rotor; whole: no."
    assert sentence("Plain.") == "Plain."
    assert sentence("{slope}", slope=None) == "unknown"
    assert sentence("{device}", device="o'neill's") == "o'neill's"


@pytest.mark.parametrize(
    ("text", "position", "said"),
    [
        ("Slope {slope", 7, "is not closed"),
        ("Slope slope}", 12, "was never opened"),
        ("Slope {slop}", 8, "unknown name 'slop'"),
        ("Slope {}", 8, "is empty"),
        ("Slope {slope:.2f}", 13, "the number of decimals, 0 to 6; got '.2f'"),
        ("Slope {slope +}", 15, "is expected"),
    ],
)
def test_faults_of_sentences_say_where(text: str, position: int, said: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        parse_sentence(text, KINDS)
    assert (caught.value.position, said in caught.value.fault) == (position, True), caught.value
