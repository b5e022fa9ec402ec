"""The roles file of a plan: what it says, and every fault told where it stands."""

from __future__ import annotations

from pathlib import Path

import pytest

from geoirrig.errors import ProblemList
from geoirrig.io.plan_roles import ColumnSource, PlanRoles, fits_any, read_plan_roles
from tests.io.plan_builder import HEAD_ROLE, TURF_ROLE


def read(folder: Path, text: str) -> tuple[PlanRoles | None, str]:
    path = folder / "court_roles.toml"
    path.write_text(text, encoding="utf-8")
    problems = ProblemList()
    return read_plan_roles(path, problems), "\n".join(problems.problems)


def test_roles_are_read_with_their_defaults(tmp_path: Path) -> None:
    roles, said = read(tmp_path, HEAD_ROLE + TURF_ROLE)
    assert said == ""
    assert roles is not None
    assert (roles.transform, roles.flatten_tolerance_m, roles.closing_gap_m) == (
        "similarity",
        0.005,
        0.05,
    )
    heads, turf = roles.roles
    assert (heads.layer, heads.blocks, heads.rotation) == ("heads", ("HEAD",), "first_edge")
    assert heads.zero_bearing_deg == 90.0
    assert turf.inner_lines == "separate"
    assert ColumnSource(column="slope_pct", kind="constant", text="2") in turf.columns


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("# nothing", "names nothing to read"),
        ("closing_gap = 1\n" + TURF_ROLE, "unknown key 'closing_gap'. The nearest known is "),
        ("flatten_tolerance_m = 0\n" + TURF_ROLE, "must be a number from 0.0001 to 1; got 0"),
        ('transform = "afine"\n' + TURF_ROLE, "nearest known is 'affine'"),
        (TURF_ROLE.replace("layers", "layer"), "turf number 1: unknown key 'layer'"),
        (TURF_ROLE.replace('layers = ["TURF"]', ""), "neither layers nor blocks is given"),
        (TURF_ROLE.replace('"TURF"', "7"), "layers must be a list of names; got [7]"),
        (TURF_ROLE.replace("constant.soil_texture", "constant.soil"), "'soil_texture', which turf"),
        (HEAD_ROLE.replace("radius_m", "radius"), "Write 'radius_m' or 'radius_ft'"),
        (HEAD_ROLE.replace("constant.flow_lpm = 4", ""), "need a source for 'nozzle', or for a"),
        (HEAD_ROLE + "numbered.head_id = 'H'", "column 'head_id' has two sources"),
        (HEAD_ROLE + "constant.start_bearing_deg = 3", "comes from rotation and from a source"),
        (HEAD_ROLE.replace("first_edge", "edge"), "rotation must be one of 'first_edge'"),
        (HEAD_ROLE.replace("rotation =", "zero_bearing_deg = 0 #"), "needs rotation"),
        (HEAD_ROLE.replace('constant.zone = "Z1"', 'from_layer.zone = "VALVE"'), "must have one *"),
        (HEAD_ROLE + 'inner_lines = "holes"', "unknown key 'inner_lines'"),
        (TURF_ROLE + TURF_ROLE, "their ids would be the same"),
        ("[turf]\nlayers = ['A']", "turf must be a list of tables. Write [[turf]]"),
        ("[[turf]\n", "is not valid TOML"),
    ],
)
def test_every_fault_is_told(tmp_path: Path, text: str, expected: str) -> None:
    roles, said = read(tmp_path, text)
    assert roles is None
    assert expected in said
    assert said.startswith("Roles file 'court_roles.toml'")


def test_faults_come_all_at_once(tmp_path: Path) -> None:
    _, said = read(tmp_path, "gap = 1\n[[heads]]\n[[turf]]\nlayers = 3\n")
    assert len(said.splitlines()) >= 6


def test_names_fit_with_stars_and_whatever_capitals() -> None:
    assert fits_any("irr-head-2", ("IRR-HEAD-*",))
    assert not fits_any("XIRR-HEAD-2", ("IRR-HEAD-*",))
    assert fits_any("A[1]", ("a[1]",))
    assert not fits_any("A1", ("a[1]",))


def test_part_of_a_name_at_the_star() -> None:
    source = ColumnSource(column="zone", kind="from_layer", text="IRR-*-HEADS")
    assert source.part_of("irr-7b-heads") == "7b"
    assert source.part_of("IRR-HEADS") is None
