"""Quantities of a parcel that a programme's expressions may name, and how they are spoken.

What can be measured on a parcel stands here, once; the parcels layer's own columns stand beside.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from geoirrig.expressions.explanation import NameWords
from geoirrig.expressions.grammar import ValueKind
from geoirrig.units import UNITS, unit_of_column

# When a quantity is known: before anything is paid, or only after the rebate is.
Stage = Literal["measured", "rebate"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ParcelQuantity:
    """What is known of a parcel beside the columns of the parcels layer.

    Attributes
    ----------
    name : str
        As programme files and results spell it, with its SI unit.
    kind : {"number", "text", "truth"}
        What its values are.
    meaning : str
        What it is, as it is read aloud to an applicant.
    stage : {"measured", "rebate"}
        "rebate" where it follows from the rebate, so that no pay rate can depend on it.
    """

    name: str
    meaning: str
    kind: ValueKind = "number"
    stage: Stage = "measured"

    @property
    def unit(self) -> str:
        """Its unit as printed; "" for fractions, counts, money, years and words."""
        return _printed_unit(self.name)


def _printed_unit(name: str) -> str:
    if name.endswith("_pct"):
        return "%"
    unit = unit_of_column(name)[1]
    return "" if unit is None else unit.printed


def _measured(meanings: Mapping[str, str], kind: ValueKind = "number") -> list[ParcelQuantity]:
    return [ParcelQuantity(name=name, meaning=said, kind=kind) for name, said in meanings.items()]


_COUNTS = {
    "head_count": "number of sprinkler heads",
    "replaced_head_count": "number of heads whose nozzle or pressure changes",
    "regulated_head_count": "number of heads that get a stated pressure",
    "zone_count": "number of zones",
    "mixed_device_zone_count": "number of zones with several kinds of device after the change",
    "heads_outside_pressure_range": "number of heads outside the pressure range of their nozzle "
    "after the change",
}
_GROUND = {
    "turf_area_m2": "area of turf",
    "served_area_m2": "area of turf that the zones serve",
    "mean_slope_pct": "mean slope of the turf",
    "max_slope_pct": "steepest slope of the turf",
}
_SHARES = {
    "fixed_spray_fraction": "share of the heads that are fixed sprays now",
    "rotary_nozzle_fraction": "share of the heads that are rotary nozzles now",
    "rotor_fraction": "share of the heads that are rotors now",
}
_BEFORE_AND_AFTER = {
    "mean_rate_{}_mm_h": "mean application rate on the turf {}",
    "max_rate_{}_mm_h": "application rate of the fastest zone {}",
    "du_lq_{}": "low-quarter distribution uniformity of the turf {}",
    "du_lh_{}": "low-half distribution uniformity of the turf {}",
    "matched_rate_spread_{}_pct": "widest spread of the heads' own rates within a zone {}",
    "overspray_fraction_{}": "share of the water that falls off the turf {}",
    "runoff_fraction_{}": "share of the water that runs off {}",
    "lowest_pressure_{}_kpa": "lowest pressure at a head {}",
    "highest_pressure_{}_kpa": "highest pressure at a head {}",
    "water_{}_m3_year": "water applied in a year {}",
}
_STATES = {"before": "before the change", "after": "after the change"}
_SAVINGS = {
    "water_saved_m3_year": "water saved in a year",
    "water_saved_low_m3_year": "low end of the water saved in a year",
    "water_saved_high_m3_year": "high end of the water saved in a year",
    "runoff_avoided_m3_year": "runoff avoided in a year",
    "runoff_avoided_low_m3_year": "low end of the runoff avoided in a year",
    "runoff_avoided_high_m3_year": "high end of the runoff avoided in a year",
}
_MONEY = {
    "nozzle_cost": "cost of the new nozzles",
    "equipment_cost": "cost of the new nozzles and pressure regulators",
    "cost": "cost of the change, labour included",
    "levelised_cost_per_m3": "cost of a cubic metre saved over the measure's life",
    "benefit_cost_ratio": "value of the water saved over the cost",
    "payback_years": "years until the water saved has paid the cost",
    "net_present_value": "value of the water saved less the cost, over the measure's life",
}
_WORDS = {
    "existing_device": "kind of device on the heads now",  # "mixed" where they differ
}
_TRUTHS = {
    "whole_zone_converted": "every zone that is changed is changed on all its heads",
    "pressure_in_range": "every head is within the pressure range of its nozzle after the change",
}

QUANTITIES: dict[str, ParcelQuantity] = {
    quantity.name: quantity
    for quantity in (
        *_measured(_COUNTS),
        *_measured(_GROUND),
        *_measured(_SHARES),
        *_measured(_WORDS, "text"),
        *_measured(
            {
                name.format(state): meaning.format(said)
                for name, meaning in _BEFORE_AND_AFTER.items()
                for state, said in _STATES.items()
            }
        ),
        *_measured(_TRUTHS, "truth"),
        *_measured(_SAVINGS),
        *_measured(_MONEY),
        ParcelQuantity(name="rebate", meaning="rebate", stage="rebate"),
    )
}


def known_names(
    parcel_columns: Mapping[str, ValueKind], *, stages: tuple[Stage, ...] = ("measured", "rebate")
) -> dict[str, ValueKind]:
    """Names that an expression may use, with what their values are.

    Parameters
    ----------
    parcel_columns : mapping of str to {"number", "text", "truth"}
        Columns of the parcels layer.
    stages : tuple of {"measured", "rebate"}
        Quantities wanted.

    Returns
    -------
    dict of str to {"number", "text", "truth"}
        Computed quantities, which prevail over columns of their name, then the columns, then both
        in every other unit: ``max_rate_after_in_h``.
    """
    kinds = {name: q.kind for name, q in QUANTITIES.items() if q.stage in stages}
    kinds |= {name: kind for name, kind in parcel_columns.items() if quantity_of(name) is None}
    others: dict[str, ValueKind] = {}
    for name, kind in kinds.items():
        if kind == "number":
            others |= dict.fromkeys(other_units(name), "number")
    return others | kinds


def other_units(name: str) -> tuple[str, ...]:
    """The same quantity's names in every other unit.

    Examples
    --------
    >>> other_units("max_rate_after_mm_h")
    ('max_rate_after_in_h',)
    >>> other_units("head_count")
    ()
    """
    quantity, unit = unit_of_column(name)
    if unit is None:
        return ()
    same = [u.suffix for u in UNITS.values() if u.si_suffix == unit.si_suffix]
    return tuple(f"{quantity}_{suffix}" for suffix in same if suffix != unit.suffix)


def spoken_names(names: Iterable[str]) -> dict[str, NameWords]:
    """How names are read aloud: a quantity by its meaning, a column by its name without signs.

    Examples
    --------
    >>> spoken_names(("max_rate_after_in_h", "lot_area_m2"))["max_rate_after_in_h"].unit
    'in/h'
    >>> spoken_names(("lot_area_m2",))["lot_area_m2"].words
    'lot area'
    """
    spoken = {}
    for name in names:
        quantity = quantity_of(name)
        plain = unit_of_column(name)[0].removesuffix("_pct").replace("_", " ")
        words = plain if quantity is None else quantity.meaning
        spoken[name] = NameWords(words=words, unit=_printed_unit(name))
    return spoken


def quantity_of(name: str) -> ParcelQuantity | None:
    """The computed quantity that a name stands for, in whatever unit; None for any other name.

    Examples
    --------
    >>> quantity_of("turf_area_ft2").name
    'turf_area_m2'
    """
    return _BY_SPELLING.get(name)


_BY_SPELLING = {
    spelling: quantity
    for quantity in QUANTITIES.values()
    for spelling in (quantity.name, *other_units(quantity.name))
}
