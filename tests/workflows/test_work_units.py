"""How a city is cut into units."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geoirrig.workflows import work_units
from geoirrig.workflows.load_city import LoadedCity
from geoirrig.workflows.work_units import UnitSource, pack_units, unit_task
from tests.workflows.small_city import loaded, write_small_city


@pytest.fixture(scope="module")
def city(tmp_path_factory: pytest.TempPathFactory) -> LoadedCity:
    return loaded(write_small_city(tmp_path_factory.mktemp("city"), 80, seed=2))


@pytest.mark.parametrize("most_cells", [1, 50_000, 200_000, 10**9])
def test_pack_units_every_parcel_once_in_windows_of_bounded_size(
    city: LoadedCity, most_cells: int
) -> None:
    units = pack_units(city.inputs, cell_size_m=0.25, most_cells=most_cells)
    parcels = np.concatenate([unit.parcel for unit in units])
    expected = np.intersect1d(city.inputs.turf.parcel, city.inputs.zones.parcel)
    assert sorted(parcels.tolist()) == expected.tolist()
    for unit in units:
        rows, cols = unit.grid.shape
        # the edges of the grid lie on whole cells, a row and a column beyond at most
        assert len(unit.parcel) == 1 or (rows - 1) * (cols - 1) <= most_cells
        west, south, east, north = unit.grid.bounds_m
        box = city.inputs.turf.box_m[np.isin(city.inputs.turf.parcel, unit.parcel)]
        assert west <= box[:, 0].min()
        assert south <= box[:, 1].min()
        assert east >= box[:, 2].max()
        assert north >= box[:, 3].max()
    assert [unit.number for unit in units] == list(range(len(units)))


def test_unit_task_holds_the_turf_zones_and_heads_of_its_parcels(city: LoadedCity) -> None:
    inputs = city.inputs
    unit = pack_units(inputs, cell_size_m=0.25, most_cells=10**6)[0]
    task = unit_task(
        UnitSource(
            turf=inputs.turf,
            zones=inputs.zones,
            heads=inputs.heads,
            net_need_mm_year=city.net_need_mm_year,
            settings=city.settings,
            ground=None,
        ),
        unit,
    )
    assert len(task.turf_wkb) == np.isin(inputs.turf.parcel, unit.parcel).sum()
    of_head = inputs.zones.parcel[inputs.heads.zone]
    assert len(task.x_m) == np.isin(of_head, unit.parcel).sum()
    parcel_of_task_head = task.zone_parcel[task.head_zone]
    # the heads of a parcel are those of the city's parcel, in their order
    for parcel in unit.parcel.tolist():
        np.testing.assert_array_equal(
            task.x_m[parcel_of_task_head == parcel], inputs.heads.x_m[of_head == parcel]
        )


def test_pack_units_no_parcels_no_units(tmp_path: Path, city: LoadedCity) -> None:
    import dataclasses

    empty = dataclasses.replace(
        city.inputs,
        zones=dataclasses.replace(city.inputs.zones, parcel=np.empty(0, dtype=np.int32)),
    )
    assert pack_units(empty, cell_size_m=0.25, most_cells=10**6) == ()


def test_pack_units_more_boxes_than_are_looked_at_together(
    city: LoadedCity, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = pack_units(city.inputs, cell_size_m=0.25, most_cells=200_000)
    assert max(len(unit.parcel) for unit in expected) > 3
    monkeypatch.setattr(work_units, "_LOOKED_AT", 2)
    found = pack_units(city.inputs, cell_size_m=0.25, most_cells=200_000)
    assert [u.parcel.tolist() for u in found] == [u.parcel.tolist() for u in expected]
    assert [u.grid for u in found] == [u.grid for u in expected]
