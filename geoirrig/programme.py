"""A rebate programme as records: conditions, pay rates, caps, costs, and how a budget is spent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geoirrig.expressions.grammar import Expression
from geoirrig.expressions.sentence import Sentence

Funding = Literal["exact", "in_order"]
RankOrder = Literal["lowest_first", "highest_first"]
PayBasis = Literal["head", "m2", "parcel", "share_of_cost", "share_of_equipment_cost"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """Something that a parcel must meet, and what its owner is told otherwise."""

    condition_id: str
    require: Expression
    reason: Sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class PayRate:
    """Money for each head replaced, each m² served, the parcel, or a share of a cost.

    Attributes
    ----------
    basis : str
        What the amount is for.
    amount : float
        Money per head, per m² or per parcel, or a fraction of 1 for a share.
    where : Expression or None
        Condition for it; None: every parcel.
    """

    basis: PayBasis
    amount: float
    where: Expression | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Caps:
    """What a rebate may not exceed; infinite where nothing is stated.

    Attributes
    ----------
    per_parcel : float
        Money.
    per_head, per_m2 : float
        Money for each head replaced, for each m² served.
    share_of_cost : float
        Fraction of the cost; 1 where nothing is stated: nobody gains by spending more.
    heads : float
        Number of heads that are paid for.
    minimum_claim : float
        A smaller rebate is not paid; 0 where nothing is stated.
    """

    per_parcel: float
    per_head: float
    per_m2: float
    share_of_cost: float
    heads: float
    minimum_claim: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CostModel:
    """What a change costs beside the nozzles, whose unit cost is in the nozzle table.

    Attributes
    ----------
    nozzle_default : float
        Money for a nozzle whose unit cost is not in the table; NaN: then the cost is not known.
    labour_per_head, regulator_per_head, fixed_per_parcel : float
        Money for each head replaced, each head that gets a stated pressure, and the parcel.
    """

    nozzle_default: float
    labour_per_head: float
    regulator_per_head: float
    fixed_per_parcel: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Replacement:
    """A change of nozzle, pressure or both, for all heads with a nozzle or of a kind of device."""

    from_nozzle: str  # "" where from_device is stated
    from_device: str
    to_nozzle: str  # "" where only the pressure changes
    pressure_kpa: float  # NaN: the heads keep theirs


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """In which order parcels stand, and how the budget is spent on them.

    Attributes
    ----------
    by : Expression
        A number; a parcel where it is not known stands last.
    order : {"lowest_first", "highest_first"}
        Which end of it is best.
    funding : {"exact", "in_order"}
        "exact": the parcels that together bring most of ``maximise`` within the budget;
        "in_order": down the ranking, each parcel whose rebate the rest of the budget still holds.
    maximise : Expression
        A number, of "exact".
    """

    by: Expression
    order: RankOrder
    funding: Funding
    maximise: Expression


@dataclass(frozen=True, slots=True, kw_only=True)
class Programme:
    """A rebate programme, read and checked.

    Attributes
    ----------
    title, jurisdiction, note, currency : str
        As printed.
    conditions : tuple of Condition
        All must be met.
    pay : tuple of PayRate
        Those that apply are added up.
    caps, costs, ranking
        See there.
    measure_life_years : float
        Above 0.
    discount_rate : float
        Fraction per year, from 0 to below 1.
    water_price_per_m3, budget : float
        Money.
    annual_net_need_mm : float
        Water that turf needs from irrigation in a year; NaN: it follows from the climate. [mm]
    nozzle_set : str
        File with the changes, as the programme names it; "" where ``replacements`` has them.
    replacements : tuple of Replacement
        The changes; empty where ``nozzle_set`` has them.
    """

    title: str
    jurisdiction: str
    note: str
    currency: str
    conditions: tuple[Condition, ...]
    pay: tuple[PayRate, ...]
    caps: Caps
    costs: CostModel
    ranking: Ranking
    measure_life_years: float
    discount_rate: float
    water_price_per_m3: float
    budget: float
    annual_net_need_mm: float
    nozzle_set: str
    replacements: tuple[Replacement, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Every name that an expression of the programme looks at, each once, sorted."""
        expressions = [condition.require for condition in self.conditions]
        expressions += [pay.where for pay in self.pay if pay.where is not None]
        expressions += [self.ranking.by, self.ranking.maximise]
        found = {name for expression in expressions for name in expression.names}
        found |= {name for condition in self.conditions for name in condition.reason.names}
        return tuple(sorted(found))
