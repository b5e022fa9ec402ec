"""Whose turf, whose heads, which parcels overlap: by hand, on a street of three lots."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
import shapely.affinity

from geoirrig.city_records import CityInputs, HeadState
from geoirrig.errors import ProblemList
from geoirrig.io import parcel_faults
from geoirrig.io.read_city import open_city, read_city
from geoirrig.io.read_site import SiteSources
from geoirrig.physics.nozzle_hydraulics import throw_of_heads
from geoirrig.records import NozzleSet

CRS = "EPSG:32611"
X0, Y0 = 500_000.0, 4_000_000.0


def lot(number: int) -> shapely.Polygon:
    """Lots of 20 m by 30 m along a street."""
    return shapely.box(X0 + 20.0 * number, Y0, X0 + 20.0 * number + 20.0, Y0 + 30.0)


def lawn(number: float) -> shapely.Polygon:
    left = X0 + 20.0 * number + 2.0
    return shapely.box(left, Y0 + 2.0, left + 10.0, Y0 + 12.0)


def city(**changed: Any) -> dict[str, Any]:
    """Three lots, each with a lawn, and one head on each lawn."""
    ids = ["P1", "P2", "P3"]
    layers: dict[str, Any] = {
        "parcels": gpd.GeoDataFrame(
            {"parcel_id": ids, "use": ["home", "home", "park"]},
            geometry=[lot(k) for k in range(3)],
            crs=CRS,
        ),
        "turf": gpd.GeoDataFrame(
            {
                "turf_id": ["T1", "T2", "T3"],
                "parcel_id": ids,
                "soil_texture": ["loam", "clay_loam", "loam"],
                "slope_pct": [2.0, 3.0, 4.0],
            },
            geometry=[lawn(k) for k in range(3)],
            crs=CRS,
        ),
        "heads": gpd.GeoDataFrame(
            {"head_id": ["H1", "H2", "H3"], "zone": ["1", "1", "1"], "nozzle": ["S", "S", "R"]},
            geometry=[shapely.Point(X0 + 20.0 * k + 7.0, Y0 + 7.0) for k in range(3)],
            crs=CRS,
        ),
        "nozzles": pd.DataFrame(
            {
                "nozzle": ["S", "R"],
                "device": ["fixed_spray", "rotary_nozzle"],
                "flow_lpm": [14.0, 6.0],
                "radius_m": [4.0, 5.0],
                "pressure_kpa": [200.0, 300.0],
                "unit_cost": [2.0, 7.0],
            }
        ),
    }
    return layers | changed


def read(folder: Path, layers: dict[str, Any], **options: Any) -> tuple[CityInputs, ProblemList]:
    path, problems = folder / "city.gpkg", ProblemList()
    for name, table in layers.items():
        pyogrio.write_dataframe(table, path, layer=name, driver="GPKG", append=path.exists())
    options = {"nozzle_set": None, "has_terrain": False, **options}
    placed = read_city(open_city(SiteSources(site=path), problems), problems, **options)
    assert placed is not None, problems.problems
    return placed.inputs, problems


def rotary_for_spray() -> NozzleSet:
    """Every S becomes an R."""
    words = np.array([""], dtype=object)
    return NozzleSet(
        name="set",
        head_id=words,
        from_nozzle=np.array(["S"], dtype=object),
        zone=words,
        to_nozzle=np.array(["R"], dtype=object),
        pressure_kpa=np.array([np.nan]),
    )


def throw(found: CityInputs, state: HeadState) -> tuple[list[float], list[float]]:
    """Flow and radius of the heads in a state."""
    heads, stated = found.heads, (state.flow_lpm, state.radius_m)
    flow, radius = throw_of_heads(
        state.nozzle, heads.nozzles.tests, state.pressure_kpa, heads.arc_deg, stated
    )
    return flow.tolist(), radius.tolist()


def reasons(found: CityInputs) -> dict[str, str]:
    told: dict[str, str] = {}
    for parcel, reason in found.failures:
        parcel_id = str(found.parcels.parcel_id[parcel])
        told[parcel_id] = f"{told.get(parcel_id, '')} {reason}".strip()
    return told


def test_read_city_zones_of_one_name_are_zones_of_their_parcels(tmp_path: Path) -> None:
    found, problems = read(tmp_path, city())
    assert found.zones.parcel.tolist() == [0, 1, 2]
    assert found.heads.zone.tolist() == [0, 1, 2]
    assert [found.zones.names[n] for n in found.zones.name] == ["1", "1", "1"]
    assert throw(found, found.heads.existing)[0] == [14.0, 14.0, 6.0]
    assert found.parcels.attributes["use"].tolist() == ["home", "home", "park"]
    assert not found.failures
    assert not problems.problems


def test_read_city_nozzle_set_changes_flow_and_radius(tmp_path: Path) -> None:
    found, _ = read(tmp_path, city(), nozzle_set=rotary_for_spray())
    assert found.heads.is_replaced.tolist() == [True, True, False]
    assert not found.heads.is_regulated.any()
    assert throw(found, found.heads.existing) == ([14.0, 14.0, 6.0], [4.0, 4.0, 5.0])
    assert throw(found, found.heads.retrofit) == ([6.0, 6.0, 6.0], [5.0, 5.0, 5.0])


def test_read_city_head_beside_its_parcel_and_head_of_nobody(tmp_path: Path) -> None:
    layers = city()
    layers["heads"].geometry = [
        shapely.Point(X0 + 7.0, Y0 - 0.4),  # on the walk, 0.4 m off
        shapely.Point(X0 + 20.0, Y0 + 7.0),  # on the line between two lots: one of them has it
        shapely.Point(X0 + 47.0, Y0 - 0.6),  # too far
    ]
    found, problems = read(tmp_path, layers)
    assert found.zones.parcel.tolist()[0] == 0
    assert len(found.heads.zone) == 2
    assert found.left_out.item_id == ("H3",)
    assert any(
        "heads: 1 belongs to no parcel and is left out" in warning for warning in problems.warnings
    )


def test_read_city_heads_of_nobody_are_counted_beyond_those_that_are_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("geoirrig.io.city_heads._MOST_NAMED", 1)
    layers = city()
    layers["heads"].geometry = [
        shapely.Point(X0 + 7.0, Y0 + 5.0),
        *(shapely.Point(X0 - far, Y0 - far) for far in (50.0, 60.0)),
    ]
    found, problems = read(tmp_path, layers)
    assert found.left_out.item_id == ("H2", "1 more head")
    assert found.left_out.count == (1, 1)
    (told,) = [warning for warning in problems.warnings if "left out" in warning]
    assert told.startswith("heads: 2 belong to no parcel and are left out: ")


def test_read_city_turf_by_place_in_two_and_in_none(tmp_path: Path) -> None:
    layers = city()
    layers["turf"] = layers["turf"].drop(columns="parcel_id")
    layers["turf"].geometry = [lawn(0.5), lawn(2), shapely.box(X0, Y0 - 9.0, X0 + 5.0, Y0 - 4.0)]
    found, _ = read(tmp_path, layers)
    # lawn(0.5) is 10 m wide from x = 12: 8 m of it in the first lot, 2 m in the second
    assert "'P1' (80.0 m²) and 'P2' (20.0 m²)" in reasons(found)["P1"]
    assert set(reasons(found)) == {"P1", "P2"}
    assert found.turf.parcel.tolist() == [2]
    assert found.left_out.layer == ("turf",)


def test_read_city_turf_that_states_another_parcel_than_it_lies_in(tmp_path: Path) -> None:
    layers = city()
    layers["turf"]["parcel_id"] = ["P1", "P3", "P9"]
    found, _ = read(tmp_path, layers)
    assert "states this parcel but lies in 'P2'" in reasons(found)["P3"]
    assert set(reasons(found)) == {"P3"}
    assert "states parcel_id 'P9'" in found.left_out.reason[0]


def test_read_city_turf_on_the_kerb_strip_belongs_to_the_parcel_it_names(tmp_path: Path) -> None:
    layers = city()
    strip = shapely.box(X0 + 1.0, Y0 - 3.0, X0 + 9.0, Y0 - 1.0)
    layers["turf"].geometry = [strip, lawn(1), lawn(2)]
    found, problems = read(tmp_path, layers)
    assert found.turf.parcel.tolist() == [0, 1, 2]
    assert not found.failures
    assert problems.warnings == [
        "turf: turf_id 'T1': in no parcel, but at most 10 m from the one that parcel_id states, "
        "and counted there, as a kerb strip is."
    ]


def test_read_city_turf_far_from_the_parcel_it_names_fails_it(tmp_path: Path) -> None:
    layers = city()
    # the first lot begins at Y0: its lawn ends 10.5 m south of it
    far = shapely.box(X0 + 1.0, Y0 - 12.0, X0 + 9.0, Y0 - 10.5)
    layers["turf"].geometry = [far, lawn(1), lawn(2)]
    found, problems = read(tmp_path, layers)
    assert reasons(found) == {
        "P1": "Turf that states this parcel but lies in no parcel, as far as 10.5 m from this one: "
        "turf_id 'T1'. Correct its place or its parcel_id."
    }
    assert found.turf.parcel.tolist() == [1, 2]
    assert not problems.warnings


def crowded(**columns: Any) -> dict[str, Any]:
    """A city whose first lot has five lawns and 30 heads, with columns of turf or heads changed."""
    layers = city()
    layers["heads"] = gpd.GeoDataFrame(
        {"head_id": [f"H{k}" for k in range(30)], "zone": ["1"] * 30, "nozzle": ["S"] * 30},
        geometry=[shapely.Point(X0 + 3.0 + 0.3 * k, Y0 + 7.0) for k in range(30)],
        crs=CRS,
    )
    layers["turf"] = gpd.GeoDataFrame(
        {
            "turf_id": [f"T{k}" for k in range(5)],
            "parcel_id": ["P1"] * 5,
            "soil_texture": ["loam"] * 5,
            "slope_pct": [2.0] * 5,
        },
        geometry=[shapely.box(X0 + k, Y0 + 2.0, X0 + k + 0.9, Y0 + 12.0) for k in range(5)],
        crs=CRS,
    )
    for name, values in columns.items():
        layer = "heads" if name in ("head_id", "nozzle") else "turf"
        layers[layer][name] = values
    return layers


@pytest.mark.parametrize(
    ("column", "value", "parcel", "told"),
    [
        ("head_id", ["A"] * 10 + ["B"] * 10 + ["C"] * 5 + ["D"] * 5, "P1",
         "head_id must be unique; met more than once: 'A', 'B', 'C' and 'D'."),
        ("head_id", None, "P1", "head_id is empty for feature 1, 2, 3 and 27 more."),
        ("turf_id", None, "P1", "turf_id is empty for feature 1, 2, 3 and 2 more."),
        ("slope_pct", np.nan, "P1",
         "the slope of turf_id 'T0', 'T1', 'T2' and 2 more is not known:"),
        # five lawns of 0.9 m by 10 m
        ("parcel_id", "P2", "P2", "lies in 'P1' (45.0 m²): turf_id 'T0', 'T1', 'T2' and 2 more."),
    ],
)  # fmt: skip
def test_read_city_like_faults_of_a_parcel_are_one_sentence(
    tmp_path: Path, column: str, value: Any, parcel: str, told: str
) -> None:
    found, _ = read(tmp_path, crowded(**{column: value}))
    ((failed, reason),) = found.failures
    assert found.parcels.parcel_id[failed] == parcel
    assert told in reason


def test_read_city_heads_without_nozzle_are_two_sentences(tmp_path: Path) -> None:
    found, _ = read(tmp_path, crowded(nozzle=None))
    assert [reason.partition(": ")[2].partition(". ")[0] for _, reason in found.failures] == [
        f"no nozzle and no {lacks} for head_id 'H0', 'H1', 'H2' and 27 more"
        for lacks in ("radius", "flow")
    ]


@pytest.mark.parametrize(("shift_m", "fails"), [(0.1, False), (0.5, True)])
def test_read_city_overlap_of_more_than_a_hundredth_fails_both(
    tmp_path: Path, shift_m: float, fails: bool
) -> None:
    """A lot 20 m wide whose line is 0.1 m off shares 0.5 % with its neighbour; 0.5 m off, 2.5 %."""
    layers = city()
    layers["parcels"].geometry = [
        shapely.affinity.translate(lot(0), shift_m, 0.0),
        lot(1),
        lot(2),
    ]
    found, _ = read(tmp_path, layers)
    assert set(reasons(found)) == ({"P1", "P2"} if fails else set())
    if fails:
        assert "overlaps parcel 'P2' by 15.0 m² (2 % of the smaller one)" in reasons(found)["P1"]


@pytest.mark.parametrize(
    ("layer", "column", "values", "expected"),
    [
        ("heads", "nozzle", ["S", "Q", "R"], "unknown nozzle"),
        ("heads", "arc_deg", [360.0, 720.0, 90.0], "arc_deg must be at most 360"),
        ("heads", "arc_deg", [360.0, 90.0, 360.0], "start_bearing_deg is needed"),
        ("heads", "zone", ["1", None, "1"], "zone is empty"),
        ("heads", "head_id", ["H1", None, "H3"], "head_id is empty for feature 2"),
        ("turf", "soil_texture", ["loam", "mud", "loam"], "soil_texture must be one of"),
        ("turf", "slope_pct", [1.0, -3.0, 1.0], "slope_pct must be at least 0"),
        ("turf", "slope_pct", [1.0, np.nan, 1.0], "the slope of turf_id 'T2' is not known"),
        ("turf", "compaction", ["none", "hard", "none"], "compaction must be one of"),
    ],
)
def test_read_city_fault_of_one_parcel_fails_it_alone(
    tmp_path: Path, layer: str, column: str, values: list[Any], expected: str
) -> None:
    layers = city()
    if column == "arc_deg":
        layers[layer]["start_bearing_deg"] = [np.nan, np.nan, 10.0]
    layers[layer][column] = values
    found, problems = read(tmp_path, layers)
    assert set(reasons(found)) == {"P2"}
    assert expected in reasons(found)["P2"]
    assert found.turf.parcel.tolist() == [0, 2]
    assert found.zones.parcel.tolist() == [0, 2]
    assert not problems.problems


def test_read_city_same_parcel_id_twice_fails_both(tmp_path: Path) -> None:
    layers = city()
    layers["parcels"]["parcel_id"] = ["P1", "P1", "P3"]
    found, _ = read(tmp_path, layers)
    assert [parcel for parcel, _ in found.failures][:2] == [0, 1]
    assert found.zones.parcel.tolist() == [2]


def test_read_city_broken_outline_fails_its_parcel(tmp_path: Path) -> None:
    layers = city()
    bow = shapely.Polygon([(X0, Y0), (X0 + 20, Y0 + 30), (X0 + 20, Y0), (X0, Y0 + 30)])
    layers["parcels"].geometry = [bow, lot(1), lot(2)]
    found, _ = read(tmp_path, layers)
    assert "crosses itself" in reasons(found)["P1"]


def test_read_city_many_faults_are_told_shorter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parcel_faults, "MOST_EXPLAINED", 1)
    layers = city()
    layers["turf"]["soil_texture"] = ["mud", "mud", "loam"]
    found, _ = read(tmp_path, layers)
    assert "soil_texture must be one of" in reasons(found)["P1"]
    assert "turf_id 'T2' cannot be used" in reasons(found)["P2"]


def test_read_city_in_feet_is_the_same_city(tmp_path: Path) -> None:
    feet = "EPSG:2229"  # California zone 5, US survey foot
    layers = {
        name: table.to_crs(feet) if isinstance(table, gpd.GeoDataFrame) else table
        for name, table in city().items()
    }
    (tmp_path / "feet").mkdir()
    in_feet, _ = read(tmp_path / "feet", layers)
    assert in_feet.plane.metres_per_unit == pytest.approx(1200.0 / 3937.0)
    assert in_feet.turf.area_m2 == pytest.approx(100.0, rel=2e-3)
    assert in_feet.zones.parcel.tolist() == [0, 1, 2]


def test_read_city_what_a_head_states_is_lost_with_its_nozzle(tmp_path: Path) -> None:
    layers = city()
    layers["heads"]["flow_lpm"], layers["heads"]["radius_m"] = [20.0, 21.0, 7.0], [3.0, 3.5, 4.5]
    found, _ = read(tmp_path, layers, nozzle_set=rotary_for_spray())
    assert throw(found, found.heads.existing) == ([20.0, 21.0, 7.0], [3.0, 3.5, 4.5])
    assert throw(found, found.heads.retrofit) == ([6.0, 6.0, 7.0], [5.0, 5.0, 4.5])


def test_read_city_order_of_heads_and_turf_changes_nothing(tmp_path: Path) -> None:
    layers = city()
    layers["heads"]["zone"] = ["b", "a", "a"]
    for folder in ("drawn", "mixed"):
        (tmp_path / folder).mkdir()
    drawn, _ = read(tmp_path / "drawn", layers)
    mixed = {
        role: table.iloc[[1, 2, 0]].reset_index(drop=True) if role in ("heads", "turf") else table
        for role, table in layers.items()
    }
    found, _ = read(tmp_path / "mixed", mixed)
    assert not found.failures
    assert not drawn.failures
    for name in ("x_m", "y_m", "zone", "arc_deg"):
        np.testing.assert_array_equal(getattr(found.heads, name), getattr(drawn.heads, name))
    for name in ("parcel", "area_m2", "slope_pct"):
        np.testing.assert_array_equal(getattr(found.turf, name), getattr(drawn.turf, name))
    assert found.turf.wkb.of_all().tolist() == drawn.turf.wkb.of_all().tolist()
    assert throw(found, found.heads.existing) == throw(drawn, drawn.heads.existing)
    names = [[one.zones.names[n] for n in one.zones.name] for one in (found, drawn)]
    assert names == [["b", "a", "a"]] * 2


def test_read_city_outline_that_was_repaired_is_handed_on_repaired(tmp_path: Path) -> None:
    layers = city()
    left, right = X0, X0 + 10.0
    halves = [shapely.box(left, Y0, right, Y0 + 30.0), shapely.box(right, Y0, right + 10, Y0 + 30)]
    torn = shapely.MultiPolygon(halves)  # parts that share an edge are no valid outline
    assert not torn.is_valid
    layers["parcels"].geometry = [torn, lot(1), lot(2)]
    found, _ = read(tmp_path, layers)
    outline = shapely.from_wkb(found.parcels.wkb.of_all()[0])
    assert outline.is_valid
    assert outline.equals(lot(0))


@pytest.mark.parametrize("role", ["parcels", "turf", "heads"])
def test_read_city_layer_with_nothing_in_it_is_told(tmp_path: Path, role: str) -> None:
    layers = city()
    layers[role] = layers[role].iloc[:0]
    path, problems = tmp_path / "city.gpkg", ProblemList()
    for name, table in layers.items():
        options = {"geometry_type": "Polygon"} if name in ("parcels", "turf") else {}
        pyogrio.write_dataframe(table, path, layer=name, append=path.exists(), **options)
    opened = open_city(SiteSources(site=path), problems)
    assert read_city(opened, problems, nozzle_set=None, has_terrain=False) is None
    assert any(f"holds nothing. Draw the {role} first." in told for told in problems.problems)


def test_read_city_turf_of_points_is_told_as_it_is(tmp_path: Path) -> None:
    layers = city()
    layers["turf"] = layers["turf"].set_geometry(layers["turf"].centroid)
    path, problems = tmp_path / "city.gpkg", ProblemList()
    for name, table in layers.items():
        pyogrio.write_dataframe(table, path, layer=name, append=path.exists())
    opened = open_city(SiteSources(site=path), problems)
    assert read_city(opened, problems, nozzle_set=None, has_terrain=False) is None
    assert problems.problems == [
        "Layer 'turf' of 'city.gpkg': the geometry must be Polygon or MultiPolygon; got 'Point' "
        "for turf_id 'T1', 'Point' for 'T2', 'Point' for 'T3'. Convert it."
    ]


def test_read_city_turf_with_a_corner_at_no_finite_place_fails_its_parcel(tmp_path: Path) -> None:
    layers = city()
    corners = shapely.get_coordinates(lawn(1))
    corners[2] = np.inf
    layers["turf"].loc[1, "geometry"] = shapely.set_coordinates(lawn(1), corners)
    found, _ = read(tmp_path, layers)
    assert set(reasons(found)) == {"P2"}
    np.testing.assert_allclose(found.turf.area_m2, 100.0)


def test_read_city_turf_of_a_parcel_that_is_not_drawn_is_no_kerb_strip(tmp_path: Path) -> None:
    layers = city()
    layers["parcels"].loc[0, "geometry"] = None
    found, problems = read(tmp_path, layers)
    assert set(reasons(found)) == {"P1"}
    assert not any("kerb" in warning for warning in problems.warnings)


def test_read_city_bad_plan_names_its_zones(tmp_path: Path) -> None:
    zones = pd.DataFrame({"zone": ["1"], "run_minutes": [-5.0]})
    found, _ = read(tmp_path, city(zones=zones))
    assert reasons(found)["P1"] == (
        "Layer 'zones' of 'city.gpkg': the plan of zone '1' is out of range or no number. Correct "
        "run_minutes, cycles or soak_minutes."
    )
