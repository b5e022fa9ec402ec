"""Spread of soils: its published figures, and the quadrature against drawing at random."""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtr
from scipy.stats import lognorm, truncnorm

from geoirrig.physics.green_ampt import event_runoff_green_ampt
from geoirrig.physics.soil_properties import GREEN_AMPT_SOILS, SOIL_TEXTURES
from geoirrig.physics.soil_spread import (
    EXPECTED_NORMAL_RANGE_15,
    GREEN_AMPT_NODE_COUNT,
    INTAKE_LOG_SD,
    STORAGE_CV,
    green_ampt_nodes,
    intake_factors,
    log_sd_of_cv,
    runoff_probability_green_ampt,
    runoff_probability_surface_storage,
    storage_exceedance,
    storage_exceedance_table,
)
from geoirrig.physics.surface_storage import event_runoff_surface_storage

N_DRAWN = 200_000

# Events as rates [mm/h] and minutes; medians of intake and storage as met on lawns.
EVENTS = {
    "one run": ([38.1], [20.0]),
    "three cycles": ([38.1, 0, 38.1, 0, 38.1], [7, 30, 7, 30, 7]),
    "two zones": ([15.0, 0, 15.0, 8.0], [25, 20, 25, 60]),
    "long and weak": ([11.0], [400.0]),
}


def standard_error_of_200(probability):
    return math.sqrt(probability * (1.0 - probability) / 200)


def test_expected_range_of_fifteen_normal_values_is_the_constant():
    # d₂(n) = ∫ [1 − Φ(x)ⁿ − (1 − Φ(x))ⁿ] dx
    value, _ = quad(lambda x: 1.0 - ndtr(x) ** 15 - ndtr(-x) ** 15, -12.0, 12.0)
    assert value == pytest.approx(EXPECTED_NORMAL_RANGE_15, abs=5.1e-4)


def test_intake_log_sd_is_that_of_fifteen_lawns():
    # ln(10.0/0.4) = 3.2189; over 3.472
    assert pytest.approx(0.9271, abs=5.1e-5) == INTAKE_LOG_SD


def test_log_sd_of_cv_gives_the_coefficient_back():
    sd = log_sd_of_cv(STORAGE_CV)
    assert lognorm(sd).std() / lognorm(sd).mean() == pytest.approx(0.30)


def test_intake_factors_have_the_median_and_spread_asked_for():
    factors = intake_factors(log_sd=0.9)
    assert np.all(np.diff(factors) > 0)
    assert np.exp(np.log(factors).mean()) == pytest.approx(1.0)
    assert np.log(factors).std() == pytest.approx(0.9, rel=0.02)  # the tails beyond the classes


def test_intake_factors_without_spread_are_all_one():
    assert intake_factors(log_sd=0.0).tolist() == [1.0] * 64


def test_storage_exceedance_without_spread_is_a_step():
    share = storage_exceedance([4.9, 5.0, 5.1], 5.0, storage_log_sd=0.0)
    assert share.tolist() == [0.0, 0.0, 1.0]


def test_storage_exceedance_without_storage_is_certain_where_water_stands():
    assert storage_exceedance([0.0, 0.1], 0.0, storage_log_sd=0.3).tolist() == [0.0, 1.0]


@pytest.mark.parametrize(("cv", "tolerance"), [(0.1, 1e-5), (0.3, 1e-5), (1.0, 1e-4)])
def test_storage_exceedance_table_agrees_with_the_distribution(cv, tolerance):
    sd = log_sd_of_cv(cv)
    steps_per_unit, table = storage_exceedance_table(storage_log_sd=sd)
    demand = np.random.default_rng(1).uniform(0.0, (len(table) - 1) / steps_per_unit, 5000)
    looked_up = np.interp(demand * steps_per_unit, np.arange(len(table)), table)
    exact = storage_exceedance(demand, 1.0, storage_log_sd=sd)
    np.testing.assert_allclose(looked_up, exact, atol=tolerance)
    assert table[-1] > 1.0 - 1e-6


