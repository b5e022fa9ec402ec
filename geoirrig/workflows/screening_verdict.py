"""The verdict on every parcel: eligible or why not, money, rank, and what the budget funds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.city_records import BoolArray, CityParcels
from geoirrig.expressions.evaluation import evaluate
from geoirrig.expressions.grammar import Expression
from geoirrig.physics.budget_selection import (
    FUNDING_RULES,
    FundedSelection,
    fund_in_order,
    select_within_budget,
)
from geoirrig.physics.programme_economics import (
    benefit_cost_ratio,
    levelised_cost_per_m3,
    net_present_value,
    simple_payback_years,
)
from geoirrig.programme import Programme
from geoirrig.records import IntArray, ObjectArray
from geoirrig.units import LITRES_PER_M3, LITRES_PER_US_GALLON, PERCENT, FloatArray
from geoirrig.wording import counted
from geoirrig.workflows.eligibility import Eligibility, eligibility
from geoirrig.workflows.parcel_values import named_values
from geoirrig.workflows.rebates import rebates, retrofit_costs

CONTRACT_COLUMNS = (
    "parcel_id", "eligible", "reasons", "head_count", "water_saved_m3_year",
    "runoff_avoided_m3_year", "cost", "rebate", "levelised_cost_per_m3", "benefit_cost_ratio",
    "payback_years", "rank", "funded",
)  # fmt: skip
Columns = Mapping[str, NDArray[Any]]
_MANY_GALLONS = 100_000.0  # from here on, thousands are as fine as anybody reads


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What the programme makes of the parcels.

    Attributes
    ----------
    columns : mapping of str to ndarray, each of shape (n_parcels,)
        Those of the contract first.
    is_failed, is_eligible, is_funded : ndarray of bool, shape (n_parcels,)
    totals : mapping of str to number
        Sums over the city.
    finding : str
        The answer in a sentence or two.
    rule : str
        How the budget was spent, in words.
    refused_by : mapping of str to int
        Number of parcels that each condition refuses, and what else does, as `eligibility` counts
        them: without those that could not be worked.
    """

    columns: Columns
    is_failed: BoolArray
    is_eligible: BoolArray
    is_funded: BoolArray
    totals: Mapping[str, float]
    finding: str
    rule: str
    refused_by: Mapping[str, int]


def screening_verdict(
    programme: Programme,
    parcels: CityParcels,
    measured: Columns,
    *,
    failures: tuple[tuple[int, str], ...],
) -> Verdict:
    """Hold parcels against a programme and spend its budget.

    Parameters
    ----------
    programme : Programme
        Conditions, pay, costs, ranking and budget.
    parcels : CityParcels
        The parcels, with the columns that conditions may name.
    measured : mapping of str to ndarray
        As `parcel_columns` gives them.
    failures : tuple of (int, str)
        Parcels that could not be worked, and why: they are not eligible, and have no figures.
    """
    n_parcels = len(parcels.parcel_id)
    is_failed = np.zeros(n_parcels, dtype=bool)
    is_failed[[parcel for parcel, _ in failures]] = True
    known = {name: _unknown_where(values, is_failed) for name, values in measured.items()}
    known |= _money(programme, known)
    columns = {**known, "rebate": rebates(programme, {**parcels.attributes, **known}).rebate}
    named = {**parcels.attributes, **columns}
    found = eligibility(programme, named, is_failed=is_failed)
    is_eligible = found.is_eligible
    place, worth = _ranking(programme, named, is_eligible, parcels.parcel_id)
    selection = _spend(programme, columns["rebate"], place, worth)
    is_funded = selection.is_funded
    rank = np.full(n_parcels, None, dtype=object)
    rank[place] = np.arange(1, len(place) + 1).tolist()
    columns |= {
        "parcel_id": parcels.parcel_id,
        "eligible": is_eligible,
        "reasons": _reasons(found, failures),
        "rank": rank,
        "funded": is_funded,
        "status_code": np.where(
            is_failed, 0, 1 + is_eligible.astype(np.int64) + is_funded.astype(np.int64)
        ),
    }
    totals = _totals(columns, is_failed, is_eligible, is_funded, programme)
    return Verdict(
        columns=_in_order(columns, parcels.attributes),
        is_failed=is_failed,
        is_eligible=is_eligible,
        is_funded=is_funded,
        totals=totals,
        finding=_finding(programme, totals),
        rule=_rule(programme, selection),
        refused_by=found.refused_by,
    )


