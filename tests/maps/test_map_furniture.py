"""Scale bars are round and true."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.maps.map_furniture import scale_bar_length
from geoirrig.units import METRES_PER_FOOT


@pytest.mark.parametrize(
    ("longest_m", "units", "length_m", "label"),
    [
        (10.0, "si", 10.0, "10 m"),  # what just fits is taken
        (9.99, "si", 5.0, "5 m"),
        (0.3, "si", 0.2, "0.2 m"),
        (4999.0, "si", 2000.0, "2000 m"),
        (15.25, "us", 15.24, "50 ft"),  # 15.25 m is 50.03 ft
        (15.23, "us", 6.096, "20 ft"),  # 15.23 m is 49.97 ft
    ],
)
def test_scale_bar_length_hand_worked(longest_m, units, length_m, label) -> None:
    length, text = scale_bar_length(longest_m, units)
    assert length == pytest.approx(length_m, rel=1e-12)
    assert text == label


@given(st.floats(0.01, 1e6), st.sampled_from(["si", "us"]))
def test_scale_bar_length_fits_and_fills_two_fifths_at_least(longest_m: float, units) -> None:
    length, label = scale_bar_length(longest_m, units)
    assert 0.399 * longest_m < length <= longest_m * (1.0 + 1e-8)
    number, unit = label.split()
    assert float(number) * (METRES_PER_FOOT if unit == "ft" else 1.0) == pytest.approx(length)
    digits = set(number.replace(".", "").replace("e+", "").strip("0"))
    assert digits <= set("125") or "e" in label
