"""Plan to map: hand-worked, against scikit-image, and leaving points out for real."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.transform import AffineTransform, SimilarityTransform

from geoirrig.physics.plan_transform import (
    METRES_PER_PLAN_UNIT,
    PlanTransform,
    columns_look_swapped,
    plan_transform_fit,
    plan_units_of_scale,
    points_on_a_line,
)
from geoirrig.units import FloatArray

PLAN = np.array([[0.0, 0.0], [40.0, 3.0], [38.0, 25.0], [-2.0, 22.0], [17.0, 9.0], [5.0, 30.0]])


def turned(plan: FloatArray, *, scale: float, rotation_deg: float, shift: FloatArray) -> FloatArray:
    """Plan turned clockwise, scaled and shifted."""
    turn = math.radians(rotation_deg)
    x, y = plan.T
    east = scale * (x * math.cos(turn) + y * math.sin(turn))
    north = scale * (-x * math.sin(turn) + y * math.cos(turn))
    return np.column_stack([east, north]) + shift


def scattered(seed: int, sd: float = 0.02) -> FloatArray:
    there = turned(PLAN, scale=0.3048, rotation_deg=17.0, shift=np.array([512_400.0, 4_643_200.0]))
    return there + np.random.default_rng(seed).normal(0.0, sd, PLAN.shape)


def test_fit_quarter_turn_hand_worked() -> None:
    # The plan's x axis points south on the map, twice as long: (x, y) goes to (2y, -2x) + (10, 20).
    plan = [(0, 0), (3, 0), (3, 4), (0, 4)]
    given_map = [(10, 20), (10, 14), (18, 14), (18, 20)]

    fit = plan_transform_fit(plan, given_map)

    transform = fit.transform
    assert transform.scale == pytest.approx(2.0, abs=1e-12)
    assert transform.rotation_deg == pytest.approx(90.0, abs=1e-12)
    assert transform.shift == pytest.approx([10.0, 20.0], abs=1e-12)
    assert transform.area_scale == pytest.approx(4.0, abs=1e-12)
    assert fit.rms == pytest.approx(0.0, abs=1e-12)
    assert transform.map_bearing_deg([0.0, 90.0, 350.0]) == pytest.approx([90.0, 180.0, 80.0])


def test_fit_one_residual_hand_worked() -> None:
    # A square about its centre; one corner is 4 too far east. The shift takes a quarter of it (1).
    # Scale and turn: sum(p.e)/sum(p.p) with p = (1, 1), e = (4, 0): 4/8 = 0.5 more scale and
    # -0.5 of turn, so the matrix is [[1.5, 0.5], [-0.5, 1.5]]. At that corner the fit gives
    # (1.5 + 0.5 + 1, -0.5 + 1.5) = (3, 1) where (5, 1) was measured: (2, 0) is left.
    plan = [(1, 1), (-1, 1), (-1, -1), (1, -1)]
    measured = [(5, 1), (-1, 1), (-1, -1), (1, -1)]

    fit = plan_transform_fit(plan, measured)

    assert fit.transform.matrix == pytest.approx(np.array([[1.5, 0.5], [-0.5, 1.5]]))
    assert fit.residual[0] == pytest.approx([2.0, 0.0], abs=1e-12)
    # each point has a leverage of 1/4 + 2/8 = 1/2: left out, the residual is doubled
    assert fit.left_out_residual[0] == pytest.approx([4.0, 0.0], abs=1e-12)
    assert fit.rms == pytest.approx(math.sqrt(np.sum(fit.residual**2) / 4))
    assert fit.blunder == 0


@pytest.mark.parametrize("seed", range(3))
def test_similarity_agrees_with_scikit_image(seed: int) -> None:
    # skimage.transform.SimilarityTransform: least squares after Umeyama (1991), by another way
    measured = scattered(seed)

    ours = plan_transform_fit(PLAN, measured)
    theirs = SimilarityTransform.from_estimate(PLAN, measured)

    assert ours.transform.scale == pytest.approx(theirs.scale, rel=1e-12)
    assert ours.transform.rotation_deg == pytest.approx(-math.degrees(theirs.rotation), abs=1e-10)
    assert ours.transform.to_map(PLAN) == pytest.approx(theirs(PLAN), rel=1e-15, abs=1e-8)
    lengths = np.hypot(*ours.residual.T)
    assert lengths == pytest.approx(theirs.residuals(PLAN, measured), abs=1e-8)


@pytest.mark.parametrize("seed", range(3))
def test_affine_agrees_with_scikit_image(seed: int) -> None:
    measured = scattered(seed)

    ours = plan_transform_fit(PLAN, measured, method="affine")
    theirs = AffineTransform.from_estimate(PLAN, measured)

    # It solves the homogeneous equations by total least squares, where the plan points may move
    # too; with residuals of 0.02 on 40 the two differ by some (0.02/40)² of 40 and less.
    assert ours.transform.to_map(PLAN) == pytest.approx(theirs(PLAN), abs=2e-4)
    assert np.sum(ours.residual**2) <= np.sum(theirs.residuals(PLAN, measured) ** 2) + 1e-12
    design = np.column_stack([PLAN, np.ones(len(PLAN))])
    solved = np.linalg.lstsq(design, measured, rcond=None)[0]
    assert ours.transform.to_map(PLAN) == pytest.approx(design @ solved, abs=1e-7)


@pytest.mark.parametrize("method", ["similarity", "affine"])
def test_left_out_residual_is_that_of_refitting(method: str) -> None:
    measured = scattered(7)
    fit = plan_transform_fit(PLAN, measured, method=method)  # type: ignore[arg-type]
    for row in range(len(PLAN)):
        rest = np.arange(len(PLAN)) != row
        refit = plan_transform_fit(PLAN[rest], measured[rest], method=method)  # type: ignore[arg-type]
        left = measured[row] - refit.transform.to_map(PLAN[row])
        assert fit.left_out_residual[row] == pytest.approx(left, abs=1e-7)
    assert fit.blunder is None


def test_affine_of_three_points_has_no_residual_to_judge_by() -> None:
    fit = plan_transform_fit(PLAN[:3], scattered(1)[:3], method="affine")
    assert np.isnan(fit.rms)
    assert np.isnan(fit.left_out_residual).all()
    assert np.isnan(fit.outlier_chance).all()
    assert fit.blunder is None
    assert fit.residual == pytest.approx(np.zeros((3, 2)), abs=1e-8)


def test_affine_axes_and_shear_hand_worked() -> None:
    # x axis of length 2 to the east; the y axis (1, 3) leans by atan(1/3) to it, height 3
    transform = PlanTransform(
        method="affine",
        matrix=np.array([[2.0, 1.0], [0.0, 3.0]]),
        plan_centre=np.zeros(2),
        map_centre=np.zeros(2),
    )
    assert transform.axis_scales == pytest.approx((2.0, 3.0))
    assert transform.shear_deg == pytest.approx(math.degrees(math.atan(1 / 3)))
    assert transform.area_scale == pytest.approx(6.0)
    assert transform.rotation_deg == pytest.approx(0.0)


@pytest.mark.parametrize("bad", range(6))
def test_blunder_of_half_a_metre_is_found(bad: int) -> None:
    measured = scattered(3, sd=0.01)
    measured[bad] += (0.35, -0.35)
    fit = plan_transform_fit(PLAN, measured)
    assert fit.blunder == bad


def test_blunder_rarely_called_without_one() -> None:
    # the rule promises at most 1 in 100; 400 draws of a binomial with p = 0.01 exceed 12 with a
    # chance below 0.1 %
    called = sum(plan_transform_fit(PLAN, scattered(s)).blunder is not None for s in range(400))
    assert called <= 12


def test_exact_points_call_no_blunder() -> None:
    assert plan_transform_fit(PLAN, scattered(0, sd=0.0)).blunder is None


@given(
    scale=st.floats(0.01, 100.0),
    rotation_deg=st.floats(-179.9, 179.9),
    east=st.floats(-1e6, 1e6),
    north=st.floats(-1e7, 1e7),
)
def test_exact_transform_is_found_and_inverted(
    scale: float, rotation_deg: float, east: float, north: float
) -> None:
    there = turned(PLAN, scale=scale, rotation_deg=rotation_deg, shift=np.array([east, north]))
    for method in ("similarity", "affine"):
        found = plan_transform_fit(PLAN, there, method=method).transform  # type: ignore[arg-type]
        assert found.scale == pytest.approx(scale, rel=1e-6)
        assert found.rotation_deg == pytest.approx(rotation_deg, abs=1e-4)
        # map coordinates are as fine as a double of their size
        digit = 4.0 * np.spacing(np.abs(there).max()) / scale
        assert found.to_plan(found.to_map(PLAN)) == pytest.approx(PLAN, abs=digit)
        turn = found.map_bearing_deg(33.0) - 33.0 - rotation_deg
        assert math.cos(math.radians(float(turn))) == pytest.approx(1.0, abs=1e-9)
        assert found.plan_bearing_deg(found.map_bearing_deg(33.0)) == pytest.approx(33.0)


def test_swapped_easting_and_northing_are_recognised() -> None:
    measured = scattered(2)
    assert columns_look_swapped(PLAN, measured[:, ::-1])
    assert columns_look_swapped(PLAN[:, ::-1], measured)
    assert not columns_look_swapped(PLAN, measured)


def test_bad_points_do_not_look_swapped() -> None:
    measured = scattered(2)
    measured[0] += (5.0, -4.0)
    assert not columns_look_swapped(PLAN, measured)


def test_points_on_a_line_are_recognised() -> None:
    assert points_on_a_line([(0, 0), (10, 10), (30, 30.1)])
    assert points_on_a_line([(1, 1), (1, 1), (1, 1)])
    assert not points_on_a_line([(0, 0), (10, 10), (30, 28)])


def test_fit_without_enough_points_is_refused() -> None:
    with pytest.raises(ValueError, match="3 or more points"):
        plan_transform_fit(PLAN[:2], PLAN[:2])
    with pytest.raises(ValueError, match="fix no transform"):
        plan_transform_fit([(1, 1)] * 3, PLAN[:3])


@pytest.mark.parametrize("name", METRES_PER_PLAN_UNIT)
def test_plan_units_of_scale_each_unit_is_recognised(name: str) -> None:
    metres = METRES_PER_PLAN_UNIT[name]
    assert plan_units_of_scale(metres, scale_sd=1e-9) == (name,)
    assert name in plan_units_of_scale(metres * 1.004, scale_sd=1e-3)
    assert name not in plan_units_of_scale(metres * 1.02, scale_sd=1e-3)


def test_plan_units_of_scale_feet_are_told_apart_only_where_the_scale_is_sharp() -> None:
    # 0.3048 and 1200/3937 m differ by 2.0e-6 (exact definitions)
    assert plan_units_of_scale(0.3048, scale_sd=1e-5) == ("foot", "US survey foot")
    assert plan_units_of_scale(0.3048, scale_sd=1e-7) == ("foot",)
    assert plan_units_of_scale(0.3048, scale_sd=math.nan) == ("foot", "US survey foot")
