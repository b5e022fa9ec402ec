"""Rules of a published document as records, and the quantities that a rule may limit.

A rule file names a quantity; what it means, what it is measured on and in which units it may be
stated stands here, once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geoirrig.units import MM_PER_M, PERCENT, UNITS

Scope = Literal["zone", "turf"]
Severity = Literal["violation", "flag"]
Limiting = Literal["at_most", "at_least"]
Comparing = Literal["above", "below", "is"]

# Areas below this are not held against a zone or polygon: a few cells along an edge are within the
# accuracy of any survey. Judgement.
LEAST_AREA_M2 = 1.0
# Lengths may fall short of a limit by this much: a survey's accuracy, and what lies between nominal
# metric and US sizes (100 mm, 4 in). Judgement.
LENGTH_TOLERANCE_M = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityKind:
    """Units that a kind of quantity may be stated in, and how its values are printed.

    Attributes
    ----------
    to_si : dict of str to float
        Factor to SI of every unit that a rule file may state.
    si, us : str
        Units that values are printed in, with ``decimals`` for each; ``us`` is empty where there
        is one unit only.
    """

    to_si: dict[str, float]
    si: str
    us: str = ""
    decimals: tuple[int, int] = (0, 0)

    @property
    def si_base(self) -> str:
        """Unit of the values inside the program."""
        return next(unit for unit, factor in self.to_si.items() if factor == 1.0)

    def text(self, value_si: float) -> str:
        """A value in both unit systems.

        Examples
        --------
        >>> KINDS["rate"].text(19.05)
        '19.1 mm/h (0.75 in/h)'
        """
        first = self._printed(value_si, self.si, self.decimals[0])
        return (
            f"{first} ({self._printed(value_si, self.us, self.decimals[1])})" if self.us else first
        )

    def _printed(self, value_si: float, unit: str, decimals: int) -> str:
        number = f"{value_si / self.to_si[unit]:.{decimals}f}"
        return number if unit == "1" else f"{number} {_PRINTED.get(unit, unit)}"


_PRINTED = {"percent": "%", "m2": "m²", "ft2": "ft²"}
_LENGTHS = {
    "m": 1.0,
    "ft": UNITS["ft"].to_si,
    "in": UNITS["in"].to_si / MM_PER_M,
    "mm": 1.0 / MM_PER_M,
}
KINDS: dict[str, QuantityKind] = {
    "rate": QuantityKind(
        to_si={"mm/h": 1.0, "in/h": UNITS["in_h"].to_si}, si="mm/h", us="in/h", decimals=(1, 2)
    ),
    "length": QuantityKind(to_si=_LENGTHS, si="m", us="ft", decimals=(2, 1)),
    "short_length": QuantityKind(to_si=_LENGTHS, si="mm", us="in", decimals=(0, 1)),
    "area": QuantityKind(
        to_si={"m2": 1.0, "ft2": UNITS["ft2"].to_si}, si="m2", us="ft2", decimals=(1, 0)
    ),
    "pressure": QuantityKind(
        to_si={unit: UNITS[unit.lower()].to_si for unit in ("kPa", "psi", "bar")},
        si="kPa",
        us="psi",
    ),
    "fraction": QuantityKind(to_si={"1": 1.0, "percent": 1.0 / PERCENT}, si="1", decimals=(2, 0)),
    "percentage": QuantityKind(to_si={"percent": 1.0}, si="percent"),
    "ratio": QuantityKind(to_si={"1": 1.0}, si="1", decimals=(2, 0)),
    "count": QuantityKind(to_si={"1": 1.0}, si="1"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleQuantity:
    """What a rule may limit, or a condition may look at.

    Attributes
    ----------
    name : str
        As rule files spell it.
    kind : str
        Key of `KINDS`; "word" for a condition on a word.
    scopes : tuple of str
        What it can be measured on.
    meaning : str
        What it is, for the reader of a rule.
    measured : str
        How the program measures it.
    takes_cell_conditions : bool
        Whether ``slope`` and ``hardscape_distance`` may narrow down where it is measured.
    comparisons : tuple of str
        How it may be limited.
    """

    name: str
    kind: str
    scopes: tuple[Scope, ...]
    meaning: str
    measured: str
    takes_cell_conditions: bool = False
    comparisons: tuple[Limiting, ...] = ("at_most", "at_least")


def _by_name(*quantities: RuleQuantity) -> dict[str, RuleQuantity]:
    return {quantity.name: quantity for quantity in quantities}


QUANTITIES: dict[str, RuleQuantity] = _by_name(
    RuleQuantity(
        name="application_rate",
        kind="rate",
        scopes=("zone", "turf"),
        meaning="precipitation rate on the turf",
        measured="mean over the turf cells that the zone serves, or over the polygon",
        takes_cell_conditions=True,
    ),
    RuleQuantity(
        name="sprinkled_area",
        kind="area",
        scopes=("zone", "turf"),
        meaning="ground that sprinklers wet",
        measured="all cells that the zone wets, off the turf too; or the wet cells of the polygon",
        takes_cell_conditions=True,
    ),
    RuleQuantity(
        name="turf_area",
        kind="area",
        scopes=("turf",),
        meaning="turf",
        measured="cells of the polygon, watered or not",
        takes_cell_conditions=True,
    ),
    RuleQuantity(
        name="narrowest_width",
        kind="length",
        scopes=("turf",),
        meaning="width of the turf where it is narrowest",
        measured="the least width for which 1 m² of a watered polygon is too narrow, sought below "
        "the limit; touching polygons count as one area, corners do not count",
        comparisons=("at_least",),
    ),
    RuleQuantity(
        name="low_quarter_uniformity",
        kind="fraction",
        scopes=("zone", "turf"),
        meaning="low-quarter distribution uniformity",
        measured="column `du_lq`",
    ),
    RuleQuantity(
        name="matched_rate_spread",
        kind="percentage",
        scopes=("zone",),
        meaning="spread of the heads' own rates",
        measured="column `matched_rate_spread_pct`: highest less lowest over the mean",
    ),
    RuleQuantity(
        name="overspray_fraction",
        kind="fraction",
        scopes=("zone",),
        meaning="share of the water that falls off the turf",
        measured="column `overspray_fraction`",
    ),
    RuleQuantity(
        name="runoff_fraction",
        kind="fraction",
        scopes=("turf",),
        meaning="share of the water that runs off in one event",
        measured="column `runoff_fraction`",
    ),
    RuleQuantity(
        name="usda_rate_ratio",
        kind="ratio",
        scopes=("turf",),
        meaning="precipitation rate over the USDA maximum for the soil and slope, with cover",
        measured="mean rate over the table's rate in each slope class of 1 m² and more; the "
        "highest of them",
    ),
    RuleQuantity(
        name="usda_bare_rate_ratio",
        kind="ratio",
        scopes=("turf",),
        meaning="precipitation rate over the USDA maximum for the soil and slope, bare ground",
        measured="as `usda_rate_ratio`",
    ),
    RuleQuantity(
        name="head_setback",
        kind="short_length",
        scopes=("zone",),
        meaning="distance from a head to paved or built ground",
        measured="the least over the zone's heads; 0 for a head that stands on it",
    ),
    RuleQuantity(
        name="spacing_ratio",
        kind="ratio",
        scopes=("zone",),
        meaning="distance to the nearest head over the radius of throw",
        measured="the highest over the zone's heads; the nearest head may be of any zone",
    ),
    RuleQuantity(
        name="heads_outside_pressure_range",
        kind="count",
        scopes=("zone",),
        meaning="heads whose pressure is outside the range stated for their nozzle",
        measured="number of heads whose `pressure_kpa` is below `pressure_min_kpa` or above "
        "`pressure_max_kpa`",
    ),
    RuleQuantity(
        name="lowest_pressure",
        kind="pressure",
        scopes=("zone",),
        meaning="lowest pressure at a head",
        measured="the least `pressure_kpa` of the zone's heads",
    ),
    RuleQuantity(
        name="highest_pressure",
        kind="pressure",
        scopes=("zone",),
        meaning="highest pressure at a head",
        measured="the greatest `pressure_kpa` of the zone's heads",
    ),
    RuleQuantity(
        name="lowest_riser",
        kind="short_length",
        scopes=("zone",),
        meaning="height of the nozzle above the ground",
        measured="the least `riser_m` of the zone's heads",
    ),
)

CELL_CONDITIONS: dict[str, RuleQuantity] = _by_name(
    RuleQuantity(
        name="slope",
        kind="percentage",
        scopes=("zone", "turf"),
        meaning="slope of the ground",
        measured="turf cells; where the slope is not known no condition on it holds",
    ),
    RuleQuantity(
        name="hardscape_distance",
        kind="length",
        scopes=("zone", "turf"),
        meaning="distance to paved or built ground",
        measured="from the cell's centre to the nearest polygon of the hardscape layer; 0 on it",
    ),
)
OBJECT_CONDITIONS: dict[str, RuleQuantity] = _by_name(
    RuleQuantity(
        name="device",
        kind="word",
        scopes=("zone",),
        meaning="kind of device",
        measured="column `device` of the nozzle table; a zone of several kinds fits none",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleCondition:
    """Where a rule holds: ``slope`` ``above`` 25 %, or ``device`` ``is`` a rotor."""

    quantity: RuleQuantity
    comparison: Comparing
    value_si: float = 0.0
    word: str = ""  # of ``is``


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One limit of a document."""

    rule_id: str
    applies_to: Scope
    quantity: RuleQuantity
    comparison: Limiting
    limit_si: float
    where: tuple[RuleCondition, ...]
    severity: Severity
    citation: str
    is_from_memory: bool  # the limit or its place in the document was not read there
    text: str

    @property
    def limit_text(self) -> str:
        """The limit in both unit systems."""
        word = "at most" if self.comparison == "at_most" else "at least"
        return f"{word} {KINDS[self.quantity.kind].text(self.limit_si)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSet:
    """The rules of one document of one jurisdiction."""

    name: str  # of the built-in set, or of the file without its ending
    title: str
    jurisdiction: str
    document: str
    edition: str
    citation: str
    note: str  # who decides
    rules: tuple[Rule, ...]
