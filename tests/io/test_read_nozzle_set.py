"""Nozzle sets: the two kinds of file, what is put on which head, and every slip told."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geoirrig.errors import ProblemList
from geoirrig.io.read_layouts import LayoutAlternative
from geoirrig.io.read_nozzle_set import read_nozzle_set, read_nozzle_sets
from geoirrig.io.read_site import SiteSources, read_site
from geoirrig.records import NozzleSet, SprinklerLayout
from geoirrig.units import KPA_PER_PSI
from tests.io import site_builder as build


def written(folder: Path, text: str, name: str = "rotary.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def read(folder: Path, text: str, name: str = "rotary.csv") -> tuple[NozzleSet | None, ProblemList]:
    problems = ProblemList()
    return read_nozzle_set(written(folder, text, name), problems), problems


def many_nozzles() -> pd.DataFrame:
    """Q at 200 kPa; R, slower and shorter; M tested at two pressures."""
    return pd.DataFrame(
        {
            "nozzle": ["Q", "R", "M", "M"],
            "flow_lpm": [12.0, 6.0, 8.0, 16.0],
            "radius_m": [6.0, 5.0, 4.0, 5.6],
            "pressure_kpa": [200.0, 300.0, 100.0, 400.0],
        }
    )


def under(
    folder: Path, text: str, **layers: Any
) -> tuple[SprinklerLayout | None, LayoutAlternative | None, ProblemList]:
    """The good site as it stands and under a set."""
    problems = ProblemList()
    layers = {"nozzles": many_nozzles()} | layers
    site = build.write_site(folder / "site.gpkg", build.good_layers(**layers))
    sets = read_nozzle_sets([written(folder, text)], problems)
    reading = read_site(SiteSources(site=site), problems, cell_size_m=0.5, nozzle_sets=sets)
    return reading.layout, (reading.alternatives or (None,))[0], problems


# --- the file ------------------------------------------------------------------------------------


def test_read_nozzle_set_by_nozzle_takes_zone_and_pressure_in_any_unit(tmp_path: Path) -> None:
    found, problems = read(
        tmp_path, "from_nozzle,to_nozzle,zone,pressure_psi\nQ,R,A,30\n S ,R,,\n", "slow spray.csv"
    )
    assert problems == ProblemList()
    assert found is not None
    assert found.name == "slow spray"
    assert found.from_nozzle.tolist() == ["Q", "S"]
    assert found.to_nozzle.tolist() == ["R", "R"]
    assert found.zone.tolist() == ["A", ""]
    assert found.head_id.tolist() == ["", ""]
    np.testing.assert_allclose(found.pressure_kpa, [30.0 * KPA_PER_PSI, np.nan])


def test_read_nozzle_set_by_head_keeps_ids_that_differ_only_in_case(tmp_path: Path) -> None:
    found, problems = read(tmp_path, "head_id,nozzle\nsw,R\nSW,Q\n")
    assert problems == ProblemList()
    assert found is not None
    assert found.head_id.tolist() == ["sw", "SW"]
    assert np.isnan(found.pressure_kpa).all()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("from_nozzle,nozzle\nQ,R\n", "either from_nozzle and to_nozzle, or head_id and nozzle"),
        ("form_nozzle,tonozzle\nQ,R\n", "The nearest known is 'from_nozzle'."),
        ("from_nozzle,zone\nQ,A\n", "has no column 'to_nozzle'. Add it."),
        ("from_nozzle,to_nozzle\n", "holds no rows. Say which nozzle replaces which."),
        ("from_nozzle,to_nozzle\n,R\n", "from_nozzle is empty for"),
        ("from_nozzle,to_nozzle\nQ,R\nQ,\n", "to_nozzle is empty for row 2. Name the new nozzle"),
        ("head_id,nozzle\nSW,\n", "nozzle is empty for head_id 'SW'."),
        ("head_id,nozzle\nSW,R\nSW,Q\n", "head_id must be unique; met more than once: 'SW'."),
        ("head_id,nozzle,pressure\nSW,R,30\n", "column 'pressure' names no unit."),
        ("head_id,nozzle,pressure_psi\nSW,R,-3\n", "pressure_psi must be greater than 0 psi; got"),
        ("head_id,nozzle,pressure_psi\nSW,R,low\n", "pressure_psi must be a number; got 'low'"),
        ("from_nozzle;to_nozzle\nQ;R\n", "is not separated by commas."),
    ],
)
def test_read_nozzle_set_tells_what_is_wrong(tmp_path: Path, text: str, said: str) -> None:
    _, problems = read(tmp_path, text)
    assert said in build.only(problems.problems)
    assert "'rotary.csv'" in problems.problems[0] or "rotary.csv" in problems.problems[0]


def test_read_nozzle_set_warns_of_a_column_without_a_meaning(tmp_path: Path) -> None:
    _, problems = read(tmp_path, "from_nozzle,to_nozzle,presure_kpa\nQ,R,200\n")
    assert problems.problems == []
    assert "'presure_kpa'. The nearest known is 'pressure_kpa'." in build.only(problems.warnings)


def test_read_nozzle_set_of_another_format_or_missing_is_refused(tmp_path: Path) -> None:
    problems = ProblemList()
    (tmp_path / "set.toml").write_text("a = 1", encoding="utf-8")
    assert read_nozzle_set(tmp_path / "set.toml", problems) is None
    assert read_nozzle_set(tmp_path / "absent.csv", problems) is None
    assert len(problems.problems) == 2
    assert "absent.csv" in problems.problems[1]


def test_read_nozzle_sets_of_one_name_or_named_existing_are_refused(tmp_path: Path) -> None:
    text = "from_nozzle,to_nozzle\nQ,R\n"
    (tmp_path / "b").mkdir()
    paths = [written(tmp_path, text), written(tmp_path / "b", text)]
    problems = ProblemList()
    assert len(read_nozzle_sets(paths, problems)) == 2
    assert "Two nozzle sets are named 'rotary'." in build.only(problems.problems)

    _, problems = read(tmp_path, text, "existing.csv")
    assert "cannot be named 'existing'" in build.only(problems.problems)


# --- on the heads --------------------------------------------------------------------------------


def test_set_on_all_heads_gives_flow_radius_and_pressure_of_the_new_nozzle(tmp_path: Path) -> None:
    before, found, problems = under(tmp_path, "from_nozzle,to_nozzle\nQ,R\n")
    assert problems == ProblemList()
    assert before is not None
    assert found is not None
    # quarter circles: a quarter of the full-circle flow
    np.testing.assert_allclose(before.flow_lpm, 3.0)
    np.testing.assert_allclose(found.layout.flow_lpm, 1.5)
    np.testing.assert_allclose(found.layout.radius_m, 5.0)
    np.testing.assert_allclose(found.layout.pressure_kpa, 300.0)
    assert found.layout.nozzle.tolist() == ["R"] * 4
    for name in ("arc_deg", "start_bearing_deg", "x_m", "y_m", "zone_index"):
        np.testing.assert_array_equal(getattr(found.layout, name), getattr(before, name))
    assert found.at_new_pressure is None
    assert found.name == "rotary"


def test_set_drops_the_heads_own_radius_and_flow_but_keeps_its_pressure(tmp_path: Path) -> None:
    heads = build.heads(
        radius_m=[5.5, 5.5, np.nan, np.nan],
        flow_lpm=[2.0, 2.0, np.nan, np.nan],
        pressure_kpa=[75.0, 300.0, np.nan, np.nan],
        trajectory_deg=[20.0, 20.0, np.nan, np.nan],
    )
    _, found, problems = under(tmp_path, "head_id,nozzle\nSW,R\n", heads=heads)
    assert problems == ProblemList()
    assert found is not None
    # R at 75 kPa, a quarter of its tested 300: half the flow, of a quarter circle; radius · 4^-¼
    np.testing.assert_allclose(found.layout.flow_lpm[:2], [0.75, 2.0])
    np.testing.assert_allclose(found.layout.radius_m[:2], [5.0 / 4.0**0.25, 5.5])
    np.testing.assert_array_equal(found.layout.trajectory_deg[:2], [np.nan, 20.0])


def test_set_in_one_zone_leaves_the_others(tmp_path: Path) -> None:
    heads = build.heads(zone=["A", "A", "B", "b"])
    _, found, problems = under(tmp_path, "from_nozzle,to_nozzle,zone\nQ,R,B\n", heads=heads)
    assert problems == ProblemList()
    assert found is not None
    assert found.layout.nozzle.tolist() == ["Q", "Q", "R", "Q"]


def test_set_rows_act_on_the_layout_as_it_stands_and_never_on_one_another(tmp_path: Path) -> None:
    heads = build.heads(nozzle=["Q", "Q", "R", "R"])
    _, found, _ = under(tmp_path, "from_nozzle,to_nozzle\nQ,R\nR,Q\n", heads=heads)
    assert found is not None
    assert found.layout.nozzle.tolist() == ["R", "R", "Q", "Q"]


def test_set_with_a_pressure_gives_the_nozzles_that_are_there_at_that_pressure(
    tmp_path: Path,
) -> None:
    text = "from_nozzle,to_nozzle,pressure_kpa\nQ,R,800\n"
    _, found, problems = under(tmp_path, text)
    assert problems == ProblemList()
    assert found is not None
    assert found.at_new_pressure is not None
    # 800 kPa is four times what Q was tested at: twice the flow
    np.testing.assert_allclose(found.at_new_pressure.flow_lpm, 6.0)
    assert found.at_new_pressure.nozzle.tolist() == ["Q"] * 4
    np.testing.assert_allclose(found.layout.flow_lpm, 1.5 * np.sqrt(800.0 / 300.0))


def test_set_of_pressure_alone_keeps_the_nozzles(tmp_path: Path) -> None:
    _, found, problems = under(tmp_path, "from_nozzle,to_nozzle,pressure_kpa\nQ,,50\n")
    assert problems == ProblemList()
    assert found is not None
    assert found.layout.nozzle.tolist() == ["Q"] * 4
    np.testing.assert_allclose(found.layout.flow_lpm, 1.5)  # half of 3 L/min
    np.testing.assert_array_equal(found.layout.pressure_kpa, [50.0] * 4)


def test_set_of_pressure_on_a_head_without_nozzle_leaves_it_and_says_so(tmp_path: Path) -> None:
    heads = build.heads(nozzle=None, radius_m=[6.0] * 4, flow_lpm=[3.0] * 4)
    _, found, problems = under(tmp_path, "head_id,nozzle,pressure_kpa\nSW,,50\n", heads=heads)
    assert problems.problems == []
    assert found is not None
    assert "head_id 'SW' names no nozzle" in found.warnings[0]
    np.testing.assert_array_equal(found.layout.flow_lpm, [3.0] * 4)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("from_nozzle,to_nozzle\nQ,r\n", "unknown nozzle to put in 'r'; the nozzles table has 'M'"),
        ("from_nozzle,to_nozzle\nq,R\n", "unknown nozzle to replace 'q'"),
        ("from_nozzle,to_nozzle,zone\nQ,R,a\n", "unknown zone 'a'; the heads layer has 'A'."),
        ("head_id,nozzle\nSWW,R\n", "The nearest known is 'SW'."),
        ("from_nozzle,to_nozzle,zone\nQ,R,\nQ,M,A\n", "two rows or more speak of head_id 'SW'"),
    ],
)
def test_set_that_does_not_fit_the_layout_is_told_once(
    tmp_path: Path, text: str, said: str
) -> None:
    _, _, problems = under(tmp_path, text)
    message = build.only(problems.problems)
    assert said in message
    assert message.startswith("Nozzle set 'rotary'")


def test_set_that_changes_nothing_or_has_an_idle_row_is_a_warning(tmp_path: Path) -> None:
    _, found, problems = under(tmp_path, "from_nozzle,to_nozzle\nQ,Q\nR,Q\n")
    assert problems == ProblemList()
    assert found is not None
    idle, nothing = found.warnings
    assert "no head has nozzle 'R'; that row does nothing." in idle
    assert "changes nothing" in nothing


def test_warnings_of_a_set_bear_its_name_and_those_of_the_site_are_not_repeated(
    tmp_path: Path,
) -> None:
    heads = build.heads(nozzle=["M", "Q", "Q", "Q"])
    _, found, problems = under(tmp_path, "head_id,nozzle\nNE,M\nNW,M\n", heads=heads)
    assert "1 head with it state none" in build.only(problems.warnings)
    assert found is not None
    assert found.warnings == (
        "Nozzle set 'rotary': Nozzle 'M' was tested at 2 pressures and 3 heads with it state none; "
        "100 kPa is taken. State pressure_kpa to be sure.",
    )


def test_set_that_raises_a_pressure_is_a_warning(tmp_path: Path) -> None:
    # 40 psi are 275.8 kPa: above the 200 kPa of two heads, below the 300 of one; one states none
    heads = build.heads(pressure_kpa=[200.0, 200.0, 300.0, np.nan])
    _, found, problems = under(
        tmp_path, "from_nozzle,to_nozzle,pressure_psi\nQ,R,40\n", heads=heads
    )
    assert problems == ProblemList()
    assert found is not None
    assert found.warnings == (
        "Nozzle set 'rotary': 2 heads are set to a pressure above what they have now; a regulator "
        "only lowers it.",
    )


def test_faults_of_the_site_and_of_its_sets_come_out_together(tmp_path: Path) -> None:
    heads = build.heads(arc_deg=[90.0, 90.0, 90.0, 400.0])
    _, _, problems = under(tmp_path, "from_nozzle,to_nozzle\nQ,Z\n", heads=heads)
    assert len(problems.problems) == 2
    assert "arc_deg must be at most 360" in problems.problems[0]
    assert "unknown nozzle to put in 'Z'" in problems.problems[1]
