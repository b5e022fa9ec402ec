"""The whole sample run against its stored summary."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

import pytest

from geoirrig.io.write_summary import summary_text
from tests.regression.store_summary import RUNOFF_MODELS, STORED, sample_summary

RELATIVE_TOLERANCE = 1e-6
# Cell values are float32: a share or volume that is a difference of such may end near zero.
ABSOLUTE_TOLERANCE = 1e-9
ADVICE = (
    "If it was meant to move, store the summary anew (python -m tests.regression.store_summary) "
    "and say why in docs/changelog.md under Results changed."
)


def differences(stored: Any, found: Any, where: str = "") -> Iterator[str]:
    """Every place where two summaries differ."""
    if isinstance(stored, dict) and isinstance(found, dict):
        for name in stored.keys() | found.keys():
            if name in stored and name in found:
                yield from differences(stored[name], found[name], f"{where}.{name}")
            else:
                yield f"{where}.{name} is {'gone' if name in stored else 'new'}"
    elif isinstance(stored, list) and isinstance(found, list) and len(stored) == len(found):
        for number, pair in enumerate(zip(stored, found, strict=True)):
            yield from differences(*pair, f"{where}[{number}]")
    elif _is_number(stored) and _is_number(found):
        if not math.isclose(stored, found, rel_tol=RELATIVE_TOLERANCE, abs_tol=ABSOLUTE_TOLERANCE):
            yield f"{where} was {stored!r}, is {found!r}"
    elif stored != found:
        yield f"{where} was {stored!r}, is {found!r}"


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


@pytest.mark.parametrize("runoff_model", RUNOFF_MODELS)
def test_sample_run_equals_its_stored_summary(runoff_model: str) -> None:
    stored = json.loads(STORED.read_text(encoding="utf-8"))[runoff_model]
    found = json.loads(summary_text(sample_summary(runoff_model)))
    moved = sorted(differences(stored, found))
    shown = "\n".join(moved[:20])
    assert not moved, f"{len(moved)} numbers of the sample run moved:\n{shown}\n{ADVICE}"


def test_stored_summary_holds_the_whole_sample() -> None:
    stored = json.loads(STORED.read_text(encoding="utf-8"))
    assert set(stored) == set(RUNOFF_MODELS)
    for summary in stored.values():
        assert len(summary["zones"]) == summary["totals"]["zone_count"] >= 8
        assert len(summary["turf"]) == summary["totals"]["turf_count"]
        assert summary["totals"]["head_count"] >= 190


def test_differences_names_every_change() -> None:
    stored = {"a": 1.0, "b": [1.0, None], "c": "x", "d": 2}
    assert list(differences(stored, stored)) == []
    assert list(differences(stored, {**stored, "a": 1.0 + 1e-8})) == []
    changed = {"a": 1.00001, "b": [1.0, 2.0], "c": "x", "e": 3}
    assert sorted(differences(stored, changed)) == [
        ".a was 1.0, is 1.00001",
        ".b[1] was None, is 2.0",
        ".d is gone",
        ".e is new",
    ]
