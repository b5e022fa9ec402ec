"""Programme files: what is read, and everything that can be wrong in one."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from geoirrig.errors import ProblemList
from geoirrig.io.read_programme import (
    AREA_KEYS,
    CAP_KEYS,
    CONDITION_KEYS,
    COST_KEYS,
    NAMED_RANKINGS,
    NUMBER_KEYS,
    PAY_KEYS,
    PRICE_UNITS,
    RANKING_KEYS,
    REPLACEMENT_KEYS,
    TEXT_KEYS,
    has_programme_keys,
    read_programme,
)
from geoirrig.parcel_quantities import QUANTITIES, known_names, other_units, spoken_names
from tests.io.programme_text import GOOD, changed, good, programme

PAGE = Path(__file__).parents[2] / "docs" / "how_to" / "write_a_programme.md"


def problems_of(folder: Path, old: str, new: str) -> list[str]:
    return changed(folder, old, new)[1].problems


def only_problem(folder: Path, old: str, new: str) -> str:
    found = problems_of(folder, old, new)
    assert len(found) == 1, found
    return found[0]


# --- what is read --------------------------------------------------------------------------------


def test_reads_every_part(tmp_path: Path) -> None:
    found = good(tmp_path)
    assert (found.title, found.currency, found.budget) == ("Spray exchange", "USD", 40000.0)
    assert (found.measure_life_years, found.discount_rate) == (10.0, 0.03)
    assert [c.condition_id for c in found.conditions] == ["slope", "use"]
    assert [(p.basis, p.amount) for p in found.pay] == [("head", 8.0), ("m2", 0.5)]
    assert (found.caps.per_parcel, found.caps.share_of_cost) == (200.0, 0.5)
    assert (found.caps.per_head, found.caps.heads, found.caps.minimum_claim) == (
        float("inf"), float("inf"), 0.0,
    )  # fmt: skip
    assert (found.costs.labour_per_head, found.costs.regulator_per_head) == (6.0, 0.0)
    assert (found.ranking.by.text, found.ranking.order) == ("levelised_cost_per_m3", "lowest_first")
    assert found.ranking.maximise.text == "water_saved_m3_year"
    assert np.isnan(found.annual_net_need_mm)
    assert found.nozzle_set == "slower.csv"
    assert found.names == (
        "has_grant", "land_use", "levelised_cost_per_m3", "lot_area_m2", "max_slope_pct",
        "water_saved_m3_year",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("line", "price_per_m3"),
    [
        # 1000 US gal = 3.785411784 m³; 100 ft³ = 2.8316846592 m³; 1 acre-ft = 1233.48183754752 m³
        ("water_price_per_kgal = 7.5", 7.5 / 3.785411784),
        ("water_price_per_hcf = 5", 5 / 2.8316846592),
        ("water_price_per_acre_ft = 1000", 1000 / 1233.48183754752),
        ("water_price_per_m3 = 0", 0.0),
    ],
)
def test_price_of_water_states_its_unit(tmp_path: Path, line: str, price_per_m3: float) -> None:
    found = good(tmp_path, "water_price_per_m3 = 2.0", line)
    assert found.water_price_per_m3 == pytest.approx(price_per_m3, rel=1e-12)


def test_areas_and_depths_in_us_units(tmp_path: Path) -> None:
    assert good(tmp_path, "per_m2 = 0.5", "per_ft2 = 0.5").pay[1].amount == pytest.approx(
        0.5 / 0.09290304
    )
    found = good(tmp_path, "budget = 40000", "budget = 40000\nannual_net_need_in = 20")
    assert found.annual_net_need_mm == pytest.approx(508.0)
    assert good(tmp_path, "per_parcel = 200", "per_ft2 = 1").caps.per_m2 == pytest.approx(
        1 / 0.09290304
    )


def test_replacements(tmp_path: Path) -> None:
    lines = (
        '[[replacement]]\nfrom_nozzle = "FS"\nto_nozzle = "RN"\npressure_psi = 40\n'
        '[[replacement]]\nfrom_device = "rotor"\npressure_bar = 3\n'
    )
    text = GOOD.replace('nozzle_set = "slower.csv"\n', "") + lines
    found, problems = programme(tmp_path, text)
    assert problems.problems == []
    assert found is not None
    first, second = found.replacements
    assert (first.from_nozzle, first.to_nozzle, first.from_device) == ("FS", "RN", "")
    assert first.pressure_kpa == pytest.approx(275.79029, rel=1e-7)  # 40 × 6.894757
    assert (second.from_device, second.to_nozzle, second.pressure_kpa) == ("rotor", "", 300.0)


@pytest.mark.parametrize("named", NAMED_RANKINGS)
def test_named_rankings(tmp_path: Path, named: str) -> None:
    ranking = good(tmp_path, '"cheapest_water"', f'"{named}"').ranking
    assert (ranking.by.text, ranking.order) == NAMED_RANKINGS[named]


def test_ranking_by_expression(tmp_path: Path) -> None:
    ranking = good(
        tmp_path,
        'by = "cheapest_water"',
        'by = "water_saved_m3_year / cost"\norder = "highest_first"\n'
        'maximise = "net_present_value"',
    ).ranking
    assert ranking.by.names == ("water_saved_m3_year", "cost")
    assert ranking.maximise.names == ("net_present_value",)


def test_byte_order_mark_and_windows_lines_do_no_harm(tmp_path: Path) -> None:
    text = b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode()
    found, problems = programme(tmp_path, text)
    assert problems.problems == []
    assert found is not None
    assert found.conditions == good(tmp_path).conditions


# --- faults of the file --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b"", "empty"),
        (b"title = ", "is not valid TOML"),
        (b"title = '\xff'", "is not UTF-8"),
        (b"a = " + b"[" * 5000, "TOML"),
    ],
)
def test_unreadable_files(tmp_path: Path, text: bytes, said: str) -> None:
    found, problems = programme(tmp_path, text)
    assert found is None
    assert len(problems.problems) == 1
    assert said in problems.problems[0]
    assert "house.toml" in problems.problems[0]


def test_no_file(tmp_path: Path) -> None:
    problems = ProblemList()
    assert read_programme(tmp_path / "none.toml", problems, parcel_columns={}) is None
    assert "none.toml" in problems.problems[0]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('note = "', 'notes = "', "unknown key 'notes'. The nearest known is 'note'. Known: "),
        ("measure_life_years = 10", "measure_life_years = -5",
         "measure_life_years must be a number above 0 and at most 100; got -5."),
        ("measure_life_years = 10", "measure_life_years = 0", "got 0."),
        ("measure_life_years = 10", 'measure_life_years = "ten"', "got 'ten'."),
        ("measure_life_years = 10", "measure_life_years = nan", "got nan."),
        ("discount_rate = 0.03", "discount_rate = 3",
         "discount_rate must be a fraction per year, from 0 to below 1; got 3. If 3 is meant in "
         "percent, write 0.03."),
        ("discount_rate = 0.03", "discount_rate = 7.5", "write 0.075."),
        ("discount_rate = 0.03", "discount_rate = 1", "write 0.01."),
        ("discount_rate = 0.03", "discount_rate = -0.02", "from 0 to below 1; got -0.02."),
        ("discount_rate = 0.03", "discount_rate = true", "got True."),
        ("discount_rate = 0.03", 'discount_rate = "3 %"', "got '3 %'."),
        ("water_price_per_m3 = 2.0", "water_price = 2.0",
         "water_price has no unit. Write one of 'water_price_per_m3', 'water_price_per_kgal', "
         "'water_price_per_hcf', 'water_price_per_acre_ft'."),
        ("water_price_per_m3 = 2.0", "", "water_price is missing."),
        ("water_price_per_m3 = 2.0", "water_price_per_m3 = -2",
         "water_price_per_m3 must be a number not below 0; got -2."),
        ("water_price_per_m3 = 2.0", "water_price_per_m3 = 2.0\nwater_price_per_kgal = 7",
         "water_price is stated in two units"),
        ("budget = 40000", "budget = inf", "budget must be a number not below 0; got inf."),
        ("budget = 40000", "budget = 1" + "0" * 400, "budget must be a number not below 0"),
        ("budget = 40000", "budget = 40000\nannual_net_need = 500", "annual_net_need has no unit"),
        ("budget = 40000", "", "budget is missing. Add it."),
        ('title = "Spray exchange"', "title = 3", "title must be text that is not blank; got 3."),
        ('nozzle_set = "slower.csv"', "", "by [[replacement]] tables; got neither."),
    ],
)  # fmt: skip
def test_faults_of_the_file(tmp_path: Path, old: str, new: str, said: str) -> None:
    message = only_problem(tmp_path, old, new)
    assert message.startswith("Programme file 'house.toml'")
    assert said in message


def test_high_discount_rate_is_a_warning(tmp_path: Path) -> None:
    found, problems = changed(tmp_path, "discount_rate = 0.03", "discount_rate = 0.3")
    assert found is not None
    assert problems.warnings == [
        "Programme file 'house.toml': discount_rate = 0.3 is 30 % a year, unusually high. Check it."
    ]


# --- faults of its tables ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('id = "use"', 'id = "slope"', "condition 'slope': this id occurs more than once."),
        ('id = "use"\n', "", "condition number 2: id is missing."),
        ('id = "use"', 'id = "use"\nlimit = 3', "condition 'use': unknown key 'limit'."),
        ("per_head = 8.0", "per_head = -8", "pay number 1: per_head must be a number not below 0"),
        ("per_head = 8.0", "", "pay number 1: state one pay rate of 'per_head'"),
        ("per_head = 8.0", "per_head = 8.0\nper_parcel = 5", "got 'per_head' and 'per_parcel'."),
        ("per_head = 8.0", "share_of_cost = 50", "If 50 is meant in percent, write 0.5."),
        ("share_of_cost = 0.5", "share_of_cost = 50",
         "[caps]: share_of_cost must be a fraction from 0 to 1; got 50. If 50 is meant in percent, "
         "write 0.5."),
        ("per_parcel = 200", "per_house = 200", "[caps]: unknown key 'per_house'."),
        ("labour_per_head = 6.0", "", "[costs]: labour_per_head is missing."),
        ("labour_per_head = 6.0", "labour_per_head = 'six'", "[costs]: labour_per_head must be"),
        ('funding = "exact"', 'funding = "greedy"',
         "[ranking]: funding must be one of 'exact', 'in_order'; got 'greedy'."),
        ('by = "cheapest_water"', 'by = "cheapest_water"\norder = "lowest_first"',
         "[ranking]: order is given by 'cheapest_water'. Take it away."),
        ('by = "cheapest_water"', 'by = "cost"', "[ranking]: order is missing:"),
        ('funding = "exact"', 'funding = "in_order"\nmaximise = "cost"',
         "[ranking]: maximise has no meaning where funding = 'in_order'."),
    ],
)  # fmt: skip
def test_faults_of_tables(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert said in only_problem(tmp_path, old, new)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('from_nozzle = "A"\npressure = 40\n', "replacement number 1: pressure has no unit."),
        ('from_nozzle = "A"\n', "replacement number 1: changes nothing."),
        ('to_nozzle = "A"\n', "by one of 'from_nozzle' and 'from_device'."),
        ('from_nozzle = "A"\nfrom_device = "rotor"\nto_nozzle = "B"\n', "by one of 'from_nozzle'"),
        ('from_device = "spray"\nto_nozzle = "B"\n', "from_device must be one of 'fixed_spray'"),
        ('from_nozzle = "A"\npressure_kpa = 0\n', "pressure must be above 0"),
        ('from_nozzle = "A"\nto_nozzle = "B"\n[[replacement]]\nfrom_nozzle = "A"\nto_nozzle = "C"',
         "two replacements speak of 'A'."),
    ],
)  # fmt: skip
def test_faults_of_replacements(tmp_path: Path, lines: str, said: str) -> None:
    text = GOOD.replace('nozzle_set = "slower.csv"\n', "") + "[[replacement]]\n" + lines
    problems = programme(tmp_path, text)[1].problems
    assert len(problems) == 1, problems
    assert said in problems[0]


def test_change_is_stated_once(tmp_path: Path) -> None:
    text = GOOD + '[[replacement]]\nfrom_nozzle = "A"\nto_nozzle = "B"\n'
    assert "got both" in programme(tmp_path, text)[1].problems[0]


@pytest.mark.parametrize(
    "table",
    ["condition = 3", "pay = []", "pay = [1]", "caps = 'x'", "costs = 1", "ranking = []",
     "condition = ['x']", "replacement = {}", "replacement = []"],
)  # fmt: skip
def test_tables_of_the_wrong_shape_are_told(tmp_path: Path, table: str) -> None:
    key = table.split()[0]
    rest = re.sub(rf"(?m)^\[+{key}\]+\n(?:.+\n)*\n?", "", GOOD)
    found, problems = programme(tmp_path, f"{table}\n{rest}")
    assert found is None
    assert any(key in problem for problem in problems.problems)


# --- faults of expressions -----------------------------------------------------------------------


def test_unknown_name_lists_the_known_ones(tmp_path: Path) -> None:
    message = only_problem(tmp_path, "max_slope_pct <= 25", "max_slop_pct <= 25")
    assert message.startswith(
        "Programme file 'house.toml', condition 'slope': require, at character 1: unknown name "
        "'max_slop_pct'. The nearest known is 'max_slope_pct'."
    )
    assert "Known columns of the parcels: 'land_use', 'has_grant', 'lot_area_m2'" in message
    assert all(f"'{name}'" in message for name in QUANTITIES)


def test_known_names_are_listed_once_in_a_run(tmp_path: Path) -> None:
    text = GOOD.replace("max_slope_pct <= 25", "max_slop_pct <= 25")
    text = text.replace("lot_area_m2 > 100", "lot_area > 100 or lott_area_m2 > 1")
    text = text.replace("{max_slope_pct} %", "{hed_count} %")
    _, problems = programme(tmp_path, text)
    first, reason, where = problems.problems
    assert "Known quantities: " in first
    assert reason == (
        "Programme file 'house.toml', condition 'slope': reason, at character 13: unknown name "
        "'hed_count'. The nearest known is 'head_count'. The known names stand above."
    )
    assert "'lot_area'" in where
    assert "Known quantities" not in where


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("max_slope_pct <= 25", "max_slope <= 25", "It has no unit: write 'max_slope_pct'."),
        ("max_slope_pct <= 25", "max_rate_after < 20",
         "It has no unit: write one of 'max_rate_after_in_h', 'max_rate_after_mm_h'."),
        ("max_slope_pct <= 25", "max_slope_pct + 25", "require must be a condition"),
        ("max_slope_pct <= 25", "1 < 2", "require names no column and no quantity"),
        ("max_slope_pct <= 25", "land_use < 25", "cannot be compared"),
        ("max_slope_pct <= 25", "", "require must be text that is not blank"),
        ("{max_slope_pct} %", "{max_slop_pct} %", "reason, at character 13: unknown name"),
        ("{max_slope_pct} %", "{max_slope_pct %", "reason, at character 12: the brace '{'"),
        ("lot_area_m2 > 100", "lot_area_m2", "where must be a condition"),
        ("lot_area_m2 > 100", "rebate > 100", "no pay rate can depend on it"),
        ('by = "cheapest_water"', 'by = "cheapest"\norder = "lowest_first"',
         "Known rankings: 'cheapest_water'"),
        ('by = "cheapest_water"', 'by = "land_use"\norder = "lowest_first"',
         "by must be a number"),
    ],
)  # fmt: skip
def test_faults_of_expressions(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert said in only_problem(tmp_path, old, new)


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    text = (
        GOOD.replace("discount_rate = 0.03", "discount_rate = 3")
        .replace("measure_life_years = 10", "measure_life_years = -1")
        .replace("max_slope_pct <= 25", "max_slope_pct =< 25")
        .replace("per_head = 8.0", "per_hed = 8.0")
        .replace("labour_per_head = 6.0", "labour = 6.0")
    )
    found, problems = programme(tmp_path, text)
    assert found is None
    assert len(problems.problems) == 7
    places = "\n".join(problems.problems)
    for place in ("discount_rate", "measure_life", "'slope'", "per_hed", "'labour'"):
        assert place in places


def test_column_hidden_by_a_quantity_is_a_warning(tmp_path: Path) -> None:
    found, problems = changed(tmp_path, "max_slope_pct <= 25", "head_count <= 25")
    assert found is not None
    assert problems.warnings == [
        "Programme file 'house.toml': column 'head_count' of the parcels layer is hidden by the "
        "computed quantity of that name. Rename the column to use it."
    ]
    assert programme(tmp_path, GOOD)[1].warnings == []


# --- names ---------------------------------------------------------------------------------------


def test_known_names_have_every_unit() -> None:
    names = known_names({"lot_area_ft2": "number", "zone_text": "text", "turf_area_ft2": "text"})
    assert {"lot_area_ft2", "lot_area_m2", "max_rate_after_in_h", "lowest_pressure_after_bar",
            "water_saved_kgal_year"} <= set(names)  # fmt: skip
    assert names["turf_area_ft2"] == "number"  # the computed one
    assert names["existing_device"] == "text"
    assert "rebate" not in known_names({}, stages=("measured",))


def test_every_quantity_is_spoken_and_has_a_kind() -> None:
    for name, quantity in QUANTITIES.items():
        assert name == quantity.name
        assert not quantity.meaning.endswith(".")
        assert "_" not in quantity.meaning
        assert "{" not in name + quantity.meaning
        for spelling in (name, *other_units(name)):
            assert spoken_names([spelling])[spelling].words == quantity.meaning
    assert len({quantity.meaning for quantity in QUANTITIES.values()}) == len(QUANTITIES)


# --- the page ------------------------------------------------------------------------------------


def test_example_of_the_page_is_right(tmp_path: Path) -> None:
    (example,) = re.findall(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    path = tmp_path / "spray_exchange.toml"
    path.write_text(example, encoding="utf-8")
    problems = ProblemList()
    found = read_programme(
        path, problems, parcel_columns={"land_use": "text", "has_grant": "truth"}
    )
    assert problems == ProblemList()
    assert found is not None
    assert found.discount_rate == 0.03


def test_page_has_every_quantity_with_its_meaning() -> None:
    page = PAGE.read_text(encoding="utf-8")
    table = page.split("## Quantities")[1].split("\n## ")[0]
    rows = dict(re.findall(r"^\| `(\w+)` \| (.*) \|$", table, re.MULTILINE))
    units = {"text": "text", "truth": "true or false"}
    assert rows == {
        name: f"{units.get(quantity.kind, quantity.unit)} | {quantity.meaning}"
        for name, quantity in QUANTITIES.items()
    }


def test_page_has_every_key() -> None:
    page = PAGE.read_text(encoding="utf-8")
    keys = {*TEXT_KEYS, *NUMBER_KEYS, *CONDITION_KEYS, *PAY_KEYS, *CAP_KEYS, *AREA_KEYS}
    keys |= {*COST_KEYS, *RANKING_KEYS, *REPLACEMENT_KEYS, *NAMED_RANKINGS, "nozzle_set"}
    assert {key for key in keys if f"`{key}`" not in page} == set()
    prices = page.split("`water_price_per_m3`")[1].split("|")[0]
    assert all(f"_{unit}`" in prices for unit in PRICE_UNITS if unit != "m3")


def test_has_programme_keys_a_nozzle_set_that_is_not_there_is_told_before_any_layer(
    tmp_path: Path,
) -> None:
    path, problems = tmp_path / "house.toml", ProblemList()
    path.write_text(GOOD, encoding="utf-8")
    assert not has_programme_keys(path, problems)
    (told,) = problems.problems
    assert told.startswith("Programme file 'house.toml': nozzle_set: ")
    assert "slower.csv' does not exist" in told
    (tmp_path / "slower.csv").write_text("from_nozzle,to_nozzle\n", encoding="utf-8")
    assert has_programme_keys(path, ProblemList())
