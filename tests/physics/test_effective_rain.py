"""Effective rain."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.physics.effective_rain import (
    EFFECTIVE_RAIN_METHODS,
    effective_rain,
    effective_rain_fao_1986,
    effective_rain_fao_dependable,
    effective_rain_nrcs_tr21,
    effective_rain_texas_daily,
    effective_rain_usda_scs,
)

EXAMPLES = tomllib.loads(
    (Path(__file__).parents[1] / "data" / "water_budget_examples.toml").read_text(encoding="utf-8")
)["effective_rain"]
MM = 25.4


def test_examples_are_all_there() -> None:
    assert sum(len(example["rain_mm"]) for example in EXAMPLES) == 16


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda e: e["method"])
def test_effective_rain_gives_the_tabulated_values(example: dict[str, list[float]]) -> None:
    found = effective_rain(str(example["method"]), example["rain_mm"])
    np.testing.assert_allclose(found, example["effective_mm"], rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize(
    ("function", "break_mm"),
    [
        (effective_rain_usda_scs, 250.0),
        (effective_rain_fao_1986, 75.0),
        (effective_rain_fao_dependable, 70.0),
    ],
)
def test_monthly_formulas_do_not_jump_at_their_break(function, break_mm: float) -> None:  # type: ignore[no-untyped-def]
    below, above = function([break_mm, np.nextafter(break_mm, np.inf)])
    assert above == pytest.approx(below, abs=1e-9)


@pytest.mark.parametrize(
    ("rain_in", "use_in", "storage_in", "wanted_in"),
    [
        # recomputed by hand from the printed coefficients
        (2.0, 4.0, 3.0, 1.426),
        (3.0, 6.0, 3.0, 2.292),
        (1.0, 6.0, 3.0, 0.831),
        (2.0, 6.0, 0.75, 1.151),
    ],
)
def test_effective_rain_nrcs_tr21_hand_worked(
    rain_in: float, use_in: float, storage_in: float, wanted_in: float
) -> None:
    found = effective_rain_nrcs_tr21(rain_in * MM, use_in * MM, storage_mm=storage_in * MM)
    assert float(found) / MM == pytest.approx(wanted_in, abs=5e-4)


def test_effective_rain_nrcs_tr21_is_capped_by_rain_and_by_use() -> None:
    # 0.1 in: 0.70917·0.1^0.82416 − 0.11556 = −0.009 → 0; a use of 0.2 in caps any rain.
    assert effective_rain_nrcs_tr21([0.0, 0.1 * MM], 4.0 * MM).tolist() == [0.0, 0.0]
    assert float(effective_rain_nrcs_tr21(8.0 * MM, 0.2 * MM)) == pytest.approx(0.2 * MM)


@pytest.mark.parametrize(
    ("rain_in", "wanted_in"),
    # nothing of 0.1; 1 − 0.1; 0.9 + 2/3·0.5; 0.9 + 2/3; nothing more above 2
    [(0.0, 0.0), (0.1, 0.0), (0.5, 0.4), (1.0, 0.9), (1.5, 1.2333), (2.0, 1.5667), (9.0, 1.5667)],
)
def test_effective_rain_texas_daily_hand_worked(rain_in: float, wanted_in: float) -> None:
    assert float(effective_rain_texas_daily(rain_in * MM)) / MM == pytest.approx(
        wanted_in, abs=5e-5
    )


@given(
    rain=st.lists(st.floats(0.0, 2000.0), min_size=2, max_size=20),
    method=st.sampled_from(sorted(EFFECTIVE_RAIN_METHODS)),
)
def test_effective_rain_lies_between_nothing_and_all_and_never_falls(
    rain: list[float], method: str
) -> None:
    sorted_rain = np.sort(np.array(rain))
    found = effective_rain(method, sorted_rain, plant_use_mm=150.0)
    assert (found >= 0.0).all()
    assert (found <= sorted_rain + 1e-9).all()
    assert (np.diff(found) >= -1e-9).all()


def test_every_method_has_a_period_and_a_source() -> None:
    assert list(EFFECTIVE_RAIN_METHODS) == [
        "fixed_share",
        "usda_scs",
        "fao_dependable",
        "fao_1986",
        "nrcs_tr21",
        "texas_daily",
    ]
    periods = {name: method.period for name, method in EFFECTIVE_RAIN_METHODS.items()}
    assert periods.pop("fixed_share") == "any"
    assert periods.pop("texas_daily") == "daily"
    assert set(periods.values()) == {"monthly"}
    assert all(method.source for method in EFFECTIVE_RAIN_METHODS.values())


def test_effective_rain_keeps_gaps() -> None:
    for method in EFFECTIVE_RAIN_METHODS:
        assert np.isnan(effective_rain(method, np.nan, plant_use_mm=100.0)), method


def test_effective_rain_choices_without_meaning_are_refused() -> None:
    with pytest.raises(ValueError, match=r"no method of effective rain is named 'scs'; known are "):
        effective_rain("scs", 10.0)
    with pytest.raises(ValueError, match="nrcs_tr21 needs the plants' use of the month"):
        effective_rain("nrcs_tr21", 10.0)
