"""Drawn soils: their classes, their spread, and that lawns go their own ways."""

import numpy as np
import pytest
from scipy.special import ndtr

from geoirrig.physics.soil_realisations import soil_realisations


def drawn(n_lawns=3, n=200, seed=1, **spreads):
    return soil_realisations(
        n_lawns, n, **({"intake_log_sd": 0.9, "storage_log_sd": 0.3} | spreads), seed=seed
    )


def test_soil_realisations_take_one_value_from_each_likely_class():
    soils = drawn()
    ranks = (
        ndtr(np.log(soils.intake_factor) / 0.9),
        ndtr(np.log(soils.storage_factor) / 0.3),
        soils.deficit_rank,
    )
    for rank in ranks:
        classes = np.sort(np.floor(200.0 * rank).astype(int), axis=1)
        assert np.array_equal(classes, np.broadcast_to(np.arange(200), (3, 200)))


def test_soil_realisations_have_the_asked_median_and_spread():
    logarithm = np.log(drawn(n=1000).intake_factor)
    assert np.median(logarithm) == pytest.approx(0.0, abs=0.01)
    assert np.std(logarithm) == pytest.approx(0.9, rel=0.01)


def test_soil_realisations_of_two_lawns_and_two_quantities_are_unrelated():
    soils = drawn(n=2000)
    pairs = (
        (soils.intake_factor[0], soils.intake_factor[1]),
        (soils.intake_factor[0], soils.storage_factor[0]),
        (soils.intake_factor[0], soils.deficit_rank[0]),
    )
    for one, other in pairs:  # the standard error of a correlation of nothing is 1/√2000 = 0.022
        assert (
            abs(np.corrcoef(np.argsort(np.argsort(one)), np.argsort(np.argsort(other)))[0, 1])
            < 0.08
        )


def test_soil_realisations_same_seed_same_bytes_other_seed_other_soils():
    assert drawn().intake_factor.tobytes() == drawn().intake_factor.tobytes()
    assert not np.array_equal(drawn().intake_factor, drawn(seed=2).intake_factor)


def test_soil_realisations_without_spread_are_the_tabulated_soil():
    soils = drawn(intake_log_sd=0.0, storage_log_sd=0.0)
    assert np.all(soils.intake_factor == 1.0)
    assert np.all(soils.storage_factor == 1.0)
