"""Rule sets: the built-in ones, and everything that can be wrong in a user's own."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from geoirrig.errors import ProblemList
from geoirrig.io.read_rules import (
    CONDITION_KEYS,
    RULE_KEYS,
    SET_KEYS,
    built_in_rule_sets,
    read_rules,
)
from geoirrig.rules import CELL_CONDITIONS, KINDS, OBJECT_CONDITIONS, QUANTITIES, RuleSet

DOCS = Path(__file__).parents[2] / "docs"
HEAD = """\
title = "House rules"
jurisdiction = "This street"
document = "A letter"
edition = "2024"
citation = "The letter"
note = "Local code and licensed practice decide."
"""
RULE = """
[[rule]]
id = "slow on banks"
applies_to = "zone"
quantity = "application_rate"
comparison = "at_most"
limit = 0.75
unit = "in/h"
where = [{ quantity = "slope", comparison = "above", value = 25, unit = "percent" }]
severity = "violation"
citation = "The letter, line 3"
from_memory = false
text = "Not faster."
"""


def rules(folder: Path, text: str) -> tuple[tuple[RuleSet, ...], list[str]]:
    path = folder / "house.toml"
    path.write_text(text, encoding="utf-8")
    problems = ProblemList()
    return read_rules([path], problems), problems.problems


def problems_of(folder: Path, old: str, new: str) -> list[str]:
    """Problems of the good file with one thing changed."""
    text = HEAD + RULE
    assert old in text
    return rules(folder, text.replace(old, new))[1]


def built_in() -> tuple[RuleSet, ...]:
    problems = ProblemList()
    found = read_rules(built_in_rule_sets(), problems)
    assert problems.problems == []
    return found


# --- the built-in sets ---------------------------------------------------------------------------

# What the reference material marks as read (False) or as from memory (True), rule by rule.
FROM_MEMORY = {
    ("california_plumbing_code_app_l", "L 411.10 matched rates"): False,
    ("california_plumbing_code_app_l", "L 411.10 pressure"): False,
    ("california_plumbing_code_app_l", "L 411.10 pop-up height"): False,
    ("california_title_23_2_7", "492.7(a)(1)(C)"): False,
    ("california_title_23_2_7", "492.7(a)(1)(T)"): False,
    ("california_title_23_2_7", "492.7(a)(1)(U)"): False,
    ("california_title_23_2_7", "492.7(a)(1)(V)"): False,
    ("california_title_23_2_7", "492.7 distribution uniformity"): True,
    ("california_title_23_2_7", "492.7 matched rates"): True,
    ("california_title_23_2_7", "appendix D turf slope"): True,
    ("california_title_23_2_7", "appendix D turf width"): True,
    ("california_title_23_2_7_2009", "narrow areas"): True,
    ("california_title_23_2_7_2009", "492.7(a)(1)(C)"): False,
    ("epa_watersense_homes", "4.2.5 distribution uniformity"): False,
    ("epa_watersense_homes", "sprinklers on slopes"): False,
    ("epa_watersense_homes", "sprinklers on strips"): False,
    ("epa_watersense_homes", "pop-up height"): False,
    ("epa_watersense_homes", "no runoff in the audit"): False,
    ("epa_watersense_homes", "matched rates"): True,
    ("epa_watersense_spray_bodies", "lowest pressure of sprays"): False,
    ("epa_watersense_spray_bodies", "highest pressure of sprays"): False,
    ("epa_watersense_water_budget", "fixed spray"): True,
    ("epa_watersense_water_budget", "rotor"): True,
    ("redwood_city_landscape", "slopes over 15 %"): False,
    ("redwood_city_landscape", "slopes over 10 % beside hardscape"): False,
    ("redwood_city_landscape", "slopes over 50 %"): False,
    ("texas_30_tac_344", "344.62(b)(1) spacing"): False,
    ("texas_30_tac_344", "344.62(b)(2) setback of heads"): False,
    ("texas_30_tac_344", "344.62(b)(3) narrow strips"): False,
    ("texas_30_tac_344", "344.62(c) pressure"): False,
    ("texas_30_tac_344", "344.1(32) matched rates"): True,
    ("texas_30_tac_344", "344 spray on hardscape"): False,
    ("usda_maximum_rate", "with cover"): True,
    ("yolo_county_8_3", "8-3.109(a)(11) slopes"): False,
    ("yolo_county_8_3", "8-3.109 narrow areas"): False,
    ("yolo_county_8_3", "8-3.109 setback"): False,
    ("yolo_county_8_3", "8-3.109 matched rates"): True,
}


def test_built_in_rules_say_what_comes_from_memory() -> None:
    stated = {(s.name, rule.rule_id): rule.is_from_memory for s in built_in() for rule in s.rules}
    assert stated == FROM_MEMORY


def test_built_in_sets_cite_and_say_who_decides() -> None:
    for rule_set in built_in():
        assert "Local code and licensed practice decide." in rule_set.note
        assert all(len(rule.citation) > 5 and rule.text for rule in rule_set.rules)
        assert "://" not in rule_set.citation


def test_built_in_limits_in_si() -> None:
    limits = {(s.name, rule.rule_id): rule.limit_si for s in built_in() for rule in s.rules}
    # 0.75 in/h = 19.05 mm/h; 10, 8 and 4 ft; 4 in; 30 psi = 206.84 kPa.
    assert limits["california_title_23_2_7", "492.7(a)(1)(V)"] == pytest.approx(19.05)
    assert limits["california_title_23_2_7", "492.7(a)(1)(T)"] == pytest.approx(3.048)
    assert limits["california_title_23_2_7_2009", "narrow areas"] == pytest.approx(2.4384)
    assert limits["epa_watersense_homes", "sprinklers on strips"] == pytest.approx(1.2192)
    assert limits["texas_30_tac_344", "344.62(b)(3) narrow strips"] == pytest.approx(1.2192)
    assert limits["texas_30_tac_344", "344.62(b)(2) setback of heads"] == pytest.approx(0.1016)
    assert limits["epa_watersense_spray_bodies", "lowest pressure of sprays"] == pytest.approx(
        206.8427, abs=1e-3
    )
    assert limits["epa_watersense_water_budget", "rotor"] == pytest.approx(0.7)
    setback = next(r for s in built_in() for r in s.rules if r.rule_id == "492.7(a)(1)(U)")
    assert setback.where[0].value_si == pytest.approx(0.6096)


# --- a user's own --------------------------------------------------------------------------------


def test_read_rules_a_good_file(tmp_path: Path) -> None:
    (found,), problems = rules(tmp_path, HEAD + RULE)
    assert problems == []
    assert (found.name, found.title) == ("house", "House rules")
    (rule,) = found.rules
    assert rule.limit_text == "at most 19.0 mm/h (0.75 in/h)"
    assert rule.where[0].quantity.name == "slope"


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            'quantity = "application_rate"',
            'quantity = "aplication_rate"',
            "Rule file 'house.toml', rule 'slow on banks': unknown quantity 'aplication_rate'. The "
            "nearest known is 'application_rate'. Known: 'application_rate', 'sprinkled_area'",
        ),
        ('unit = "in/h"', 'unit = "in/hr"', "unit of application_rate must be one of 'mm/h', "),
        ('unit = "in/h"', 'unit = "psi"', "one of 'mm/h', 'in/h'; got 'psi'."),
        ('"at_most"', '"at_mots"', "got 'at_mots'. The nearest known is 'at_most'."),
        ('"above"', '"over"', "condition 1: comparison must be one of 'above', 'below'; got"),
        ('quantity = "slope"', 'quantity = "slop"', "unknown quantity 'slop'. The nearest"),
        ("severity =", "sevrity =", "unknown key 'sevrity'. The nearest known is 'severity'."),
        ("severity =", "sevrity =", "rule 'slow on banks': severity is missing. Add it."),
        ('citation = "The letter, line 3"\n', "", "citation is missing. Add it."),
        ('"The letter, line 3"', '" "', "citation must be text that is not blank; got ' '."),
        ("from_memory = false", 'from_memory = "no"', "from_memory must be true or false; got"),
        ("limit = 0.75", "limit = true", "limit must be a number not below 0; got True."),
        ("limit = 0.75", "limit = nan", "limit must be a number not below 0; got nan."),
        ("limit = 0.75", "limit = -1", "limit must be a number not below 0; got -1."),
        ("value = 25", 'value = "25"', "value must be a number not below 0; got '25'."),
        ('"zone"', '"valve"', "applies_to must be one of 'zone', 'turf'; got 'valve'."),
        ('edition = "2024"', "edition = 2024", "'house.toml': edition must be text that is not"),
        ('edition = "2024"', "", "Rule file 'house.toml': edition is missing. Add it."),
        ('edition = "2024"', 'yaer = "2024"', "unknown key 'yaer'."),
        ('id = "slow on banks"', "", "rule number 1: id is missing. Add it."),
        ("where = [{", "where = [3, {", "condition 1: must be a table of keys and values; got 3."),
        (
            '"application_rate"\ncomparison = "at_most"',
            '"narrowest_width"\ncomparison = "at_most"',
            "comparison must be 'at_least'; got 'at_most'.",
        ),
    ],
)
def test_read_rules_names_file_rule_and_fault(
    tmp_path: Path, old: str, new: str, expected: str
) -> None:
    found = problems_of(tmp_path, old, new)
    assert any(expected in problem for problem in found), found
    assert all(problem.startswith("Rule file 'house.toml'") for problem in found)


def test_read_rules_tells_every_fault_at_once(tmp_path: Path) -> None:
    broken = RULE.replace('"in/h"', '"knots"').replace('"violation"', '"sin"')
    found, problems = rules(tmp_path, HEAD + RULE + broken)
    assert len(problems) == 3, problems  # the id again, the unit and the severity
    assert "this id occurs more than once" in problems[0]
    assert len(found[0].rules) == 1


def test_read_rules_conditions_must_fit_the_quantity(tmp_path: Path) -> None:
    text = RULE.replace('"application_rate"', '"low_quarter_uniformity"')
    text = text.replace('"in/h"', '"1"')
    _, problems = rules(tmp_path, HEAD + text)
    assert problems == [
        "Rule file 'house.toml', rule 'slow on banks', condition 1: low_quarter_uniformity is not "
        "measured on cells, so slope cannot narrow it down."
    ]
    device = '{ quantity = "device", comparison = "is", value = "rotar" }'
    text = RULE.replace(RULE[RULE.index("[{") + 1 : RULE.index("}]") + 1], device)
    _, problems = rules(tmp_path, HEAD + text)
    assert len(problems) == 1
    assert (
        "value must be one of 'fixed_spray', 'rotary_nozzle', 'rotor'; got 'rotar'."
        in (problems[0])
    )
    _, problems = rules(tmp_path, HEAD + text.replace("rotar", "rotor").replace('"zone"', '"turf"'))
    assert problems == [
        "Rule file 'house.toml', rule 'slow on banks', condition 1: device is not known of "
        "applies_to = 'turf'."
    ]


def test_read_rules_scope_must_fit_the_quantity(tmp_path: Path) -> None:
    text = RULE.replace('"application_rate"', '"matched_rate_spread"').replace('"zone"', '"turf"')
    _, problems = rules(tmp_path, HEAD + text.replace('"in/h"', '"percent"'))
    assert any("cannot be measured on applies_to = 'turf', only on 'zone'." in p for p in problems)


@pytest.mark.parametrize("text", [HEAD, HEAD + "rule = 3\n", HEAD + "rule = []\n"])
def test_read_rules_a_set_without_rules(tmp_path: Path, text: str) -> None:
    _, problems = rules(tmp_path, text)
    assert problems == [
        "Rule file 'house.toml': must have at least one [[rule]]; got none. Add one."
    ]


def test_read_rules_unreadable_files(tmp_path: Path) -> None:
    problems = ProblemList()
    broken = tmp_path / "broken.toml"
    broken.write_text("title = \n", encoding="utf-8")
    latin = tmp_path / "latin.toml"
    latin.write_bytes('title = "Straße"'.encode("latin-1"))
    assert read_rules([broken, latin, tmp_path / "none.toml", tmp_path], problems) == ()
    assert [p.split(":")[0] for p in problems.problems[:2]] == [
        "Rule file 'broken.toml' is not valid TOML",
        "Rule file 'latin.toml' is not valid TOML",
    ]
    assert "does not exist" in problems.problems[2]
    assert len(problems.problems) == 4


def test_read_rules_unknown_name_lists_the_built_in_ones() -> None:
    problems = ProblemList()
    assert read_rules(["yolo_county"], problems) == ()
    (problem,) = problems.problems
    assert problem.startswith("Rule set 'yolo_county' is not built in; those are 'california_")
    assert "The nearest known is 'yolo_county_8_3'." in problem
    assert all(name in problem for name in built_in_rule_sets())


def test_read_rules_twice_the_same_set() -> None:
    problems = ProblemList()
    read_rules(["usda_maximum_rate", "usda_maximum_rate"], problems)
    assert problems.problems == [
        "Rule set 'usda_maximum_rate' is given more than once. Give it once."
    ]


# --- the pages -----------------------------------------------------------------------------------


def test_explanation_lists_every_quantity_as_the_program_has_it() -> None:
    page = (DOCS / "explanation" / "rules.md").read_text(encoding="utf-8")
    rows = {
        row[0].strip("` "): [cell.strip() for cell in row]
        for row in (line.strip("|").split("|") for line in page.splitlines() if "|" in line)
    }
    for quantity in (*QUANTITIES.values(), *CELL_CONDITIONS.values(), *OBJECT_CONDITIONS.values()):
        _, scopes, units, meaning, measured = rows[quantity.name]
        assert scopes == ", ".join(quantity.scopes)
        kind = KINDS.get(quantity.kind)
        assert units == (", ".join(f"`{unit}`" for unit in kind.to_si) if kind else "a word")
        assert (meaning, measured) == (quantity.meaning, quantity.measured)
    assert all(f"`{name}`" in page for name in built_in_rule_sets())


def test_how_to_names_every_key_and_its_example_is_read(tmp_path: Path) -> None:
    page = (DOCS / "how_to" / "write_a_rule_set.md").read_text(encoding="utf-8")
    for key in {*SET_KEYS, *RULE_KEYS, *CONDITION_KEYS}:
        assert f"`{key}`" in page
    (example,) = re.findall(r"```toml\n(.*?)```", page, flags=re.DOTALL)
    found, problems = rules(tmp_path, example)
    assert problems == []
    assert len(found[0].rules) == 3
