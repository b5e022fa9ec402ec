"""What a nozzle set makes of heads: by hand, and against arrays."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.io.head_change_kernels import Change, ChangedHeads, change_heads

NAN = math.nan


def changed(
    kind: list[int],
    new_nozzle: list[int],
    new_pressure: list[float],
    nozzle: list[int],
    pressure: list[float],
) -> ChangedHeads:
    n = len(kind)
    found = ChangedHeads(
        np.full(n, -9, np.int32), np.full(n, -9.0), np.zeros(n, bool), np.zeros(n, bool)
    )
    change_heads(
        np.array(kind, np.int32),
        Change(np.array(new_nozzle, np.int32), np.array(new_pressure)),
        np.array(nozzle, np.int32),
        np.array(pressure),
        found,
    )
    return found


def test_change_heads_hand_worked() -> None:
    """Kind 0 gets nozzle 7 at 200 kPa; kind 1 keeps nozzle 3 and its pressure."""
    found = changed(
        kind=[0, 0, 0, 1, 1, -1, -1],
        new_nozzle=[7, 3],
        new_pressure=[200.0, NAN],
        nozzle=[3, 7, 7, 3, 3, 3, 5],
        pressure=[200.0, 200.0, NAN, 300.0, NAN, NAN, 250.0],
    )
    assert found.nozzle.tolist() == [7, 7, 7, 3, 3, 3, 5]
    expected = [200.0, 200.0, 200.0, 300.0, NAN, NAN, 250.0]
    np.testing.assert_array_equal(found.pressure, expected)
    assert found.is_replaced.tolist() == [True, False, True, False, False, False, False]
    assert found.is_regulated.tolist() == [True, False, True, False, False, False, False]


kpa = st.sampled_from([NAN, 200.0, 300.0])


@given(
    st.lists(st.tuples(st.integers(0, 3), kpa), min_size=1, max_size=4),
    st.lists(st.tuples(st.integers(-1, 3), st.integers(0, 3), kpa), max_size=20),
)
def test_change_heads_as_arrays_tell(
    kinds: list[tuple[int, float]], heads: list[tuple[int, int, float]]
) -> None:
    new_nozzle, new_pressure = (list(column) for column in zip(*kinds, strict=True))
    heads = [(min(k, len(kinds) - 1), n, p) for k, n, p in heads]
    kind, nozzle, pressure = (list(c) for c in zip(*heads, strict=True)) if heads else ([], [], [])
    found = changed(kind, new_nozzle, new_pressure, nozzle, pressure)
    takes = np.array(kind, int) >= 0
    expected_nozzle = np.where(takes, np.array(new_nozzle)[kind], nozzle) if heads else []
    stated = np.where(takes, np.array(new_pressure)[kind], NAN) if heads else np.zeros(0)
    np.testing.assert_array_equal(found.nozzle, expected_nozzle)
    np.testing.assert_array_equal(found.pressure, np.where(np.isnan(stated), pressure, stated))
    differs = (found.nozzle != nozzle) | ~np.isclose(found.pressure, pressure, equal_nan=True)
    np.testing.assert_array_equal(found.is_replaced, differs)
    np.testing.assert_array_equal(found.is_regulated, differs & np.isfinite(stated))
