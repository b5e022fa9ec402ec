"""A small language for conditions and amounts over named columns, read without running code.

Numbers, text in quotes, names, ``+ - * /``, ``min( )``, ``max( )``, comparisons that may be
chained, ``in [ ]``, ``not in [ ]``, ``and``, ``or``, ``not``, ``true``, ``false`` and parentheses
bind as in Python. Nothing else exists: no call, no attribute, no index.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from geoirrig.expressions.tokens import KEYWORDS, ExpressionError, Token, tokens_of

ValueKind = Literal["number", "text", "truth"]

# A condition that a person can read aloud is far shorter; the bounds keep a file from hanging or
# exhausting the program. Judgement.
LONGEST = 2000  # characters
DEEPEST = 30  # parentheses, signs and `not` within each other

ORDERINGS = ("<", "<=", ">", ">=")
EQUALITIES = ("==", "!=")


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """A part of an expression.

    Attributes
    ----------
    operation : str
        "literal", "name", "negative", "arithmetic", "min", "max", "compare", "in", "not in", "not",
        "and" or "or".
    kind : {"number", "text", "truth"}
        What its value is.
    position : int
        Character that it begins at, the first being 1.
    operands : tuple of Node
        What it is made of.
    value : float, str or bool
        Of a literal; of a name, the name.
    signs : tuple of str
        Of "arithmetic" and "compare": the sign between each operand and the next.
    """

    operation: str
    kind: ValueKind
    position: int
    operands: tuple[Node, ...] = ()
    value: float | str | bool = ""
    signs: tuple[str, ...] = ()

    def names(self) -> Iterator[tuple[str, ValueKind]]:
        """Names within this part with their kinds, in order, with repeats."""
        if self.operation == "name":
            yield str(self.value), self.kind
        for operand in self.operands:
            yield from operand.names()


@dataclass(frozen=True, slots=True, kw_only=True)
class Expression:
    """A checked expression: every name is known and every operation fits its operands."""

    text: str
    root: Node

    @property
    def kind(self) -> ValueKind:
        """What its value is."""
        return self.root.kind

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns that it looks at, each once, in order."""
        return tuple(self.name_kinds)

    @property
    def name_kinds(self) -> dict[str, ValueKind]:
        """Names of the columns that it looks at, and what each was read as."""
        return dict(self.root.names())


def parse_expression(text: str, names: Mapping[str, ValueKind]) -> Expression:
    """Read an expression.

    Parameters
    ----------
    text : str
        The expression.
    names : mapping of str to {"number", "text", "truth"}
        Names that it may use, with what their values are.

    Returns
    -------
    Expression
        Ready for `geoirrig.expressions.evaluation.evaluate`.

    Raises
    ------
    ExpressionError
        With the place and the fault: a sign out of place, an unknown name, text where a number
        belongs, an expression too long or too deep.

    Examples
    --------
    >>> names = {"slope_pct": "number", "device": "text"}
    >>> parse_expression("slope_pct <= 25 and device in ['rotor']", names).names
    ('slope_pct', 'device')
    """
    if len(text) > LONGEST:
        raise ExpressionError(
            LONGEST + 1, f"the expression is longer than {LONGEST} characters. Shorten it."
        )
    return Expression(text=text, root=_Parser(tokens_of(text), names).whole())


