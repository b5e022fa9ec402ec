"""What can go wrong with a user's data or command, and how it is told.

A message says what is wrong, where, the value met, what was expected and what to do. Readers
collect every problem of a run in a `ProblemList` and raise them together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field


class GeoirrigError(Exception):
    """Anything that the user can put right; the command line prints it and exits with 2."""


class InputError(GeoirrigError):
    """Every problem found in the inputs, at once."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


class OutputError(GeoirrigError):
    """The results cannot be written where they were asked for."""


@dataclass(slots=True)
class ProblemList:
    """Problems (the run cannot go on) and warnings (it can), collected while reading.

    This is the one record that grows while it is passed on; `raise_if_any` ends its life.
    """

    problems: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def add(self, message: str) -> None:
        """Note a problem that makes the input unusable."""
        if message not in self.problems:
            self.problems.append(message)

    def warn(self, message: str) -> None:
        """Note something that leaves the result usable but that the reader ought to know."""
        if message not in self.warnings:
            self.warnings.append(message)

    def take(self, other: ProblemList) -> None:
        """Note everything that was collected apart."""
        for message in other.problems:
            self.add(message)
        for message in other.warnings:
            self.warn(message)

    def raise_if_any(self) -> None:
        """Raise `InputError` with all problems noted so far, if there are any."""
        if self.problems:
            raise InputError(self.problems)


def named_rows(id_name: str, rows: Iterable[tuple[object, object]], *, at_most: int = 3) -> str:
    """Say which rows a problem concerns and the value met in each.

    Parameters
    ----------
    id_name : str
        Name of the id column.
    rows : iterable of (id, value)
        The rows concerned, in order.
    at_most : int
        How many are named; the others are counted.

    Returns
    -------
    str
        Text for the middle of a message.

    Examples
    --------
    >>> named_rows("head_id", [("B-17", -4.0), ("C-2", 0.0), ("D-1", 0.0), ("D-2", -1.0)])
    "got -4.0 for head_id 'B-17', 0.0 for 'C-2', 0.0 for 'D-1' and 1 more"
    """
    found = list(rows)
    named = [f"{_shown(value)} for {_shown(row_id)}" for row_id, value in found[:at_most]]
    if named:
        row_id, value = found[0]
        named[0] = f"{_shown(value)} for {id_name} {_shown(row_id)}"
    rest = len(found) - at_most
    return "got " + ", ".join(named) + (f" and {rest} more" if rest > 0 else "")


def _shown(value: object, *, longest: int = 60) -> str:
    """Python's own spelling of a value, on one line and not endless."""
    plain = value.item() if hasattr(value, "item") else value
    text = repr(plain)
    return text if len(text) <= longest else text[: longest - 1] + "…"


def was_interrupted(error: BaseException) -> bool:
    """Whether an interrupt is among the causes of an error.

    One that comes while a compiled kernel hands over its arrays is told as a fault of the
    interpreter, with the interrupt as its cause.
    """
    cause: BaseException | None = error
    while cause is not None and not isinstance(cause, KeyboardInterrupt):
        cause = cause.__cause__ or cause.__context__
    return cause is not None
