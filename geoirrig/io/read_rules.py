"""Rule sets, built in or the user's own, from TOML; every fault is noted at once."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping, Sequence
from importlib import resources
from pathlib import Path
from typing import Any, get_args

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.columns import DEVICES, listed, nearest_hint, nearest_name
from geoirrig.io.toml_reading import (
    TomlReading,
    finite_number,
    one_of,
    toml_tables,
    toml_text,
)
from geoirrig.rules import (
    CELL_CONDITIONS,
    KINDS,
    OBJECT_CONDITIONS,
    QUANTITIES,
    Rule,
    RuleCondition,
    RuleQuantity,
    RuleSet,
    Scope,
    Severity,
)

SET_KEYS = ("title", "jurisdiction", "document", "edition", "citation", "note")
RULE_KEYS = (
    "id",
    "applies_to",
    "quantity",
    "comparison",
    "limit",
    "unit",
    "where",
    "severity",
    "citation",
    "from_memory",
    "text",
)
CONDITION_KEYS = ("quantity", "comparison", "value", "unit")
_CONDITIONS = {**CELL_CONDITIONS, **OBJECT_CONDITIONS}
_FILE_ENDING = ".toml"


def built_in_rule_sets() -> tuple[str, ...]:
    """Names of the rule sets that come with the program, in alphabetical order."""
    folder = resources.files("geoirrig") / "rule_sets"
    found = [Path(item.name) for item in folder.iterdir()]
    return tuple(sorted(path.stem for path in found if path.suffix == _FILE_ENDING))


def read_rules(names_or_files: Sequence[str | Path], problems: ProblemList) -> tuple[RuleSet, ...]:
    """Rule sets by name or from files.

    Parameters
    ----------
    names_or_files : sequence of str or Path
        A bare word is the name of a built-in set; anything with an ending or a folder is a file.
    problems : ProblemList
        Takes unknown names, unreadable files, and everything that is wrong within a file.

    Returns
    -------
    tuple of RuleSet
        Those that could be read, without the rules at fault.
    """
    sets: list[RuleSet] = []
    for given in names_or_files:
        rule_set = _rule_set(given, problems)
        if rule_set is None:
            continue
        if rule_set.name in {known.name for known in sets}:
            problems.add(f"Rule set {rule_set.name!r} is given more than once. Give it once.")
        sets.append(rule_set)
    return tuple(sets)


def rule_files(names_or_files: Sequence[str | Path]) -> tuple[Path, ...]:
    """Those of the given that are files, not names of built-in sets."""
    return tuple(Path(given) for given in names_or_files if not _is_name(given))


def _is_name(given: str | Path) -> bool:
    path = Path(given)
    return path.name == str(given) and not path.suffix


def _rule_set(given: str | Path, problems: ProblemList) -> RuleSet | None:
    try:
        name, shown, text = _source(given)
        stated = toml_tables(text, shown=shown)
    except GeoirrigError as error:
        problems.add(str(error))
        return None
    return _Reading(shown, problems).rule_set(name, stated)


def _source(given: str | Path) -> tuple[str, str, str]:
    """Name of a rule set, what messages call it, and its text."""
    word = str(given)
    path = Path(given)
    if _is_name(given):
        known = built_in_rule_sets()
        if word not in known:
            raise GeoirrigError(
                f"Rule set {word!r} is not built in; those are {listed(known, at_most=99)}."
                f"{nearest_hint(word, known)} For a file of your own give its name with the "
                f"ending {_FILE_ENDING}."
            )
        source = resources.files("geoirrig") / "rule_sets" / f"{word}{_FILE_ENDING}"
        return word, f"Rule set {word!r}", source.read_text(encoding="utf-8")
    shown = f"Rule file {path.name!r}"
    return path.stem, shown, toml_text(path, shown=shown)


class _Reading(TomlReading):
    """The faults of one rule file, each told with the place it stands in."""

    # --- the file --------------------------------------------------------------------------------

    def rule_set(self, name: str, stated: Mapping[str, Any]) -> RuleSet:
        """The set with those of its rules that have no fault."""
        self.check_keys(stated, (*SET_KEYS, "rule"), required=SET_KEYS)
        said = {key: self.text(stated, key) for key in SET_KEYS}
        return RuleSet(name=name, rules=self._rules(stated.get("rule")), **said)

    def _rules(self, stated: object) -> tuple[Rule, ...]:
        if not isinstance(stated, list) or not stated:
            self.note("must have at least one [[rule]]; got none. Add one.")
            return ()
        rules = []
        for part, entry in self.entries(stated, "rule"):
            before = self.fault_count
            rule = part._rule(entry)
            if rule is not None and self.fault_count == before:
                rules.append(rule)
        return tuple(rules)

    # --- one rule --------------------------------------------------------------------------------

    def _rule(self, stated: Mapping[str, Any]) -> Rule | None:
        required = tuple(key for key in RULE_KEYS if key != "where")
        self.check_keys(stated, RULE_KEYS, required=required)
        scope = self.word(stated, "applies_to", get_args(Scope))
        severity = self.word(stated, "severity", get_args(Severity))
        quantity = self._quantity(stated, QUANTITIES)
        said = {key: self.text(stated, key) for key in ("id", "citation", "text")}
        memory = stated.get("from_memory")
        if "from_memory" in stated and not isinstance(memory, bool):
            self.note(f"from_memory must be true or false; got {memory!r}.")
        comparisons = ("at_most", "at_least") if quantity is None else quantity.comparisons
        comparison = self.word(stated, "comparison", comparisons)
        if quantity is None:
            return None
        limit = self._value_si(stated, "limit", quantity)
        if scope and scope not in quantity.scopes:
            self.note(
                f"{quantity.name} cannot be measured on applies_to = {scope!r}, only on "
                f"{listed(quantity.scopes)}."
            )
        return Rule(
            rule_id=said["id"],
            applies_to=scope,  # type: ignore[arg-type]  # the word was checked
            quantity=quantity,
            comparison=comparison,  # type: ignore[arg-type]  # the word was checked
            limit_si=limit,
            where=self._conditions(stated.get("where", []), scope, quantity),
            severity=severity,  # type: ignore[arg-type]  # the word was checked
            citation=said["citation"],
            is_from_memory=memory is True,
            text=said["text"],
        )

    def _conditions(
        self, stated: object, scope: str, of: RuleQuantity
    ) -> tuple[RuleCondition, ...]:
        if not isinstance(stated, list):
            self.note(f"where must be a list of conditions; got {stated!r}.")
            return ()
        found = []
        for number, entry in enumerate(stated, start=1):
            part = self.within(f"condition {number}")
            if not isinstance(entry, Mapping):
                part.note(f"must be a table of keys and values; got {entry!r}.")
                continue
            condition = part._condition(entry)
            if condition is None:
                continue
            name = condition.quantity.name
            if name in CELL_CONDITIONS and not of.takes_cell_conditions:
                part.note(f"{of.name} is not measured on cells, so {name} cannot narrow it down.")
            if scope and scope not in condition.quantity.scopes:
                part.note(f"{name} is not known of applies_to = {scope!r}.")
            found.append(condition)
        return tuple(found)

    def _condition(self, stated: Mapping[str, Any]) -> RuleCondition | None:
        quantity = self._quantity(stated, _CONDITIONS)
        if quantity is None:
            self.check_keys(stated, CONDITION_KEYS, required=("comparison", "value"))
            return None
        if quantity.kind == "word":
            keys = ("quantity", "comparison", "value")
            self.check_keys(stated, keys, required=keys)
            self.word(stated, "comparison", ("is",))
            word = self.word(stated, "value", DEVICES)
            return RuleCondition(quantity=quantity, comparison="is", word=word)
        self.check_keys(stated, CONDITION_KEYS, required=CONDITION_KEYS)
        comparison = self.word(stated, "comparison", ("above", "below"))
        return RuleCondition(
            quantity=quantity,
            comparison=comparison,  # type: ignore[arg-type]  # the word was checked
            value_si=self._value_si(stated, "value", quantity),
        )

    # --- values ----------------------------------------------------------------------------------

    def _quantity(
        self, stated: Mapping[str, Any], known: Mapping[str, RuleQuantity]
    ) -> RuleQuantity | None:
        name = stated.get("quantity")
        if isinstance(name, str) and name in known:
            return known[name]
        if "quantity" in stated:
            self.note(
                f"unknown quantity {name!r}. The nearest known is "
                f"{_nearest_quantity(str(name), known)!r}. Known: {listed(known, at_most=99)}."
            )
        elif known is _CONDITIONS:
            self.note("quantity is missing. Add it.")
        return None

    def _value_si(self, stated: Mapping[str, Any], key: str, quantity: RuleQuantity) -> float:
        """A number not below zero, converted by the unit beside it; NaN where at fault."""
        factors = KINDS[quantity.kind].to_si
        unit = stated.get("unit")
        if "unit" in stated and (not isinstance(unit, str) or unit not in factors):
            self.note(
                f"unit of {quantity.name} must be {one_of(tuple(factors))}; got {unit!r}."
                f"{nearest_hint(str(unit), factors)}"
            )
        value = finite_number(stated.get(key))
        if value is None or value < 0:
            if key in stated:
                self.note(f"{key} must be a number not below 0; got {stated[key]!r}.")
            return math.nan
        return value * factors.get(str(unit), math.nan)


def _nearest_quantity(word: str, known: Iterable[str]) -> str:
    """The quantity that looks most like a word; one that shares whole words comes first."""

    def likeness(name: str) -> tuple[int, float]:
        shared = set(word.lower().split("_")) & set(name.split("_"))
        return len(shared), difflib.SequenceMatcher(None, word.lower(), name).ratio()

    return nearest_name(word, known) or max(known, key=likeness)