def _unknown_where(values: NDArray[Any], is_failed: BoolArray) -> NDArray[Any]:
    if not is_failed.any():
        return values
    if values.dtype.kind == "f":
        return np.where(is_failed, np.nan, values)
    gaps = values.astype(object)
    gaps[is_failed] = None
    return gaps


# --- money ---------------------------------------------------------------------------------------


def _money(programme: Programme, columns: Columns) -> dict[str, FloatArray]:
    """Cost and worth of the change on every parcel."""
    replaced, regulated, unpriced = (
        np.asarray(columns[name], dtype=np.float64)
        for name in ("replaced_head_count", "regulated_head_count", "unpriced_nozzle_count")
    )
    by_default = np.where(unpriced > 0.0, unpriced * programme.costs.nozzle_default, 0.0)
    nozzle_cost = np.where(np.isnan(unpriced), np.nan, columns["nozzle_cost"] + by_default)
    equipment, cost = retrofit_costs(
        programme.costs,
        nozzle_cost=nozzle_cost,
        replaced_head_count=replaced,
        regulated_head_count=regulated,
    )
    cost = np.where(np.isnan(replaced), np.nan, cost)
    saved = np.asarray(columns["water_saved_m3_year"], dtype=np.float64)
    worth = saved * programme.water_price_per_m3
    terms = (programme.discount_rate, programme.measure_life_years)
    return {
        "nozzle_cost": nozzle_cost,
        "equipment_cost": equipment,
        "cost": cost,
        "levelised_cost_per_m3": levelised_cost_per_m3(cost, saved, *terms),
        "benefit_cost_ratio": benefit_cost_ratio(cost, worth, *terms),
        "payback_years": simple_payback_years(cost, worth),
        "net_present_value": net_present_value(cost, worth, *terms),
    }


# --- ranking and funding -------------------------------------------------------------------------


def _ranking(
    programme: Programme, columns: Columns, is_eligible: BoolArray, parcel_id: ObjectArray
) -> tuple[IntArray, FloatArray]:
    """Eligible parcels, first to last, and what funding each is worth."""
    ranking = programme.ranking
    key = _values(ranking.by, columns, len(is_eligible))
    if ranking.order == "highest_first":
        key = -key
    rows = np.flatnonzero(is_eligible)
    by_id = np.argsort(parcel_id[rows].astype(str), kind="stable")
    rows = rows[by_id]  # so that equal parcels stand by their ids
    order = np.argsort(np.where(np.isnan(key[rows]), np.inf, key[rows]), kind="stable")
    return rows[order], _values(ranking.maximise, columns, len(is_eligible))


def _values(expression: Expression, columns: Columns, n_rows: int) -> FloatArray:
    found = evaluate(expression, named_values(expression.name_kinds, columns), n_rows)
    values = np.broadcast_to(np.asarray(found.values, dtype=np.float64), (n_rows,))
    return np.where(np.broadcast_to(found.is_known, (n_rows,)), values, np.nan)


def _spend(
    programme: Programme, rebate: FloatArray, place: IntArray, worth: FloatArray
) -> FundedSelection:
    """What the budget funds; flags are of all parcels."""
    is_funded = np.zeros(len(rebate), dtype=bool)
    if programme.ranking.funding == "in_order":
        own = fund_in_order(rebate[place], programme.budget)
        is_funded[place] = own
        gained = float(np.nansum(worth[is_funded]))
        return FundedSelection(
            is_funded=is_funded,
            benefit=gained,
            spent=float(np.sum(rebate[is_funded])),
            benefit_bound=gained,
            is_best=False,
            benefit_step=0.0,
        )
    chosen = select_within_budget(worth[place], rebate[place], programme.budget)
    is_funded[place] = chosen.is_funded
    return FundedSelection(
        is_funded=is_funded,
        benefit=chosen.benefit,
        spent=chosen.spent,
        benefit_bound=chosen.benefit_bound,
        is_best=chosen.is_best,
        benefit_step=chosen.benefit_step,
    )