@pytest.mark.parametrize("event", EVENTS, ids=str)
@pytest.mark.parametrize(("intake", "storage"), [(2.54, 2.54), (3.81, 4.06), (8.89, 5.33)])
def test_surface_storage_probability_agrees_with_drawing(event, intake, storage):
    rate, minutes = EVENTS[event]
    probability = runoff_probability_surface_storage(
        rate, minutes, intake * intake_factors(log_sd=INTAKE_LOG_SD), storage
    )
    random = np.random.default_rng(7)
    intakes = intake * np.exp(INTAKE_LOG_SD * random.standard_normal(N_DRAWN))
    storages = storage * np.exp(log_sd_of_cv(STORAGE_CV) * random.standard_normal(N_DRAWN))
    runoff = event_runoff_surface_storage(rate, minutes, intakes, storages).runoff_mm
    drawn = np.mean(runoff > 0.0)
    assert abs(probability - drawn) < min(0.01, standard_error_of_200(drawn))


@pytest.mark.parametrize("event", EVENTS, ids=str)
@pytest.mark.parametrize("texture", ["sandy_loam", "loam", "silty_clay"])
def test_green_ampt_probability_agrees_with_drawing(event, texture):
    rate, minutes = EVENTS[event]
    soil, storage = GREEN_AMPT_SOILS[texture], 2.0
    factor, deficit = green_ampt_nodes(
        texture, initial_saturation_fraction=0.5, conductivity_log_sd=INTAKE_LOG_SD
    )
    probability = runoff_probability_green_ampt(
        rate, minutes, (soil.conductivity_mm_h * factor, deficit), storage
    )
    random = np.random.default_rng(8)
    conductivity, suction, storages = (
        median * np.exp(sd * random.standard_normal(N_DRAWN // 4))
        for median, sd in (
            (soil.conductivity_mm_h, INTAKE_LOG_SD),
            (soil.suction_mm, 0.5 * math.log(soil.suction_high_mm / soil.suction_low_mm)),
            (storage, log_sd_of_cv(STORAGE_CV)),
        )
    )
    middle = soil.effective_porosity
    sd = 0.5 * (soil.effective_porosity_high - soil.effective_porosity_low)
    porosity = truncnorm((0.05 - middle) / sd, np.inf, loc=middle, scale=sd).rvs(
        N_DRAWN // 4, random_state=random
    )
    runoff = event_runoff_green_ampt(
        rate, minutes, conductivity, suction * 0.5 * porosity, storages
    ).runoff_mm
    drawn = np.mean(runoff > 0.0)
    assert abs(probability - drawn) < min(0.01, standard_error_of_200(drawn))


@pytest.mark.parametrize("texture", SOIL_TEXTURES)
def test_green_ampt_nodes_have_the_quantiles_of_the_product(texture):
    soil = GREEN_AMPT_SOILS[texture]
    factor, deficit = green_ampt_nodes(
        texture, initial_saturation_fraction=0.25, conductivity_log_sd=0.8
    )
    assert len(factor) == len(deficit) == GREEN_AMPT_NODE_COUNT >= 200
    assert np.all(np.diff(factor) > 0.0)
    # mean of a product of independent quantities: of the logarithms, the sum of the means
    middle = soil.effective_porosity
    sd = 0.5 * (soil.effective_porosity_high - middle + middle - soil.effective_porosity_low)
    porosity = truncnorm((0.05 - middle) / sd, np.inf, loc=middle, scale=sd)
    expected = math.log(0.75 * soil.suction_mm) + porosity.expect(np.log)
    assert np.log(deficit).mean() == pytest.approx(expected, abs=0.004)
    # ranks of K and S are unrelated
    assert abs(np.corrcoef(np.log(factor), np.log(deficit))[0, 1]) < 0.01


def test_runoff_probability_without_any_spread_is_the_tabulated_answer():
    # rate 20 on intake 10 for 30 min: 5 mm; storage 4.9 or 5.1
    intake = 10.0 * intake_factors(log_sd=0.0)
    for storage, expected in ((4.9, 1.0), (5.1, 0.0)):
        assert (
            runoff_probability_surface_storage([20.0], [30.0], intake, storage, storage_cv=0.0)
            == expected
        )
