"""Values that a result column may have: words with what they stand for, or a range.

A file states the domain of a column only where all its values keep it: columns that were carried
through from the input may hold anything.
"""

from __future__ import annotations

import calendar
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig import symbology
from geoirrig.physics.plant_water_use import PLANT_TYPES
from geoirrig.physics.soil_properties import COMPACTION_FACTOR, SOIL_TEXTURES


@dataclass(frozen=True, slots=True)
class CodedWords:
    """Values that are listed, each with the words that a reader sees."""

    words: Mapping[str | int, str]

    def holds(self, values: NDArray[Any]) -> bool:
        """Whether every value, none of which is missing, is one of the list."""
        return set(values.tolist()) <= self.words.keys()


@dataclass(frozen=True, slots=True)
class NumberRange:
    """Numbers from ``low`` to ``high``, both included."""

    low: float
    high: float

    def holds(self, values: NDArray[Any]) -> bool:
        """Whether every value, none of which is missing, is a number of the range."""
        if values.dtype.kind not in "iuf":
            return len(values) == 0
        return bool(np.all((self.low <= values) & (values <= self.high)))


Domain = CodedWords | NumberRange


def _plain(words: Iterable[str]) -> CodedWords:
    return CodedWords({word: word.replace("_", " ") for word in words})


_MONTHS = CodedWords({number: calendar.month_name[number] for number in range(1, 13)})
_SHARES = (
    "du_lq", "du_lh", "cu", "dry_fraction", "on_target_fraction", "overspray_fraction",
    "runoff_fraction", "runoff_probability", "runoff_share", "cumulative_share",
    "scheduled_runoff_fraction", "served_fraction", "du_lq_before", "du_lq_after", "du_lq_bound",
    "du_lh_before", "du_lh_after", "overspray_fraction_before", "overspray_fraction_after",
    "runoff_fraction_before", "runoff_fraction_after", "fixed_spray_fraction",
    "rotary_nozzle_fraction", "rotor_fraction", "need_met_if_clock_unchanged",
)  # fmt: skip

# By the SI name of the column; none of them is converted with the unit system.
DOMAINS: dict[str, Domain] = {
    "device": CodedWords({code: words for code, words in symbology.DEVICE_LABELS.items() if code}),
    "soil_texture": _plain(SOIL_TEXTURES),
    "compaction": _plain(COMPACTION_FACTOR),
    "plant_type": _plain(PLANT_TYPES),
    "severity": _plain(word for word, _, _ in symbology.SEVERITY_MARKS),
    "kind": _plain(
        (
            "edge_gap", "spacing_gap", "open_ground", "corner_without_head", "narrow_strip",
            "arc_to_turn", "arc_to_narrow", "waters_no_turf", "mixed_soils", "mixed_plants",
            "mixed_sun", "mixed_devices", "unmatched_rates", "flow_beyond_supply",
        )
    ),
    "applies_to": CodedWords({"zone": "zone", "turf": "turf polygon"}),
    "outcome": _plain(("met", "not met", "flagged", "not evaluated")),
    "reaches": _plain(("hardscape", "turf", "off site")),
    "change": _plain(("refit", "add a head")),
    "status_code": CodedWords(dict(enumerate(symbology.STATUS_LABELS))),
    "month": _MONTHS,
    "peak_month": _MONTHS,
    **dict.fromkeys(_SHARES, NumberRange(0.0, 1.0)),
}  # fmt: skip
