"""Height of the platter's face, and its uncertainty."""

import numpy as np
import pytest
from slices import cases

from kinematics import Machine, Platter, RotaryAxis, RotationSense
from kinematics.calibration import (
    PlannedTarget,
    TargetKind,
    fit_pivots,
    perturbed_machine,
    simulated_readings,
)

MILL = Machine(
    "mill",
    (
        RotaryAxis("A", [-381.0, -203.412, -406.118], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 120.0)),
        RotaryAxis("C", [-381.025, -203.405, -356.112], [0, 0, 1], RotationSense.CLOCKWISE, None),
    ),
    Platter(face_mm=-356.112),
)
TRUTH = perturbed_machine(MILL, 5)
SPOTS = [(-340.0, -203.0, -356.1), (-400.0, -170.0, -356.1), (-400.0, -240.0, -356.1)]
BALL = PlannedTarget("ball", TargetKind.BALL, np.array([(-331.0, -203.4, -310.0)]))
FACE = PlannedTarget("platter", TargetKind.FACE, np.array(SPOTS), np.array([0.0, 0.0, 1.0]))
POSES = np.array([(a, c) for a in (0.0, -45.0, 60.0, 90.0) for c in (0.0, 120.0, 240.0)])


def heights(targets, poses, sigma_mm, seed=0):
    read = simulated_readings(TRUTH, targets, poses, sigma_mm, seed)
    fit = fit_pivots(read, MILL, sigma_mm=max(sigma_mm, 1e-6))
    return next(target for target in fit.targets if target.name == "platter")


def test_without_scatter_the_heights_are_the_true_ones():
    found = heights([BALL, FACE], POSES, 0.0)
    a, c = TRUTH.rotaries
    crossing = c.point_mm + (-356.1 - c.point_mm[2]) / c.direction[2] * c.direction
    assert found.face_height.value == pytest.approx(-356.1, abs=1e-7)
    ((letter, above),) = found.heights_above
    up = c.direction - (c.direction @ a.direction) * a.direction
    assert letter == "A"
    assert above.value == pytest.approx((crossing - a.point_mm) @ up / np.linalg.norm(up), abs=1e-7)


def test_the_uncertainty_of_the_heights_is_what_they_scatter_by():
    """Against 100 calibrations drawn anew: a standard deviation of n values scatters by 1/sqrt(2n); three of those."""
    runs = cases(100)
    found = [heights([BALL, FACE], POSES, 0.004, seed) for seed in range(runs)]
    for pick in (lambda target: target.face_height, lambda target: target.heights_above[0][1]):
        values = np.array([pick(one).value for one in found])
        assert np.std(values) == pytest.approx(
            pick(found[0]).standard_uncertainty, rel=3.1 / np.sqrt(2.0 * runs)
        )


def test_a_height_above_a_line_that_is_not_told_is_held():
    level = np.array([(0.0, c) for c in (0.0, 90.0, 180.0, 270.0)])
    found = heights([BALL, FACE], level, 0.002)
    assert not found.face_height.fixed
    assert found.heights_above[0][1].fixed
    assert found.heights_above[0][1].standard_uncertainty is None


def test_a_face_that_is_not_square_to_the_last_rotary_has_none():
    spots = np.array([(-360.0, -250.0, -330.0), (-400.0, -250.0, -340.0), (-381.0, -250.0, -300.0)])
    side = PlannedTarget("block", TargetKind.FACE, spots, np.array([0.0, -1.0, 0.0]))
    read = simulated_readings(TRUTH, [BALL, side], POSES, 0.0, 0)
    block = fit_pivots(read, MILL, sigma_mm=0.001).targets[1]
    assert block.face_height is None
    assert block.heights_above == ()
