"""How numbers stand in sentences."""

from __future__ import annotations


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
