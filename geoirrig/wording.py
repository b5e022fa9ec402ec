"""How numbers stand in sentences."""

from __future__ import annotations

import re
from collections.abc import Iterable

_NUMBER = r"[−+-]?\d[\d,]*(?:\.\d+)?"
_AMOUNT = rf"{_NUMBER}(?: to {_NUMBER})?(?: thousand)?"
# a quantity in SI, and in brackets behind it the same in US units, as sentences state both
_IN_BOTH_SYSTEMS = re.compile(
    rf"({_AMOUNT} (?:mm/h|mm|m³|m²|m|L/min|L|kPa))"
    rf" \(({_AMOUNT} (?:in/h|in|ft²|ft|US gal/min|US gal|psi))\)"
)


def counted(number: int, noun: str) -> str:
    """A number with its noun, in the plural unless it is one.

    Parameters
    ----------
    number : int
        How many there are.
    noun : str
        What there are, in the singular; its plural ends in "s".

    Examples
    --------
    >>> counted(1, "parcel"), counted(1200, "unit")
    ('1 parcel', '1,200 units')
    """
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def in_words(parts: Iterable[str], *, at_most: int = 12) -> str:
    """Parts of a sentence, joined to be read aloud; the rest is counted unless it is a single one.

    Examples
    --------
    >>> in_words(["A", "B", "C"]), in_words("ABCDE", at_most=3)
    ('A, B and C', 'A, B, C and 2 more')
    """
    named = list(parts)
    if len(named) > at_most + 1:
        named = [*named[:at_most], f"{len(named) - at_most:,} more"]
    return " and ".join([", ".join(named[:-1]), named[-1]] if len(named) > 1 else named)


def led_by(units: str, text: str) -> str:
    """A sentence whose quantities begin with the unit system of the run, the other in brackets.

    Parameters
    ----------
    units : {"si", "us"}
        Unit system of the run.
    text : str
        With SI first, as sentences are made.

    Examples
    --------
    >>> led_by("us", "Gap of 7.1 m (23.3 ft); 1,200 m³ (317 thousand US gal) a year.")
    'Gap of 23.3 ft (7.1 m); 317 thousand US gal (1,200 m³) a year.'
    >>> led_by("si", "Gap of 7.1 m (23.3 ft).")
    'Gap of 7.1 m (23.3 ft).'
    """
    return _IN_BOTH_SYSTEMS.sub(r"\2 (\1)", text) if units == "us" else text
