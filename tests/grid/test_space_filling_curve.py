"""The Hilbert order keeps neighbours together."""

from __future__ import annotations

import numpy as np

from geoirrig.grid.space_filling_curve import ORDER, hilbert_distance


def test_hilbert_distance_whole_lattice_steps_go_to_a_neighbour() -> None:
    n = 32
    x, y = (v.ravel().astype(float) for v in np.meshgrid(np.arange(n), np.arange(n)))
    # one point in each cell of a coarser division of the same box
    distance = hilbert_distance(x * (n - 1e-9) / (n - 1), y * (n - 1e-9) / (n - 1))
    coarse = distance >> (2 * (ORDER - 5))
    assert sorted(coarse.tolist()) == list(range(n * n))
    order = np.argsort(coarse)
    step = np.abs(np.diff(x[order])) + np.abs(np.diff(y[order]))
    assert (step == 1.0).all()


def test_hilbert_distance_one_point_and_none() -> None:
    assert hilbert_distance(np.array([5.0]), np.array([7.0])).tolist() == [0]
    assert len(hilbert_distance(np.empty(0), np.empty(0))) == 0
