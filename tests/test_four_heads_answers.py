"""The four-head sample against the answers in sample_gis/four_heads_answers.md, worked by hand.

Here the floors below the workflow are put together directly, so that a wrong answer points at the
equations and not at the report.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from geoirrig.errors import ProblemList
from geoirrig.io.read_site import SiteSources, read_site
from geoirrig.physics.application_uniformity import (
    christiansen_uniformity,
    low_half_uniformity,
    low_quarter_uniformity,
)
from geoirrig.physics.precipitation_rate import head_precipitation_rate
from geoirrig.records import AnalysisSettings, EventPlan, PrecipitationSurface, RunoffRiskSurface
from geoirrig.surfaces.precipitation_surface import precipitation_surface
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface
from geoirrig.surfaces.terrain_surface import terrain_surface
from geoirrig.surfaces.turf_cells import site_grid, turf_cells

SAMPLE = Path(__file__).parents[1] / "sample_gis" / "four_heads.gpkg"
SOUTH_WEST_HEAD_M = (512_400.0, 4_643_200.0)
RUN_MINUTES = 60.0 * 12.7 / 10.0  # event depth over mean rate: 76.2

# Cell centre east and north of the south-west head [m]: rate [mm/h], heads, minutes to runoff,
# runoff of the event [mm].
CELLS = {
    "middle": ((3.125, 3.125), 14.255, 4, 23.34, 9.201),
    "south edge": ((3.125, 0.125), 9.744, 2, 41.09, 3.472),
    "corner": ((0.125, 0.125), 5.374, 3, 155.9, 0.0),
}


@dataclass(frozen=True)
class FourHeads:
    """What the floors below the workflow make of the sample."""

    precipitation: PrecipitationSurface
    runoff: RunoffRiskSurface
    head_rate_mm_h: np.ndarray

    def cell(self, east_m: float, north_m: float) -> tuple[int, int]:
        """Row and column of the cell with that centre."""
        grid = self.precipitation.grid
        col = (SOUTH_WEST_HEAD_M[0] + east_m - grid.left_m) / grid.cell_size_m - 0.5
        row = (grid.top_m - SOUTH_WEST_HEAD_M[1] - north_m) / grid.cell_size_m - 0.5
        assert (col, row) == (round(col), round(row))
        return round(row), round(col)

    @property
    def lawn_rates_mm_h(self) -> np.ndarray:
        """Rates of the 24 × 24 cells of the lawn."""
        return self.precipitation.precipitation_rate_mm_h[~np.isnan(self.runoff.runoff_depth_mm)]


@pytest.fixture(scope="module")
def four_heads() -> FourHeads:
    settings = AnalysisSettings()
    problems = ProblemList()
    site = read_site(SiteSources(site=SAMPLE), problems, cell_size_m=settings.cell_size_m)
    problems.raise_if_any()
    assert site.layout is not None
    assert site.turf is not None
    assert problems.warnings == []
    grid = site_grid(site.turf, site.layout, cell_size_m=settings.cell_size_m)
    cells = turf_cells(site.turf, grid)
    terrain = terrain_surface(site.terrain, site.turf, cells)
    precipitation = precipitation_surface(site.layout, 1, grid, on_turf=cells.turf_index >= 0)
    event = EventPlan(
        start_minute=np.array([0.0]),
        cycles=np.array([1]),
        cycle_minutes=np.array([RUN_MINUTES]),
        soak_minutes=np.array([0.0]),
    )
    return FourHeads(
        precipitation=precipitation,
        runoff=runoff_risk_surface(
            precipitation, terrain, cells, site.turf, event, settings=settings
        ),
        head_rate_mm_h=head_precipitation_rate(
            site.layout.flow_lpm, site.layout.radius_m, site.layout.arc_deg
        ),
    )


def test_four_heads_own_rate_is_flow_over_a_quarter_circle(four_heads: FourHeads) -> None:
    # 60·1.5/(π·6²/4) = 90/28.274
    np.testing.assert_allclose(four_heads.head_rate_mm_h, [3.183] * 4, atol=5e-4)


def test_four_heads_mean_rate_is_flow_over_lawn(four_heads: FourHeads) -> None:
    # 4·1.5 L/min on 36 m²: 60·6/36; no water leaves the square
    assert four_heads.lawn_rates_mm_h.size == 24 * 24
    assert float(np.mean(four_heads.lawn_rates_mm_h)) == pytest.approx(10.0, rel=1e-6)
    np.testing.assert_allclose(four_heads.precipitation.head_on_target_fraction, 1.0, rtol=1e-9)


@pytest.mark.parametrize("name", CELLS)
def test_four_heads_cells_match_the_hand_values(four_heads: FourHeads, name: str) -> None:
    # The hand values are rounded to the digits shown; scaling each head to its flow moves a rate
    # by less than 0.01 %, and minutes to runoff by about twice that.
    (east, north), rate, heads, minutes, runoff = CELLS[name]
    at = four_heads.cell(east, north)

    assert four_heads.precipitation.precipitation_rate_mm_h[at] == pytest.approx(rate, rel=1e-4)
    assert four_heads.precipitation.heads_reaching[at] == heads
    assert four_heads.runoff.minutes_to_runoff[at] == pytest.approx(minutes, rel=5e-4)
    assert four_heads.runoff.runoff_depth_mm[at] == pytest.approx(runoff, abs=2e-3)


def test_four_heads_coverage_tends_to_the_closed_forms(four_heads: FourHeads) -> None:
    # 1 + π/3 − √3 of the square within reach of four heads, 4 − √3 − 2π/3 of two, the rest of
    # three. Counting 0.25 m cells along arcs of some 20 m misses by a few per cent.
    lawn = ~np.isnan(four_heads.runoff.runoff_depth_mm)
    reached = four_heads.precipitation.heads_reaching[lawn]
    shares = [float(np.mean(reached == count)) for count in range(5)]

    assert shares[0] == shares[1] == 0.0
    np.testing.assert_allclose(shares[2:], [0.1736, 0.5113, 0.3152], atol=0.03)


def test_four_heads_evenness_matches_a_fine_sampling(four_heads: FourHeads) -> None:
    # The stated values come from 2,400 × 2,400 points of the same formula; 24 × 24 cells agree to
    # their sampling error.
    rates = four_heads.lawn_rates_mm_h

    assert christiansen_uniformity(rates) == pytest.approx(0.843, abs=2e-3)
    assert low_quarter_uniformity(rates) == pytest.approx(0.751, abs=2e-3)
    assert low_half_uniformity(rates) == pytest.approx(0.845, abs=2e-3)
