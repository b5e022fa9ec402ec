"""Values of a programme file: amounts, shares, measures with their unit, and expressions."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Self, TypeVar

from geoirrig.errors import ProblemList
from geoirrig.expressions.grammar import Expression, ValueKind, parse_expression
from geoirrig.expressions.sentence import Sentence, parse_sentence
from geoirrig.expressions.tokens import ExpressionError
from geoirrig.io.columns import listed, nearest_hint
from geoirrig.io.toml_reading import TomlReading, finite_number, one_of
from geoirrig.parcel_quantities import QUANTITIES, Stage, known_names, other_units
from geoirrig.units import PERCENT, UNITS

_Read = TypeVar("_Read")
# Begins the long list of names, which is told once in a run.
_KNOWN_QUANTITIES = "Known quantities:"


class ProgrammeTable(TomlReading):
    """One place of a programme file, the names that its expressions may use, and its faults."""

    def __init__(
        self, place: str, problems: ProblemList, parcel_columns: Mapping[str, ValueKind]
    ) -> None:
        super().__init__(place, problems)
        self.parcel_columns = parcel_columns

    def within(self, place: str) -> Self:
        """The same file, further down."""
        return type(self)(f"{self.place}, {place}", self.problems, self.parcel_columns)

    def listed_tables(
        self, stated: object, key: str, read: Callable[[Self, Mapping[str, Any]], _Read | None]
    ) -> tuple[_Read, ...]:
        """What is read from each table of a list; those at fault are left out."""
        if not isinstance(stated, list):
            if stated is not None:
                self.note(f"{key} must be a list of tables, [[{key}]]; got {stated!r}.")
            return ()
        found = (read(part, entry) for part, entry in self.entries(stated, key))
        return tuple(item for item in found if item is not None)

    def table(self, stated: object, key: str) -> tuple[Self, Mapping[str, Any]]:
        """A table and its place; empty where it is none."""
        if stated is not None and not isinstance(stated, Mapping):
            self.note(f"{key} must be a table, [{key}]; got {stated!r}.")
        return self.within(f"[{key}]"), stated if isinstance(stated, Mapping) else {}

    def amount(self, stated: Mapping[str, Any], key: str, *, absent: float = math.nan) -> float:
        """A number not below 0; what to take where it is absent, which is noted elsewhere."""
        if key not in stated:
            return absent
        value = finite_number(stated[key])
        if value is None or value < 0.0:
            self.note(f"{key} must be a number not below 0; got {stated[key]!r}.")
            return math.nan
        return value

    def share(self, stated: Mapping[str, Any], key: str, *, absent: float = math.nan) -> float:
        """A fraction, from 0 to 1."""
        if key not in stated:
            return absent
        value = finite_number(stated[key])
        if value is None or not 0.0 <= value <= 1.0:
            self.note(
                f"{key} must be a fraction from 0 to 1; got {stated[key]!r}.{percent_hint(value)}"
            )
            return math.nan
        return value

    def check_keys_with_units(
        self,
        stated: Mapping[str, Any],
        known: Sequence[str],
        measured: Mapping[str, Mapping[str, float]],
        *,
        required: Sequence[str],
    ) -> None:
        """As `check_keys`; a measured key without its unit is told which to add."""
        spelt = [spelling for spellings in measured.values() for spelling in spellings]
        unitless = {key: spellings for key, spellings in measured.items() if key in stated}
        for key, spellings in unitless.items():
            self.note(f"{key} has no unit. Write {one_of(spellings)}.")
        others = {key: value for key, value in stated.items() if key not in unitless}
        self.check_keys(others, (*known, *spelt), required=required)

    def measure(
        self,
        stated: Mapping[str, Any],
        spellings: Mapping[str, float],
        quantity: str,
        *,
        is_required: bool = False,
    ) -> tuple[float, float]:
        """A number and the factor that its spelling stands for; NaN where absent or at fault."""
        given = [key for key in spellings if key in stated]
        if len(given) > 1:
            self.note(f"{quantity} is stated in two units, {listed(given)}. Keep one.")
        if not given:
            if is_required and quantity not in stated:
                self.note(f"{quantity} is missing. Write {one_of(spellings)}.")
            return math.nan, 1.0
        return self.amount(stated, given[0]), spellings[given[0]]

    # --- expressions -----------------------------------------------------------------------------

    def expression(
        self,
        stated: Mapping[str, Any],
        key: str,
        kind: ValueKind,
        *,
        stages: tuple[Stage, ...] = ("measured", "rebate"),
        others: tuple[str, ...] = (),
    ) -> Expression | None:
        """An expression of one kind that names something; None where absent or at fault."""
        names = known_names(self.parcel_columns, stages=stages)
        text = self.text(stated, key)
        if not text:
            return None
        found = self._parsed(lambda: parse_expression(text, names), key, names, others)
        if found is None:
            return None
        if found.kind != kind:
            wanted = "a condition, true or false" if kind == "truth" else "a number"
            self.note(f"{key} must be {wanted}; {text!r} is not.")
            return None
        if not found.names:
            self.note(f"{key} names no column and no quantity; got {text!r}.")
        return found

    def sentence(self, stated: Mapping[str, Any], key: str) -> Sentence | None:
        """A sentence with values in it; None where absent or at fault."""
        names = known_names(self.parcel_columns)
        text = self.text(stated, key)
        return self._parsed(lambda: parse_sentence(text, names), key, names) if text else None

    def _parsed(
        self,
        parse: Callable[[], _Read],
        key: str,
        names: Mapping[str, ValueKind],
        others: tuple[str, ...] = (),
    ) -> _Read | None:
        try:
            return parse()
        except ExpressionError as error:
            told = self._about_name(error.unknown_name, names, others) if error.unknown_name else ""
            self.note(f"{key}, at character {error.position}: {error.fault}{told}")
            return None

    def _about_name(
        self, name: str, names: Mapping[str, ValueKind], others: tuple[str, ...]
    ) -> str:
        """What to write in place of an unknown name."""
        if name in QUANTITIES:  # but not at this stage
            return " It follows from what is paid, so that no pay rate can depend on it."
        with_unit = [known for known in names if _without_unit(known) == name]
        if with_unit:
            return f" It has no unit: write {one_of(with_unit)}."
        hint = nearest_hint(name, (*names, *others))
        rankings = f" Known rankings: {listed(others)}." if others else ""
        if any(_KNOWN_QUANTITIES in told for told in self.problems.problems):
            return f"{hint} The known names stand above.{rankings}"
        columns = listed(self.parcel_columns, at_most=99)
        return (
            f"{hint} Known columns of the parcels: {columns}. "
            f"{_KNOWN_QUANTITIES} {listed(QUANTITIES, at_most=99)}.{rankings}"
        )


def spelt_with_units(start: str, factors: Mapping[str, float]) -> dict[str, float]:
    """Spellings of a measured key, one for each unit, with the unit's factor."""
    return {f"{start}_{suffix}": factor for suffix, factor in factors.items()}


def percent_hint(value: float | None) -> str:
    """What to write where a fraction was asked and the number looks like percent."""
    if value is None or not 1.0 <= value <= PERCENT:
        return ""
    return f" If {value:g} is meant in percent, write {value / PERCENT:g}."


def _without_unit(name: str) -> str:
    """A measured name without its unit; "" of any other."""
    if name.endswith("_pct"):
        return name.removesuffix("_pct")
    for unit in UNITS:
        if name.endswith(f"_{unit}") and other_units(name):
            return name.removesuffix(f"_{unit}")
    return ""
