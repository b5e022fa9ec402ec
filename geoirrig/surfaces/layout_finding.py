"""One finding about a layout, and how severe it is."""

from __future__ import annotations

import math
from dataclasses import dataclass

SEVERITIES = ("low", "medium", "high")


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutFinding:
    """What is wrong, where, how much of it, and what is asked.

    The measured value and the limit are SI, in the unit named ("m", "L/min", "%", "1"). What a
    finding is not about is None.
    """

    kind: str
    severity: str  # one of `SEVERITIES`
    x_m: float
    y_m: float
    measured_value: float
    limit_value: float
    value_unit: str
    sentence: str
    head: int | None = None
    other_head: int | None = None
    zone: int | None = None
    is_on_turf: bool = False  # whether it is about the turf that it lies on
    turn_deg: float = math.nan  # clockwise
    advised_start_bearing_deg: float = math.nan
    advised_arc_deg: float = math.nan


def severity(value: float, steps: tuple[float, float]) -> str:
    """Class of a value: "low" up to the first step, "high" above the second.

    Examples
    --------
    >>> [severity(value, (1.1, 1.2)) for value in (1.05, 1.15, 1.3)]
    ['low', 'medium', 'high']
    """
    return SEVERITIES[sum(value > step for step in steps)]
