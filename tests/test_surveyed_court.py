"""The sample plan: built the same each time, as it lies in the folder, faults and all."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from geoirrig.io.open_layer import LayerSource
from geoirrig.io.read_site import SiteSources
from geoirrig.workflows.analyze_site import analyze_site
from geoirrig.workflows.export_imported_plan import export_site
from geoirrig.workflows.import_plan import import_plan
from geoirrig.workflows.load_site import load_site

SAMPLES = Path(__file__).parents[1] / "sample_gis"
FILES = (
    "surveyed_court.dxf",
    "surveyed_court_roles.toml",
    "surveyed_court_control.csv",
    "surveyed_court_nozzles.csv",
)


@pytest.fixture(scope="module")
def surveyed_court() -> Iterator[ModuleType]:
    """The script beside the samples, as a module."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(SAMPLES))
        import surveyed_court

        yield surveyed_court


def test_build_twice_gives_the_same_bytes(surveyed_court: ModuleType, tmp_path: Path) -> None:
    for name in ("first", "second"):
        (tmp_path / name).mkdir()
        surveyed_court.write_court(tmp_path / name)
    for name in FILES:
        assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "second" / name).read_bytes()


def test_folder_holds_what_the_script_builds(surveyed_court: ModuleType, tmp_path: Path) -> None:
    surveyed_court.write_court(tmp_path)
    for name in FILES[1:]:
        assert (SAMPLES / name).read_bytes() == (tmp_path / name).read_bytes(), name
    # a DXF states the library version in its header
    assert (SAMPLES / FILES[0]).stat().st_size == pytest.approx(
        (tmp_path / FILES[0]).stat().st_size, rel=0.05
    )


def test_court_analysis_finds_the_faults(tmp_path: Path) -> None:
    found = import_plan(
        SAMPLES / "surveyed_court.dxf",
        roles_file=SAMPLES / "surveyed_court_roles.toml",
        control_file=SAMPLES / "surveyed_court_control.csv",
        crs="EPSG:32611",
    )
    export_site(found, tmp_path / "site", overwrite=False, options={})
    nozzles = LayerSource(path=SAMPLES / "surveyed_court_nozzles.csv")
    site = load_site(SiteSources(site=tmp_path / "site" / "SITE.gpkg", layers={"nozzles": nozzles}))
    heads = analyze_site(site).table("head_results")
    on_target = dict(
        zip(heads.columns["head_id"], heads.columns["on_target_fraction"], strict=True)
    )
    # N3 was turned by 70° of its 180°: some 7/18 of its water falls on the walk; its neighbour N2,
    # turned rightly, keeps to the lawn. A strip of 6 ft catches half of a throw of 12 ft, or more
    # since the inner half of the radius gets the fuller rate.
    assert on_target["N3"] == pytest.approx(1 - 7 / 18, abs=0.05)
    assert on_target["N2"] > 0.95
    assert 0.4 < on_target["T2"] < 0.85
    assert np.isfinite(list(on_target.values())).all()