def _rule(programme: Programme, selection: FundedSelection) -> str:
    rule = FUNDING_RULES[programme.ranking.funding]
    if programme.ranking.funding == "in_order":
        return rule
    if selection.is_best:
        return f"{rule} It is proven that no other selection gives more."
    gap = PERCENT * selection.gap
    return f"{rule} No other selection can give more than {gap:.2g} % beyond this one."


# --- telling -------------------------------------------------------------------------------------


def _reasons(found: Eligibility, failures: tuple[tuple[int, str], ...]) -> ObjectArray:
    reasons = found.reasons.copy()
    told: dict[int, list[str]] = {}
    for parcel, reason in failures:
        told.setdefault(parcel, []).append(reason)
    for parcel, sentences in told.items():
        reasons[parcel] = "The parcel could not be worked. " + " ".join(sentences)
    return reasons


def _in_order(columns: Columns, carried: Columns) -> dict[str, NDArray[Any]]:
    """Columns of the contract, then the others, then those of the parcels layer.

    A column of that layer whose name a computed one takes gets ``_input`` behind its own.
    """
    others = [name for name in columns if name not in CONTRACT_COLUMNS]
    own = {name: columns[name] for name in (*CONTRACT_COLUMNS, *others)}
    rest = {f"{n}_input" if n in own else n: values for n, values in carried.items()}
    return {**own, **rest}


def _totals(
    columns: Columns,
    is_failed: BoolArray,
    is_eligible: BoolArray,
    is_funded: BoolArray,
    programme: Programme,
) -> dict[str, float]:
    totals: dict[str, float] = {
        "parcel_count": len(is_failed),
        "failed_count": int(np.count_nonzero(is_failed)),
        "eligible_count": int(np.count_nonzero(is_eligible)),
        "funded_count": int(np.count_nonzero(is_funded)),
        "budget": programme.budget,
    }
    sums = ("cost", "rebate", "water_saved_m3_year", "water_saved_low_m3_year",
            "water_saved_high_m3_year", "runoff_avoided_m3_year")  # fmt: skip
    for group, rows in (("eligible", is_eligible), ("funded", is_funded)):
        for name in sums:
            values = np.asarray(columns[name], dtype=np.float64)[rows]
            totals[f"{group}_{name}"] = float(np.nansum(values))
    funded_cost = totals["funded_cost"]
    totals["funded_levelised_cost_per_m3"] = float(
        levelised_cost_per_m3(
            funded_cost,
            totals["funded_water_saved_m3_year"],
            programme.discount_rate,
            programme.measure_life_years,
        )
    )
    return totals


def _finding(programme: Programme, totals: Mapping[str, float]) -> str:
    """The answer in two sentences, to be read aloud; the water in both unit systems.

    Parameters
    ----------
    programme : Programme
        Its currency and budget.
    totals : mapping of str to number
        Sums over the city.
    """
    eligible, parcels = int(totals["eligible_count"]), int(totals["parcel_count"])
    are = "is" if 1 in (eligible, parcels) else "are"
    said = (
        f"{eligible:,} of {counted(parcels, 'parcel')} {are} eligible. "
        f"The budget of {programme.currency} {programme.budget:,.0f} funds "
        f"{totals['funded_count']:,} of them: {_volume_text(totals['funded_water_saved_m3_year'])} "
        f"of water a year for {programme.currency} {totals['funded_rebate']:,.2f} in rebates."
    )
    failed = int(totals["failed_count"])
    if failed:
        said += f" {counted(failed, 'parcel')} could not be worked; the table of failures says why."
    return said


def _volume_text(volume_m3: float) -> str:
    gallons = volume_m3 * LITRES_PER_M3 / LITRES_PER_US_GALLON
    many = abs(gallons) >= _MANY_GALLONS
    amount = f"{gallons / 1000.0:,.0f} thousand" if many else f"{gallons:,.0f}"
    return f"{volume_m3:,.0f} m³ ({amount} US gal)"
