"""Real cadastral plots, given in Web Mercator, screened in true areas."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geoirrig.workflows.screen_parcels import Screening
from tests.real_plots import UTM_33_NORTH, real_plots, write_real_plots
from tests.workflows.small_city import PROGRAMME, exported, loaded, screened

N_PLOTS = 120


@pytest.fixture(scope="module")
def screening(tmp_path_factory: pytest.TempPathFactory) -> Screening:
    folder = tmp_path_factory.mktemp("plots")
    paths = write_real_plots(folder, n_plots=N_PLOTS)
    paths["programme"] = folder / "programme.toml"
    paths["programme"].write_text(PROGRAMME, encoding="utf-8")
    return screened(loaded(paths), folder / "out")


def test_screen_real_plots_work_in_the_local_utm_zone(screening: Screening) -> None:
    assert screening.city.inputs.plane.crs_name == "WGS 84 / UTM zone 33N"
    assert any("UTM zone 33N" in warning for warning in screening.city.inputs.warnings)


def test_screen_real_plots_areas_are_true(screening: Screening) -> None:
    """The lawns in UTM zone 33 north, laid out without this package's readers."""
    turf = real_plots(crs=UTM_33_NORTH, n_plots=N_PLOTS).turf
    area = dict(zip(turf["parcel_id"], turf.geometry.area, strict=True))
    columns = screening.parcels.columns
    worked = ~screening.verdict.is_failed
    expected = np.array([area.get(p, 0.0) for p in columns["parcel_id"]])
    np.testing.assert_allclose(columns["turf_area_m2"][worked], expected[worked], rtol=2e-4)
    # cells of 0.25 m: the served part of a lawn is no larger than the lawn
    served = columns["served_area_m2"][worked]
    assert (served <= expected[worked] * 1.02 + 1.0).all()
    assert served.sum() > 0.9 * expected[worked].sum()


def test_screen_real_plots_most_are_worked_and_the_rest_say_why(
    screening: Screening, tmp_path: Path
) -> None:
    assert np.count_nonzero(screening.verdict.is_failed) <= 0.1 * N_PLOTS
    assert all(len(reason) > 20 for reason in screening.failures.columns["reason"])
    saved = screening.parcels.columns["water_saved_m3_year"]
    # rotary nozzles of a quarter of the rate shed less on clay: most lawns save water
    assert (saved[screening.verdict.is_eligible] > 0.0).mean() > 0.8
    assert "screening.png" in exported(screening, tmp_path / "out")
