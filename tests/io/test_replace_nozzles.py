"""A nozzle set on heads: what is told of a pressure that no regulator can give."""

from __future__ import annotations

import numpy as np
import pytest

from geoirrig.errors import ProblemList
from geoirrig.io.replace_nozzles import warn_of_raised_pressure


def told(before_kpa: list[float], after_kpa: list[float]) -> list[str]:
    problems = ProblemList()
    warn_of_raised_pressure("slow", np.array(before_kpa), np.array(after_kpa), problems)
    assert not problems.problems
    return problems.warnings


@pytest.mark.parametrize(
    ("before_kpa", "after_kpa"),
    [
        ([300.0, 280.0], [280.0, 280.0]),
        ([206.8], [206.843]),  # 30 psi, rounded to a tenth of a kPa
        ([np.nan, 280.0], [280.0, np.nan]),
        ([], []),
    ],
)
def test_warn_of_raised_pressure_is_silent(before_kpa: list[float], after_kpa: list[float]) -> None:
    assert told(before_kpa, after_kpa) == []


def test_warn_of_raised_pressure_counts_heads() -> None:
    assert told([200.0, 200.0, 300.0], [280.0, 280.0, 280.0]) == [
        "Nozzle set 'slow': 2 heads are set to a pressure above what they have now; a regulator "
        "only lowers it."
    ]
    assert told([200.0], [280.0]) == [
        "Nozzle set 'slow': 1 head is set to a pressure above what it has now; a regulator only "
        "lowers it."
    ]
