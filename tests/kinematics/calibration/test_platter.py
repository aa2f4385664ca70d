"""The platter: a tilt against zero, its interval, and the joint covariance of lines, face and normal."""

from dataclasses import replace

import numpy as np
import pytest

from kinematics.calibration import fit_pivots, length_interval, simulated_readings


@pytest.mark.parametrize("dof", [None, 8])
@pytest.mark.parametrize("spread", [1.0, 3.0])
def test_an_interval_of_a_length_holds_it_at_zero_and_far_from_it(dof, spread):
    rng = np.random.default_rng(1)
    covariance = np.diag([1.0, spread**2])
    for length in (0.0, 1.0, 3.0, 30.0):
        held = 0
        for _ in range(400):
            turn = rng.uniform(0.0, 2.0 * np.pi)
            vector = length * np.array([np.cos(turn), np.sin(turn)]) + rng.normal(size=2) * [1.0, spread]
            scatter = 1.0 if dof is None else rng.chisquare(dof) / dof
            low, high = length_interval(vector, covariance * scatter, 0.95, dof)
            held += low <= length <= high
        assert 0.92 <= held / 400 <= 0.985, length


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
    for seed in range(200):
        fit, _, _ = calibrated(shop, seed, 0.0)
        tilt = fit.targets[-1].tilt
        named += tilt.verdict == "out of square"
        assert (tilt.interval[0] > 0.0) == (tilt.verdict == "out of square")
        held += tilt.value - tilt.expanded_uncertainty <= 0.0
    assert named <= 18
    assert held >= 182


def test_a_tilted_platter_is_called_so_with_the_right_interval(shop):
    held = 0
    for seed in range(100):
        fit, _, _ = calibrated(shop, seed, 0.05)
        tilt = fit.targets[-1].tilt
        assert tilt.verdict == "out of square"
        held += tilt.interval[0] <= 0.05 <= tilt.interval[1]
    assert 89 <= held <= 99


def test_the_joint_covariance_is_that_of_lines_face_and_normal(shop):
    """Against the scatter of repeated calibrations, whitened: the squares follow chi squared of face and normal."""
    squares = []
    for seed in range(150):
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
    assert np.mean(squares) == pytest.approx(3.0, abs=0.7)
