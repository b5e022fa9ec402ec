"""Rules of published documents held against a site: what was measured, and whether it is met."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geoirrig.records import (
    ObjectArray,
    PrecipitationSurface,
    ResultTable,
    SiteInputs,
    TerrainSurface,
    TurfCells,
)
from geoirrig.rules import KINDS, LENGTH_TOLERANCE_M, Rule, RuleCondition, RuleSet
from geoirrig.surfaces.rule_measures import (
    ROUNDING,
    Measurement,
    RuleEvidence,
    measured,
    missing_input,
)

OUTCOMES = ("met", "not met", "flagged", "not evaluated")
WHO_DECIDES = "Local code and licensed practice decide, not this check."


@dataclass(frozen=True, slots=True, kw_only=True)
class _Finding:
    """One row: a rule on a zone or turf polygon, or on the site where an input is missing."""

    rule_set: RuleSet
    rule: Rule
    name: str | None  # of the zone or polygon
    measurement: Measurement
    place: BaseGeometry

    @property
    def is_met(self) -> bool | None:
        if self.measurement.reason:
            return None
        return is_limit_met(self.measurement.value_si, self.rule)

    @property
    def outcome(self) -> str:
        if self.is_met is None:
            return "not evaluated"
        if self.is_met:
            return "met"
        return "flagged" if self.rule.severity == "flag" else "not met"

    @property
    def measured(self) -> str | None:
        value, kind = self.measurement.value_si, KINDS[self.rule.quantity.kind]
        if self.measurement.reason:
            return None
        if math.isinf(value):
            return f"{kind.text(self.rule.limit_si)} or more"
        return kind.text(value)

    @property
    def sentence(self) -> str:
        """What is wrong, in words; empty where nothing is."""
        if self.is_met:
            return ""
        quantity = self.rule.quantity.meaning
        who = "The site" if self.name is None else f"{self.rule.applies_to} {self.name}"
        start = f"{who[0].upper()}{who[1:]}, {quantity}{_where(self.rule)}"
        if self.measurement.reason:
            return f"{start}: not evaluated, since {self.measurement.reason}."
        limit = _limit(self.rule)
        said = [f"{start}: {self.measured}{self._extent}. {limit}"]
        if self.rule.severity == "flag":
            said.append("A flag, not a violation.")
        if self.measurement.detail:
            said.append(self.measurement.detail)
        if self.rule.is_from_memory:
            said.append("The rule is stated from memory: check it in the document.")
        return " ".join(said)

    @property
    def _extent(self) -> str:
        area = self.measurement.area_m2
        is_told = not math.isfinite(area) or self.rule.quantity.kind == "area"
        return "" if is_told else f", on {KINDS['area'].text(area)}"


def is_limit_met(value_si: float, rule: Rule) -> bool:
    """Whether a value keeps the limit of a rule; on the limit it does.

    Lengths may miss it by `LENGTH_TOLERANCE_M`.
    """
    slack = ROUNDING * abs(rule.limit_si)
    if rule.quantity.kind.endswith("length"):
        slack = min(LENGTH_TOLERANCE_M, rule.limit_si / 2.0)
    if rule.comparison == "at_most":
        return value_si <= rule.limit_si + slack
    return value_si >= rule.limit_si - slack


def rule_findings(
    rule_sets: Sequence[RuleSet],
    inputs: SiteInputs,
    cells: TurfCells,
    precipitation: PrecipitationSurface,
    terrain: TerrainSurface,
    *,
    tables: Sequence[ResultTable],
) -> ResultTable:
    """Every rule on every zone or turf polygon that it concerns.

    Parameters
    ----------
    rule_sets : sequence of RuleSet
        The documents.
    inputs : SiteInputs
        Heads, turf, hardscape and zones.
    cells, precipitation, terrain : TurfCells, PrecipitationSurface, TerrainSurface
        The site on its grid.
    tables : sequence of ResultTable
        Among them ``turf_results``, ``zone_results`` and ``head_results``.

    Returns
    -------
    ResultTable
        Layer ``rule_findings``. A rule whose input is missing is one row, "not evaluated", with
        the reason. Zones and polygons that a rule says nothing about have no row.
    """
    evidence = RuleEvidence(
        inputs=inputs,
        cells=cells,
        precipitation=precipitation,
        terrain=terrain,
        tables={table.name: table for table in tables},
    )
    return _table([f for rules in rule_sets for f in _set_findings(rules, evidence)])


def rules_summary(rule_sets: Sequence[RuleSet], findings: ResultTable) -> list[dict[str, Any]]:
    """For each rule set: what it is, who decides, and how many rows had which outcome.

    ``rules_without_case`` lists the rules that concern no zone or polygon of the site.
    """
    of_set, of_rule = findings.columns["rule_set"], findings.columns["rule"]
    outcome = findings.columns["outcome"]
    summary = []
    for rules in rule_sets:
        own = of_set == rules.name
        met_rules = set(of_rule[own].tolist())
        summary.append(
            {
                "rule_set": rules.name,
                "title": rules.title,
                "jurisdiction": rules.jurisdiction,
                "document": rules.document,
                "edition": rules.edition,
                "citation": rules.citation,
                "note": rules.note,
                "caution": WHO_DECIDES,
                "rule_count": len(rules.rules),
                "from_memory_count": sum(rule.is_from_memory for rule in rules.rules),
                **{
                    f"{word.replace(' ', '_')}_count": int(np.count_nonzero(outcome[own] == word))
                    for word in OUTCOMES
                },
                "rules_without_case": [
                    rule.rule_id for rule in rules.rules if rule.rule_id not in met_rules
                ],
            }
        )
    return summary


def _set_findings(rule_set: RuleSet, evidence: RuleEvidence) -> list[_Finding]:
    nowhere = shapely.from_wkt("MULTIPOLYGON EMPTY")
    names = {
        "zone": np.array(evidence.inputs.zone_plan.zone, dtype=object),
        "turf": evidence.inputs.turf.turf_id,
    }
    found = []
    for rule in rule_set.rules:
        reason = missing_input(rule, evidence)
        if reason:
            found.append(
                _Finding(
                    rule_set=rule_set,
                    rule=rule,
                    name=None,
                    measurement=Measurement(reason=reason),
                    place=nowhere,
                )
            )
            continue
        places = _places(rule, evidence)
        for name, measurement, place in zip(
            names[rule.applies_to], measured(rule, evidence), places, strict=True
        ):
            if measurement.is_concerned:
                found.append(
                    _Finding(
                        rule_set=rule_set,
                        rule=rule,
                        name=str(name),
                        measurement=measurement,
                        place=place if measurement.place is None else measurement.place,
                    )
                )
    return found


def _places(rule: Rule, evidence: RuleEvidence) -> ObjectArray:
    """Served area of each zone, or each turf polygon."""
    geometry = evidence.tables[f"{rule.applies_to}_results"].geometry
    return np.array(() if geometry is None else geometry, dtype=object)


def _where(rule: Rule) -> str:
    """Where the rule holds, in words with a space before them."""
    return "".join(f" {_condition(condition)}" for condition in rule.where)


def _condition(condition: RuleCondition) -> str:
    name = condition.quantity.name
    if name == "device":
        return f"({condition.word.replace('_', ' ')})"
    value = KINDS[condition.quantity.kind].text(condition.value_si)
    if name == "slope":
        return f"where {'steeper' if condition.comparison == 'above' else 'flatter'} than {value}"
    if condition.value_si == 0.0:
        return "off hardscape" if condition.comparison == "above" else "on hardscape"
    return f"{'beyond' if condition.comparison == 'above' else 'within'} {value} of hardscape"


def _limit(rule: Rule) -> str:
    if rule.comparison == "at_most" and rule.limit_si == 0.0:
        return "None is allowed."
    return f"The limit is {rule.limit_text}."


def _table(found: Sequence[_Finding]) -> ResultTable:
    def column(values: Sequence[Any]) -> ObjectArray:
        filled: ObjectArray = np.empty(len(values), dtype=object)
        filled[:] = values
        return filled

    def name_where(scope: str) -> list[str | None]:
        return [f.name if f.rule.applies_to == scope else None for f in found]

    columns: Mapping[str, Any] = {
        "rule_set": column([f.rule_set.name for f in found]),
        "rule": column([f.rule.rule_id for f in found]),
        "applies_to": column([f.rule.applies_to for f in found]),
        "zone": column(name_where("zone")),
        "turf_id": column(name_where("turf")),
        "outcome": column([f.outcome for f in found]),
        "is_met": column([f.is_met for f in found]),
        "is_flag_only": np.array([f.rule.severity == "flag" for f in found], dtype=bool),
        "measured": column([f.measured for f in found]),
        "measured_value": np.array([_finite(f.measurement.value_si) for f in found], dtype=float),
        "limit": column([f.rule.limit_text for f in found]),
        "limit_value": np.array([f.rule.limit_si for f in found], dtype=float),
        "value_unit": column([KINDS[f.rule.quantity.kind].si_base for f in found]),
        "concerned_area_m2": np.array([f.measurement.area_m2 for f in found], dtype=float),
        "rule_text": column([f.rule.text for f in found]),
        "citation": column([f.rule.citation for f in found]),
        "from_memory": np.array([f.rule.is_from_memory for f in found], dtype=bool),
        "finding": column([f.sentence for f in found]),
    }
    return ResultTable(
        name="rule_findings",
        columns=columns,
        geometry=column([f.place for f in found]),
        geometry_type="MultiPolygon",
    )


def _finite(value: float) -> float:
    return value if math.isfinite(value) else math.nan
