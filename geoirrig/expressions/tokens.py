"""Words and signs of an expression, with the place each stands at."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

TokenKind = Literal["number", "text", "name", "sign", "end"]

KEYWORDS = ("and", "or", "not", "in", "min", "max", "true", "false")

_BLANK = re.compile(r"\s+")
_NUMBER = re.compile(r"(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
_NAME = re.compile(r"[^\W\d]\w*")
_TEXT = re.compile(r"'([^'\n]*)'|\"([^\"\n]*)\"")
_QUOTED_NAME = re.compile(r"`([^`\n]+)`")
_SIGN = re.compile(r"<=|>=|==|!=|[-+*/()<>,\[\]]")

# What people write who know another notation, and how it is written here.
_WRITE_INSTEAD = {
    "&&": "and", "||": "or", "&": "and", "|": "or", "!": "not", "<>": "!=", "=": "==",
    "≤": "<=", "≥": ">=", "≠": "!=", "−": "-", "–": "-", "×": "*", "÷": "/", "%": "",
}  # fmt: skip
_QUOTE_MARKS = "‘’“”«»„"


class ExpressionError(Exception):
    """An expression that cannot be read.

    Attributes
    ----------
    position : int
        Character at fault; the first is 1.
    fault : str
        What is wrong there, and what to write.
    unknown_name : str
        The name that nothing has; "" where the fault is another one.
    """

    def __init__(self, position: int, fault: str, *, unknown_name: str = "") -> None:
        self.position = position
        self.fault = fault
        self.unknown_name = unknown_name
        super().__init__(f"at character {position}: {fault}")


@dataclass(frozen=True, slots=True)
class Token:
    """One word or sign, and the character that it begins at, the first being 1."""

    kind: TokenKind
    text: str
    position: int


def tokens_of(text: str) -> list[Token]:
    """Words and signs of an expression, in order, then one of kind "end".

    Raises
    ------
    ExpressionError
        For a character that has no meaning here.

    Examples
    --------
    >>> [token.text for token in tokens_of("slope_pct <= 25")]
    ['slope_pct', '<=', '25', '']
    """
    found: list[Token] = []
    at = 0
    while at < len(text):
        if blank := _BLANK.match(text, at):
            at = blank.end()
            continue
        token, end = _token(text, at)
        is_word = token.kind == "number" or (token.kind == "name" and token.text not in KEYWORDS)
        if found and found[-1].kind == "number" and is_word:
            raise ExpressionError(
                at + 1,
                f"{token.text!r} follows the number {found[-1].text}. A number has no unit beside "
                "it: the name of the column states the unit; and no blank or comma within it.",
            )
        found.append(token)
        at = end
    return [*found, Token("end", "", len(text) + 1)]


def _token(text: str, at: int) -> tuple[Token, int]:
    """The token that begins at a place, and where it ends."""
    _refuse_other_notation(text, at)
    if found := _NUMBER.match(text, at):
        return Token("number", found.group(), at + 1), found.end()
    if found := _NAME.match(text, at):
        return Token("name", found.group(), at + 1), found.end()
    if found := _QUOTED_NAME.match(text, at):
        return Token("name", found.group(), at + 1), found.end()
    if found := _TEXT.match(text, at):
        return Token("text", found.group()[1:-1], at + 1), found.end()
    if found := _SIGN.match(text, at):
        return Token("sign", found.group(), at + 1), found.end()
    if text[at] in "'\"`":
        raise ExpressionError(at + 1, f"the quotation mark {text[at]} is not closed. Close it.")
    raise ExpressionError(at + 1, f"{text[at]!r} has no meaning here.")


def _refuse_other_notation(text: str, at: int) -> None:
    if _SIGN.match(text, at) and text[at : at + 2] != "<>":
        return
    for written, instead in _WRITE_INSTEAD.items():
        if not text.startswith(written, at):
            continue
        if written == "%":
            fault = (
                "'%' has no meaning here. Write 5 where the column ends in _pct, and 0.05 where it "
                "is a fraction."
            )
        else:
            fault = f"{written!r} has no meaning here. Write {instead!r}."
        raise ExpressionError(at + 1, fault)
    if text[at] in _QUOTE_MARKS:
        raise ExpressionError(at + 1, f"{text[at]!r} is no plain quotation mark. Write ' or \".")
