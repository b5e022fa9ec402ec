"""The real plots that tests of a city use are what the sheet of their data set says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from typer.testing import CliRunner

from geoirrig.cli import app
from tests.real_plots import (
    LEAST_TURF_M2,
    UTM_33_NORTH,
    RealPlots,
    real_plots,
    write_real_plots,
)

# Areas of the data set in UTM 33 N, found independently of this package. [m²]
PLOTS_M2, OPEN_GROUND_M2, MERCATOR_RATIO = 278_728.0, 235_612.0, 2.43


@pytest.fixture(scope="module")
def plots() -> RealPlots:
    return real_plots(crs=UTM_33_NORTH)


def test_real_plots_have_their_areas(plots: RealPlots) -> None:
    assert len(plots.parcels) == 407
    assert len(plots.buildings) == 144
    assert plots.parcels.area.sum() == pytest.approx(PLOTS_M2, abs=1.0)
    built = shapely.intersection(plots.parcels.geometry.to_numpy(), plots.buildings.union_all())
    open_ground = plots.parcels.area.sum() - shapely.area(built).sum()
    assert open_ground == pytest.approx(OPEN_GROUND_M2, abs=1.0)
    # Left out as turf: small plots and slivers.
    assert 0.98 * OPEN_GROUND_M2 < plots.turf.area.sum() < OPEN_GROUND_M2


def test_real_plots_in_web_mercator_look_larger_than_they_are(plots: RealPlots) -> None:
    shipped = real_plots()

    assert shipped.parcels.crs.to_epsg() == 3857
    for name in ("parcels", "turf"):
        ratio = getattr(shipped, name).area.sum() / getattr(plots, name).area.sum()
        assert ratio == pytest.approx(MERCATOR_RATIO, abs=0.005)


def test_real_plots_heads_stand_on_a_lattice_in_their_lawns(plots: RealPlots) -> None:
    lawns = plots.turf.set_index("parcel_id").geometry
    own = lawns.loc[plots.heads["zone"]].to_numpy()
    at = shapely.get_coordinates(plots.heads.geometry.to_numpy())

    assert shapely.contains(own, plots.heads.geometry.to_numpy()).all()
    steps = (at - at.min(axis=0)) / 6.0
    assert np.abs(steps - np.round(steps)).max() < 1e-6
    assert len(plots.heads) * 6.0**2 == pytest.approx(plots.turf.area.sum(), rel=0.02)
    assert len(np.unique(np.round(steps), axis=0)) == len(plots.heads)
    assert plots.turf.geometry.is_valid.all()
    assert plots.turf.area.min() >= LEAST_TURF_M2


def test_first_real_plots_pass_validation_in_web_mercator(tmp_path: Path) -> None:
    paths = write_real_plots(tmp_path, n_plots=60)

    result = CliRunner().invoke(app, ["validate", str(paths["site"])])

    assert result.exit_code == 0, result.output
    assert "UTM" in result.output
