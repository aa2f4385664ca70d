"""The platter: a tilt against zero, its interval, and the joint covariance of lines, face and normal."""

from dataclasses import replace

import numpy as np
import pytest
from slices import cases

from kinematics import KinematicsError
from kinematics.calibration import fit_pivots, length_interval, simulated_readings


@pytest.mark.parametrize("dof", [None, 8])
@pytest.mark.parametrize("spread", [1.0, 3.0])
def test_an_interval_of_a_length_holds_it_at_zero_and_far_from_it(dof, spread):
    runs = cases(200)
    rng = np.random.default_rng(1)
    covariance = np.diag([1.0, spread**2])
    for length in (0.0, 1.0, 3.0, 30.0):
        held = 0
        for _ in range(runs):
            turn = rng.uniform(0.0, 2.0 * np.pi)
            vector = length * np.array([np.cos(turn), np.sin(turn)]) + rng.normal(size=2) * [1.0, spread]
            scatter = 1.0 if dof is None else rng.chisquare(dof) / dof
            low, high = length_interval(vector, covariance * scatter, 0.95, dof)
            held += low <= length <= high
        # Coverage of 0.95 to 0.97, and three standard deviations of the count.
        slack = 3.0 * np.sqrt(0.05 * 0.95 / runs)
        assert 0.95 - slack <= held / runs <= 0.97 + slack, length


def calibrated(shop, seed, tilt_deg):
    """A platter tilted by so much against C, read beside a ball; the fit's tilt and the truth."""
    rng = np.random.default_rng(seed)
    nominal = shop.random_machine(rng, "AC")
    truth = shop.moved_machine(nominal, rng, 0.03, 0.01)
    last = truth.rotaries[-1]
    toward = np.cross(last.direction, rng.normal(size=3))
    toward /= np.linalg.norm(toward)
    normal = last.direction + np.tan(np.radians(tilt_deg)) * toward
    normal /= np.linalg.norm(normal)
    face = shop.platter_touches(nominal)
    points = np.array(face.points_mm)
    points[:, 2] -= (points - last.point_mm - [0.0, 0.0, 30.0]) @ normal / normal[2]
    face = replace(face, points_mm=points, direction=normal)
    targets = [*shop.balls(nominal, rng, 1), face]
    poses = shop.random_poses(nominal, rng, 10)
    readings = simulated_readings(truth, targets, poses, 0.003, seed)
    readings = replace(readings, directions=(None,) * len(readings.names))
    height = last.point_mm + (points[0] - last.point_mm) @ normal / (last.direction @ normal) * last.direction
    return fit_pivots(readings, nominal), normal, float(height[2])


def test_a_square_platter_is_called_out_of_square_in_one_of_twenty(shop):
    named = held = 0
    runs = cases(100)
    for seed in range(runs):
        fit, _, _ = calibrated(shop, seed, 0.0)
        tilt = fit.targets[-1].tilt
        named += tilt.verdict == "out of square"
        assert (tilt.interval[0] > 0.0) == (tilt.verdict == "out of square")
        held += tilt.value - tilt.expanded_uncertainty <= 0.0
    # One in twenty, and four standard deviations of the count.
    assert named <= 0.05 * runs + 4.0 * np.sqrt(0.05 * 0.95 * runs)
    assert held >= 0.95 * runs - 4.0 * np.sqrt(0.05 * 0.95 * runs)


def test_a_tilted_platter_is_called_so_with_the_right_interval(shop):
    held = 0
    runs = cases(60)
    for seed in range(runs):
        fit, _, _ = calibrated(shop, seed, 0.05)
        tilt = fit.targets[-1].tilt
        assert tilt.verdict == "out of square"
        held += tilt.interval[0] <= 0.05 <= tilt.interval[1]
    assert abs(held / runs - 0.95) <= 4.0 * np.sqrt(0.05 * 0.95 / runs)


def test_the_joint_covariance_is_that_of_lines_face_and_normal(shop):
    """Against the scatter of repeated calibrations, whitened: the squares follow chi squared of face and normal."""
    squares = []
    runs = cases(60)
    for seed in range(runs):
        fit, normal, height = calibrated(shop, seed, 0.03)
        platter, lines = fit.platter, 4 * len(fit.machine.rotaries)
        assert platter.quantities[:4] == ("A shift 1", "A shift 2", "A tilt 1", "A tilt 2")
        assert platter.quantities[lines:] == ("face", "normal X", "normal Y", "normal Z")
        assert platter.covariance[:lines, :lines] == pytest.approx(fit.covariance, rel=1e-9, abs=1e-18)
        assert np.sqrt(platter.covariance[lines, lines]) == pytest.approx(
            platter.face.standard_uncertainty, rel=1e-6
        )
        assert (
            np.linalg.norm(
                platter.covariance[lines + 1 :] @ np.eye(lines + 4)[:, lines + 1 :] @ platter.normal
            )
            < 1e-12
        )
        which = [lines, lines + 1, lines + 2]
        off = np.array([platter.face.value - height, *(platter.normal - normal)[:2]])
        squares.append(off @ np.linalg.solve(platter.covariance[np.ix_(which, which)], off))
    # Of three numbers with some 20 degrees of freedom: 3.3 in the mean, the square of it 6 and more.
    assert np.mean(squares) == pytest.approx(3.2, abs=4.0 * np.sqrt(8.0 / runs))


def test_an_interval_needs_finite_numbers_and_some_scatter():
    """Sets 146 and 659 of damaged readings: no scatter at all, and one beyond every number."""
    assert length_interval(np.array([3.0, 4.0]), np.zeros((2, 2))) == (5.0, 5.0)
    low, high = length_interval(np.array([0.0, 1e-199]), 1e-400 * np.eye(2) + 1e-308 * np.eye(2))
    assert (low, high) == pytest.approx((0.0, 2.448e-154), rel=1e-2)
    with pytest.raises(KinematicsError, match="expected a finite vector"):
        length_interval(np.array([1e300, 1e300]), 1e-308 * np.eye(2))