class _Parser:
    """One walk along the tokens; every method reads one rule of the grammar."""

    def __init__(self, tokens: list[Token], names: Mapping[str, ValueKind]) -> None:
        self.tokens = tokens
        self.names = names
        self.at = 0
        self.depth = 0

    def whole(self) -> Node:
        if len(self.tokens) == 1:
            raise ExpressionError(1, "the expression is empty. Write one.")
        node = self.either()
        if self.now.kind != "end":
            raise ExpressionError(
                self.now.position,
                f"{self.now.text!r} is not expected here.{_capital_hint(self.now)}",
            )
        return node

    # --- tokens ----------------------------------------------------------------------------------

    @property
    def now(self) -> Token:
        return self.tokens[self.at]

    def take(self, *texts: str) -> Token | None:
        """The token at hand if it is one of these words or signs, then go on to the next."""
        token = self.now
        if token.kind not in ("name", "sign") or token.text not in texts:
            return None
        self.at += 1
        return token

    def require(self, text: str, after: str) -> None:
        if self.take(text) is None:
            met = self.now.text or "the end"
            raise ExpressionError(self.now.position, f"{text!r} is expected {after}; got {met!r}.")

    def deeper(self, rule: Callable[[], Node], position: int) -> Node:
        self.depth += 1
        if self.depth > DEEPEST:
            raise ExpressionError(
                position, f"more than {DEEPEST} parts lie within each other. Split the expression."
            )
        node = rule()
        self.depth -= 1
        return node

    # --- truth -----------------------------------------------------------------------------------

    def either(self) -> Node:
        return self.joined("or", self.both)

    def both(self) -> Node:
        return self.joined("and", self.negated)

    def joined(self, word: str, rule: Callable[[], Node]) -> Node:
        operands = [rule()]
        while self.take(word):
            operands.append(rule())
        if len(operands) == 1:
            return operands[0]
        for operand in operands:
            _require_kind(operand, "truth", f"each side of {word!r}")
        return Node(
            operation=word,
            kind="truth",
            position=operands[0].position,
            operands=tuple(operands),
        )

    def negated(self) -> Node:
        token = self.take("not")
        if token is None:
            return self.comparison()
        operand = self.deeper(self.negated, token.position)
        _require_kind(operand, "truth", "what follows 'not'")
        return Node(operation="not", kind="truth", position=token.position, operands=(operand,))

    def comparison(self) -> Node:
        operands = [self.sum()]
        if self.now.text in ("in", "not") and self.now.kind == "name":
            return self.membership(operands[0])
        signs: list[str] = []
        while sign := self.take(*ORDERINGS, *EQUALITIES):
            right = self.sum()
            _require_comparable(operands[-1], sign, right)
            operands.append(right)
            signs.append(sign.text)
        if not signs:
            return operands[0]
        return Node(
            operation="compare",
            kind="truth",
            position=operands[0].position,
            operands=tuple(operands),
            signs=tuple(signs),
        )

    def membership(self, sought: Node) -> Node:
        word = "not in" if self.take("not") else "in"
        self.require("in", "after 'not'")
        self.require("[", "after 'in'")
        members = [self.sum()]
        while self.take(","):
            members.append(self.sum())
        self.require("]", "at the end of the list")
        for member in members:
            if any(True for _ in member.names()):
                raise ExpressionError(
                    member.position, "a list holds numbers or text only, no names."
                )
            _require_kind(member, sought.kind, "each member of this list")
        return Node(
            operation=word,
            kind="truth",
            position=sought.position,
            operands=(sought, *members),
        )

    # --- numbers ---------------------------------------------------------------------------------

    def sum(self) -> Node:
        return self.chained(("+", "-"), self.product)

    def product(self) -> Node:
        return self.chained(("*", "/"), self.signed)

    def chained(self, signs: tuple[str, ...], rule: Callable[[], Node]) -> Node:
        operands = [rule()]
        taken: list[str] = []
        while sign := self.take(*signs):
            operands.append(rule())
            taken.append(sign.text)
            for operand in operands[-2:]:
                _require_kind(operand, "number", f"each side of {sign.text!r}")
        if not taken:
            return operands[0]
        return Node(
            operation="arithmetic",
            kind="number",
            position=operands[0].position,
            operands=tuple(operands),
            signs=tuple(taken),
        )

    def signed(self) -> Node:
        token = self.take("-", "+")
        if token is None:
            return self.atom()
        operand = self.deeper(self.signed, token.position)
        _require_kind(operand, "number", f"what follows {token.text!r}")
        if token.text == "+":
            return operand
        if operand.operation == "literal":
            return replace(operand, value=-float(operand.value), position=token.position)
        return Node(
            operation="negative", kind="number", position=token.position, operands=(operand,)
        )

    def atom(self) -> Node:
        token = self.now
        if self.take("("):
            node = self.deeper(self.either, token.position)
            self.require(")", "to close the parenthesis")
            return node
        if self.take("min", "max"):
            return self.deeper(lambda: self.extreme(token), token.position)
        if self.take("true", "false"):
            return _literal(token, "truth", token.text == "true")
        if token.kind == "name" and token.text not in KEYWORDS:
            self.at += 1
            return self.name(token)
        if token.kind in ("number", "text"):
            self.at += 1
            return _constant(token)
        met = repr(token.text) if token.text else "the end"
        raise ExpressionError(
            token.position,
            f"a number, text in quotes, a name or a parenthesis is expected; got {met}.",
        )

    def extreme(self, word: Token) -> Node:
        self.require("(", f"after {word.text!r}")
        operands = [self.sum()]
        while self.take(","):
            operands.append(self.sum())
        self.require(")", f"to close {word.text!r}")
        if len(operands) == 1:
            raise ExpressionError(
                word.position, f"{word.text!r} needs two numbers or more; got one."
            )
        for operand in operands:
            _require_kind(operand, "number", f"each part of {word.text!r}")
        return Node(
            operation=word.text,
            kind="number",
            position=word.position,
            operands=tuple(operands),
        )

    def name(self, token: Token) -> Node:
        name = token.text.strip("`")
        if name not in self.names:
            raise ExpressionError(
                token.position,
                f"unknown name {name!r}.{_capital_hint(token)}",
                unknown_name=name,
            )
        if self.now.kind == "sign" and self.now.text in ("(", "["):
            raise ExpressionError(
                self.now.position,
                f"{self.now.text!r} may not follow a name: there are no functions but min and max.",
            )
        return Node(operation="name", kind=self.names[name], position=token.position, value=name)


