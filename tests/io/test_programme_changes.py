"""The nozzle set of a programme, from its file or its replacements; and the sample programme."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyogrio
import pytest

from geoirrig.errors import ProblemList
from geoirrig.expressions.evaluation import value_kind
from geoirrig.io.programme_changes import programme_nozzle_set
from geoirrig.io.read_nozzles import Nozzle
from geoirrig.io.read_programme import read_programme
from geoirrig.records import NozzleSet
from tests.io.programme_text import GOOD, good, programme

SAMPLES = Path(__file__).parents[2] / "sample_gis"


def nozzle(name: str, device: str) -> Nozzle:
    one, nan = np.array([1.0]), np.nan
    return Nozzle(
        name=name, device=device, profile="", arc_deg=one * 360, pressure_kpa=one * 200,
        flow_lpm=one, radius_m=one, radius_min_m=nan, pressure_min_kpa=nan, pressure_max_kpa=nan,
        rotation_s=nan, trajectory_deg=nan, unit_cost=nan,
    )  # fmt: skip


NOZZLES = {
    name: nozzle(name, device)
    for name, device in (
        ("FS-1", "fixed_spray"), ("FS-2", "fixed_spray"), ("FS-3", "fixed_spray"),
        ("RN-1", "rotary_nozzle"), ("RT-1", "rotor"),
    )
}  # fmt: skip


def nozzle_set(folder: Path, lines: str, in_use: set[str]) -> tuple[NozzleSet, list[str]]:
    text = GOOD.replace('nozzle_set = "slower.csv"\n', "") + lines
    found, problems = programme(folder, text)
    assert problems.problems == []
    assert found is not None
    made = programme_nozzle_set(found, folder / "house.toml", NOZZLES, in_use, problems)
    assert made is not None
    return made, problems.problems


def rows(made: NozzleSet) -> list[tuple[str, str, float]]:
    return list(
        zip(
            made.from_nozzle.tolist(), made.to_nozzle.tolist(), made.pressure_kpa.tolist(),
            strict=True,
        )
    )  # fmt: skip


SPRAYS = '[[replacement]]\nfrom_device = "fixed_spray"\nto_nozzle = "RN-1"\npressure_kpa = 280\n'


def test_device_speaks_of_the_nozzles_in_use(tmp_path: Path) -> None:
    made, problems = nozzle_set(tmp_path, SPRAYS, {"FS-2", "FS-1", "RT-1", ""})
    assert problems == []
    assert made.name == "house"
    assert rows(made) == [("FS-1", "RN-1", 280.0), ("FS-2", "RN-1", 280.0)]
    assert set(made.head_id.tolist()) == set(made.zone.tolist()) == {""}


def test_a_named_nozzle_goes_before_its_device(tmp_path: Path) -> None:
    lines = SPRAYS + '[[replacement]]\nfrom_nozzle = "FS-2"\npressure_kpa = 200\n'
    made, _ = nozzle_set(tmp_path, lines, {"FS-1", "FS-2"})
    assert sorted(rows(made)) == [("FS-1", "RN-1", 280.0), ("FS-2", "", 200.0)]


def test_a_nozzle_is_not_replaced_by_itself(tmp_path: Path) -> None:
    lines = '[[replacement]]\nfrom_device = "fixed_spray"\nto_nozzle = "FS-2"\n'
    made, _ = nozzle_set(tmp_path, lines, {"FS-1", "FS-2"})
    assert [row[:2] for row in rows(made)] == [("FS-1", "FS-2")]


def test_unknown_nozzle_is_told_with_the_nearest(tmp_path: Path) -> None:
    _, problems = nozzle_set(
        tmp_path, '[[replacement]]\nfrom_nozzle = "FS-1"\nto_nozzle = "RN1"\n', {"FS-1"}
    )
    assert problems == [
        "Programme file 'house.toml', replacement: unknown nozzle 'RN1'; the nozzles table has "
        "'FS-1', 'FS-2', 'FS-3', 'RN-1' and 'RT-1'. The nearest known is 'RN-1'. Correct the name."
    ]


def test_known_nozzles_are_listed_once(tmp_path: Path) -> None:
    lines = "".join(
        f'[[replacement]]\nfrom_nozzle = "FS-{number}"\nto_nozzle = "{name}"\n'
        for number, name in ((1, "RN1"), (2, "RN1"), (3, "RT1"))
    )
    _, (first, second) = nozzle_set(tmp_path, lines, {"FS-1"})
    assert "the nozzles table has 'FS-1'" in first
    assert second == (
        "Programme file 'house.toml', replacement: unknown nozzle 'RT1'; the known ones stand "
        "above. The nearest known is 'RT-1'. Correct the name."
    )


def test_nothing_in_use_of_that_device(tmp_path: Path) -> None:
    made, problems = nozzle_set(tmp_path, SPRAYS, {"RT-1"})
    assert (rows(made), problems) == ([], [])


def test_file_is_found_beside_the_programme(tmp_path: Path) -> None:
    (tmp_path / "slower.csv").write_text("from_nozzle,to_nozzle\nFS-1,RN-1\n")
    problems = ProblemList()
    made = programme_nozzle_set(
        good(tmp_path), tmp_path / "house.toml", NOZZLES, {"FS-1"}, problems
    )
    assert made is not None
    assert [row[:2] for row in rows(made)] == [("FS-1", "RN-1")]
    assert problems.problems == []


def test_missing_file_is_told(tmp_path: Path) -> None:
    problems = ProblemList()
    programme_nozzle_set(good(tmp_path), tmp_path / "house.toml", NOZZLES, set(), problems)
    assert "slower.csv" in problems.problems[0]


@pytest.mark.parametrize("name", ["hill_quarter"])
def test_sample_programme_fits_its_site(name: str) -> None:
    parcels = pyogrio.read_dataframe(
        SAMPLES / f"{name}_site.gpkg", layer="parcels", read_geometry=False
    )
    kinds = {column: value_kind(parcels[column].to_numpy()) for column in parcels}
    problems = ProblemList()
    path = SAMPLES / f"{name}_programme.toml"
    found = read_programme(path, problems, parcel_columns=kinds)
    assert problems == ProblemList()
    assert found is not None
    made = programme_nozzle_set(found, path, {}, set(), problems)
    assert made is not None
    assert problems == ProblemList()
