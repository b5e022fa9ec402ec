"""Which turf each zone serves."""

import numpy as np

from geoirrig.surfaces.zone_turf import (
    rates_on_served_turf_mm_h,
    served_share_that_runs_off,
    served_turf_areas_m2,
    served_zone,
)
from tests.surfaces.one_row_site import site

# Zone 0 serves cells 0 and 1, zone 1 cells 2 and 3, zone 2 none; cell 3 is no turf, cell 4 is dry.
RATES = [[9.0, 9.0, 1.0, 0.0, 0.0], [1.0, 0.0, 9.0, 9.0, 0.0], [1.0, 1.0, 1.0, 1.0, 0.0]]


def test_served_zone_is_the_main_zone_of_wet_turf() -> None:
    precipitation, _, cells, _ = site(RATES, 1.0, ["clay", "loam"], turf_index=[0, 1, 1, -1, 0])
    assert served_zone(precipitation, cells).tolist() == [[0, 0, 1, -1, -1]]


def test_served_turf_areas_by_hand() -> None:
    precipitation, _, cells, _ = site(RATES, 1.0, ["clay", "loam"], turf_index=[0, 1, 1, -1, 0])
    areas = served_turf_areas_m2(precipitation, cells, 2)
    assert areas.tolist() == [[1.0, 1.0], [0.0, 1.0], [0.0, 0.0]]  # cells of 1 m²


def test_served_share_that_runs_off_by_hand() -> None:
    precipitation, _, cells, _ = site(RATES, 1.0, ["clay", "loam"], turf_index=[0, 1, 1, -1, 0])
    depth = np.array([[0.5, 0.001, 0.0, np.nan, 9.0]], dtype=np.float32)
    share = served_share_that_runs_off(precipitation, cells, depth, above_mm=0.01)
    np.testing.assert_array_equal(share, [0.5, 0.0, np.nan])


def test_rates_on_served_turf_by_hand() -> None:
    precipitation, _, cells, _ = site(RATES, 1.0, ["clay", "loam"], turf_index=[0, 1, 1, -1, 0])
    found = rates_on_served_turf_mm_h(precipitation, cells)
    # zone 0 serves two cells, of which zone 1 wets one; zone 1 serves one
    np.testing.assert_array_equal(
        found, [[9.0, 0.5, 1.0], [1.0, 9.0, 1.0], [np.nan, np.nan, np.nan]]
    )
