"""The USDA table of maximum rates."""

from __future__ import annotations

import numpy as np
import pytest

from geoirrig.physics.maximum_application_rate import (
    maximum_application_rate_mm_h,
    maximum_rate_soil,
    rate_slope_class,
)
from geoirrig.physics.soil_properties import SOIL_TEXTURES

IN = 25.4
SLOPES = (2.0, 6.0, 10.0, 20.0)


def test_maximum_application_rate_worked_case_of_clay_loam() -> None:
    # Clay loam, 10 %, turf, 0.6 in/h: the limit is 0.12 in/h, five times over.
    limit = float(maximum_application_rate_mm_h("clay_loam", 10.0))
    assert limit == pytest.approx(0.12 * IN)
    assert 0.6 * IN / limit == pytest.approx(5.0)


# U.S. Department of Agriculture, as a trade article of March 2018 quotes the first three columns;
# the last column from memory. [in/h], with cover and bare.
@pytest.mark.parametrize(
    ("texture", "covered", "bare"),
    [
        ("sand", (2.00, 2.00, 1.50, 1.00), (2.00, 1.50, 1.00, 0.50)),
        ("sandy_loam", (1.75, 1.25, 1.00, 0.75), (1.00, 0.80, 0.60, 0.40)),
        ("silt_loam", (1.00, 0.80, 0.60, 0.40), (0.50, 0.40, 0.30, 0.20)),
        ("clay", (0.20, 0.15, 0.12, 0.10), (0.15, 0.10, 0.08, 0.06)),
    ],
)
def test_maximum_application_rate_is_the_printed_table(
    texture: str, covered: tuple[float, ...], bare: tuple[float, ...]
) -> None:
    for is_covered, row in ((True, covered), (False, bare)):
        found = maximum_application_rate_mm_h(texture, SLOPES, is_covered=is_covered)
        assert (found / IN).tolist() == pytest.approx(row)


def test_maximum_application_rate_bare_columns_hold_the_slope_factors() -> None:
    # The 20, 40 and 60 % of the same handbook are this table in a smoothed form.
    for texture in ("sandy_loam", "silt_loam"):
        rate = maximum_application_rate_mm_h(texture, SLOPES, is_covered=False)
        assert (rate / rate[0]).tolist() == pytest.approx([1.0, 0.8, 0.6, 0.4])


def test_maximum_application_rate_falls_with_slope_bareness_and_compact_subsoil() -> None:
    for texture in SOIL_TEXTURES:
        loose = maximum_application_rate_mm_h(texture, SLOPES)
        firm = maximum_application_rate_mm_h(texture, SLOPES, is_subsoil_compact=True)
        bare = maximum_application_rate_mm_h(texture, SLOPES, is_covered=False)
        assert np.all(np.diff(loose) <= 0.0)
        assert np.all(firm <= loose)
        assert np.all(bare <= loose)
    assert maximum_rate_soil("loam", is_subsoil_compact=True).endswith("compact subsoil")


def test_maximum_application_rate_of_unknown_slope_is_nan_and_of_unknown_soil_an_error() -> None:
    assert np.isnan(maximum_application_rate_mm_h("loam", np.nan))
    with pytest.raises(ValueError, match="soil_texture must be one of"):
        maximum_application_rate_mm_h("mud", 1.0)


def test_rate_slope_class_a_bound_belongs_to_the_steeper_class() -> None:
    assert rate_slope_class([0.0, 4.999, 5.0, 7.999, 8.0, 12.0, 80.0, np.nan]).tolist() == [
        0, 0, 1, 1, 2, 3, 3, -1,
    ]  # fmt: skip
