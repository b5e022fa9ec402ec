"""Counts of rows that stand together, by hand."""

from __future__ import annotations

import numpy as np

from geoirrig.workflows.parcel_measures import _has_several_devices, _stretches


def test_stretches_count_and_extremes_of_owners_with_and_without_rows() -> None:
    of_owner = _stretches(np.array([0, 0, 2, 3, 3, 3], dtype=np.int32), 5)
    assert of_owner.count().tolist() == [2, 0, 1, 3, 0]
    is_meant = np.array([True, False, False, True, True, False])
    assert of_owner.count(is_meant).tolist() == [1, 0, 0, 2, 0]
    low, high = of_owner.extremes(np.array([4.0, np.nan, np.nan, 3.0, 1.0, 2.0]))
    np.testing.assert_array_equal(low, [4.0, np.nan, np.nan, 1.0, np.nan])
    np.testing.assert_array_equal(high, [4.0, np.nan, np.nan, 3.0, np.nan])


def test_has_several_devices_what_is_not_known_is_no_device() -> None:
    of_zone = _stretches(np.array([0, 0, 1, 1, 1, 2, 2], dtype=np.int32), 4)
    device = np.array([-1, 1, 0, 2, -1, -1, -1], dtype=np.int8)
    assert _has_several_devices(of_zone, device).tolist() == [False, True, False, False]


def test_stretches_of_no_rows() -> None:
    of_owner = _stretches(np.empty(0, dtype=np.int32), 2)
    assert of_owner.count().tolist() == [0, 0]
    assert np.isnan(of_owner.extremes(np.empty(0))[0]).all()
