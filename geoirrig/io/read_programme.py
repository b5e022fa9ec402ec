"""A rebate programme from a TOML file; every fault is noted at once, and nothing is guessed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.expressions.grammar import Expression, ValueKind, parse_expression
from geoirrig.io.columns import DEVICES, listed
from geoirrig.io.file_formats import require_readable_file
from geoirrig.io.programme_table import ProgrammeTable, percent_hint, spelt_with_units
from geoirrig.io.toml_reading import finite_number, toml_tables, toml_text
from geoirrig.parcel_quantities import known_names, quantity_of
from geoirrig.programme import (
    Caps,
    Condition,
    CostModel,
    Funding,
    PayBasis,
    PayRate,
    Programme,
    Ranking,
    RankOrder,
    Replacement,
)
from geoirrig.units import (
    CUBIC_METRES_PER_100_CUBIC_FEET,
    CUBIC_METRES_PER_ACRE_FOOT,
    PERCENT,
    UNITS,
)

TEXT_KEYS = ("title", "jurisdiction", "note", "currency")
NUMBER_KEYS = ("measure_life_years", "discount_rate", "budget")
# Units of a price of water: how many m³ one of them is.
PRICE_UNITS: Mapping[str, float] = {
    "m3": 1.0,
    "kgal": UNITS["kgal"].to_si,
    "hcf": CUBIC_METRES_PER_100_CUBIC_FEET,
    "acre_ft": CUBIC_METRES_PER_ACRE_FOOT,
}
DEPTH_UNITS: Mapping[str, float] = {unit: UNITS[unit].to_si for unit in ("mm", "in")}
PRESSURE_UNITS: Mapping[str, float] = {unit: UNITS[unit].to_si for unit in ("kpa", "psi", "bar")}

TABLE_KEYS = ("condition", "pay", "caps", "costs", "ranking", "replacement", "nozzle_set")
CONDITION_KEYS = ("id", "require", "reason")
AREA_KEYS = {f"per_{unit}": UNITS[unit].to_si for unit in ("m2", "ft2")}
PAY_KEYS: Mapping[str, PayBasis] = {
    "per_head": "head",
    **dict.fromkeys(AREA_KEYS, "m2"),
    "per_parcel": "parcel",
    "share_of_cost": "share_of_cost",
    "share_of_equipment_cost": "share_of_equipment_cost",
}
CAP_KEYS = ("per_parcel", "per_head", "share_of_cost", "heads", "minimum_claim")
COST_KEYS = ("nozzle_default", "labour_per_head", "regulator_per_head", "fixed_per_parcel")
RANKING_KEYS = ("by", "order", "funding", "maximise")
REPLACEMENT_KEYS = ("from_nozzle", "from_device", "to_nozzle")
# Of each part: keys, keys that need a unit with their spellings, keys that must be there.
_PartKeys = tuple[tuple[str, ...], Mapping[str, Mapping[str, float]], tuple[str, ...]]
_PRICE_SPELLINGS = spelt_with_units("water_price_per", PRICE_UNITS)
_NEED_SPELLINGS = spelt_with_units("annual_net_need", DEPTH_UNITS)
_PRESSURE_SPELLINGS = spelt_with_units("pressure", PRESSURE_UNITS)
_FILE_KEYS: _PartKeys = (
    (*TEXT_KEYS, *NUMBER_KEYS, *TABLE_KEYS),
    {"water_price": _PRICE_SPELLINGS, "annual_net_need": _NEED_SPELLINGS},
    ("title", "currency", *NUMBER_KEYS, "pay", "costs", "ranking"),
)
_TABLE_KEYS: Mapping[str, _PartKeys] = {
    "caps": (CAP_KEYS, {"per_area": AREA_KEYS}, ()),
    "costs": (COST_KEYS, {}, ("labour_per_head", "fixed_per_parcel")),
    "ranking": (RANKING_KEYS, {}, ("by", "funding")),
}
_LIST_KEYS: Mapping[str, _PartKeys] = {
    "condition": (CONDITION_KEYS, {}, CONDITION_KEYS),
    "pay": (("id", "where", *PAY_KEYS), {"per_area": AREA_KEYS}, ()),
    "replacement": (REPLACEMENT_KEYS, {"pressure": _PRESSURE_SPELLINGS}, ()),
}
# Rankings that have a name: what is looked at, and which end of it is best.
NAMED_RANKINGS: Mapping[str, tuple[str, RankOrder]] = {
    "cheapest_water": ("levelised_cost_per_m3", "lowest_first"),
    "best_benefit_cost_ratio": ("benefit_cost_ratio", "highest_first"),
    "most_water_saved": ("water_saved_m3_year", "highest_first"),
    "most_runoff_avoided": ("runoff_avoided_m3_year", "highest_first"),
    "shortest_payback": ("payback_years", "lowest_first"),
}
MAXIMISED_BY_DEFAULT = "water_saved_m3_year"

# A measure that lasts longer is a slip of the pen; judgement.
_LONGEST_LIFE_YEARS = 100.0
# A real rate above this has not been asked of public money; judgement.
_USUAL_DISCOUNT_RATE = 0.15


def has_programme_keys(path: Path, problems: ProblemList) -> bool:
    """Whether a programme file can be read, has the keys of one, and its nozzle set is there.

    That is found out at once, without any layer.

    Parameters
    ----------
    path : Path
        TOML file.
    problems : ProblemList
        Takes why it or the nozzle set cannot be read, and unknown and missing keys, with the place.
    """
    file = ProgrammeTable(_shown(path), problems, {})
    before = file.fault_count
    stated = _stated(path, problems)
    if stated is not None:
        _check_keys(file, stated, _FILE_KEYS)
        for key, keys in _TABLE_KEYS.items():
            if isinstance(stated.get(key), Mapping):
                _check_keys(*file.table(stated[key], key), keys)
        for key, keys in _LIST_KEYS.items():
            tables = stated.get(key)
            for part, entry in file.entries(tables, key) if isinstance(tables, list) else ():
                _check_keys(part, entry, keys)
        _check_nozzle_set_is_there(file, path, stated.get("nozzle_set"))
    return file.fault_count == before


def _check_nozzle_set_is_there(file: ProgrammeTable, path: Path, name: object) -> None:
    if isinstance(name, str) and name.strip():
        try:
            require_readable_file(path.parent / name.strip())
        except GeoirrigError as error:
            file.note(f"nozzle_set: {error}")


def read_programme(
    path: Path, problems: ProblemList, *, parcel_columns: Mapping[str, ValueKind]
) -> Programme | None:
    """A programme, or None where its file cannot be read at all.

    Parameters
    ----------
    path : Path
        TOML file.
    problems : ProblemList
        Takes unknown and missing keys, values of the wrong kind, without a unit or out of range,
        and every expression that cannot be read, with the place; warnings for what is odd.
    parcel_columns : mapping of str to {"number", "text", "truth"}
        Columns of the parcels layer, which expressions may name beside the computed quantities.

    Returns
    -------
    Programme or None
        To be used only if no problem was noted.
    """
    stated = _stated(path, problems)
    if stated is None:
        return None
    file = ProgrammeTable(_shown(path), problems, parcel_columns)
    programme = _programme(file, stated)
    if programme is not None:
        _warn_of_hidden_columns(file, programme)
    return programme


def _shown(path: Path) -> str:
    return f"Programme file {path.name!r}"


def _stated(path: Path, problems: ProblemList) -> Mapping[str, Any] | None:
    shown = _shown(path)
    try:
        return toml_tables(toml_text(path, shown=shown), shown=shown)
    except GeoirrigError as error:
        problems.add(str(error))
        return None


def _check_keys(part: ProgrammeTable, stated: Mapping[str, Any], keys: _PartKeys) -> None:
    known, measured, required = keys
    part.check_keys_with_units(stated, known, measured, required=required)


def _programme(file: ProgrammeTable, stated: Mapping[str, Any]) -> Programme | None:
    before = file.fault_count
    _check_keys(file, stated, _FILE_KEYS)
    said = {key: file.text(stated, key) for key in TEXT_KEYS}
    price, m3_in_unit = file.measure(stated, _PRICE_SPELLINGS, "water_price", is_required=True)
    need, mm_in_unit = file.measure(stated, _NEED_SPELLINGS, "annual_net_need")
    replacements, nozzle_set = _changes(file, stated)
    ranking = _ranking(*file.table(stated.get("ranking"), "ranking"))
    programme = Programme(
        **said,
        conditions=file.listed_tables(stated.get("condition"), "condition", _condition),
        pay=_pay(file, stated.get("pay")),
        caps=_caps(*file.table(stated.get("caps"), "caps")),
        costs=_costs(*file.table(stated.get("costs"), "costs")),
        ranking=ranking,  # type: ignore[arg-type]  # without one, a fault was noted
        measure_life_years=_life_years(file, stated),
        discount_rate=_discount_rate(file, stated),
        water_price_per_m3=price / m3_in_unit,
        budget=file.amount(stated, "budget"),
        annual_net_need_mm=need * mm_in_unit,
        nozzle_set=nozzle_set,
        replacements=replacements,
    )
    return programme if file.fault_count == before else None


def _life_years(file: ProgrammeTable, stated: Mapping[str, Any]) -> float:
    key = "measure_life_years"
    years = finite_number(stated.get(key))
    if years is not None and 0.0 < years <= _LONGEST_LIFE_YEARS:
        return years
    if key in stated:
        file.note(
            f"{key} must be a number above 0 and at most {_LONGEST_LIFE_YEARS:g}; got "
            f"{stated[key]!r}. State how many years the measure lasts."
        )
    return math.nan


def _discount_rate(file: ProgrammeTable, stated: Mapping[str, Any]) -> float:
    key = "discount_rate"
    rate = finite_number(stated.get(key))
    if rate is not None and 0.0 <= rate < 1.0:
        if rate > _USUAL_DISCOUNT_RATE:
            file.problems.warn(
                f"{file.place}: {key} = {rate:g} is {rate * PERCENT:g} % a year, unusually high. "
                "Check it."
            )
        return rate
    if key in stated:
        file.note(
            f"{key} must be a fraction per year, from 0 to below 1; got {stated[key]!r}."
            f"{percent_hint(rate)}"
        )
    return math.nan


def _condition(part: ProgrammeTable, stated: Mapping[str, Any]) -> Condition | None:
    _check_keys(part, stated, _LIST_KEYS["condition"])
    condition_id = part.text(stated, "id")
    require = part.expression(stated, "require", "truth")
    reason = part.sentence(stated, "reason")
    if require is None or reason is None:
        return None
    return Condition(condition_id=condition_id, require=require, reason=reason)


def _pay(file: ProgrammeTable, stated: object) -> tuple[PayRate, ...]:
    if stated == []:
        file.note("pay is empty. Add a [[pay]] table.")
    return file.listed_tables(stated, "pay", _pay_rate)


def _pay_rate(part: ProgrammeTable, stated: Mapping[str, Any]) -> PayRate | None:
    _check_keys(part, stated, _LIST_KEYS["pay"])
    if "id" in stated:
        part.text(stated, "id")
    where = part.expression(stated, "where", "truth", stages=("measured",))
    given = [key for key in PAY_KEYS if key in stated]
    if len(given) != 1:
        part.note(
            f"state one pay rate of {listed(PAY_KEYS)}; got {listed(given)}. Rates that add up "
            "are tables of their own."
        )
        return None
    (key,) = given
    amount = part.share(stated, key) if key.startswith("share") else part.amount(stated, key)
    per_unit = AREA_KEYS.get(key, 1.0)
    return PayRate(basis=PAY_KEYS[key], amount=amount / per_unit, where=where)


def _caps(part: ProgrammeTable, stated: Mapping[str, Any]) -> Caps:
    _check_keys(part, stated, _TABLE_KEYS["caps"])
    per_area, m2_in_unit = part.measure(stated, AREA_KEYS, "per_area")
    return Caps(
        per_parcel=part.amount(stated, "per_parcel", absent=math.inf),
        per_head=part.amount(stated, "per_head", absent=math.inf),
        per_m2=math.inf if math.isnan(per_area) else per_area / m2_in_unit,
        share_of_cost=part.share(stated, "share_of_cost", absent=1.0),
        heads=part.amount(stated, "heads", absent=math.inf),
        minimum_claim=part.amount(stated, "minimum_claim", absent=0.0),
    )


def _costs(part: ProgrammeTable, stated: Mapping[str, Any]) -> CostModel:
    _check_keys(part, stated, _TABLE_KEYS["costs"])
    return CostModel(
        nozzle_default=part.amount(stated, "nozzle_default"),
        labour_per_head=part.amount(stated, "labour_per_head"),
        regulator_per_head=part.amount(stated, "regulator_per_head", absent=0.0),
        fixed_per_parcel=part.amount(stated, "fixed_per_parcel"),
    )


def _ranking(part: ProgrammeTable, stated: Mapping[str, Any]) -> Ranking | None:
    _check_keys(part, stated, _TABLE_KEYS["ranking"])
    funding = part.word(stated, "funding", get_args(Funding))
    by, order = _ranked_by(part, stated)
    if "maximise" in stated and funding == "in_order":
        part.note("maximise has no meaning where funding = 'in_order'. Take it away.")
    maximise = part.expression({"maximise": MAXIMISED_BY_DEFAULT, **stated}, "maximise", "number")
    if by is None or maximise is None:
        return None
    return Ranking(
        by=by,
        order=order,  # type: ignore[arg-type]  # the word was checked
        funding=funding,  # type: ignore[arg-type]  # the word was checked
        maximise=maximise,
    )


def _ranked_by(part: ProgrammeTable, stated: Mapping[str, Any]) -> tuple[Expression | None, str]:
    """What parcels are ranked by, and which end of it is best."""
    named = NAMED_RANKINGS.get(str(stated.get("by")))
    if named is not None:
        if "order" in stated:
            part.note(f"order is given by {stated['by']!r}. Take it away.")
        return parse_expression(named[0], known_names({})), named[1]
    if "by" in stated and "order" not in stated:
        part.note(
            "order is missing: of an expression it must be said which end is best, "
            "'lowest_first' or 'highest_first'. Add it."
        )
    by = part.expression(stated, "by", "number", others=tuple(NAMED_RANKINGS))
    return by, part.word(stated, "order", get_args(RankOrder))


def _changes(
    file: ProgrammeTable, stated: Mapping[str, Any]
) -> tuple[tuple[Replacement, ...], str]:
    """The replacements, or the name of the file that has them."""
    has_file, has_list = "nozzle_set" in stated, "replacement" in stated
    if has_file == has_list:
        file.note(
            "state the change once, by nozzle_set (a file) or by [[replacement]] tables; got "
            f"{'both' if has_file else 'neither'}."
        )
    if stated.get("replacement") == []:
        file.note("replacement is empty. Add a [[replacement]] table.")
    found = file.listed_tables(stated.get("replacement"), "replacement", _replacement)
    olds = [change.from_nozzle or change.from_device for change in found]
    for twice in dict.fromkeys(old for old in olds if old and olds.count(old) > 1):
        file.note(f"two replacements speak of {twice!r}. Keep one.")
    return found, file.text(stated, "nozzle_set")


def _replacement(part: ProgrammeTable, stated: Mapping[str, Any]) -> Replacement:
    units = _PRESSURE_SPELLINGS
    _check_keys(part, stated, _LIST_KEYS["replacement"])
    if ("from_nozzle" in stated) == ("from_device" in stated):
        part.note("state what is replaced by one of 'from_nozzle' and 'from_device'.")
    pressure, kpa_in_unit = part.measure(stated, units, "pressure")
    if pressure == 0.0:
        part.note("pressure must be above 0; got 0.")
    if "to_nozzle" not in stated and not any(key in stated for key in ("pressure", *units)):
        part.note(f"changes nothing. State to_nozzle, a pressure ({listed(units)}), or both.")
    return Replacement(
        from_nozzle=part.text(stated, "from_nozzle"),
        from_device=part.word(stated, "from_device", DEVICES),
        to_nozzle=part.text(stated, "to_nozzle"),
        pressure_kpa=pressure * kpa_in_unit,
    )


def _warn_of_hidden_columns(file: ProgrammeTable, programme: Programme) -> None:
    columns = file.parcel_columns
    hidden = [name for name in programme.names if name in columns and quantity_of(name) is not None]
    if hidden:
        file.problems.warn(
            f"{file.place}: column {listed(hidden)} of the parcels layer is hidden by the computed "
            "quantity of that name. Rename the column to use it."
        )