def _constant(token: Token) -> Node:
    if token.kind == "text":
        if not token.text.strip():
            raise ExpressionError(
                token.position,
                "the text between the quotes is empty. A value that is absent makes the condition "
                "not known; it cannot be compared.",
            )
        return _literal(token, "text", token.text)
    number = float(token.text)
    if not math.isfinite(number):
        raise ExpressionError(token.position, f"the number {token.text} is too large.")
    return _literal(token, "number", number)


def _literal(token: Token, kind: ValueKind, value: float | str | bool) -> Node:
    return Node(operation="literal", kind=kind, position=token.position, value=value)


_KIND_WORDS = {"number": "a number", "text": "text", "truth": "a condition"}


def _require_kind(node: Node, kind: ValueKind, what: str) -> None:
    if node.kind != kind:
        raise ExpressionError(
            node.position, f"{what} must be {_KIND_WORDS[kind]}; this is {_KIND_WORDS[node.kind]}."
        )


def _require_comparable(left: Node, sign: Token, right: Node) -> None:
    if left.kind != right.kind:
        raise ExpressionError(
            sign.position,
            f"{_KIND_WORDS[left.kind]} cannot be compared with {_KIND_WORDS[right.kind]}. "
            "Put text in quotes, and numbers not.",
        )
    if sign.text in ORDERINGS and left.kind != "number":
        raise ExpressionError(
            sign.position,
            f"{sign.text!r} puts numbers in order; {_KIND_WORDS[left.kind]} has none. "
            "Use == or !=.",
        )


def _capital_hint(token: Token) -> str:
    lower = token.text.lower()
    is_keyword = token.kind == "name" and lower in KEYWORDS and lower != token.text
    return f" Write {lower!r} in small letters." if is_keyword else ""
