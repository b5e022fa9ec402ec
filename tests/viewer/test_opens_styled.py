"""Results opened in a desktop viewer come up with our styles, titles and classes."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path
from typing import Any

import pytest

from geoirrig.io.write_layers import write_layers
from geoirrig.io.write_rasters import write_rasters
from geoirrig.symbology import SCALES
from tests.external import REQUIRE_ALL
from tests.made_up_analysis import HOSTILE_ID, made_up

VIEWER_PYTHON = "/usr/bin/python3"
SCRIPT = Path(__file__).with_name("describe_in_viewer.py")


def require_viewer() -> None:
    probe = [VIEWER_PYTHON, "-c", "import qgis.core"]
    if Path(VIEWER_PYTHON).exists() and subprocess.run(probe, capture_output=True).returncode == 0:
        return
    reason = f"{VIEWER_PYTHON} has no viewer bindings (Debian package python3-qgis)"
    if os.environ.get(REQUIRE_ALL) == "1":
        pytest.fail(f"{reason}, and {REQUIRE_ALL}=1 requires them")
    pytest.skip(reason)


@pytest.fixture(scope="module", params=["si", "us"])
def seen(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """What the viewer says about the results, and the unit system of their columns."""
    require_viewer()
    folder = tmp_path_factory.mktemp("viewer")
    results = folder / "results"
    results.mkdir()
    analysis = made_up(turf_id=HOSTILE_ID).analysis
    write_layers(
        results / "results.gpkg", analysis.tables, analysis.plane, units=request.param, run_info={}
    )
    write_rasters(results, analysis.rasters, analysis.grid, analysis.plane)
    (folder / "runtime").mkdir(mode=0o700)
    kept = {name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ}
    run = subprocess.run(
        [VIEWER_PYTHON, str(SCRIPT), str(results)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        env=kept
        | {
            "QT_QPA_PLATFORM": "offscreen",
            "XDG_RUNTIME_DIR": str(folder / "runtime"),
            "QGIS_CUSTOM_CONFIG_PATH": str(folder / "profile"),
        },
    )
    assert run.returncode == 0, run.stderr
    return request.param, json.loads(run.stdout)


def test_results_every_layer_is_valid_with_the_renderer_of_its_style(seen: Any) -> None:
    renderers = {name: facts["renderer"] for name, facts in seen[1]["vectors"].items()}
    assert renderers == {
        "turf_results": "RuleRenderer",
        "zone_results": "RuleRenderer",
        "head_results": "RuleRenderer",
        "dry_spots": "graduatedSymbol",
        "overspray": "graduatedSymbol",
        "runoff_hotspots": "graduatedSymbol",
    }
    for facts in (*seen[1]["vectors"].values(), *seen[1]["rasters"].values()):
        assert facts["valid"]
    assert seen[1]["vectors"]["zone_results"]["labelled"]
    assert seen[1]["vectors"]["head_results"]["features"] == 54


def test_results_legend_labels_are_those_of_our_classes(seen: Any) -> None:
    units, facts = seen
    vectors = facts["vectors"]
    assert vectors["turf_results"]["labels"] == [
        "Probability of runoff in one event",
        "up to 5 %", "5 – 25 %", "25 – 50 %", "50 – 75 %", "75 – 95 %", "over 95 %", "not known",
    ]  # fmt: skip
    assert vectors["head_results"]["labels"] == ["with a finding", "without a finding"]
    expected = {"si": "1 – 2 mm of runoff", "us": "0.04 – 0.08 in of runoff"}
    assert vectors["runoff_hotspots"]["labels"][2] == expected[units]


def test_results_columns_are_shown_by_their_titles(seen: Any) -> None:
    units, facts = seen
    aliases = facts["vectors"]["turf_results"]["aliases"]
    names = {"si": ("area_m2", "Area [m²]"), "us": ("area_ft2", "Area [ft²]")}
    column, title = names[units]
    assert aliases[column] == title
    assert aliases["du_lq"] == "DU, low quarter"


def test_results_rasters_come_up_in_our_classes(seen: Any) -> None:
    rasters = seen[1]["rasters"]
    assert len(rasters) == 7
    for name, facts in rasters.items():
        assert facts["renderer"] == "singlebandpseudocolor"
        assert facts["colours"] == list(SCALES[name].colours)
    assert rasters["applied_depth_mm"]["labels"][:2] == ["no water", "0 – 2.5 mm"]
