"""Tables of a TOML file, with every fault told at the place it stands in."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Self

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.columns import listed, nearest_hint
from geoirrig.io.file_formats import require_readable_file

_KEYS_AT_MOST = 30  # named in a message


def toml_text(path: Path, *, shown: str) -> str:
    """Text of a TOML file; some editors begin a file with a mark, which is left out.

    Parameters
    ----------
    path : Path
        The file.
    shown : str
        What messages call it: "Rule file 'campus.toml'".

    Raises
    ------
    GeoirrigError
        If the file is not there, empty, or not UTF-8.
    """
    require_readable_file(path)
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise GeoirrigError(
            f"{shown} is not valid TOML: it is not UTF-8 text (byte {error.start}). "
            "Save it as UTF-8."
        ) from error


def toml_tables(text: str, *, shown: str) -> dict[str, Any]:
    """What a TOML text states.

    Raises
    ------
    GeoirrigError
        If it is not valid TOML, with the line.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise GeoirrigError(f"{shown} is not valid TOML: {error}. Correct that line.") from error
    except RecursionError as error:
        raise GeoirrigError(
            f"{shown} is not valid TOML: its lists lie too deep within each other. Correct it."
        ) from error


class TomlReading:
    """One place of a file, and where its faults are noted."""

    def __init__(self, place: str, problems: ProblemList) -> None:
        self.place = place
        self.problems = problems

    def within(self, place: str) -> Self:
        """The same file, further down."""
        return type(self)(f"{self.place}, {place}", self.problems)

    def note(self, fault: str) -> None:
        """Note what is wrong at this place."""
        self.problems.add(f"{self.place}: {fault}")

    @property
    def fault_count(self) -> int:
        """Number of faults of all places so far."""
        return len(self.problems.problems)

    def check_keys(
        self, stated: Mapping[str, Any], known: Sequence[str], *, required: Sequence[str]
    ) -> None:
        """Note every key that is not known, and every required one that is missing."""
        for key in stated:
            if key not in known:
                names = listed(known, at_most=_KEYS_AT_MOST)
                self.note(f"unknown key {key!r}.{nearest_hint(key, known)} Known: {names}.")
        for key in required:
            if key not in stated:
                self.note(f"{key} is missing. Add it.")

    def text(self, stated: Mapping[str, Any], key: str) -> str:
        """Text of a key, without blanks around it; "" where absent, which is noted elsewhere."""
        value = stated.get(key, "")
        if not isinstance(value, str) or (key in stated and not value.strip()):
            self.note(f"{key} must be text that is not blank; got {value!r}.")
            return ""
        return value.strip()

    def word(self, stated: Mapping[str, Any], key: str, words: Sequence[str]) -> str:
        """One of several words; "" where absent or at fault."""
        value = stated.get(key)
        if isinstance(value, str) and value in words:
            return value
        if key in stated:
            self.note(
                f"{key} must be {one_of(words)}; got {value!r}.{nearest_hint(str(value), words)}"
            )
        return ""

    def entries(self, stated: Sequence[Any], what: str) -> Iterator[tuple[Self, Mapping[str, Any]]]:
        """Tables of a list, each with its place; "condition 'slope'", or by its number."""
        ids: set[str] = set()
        for number, entry in enumerate(stated, start=1):
            entry_id = entry.get("id") if isinstance(entry, Mapping) else None
            part = self.within(f"{what} {entry_id!r}" if entry_id else f"{what} number {number}")
            if not isinstance(entry, Mapping):
                part.note(f"must be a table of keys and values; got {entry!r}.")
                continue
            if isinstance(entry_id, str) and entry_id in ids:
                part.note(f"this id occurs more than once. Give every {what} its own.")
            ids.add(str(entry_id))
            yield part, entry


def finite_number(value: object) -> float | None:
    """A number of a TOML file as float; None for anything else, true and infinity included."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        number = float(value)
    except OverflowError:  # a whole number of hundreds of digits
        return None
    return number if math.isfinite(number) else None


def one_of(words: Iterable[str]) -> str:
    """Words in quotes, to choose from."""
    quoted = [repr(word) for word in words]
    return quoted[0] if len(quoted) == 1 else f"one of {', '.join(quoted)}"
