"""Corrections that are easily forgotten: Bonferroni's of the outliers, Huber's of a robust covariance, the poses' order."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from slices import cases

from kinematics import Machine, Platter, RotaryAxis, RotationSense
from kinematics.calibration import (
    PlannedTarget,
    TargetKind,
    fit_pivots,
    optimal_poses,
    planned_readings,
    relative_line_parameters,
    simulated_readings,
)
from kinematics.calibration.robust import LOSSES, rho


def with_one_outlier(shop, seed):
    case = shop.random_case(seed, targets=2, poses=14)
    points = np.array(case.readings.points_mm)
    points[5] += [0.0, 0.0, 12.0 * case.sigma_mm]
    return replace(case.readings, points_mm=points), case


@pytest.mark.parametrize("seed", range(900, 904))
def test_an_outliers_p_value_counts_every_reading_that_it_could_have_been(shop, seed):
    """By refitting without it: F over its three equations, times the readings (Bonferroni)."""
    readings, case = with_one_outlier(shop, seed)
    fit = fit_pivots(readings, case.nominal)
    rest = fit_pivots(readings.only(np.arange(len(readings)) != 5), case.nominal)
    (outlier,) = fit.outliers
    assert outlier.index == 5
    gain = fit.s0**2 * fit.dof - rest.s0**2 * rest.dof
    single = scipy.stats.f.sf(gain / 3.0 / rest.s0**2, 3, rest.dof)
    assert outlier.p_value == pytest.approx(len(readings) * single, rel=1e-3, abs=0.0)


@pytest.mark.parametrize("seed", range(900, 904))
def test_with_a_stated_sigma_too(shop, seed):
    readings, case = with_one_outlier(shop, seed)
    fit = fit_pivots(readings, case.nominal, sigma_mm=case.sigma_mm)
    rest = fit_pivots(readings.only(np.arange(len(readings)) != 5), case.nominal, sigma_mm=case.sigma_mm)
    gain = fit.s0**2 * fit.dof - rest.s0**2 * rest.dof
    single = scipy.stats.chi2.sf(gain / case.sigma_mm**2, 3)
    assert fit.outliers[0].p_value == pytest.approx(len(readings) * single, rel=1e-3, abs=0.0)


def test_a_robust_covariance_is_what_the_parameters_scatter_by(shop):
    """The loss departs from squares within the scatter itself: without the mean slope the claim is half of the truth."""
    rng = np.random.default_rng(20261129)
    nominal = shop.random_machine(rng, "AC")
    truth = shop.moved_machine(nominal, rng, 0.03, 0.01)
    targets, poses, sigma = shop.balls(nominal, rng, 2), shop.random_poses(nominal, rng, 14), 0.003
    true = relative_line_parameters(nominal, truth)
    ratios = []
    runs = cases(120)
    for seed in range(runs):
        fit = fit_pivots(
            simulated_readings(truth, targets, poses, sigma, seed), nominal, loss="huber", loss_scale_mm=sigma
        )
        ratios.append((fit.parameters - true) / np.sqrt(np.diag(fit.covariance)))
    # 120 sets of eight correlated numbers: the root mean square is known to about 5 %; three of those.
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.15 * np.sqrt(120.0 / runs))


def test_poses_go_back_and_forth_and_the_outer_rotary_moves_least():
    a = RotaryAxis("A", [-381.0, -203.4, -406.1], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    c = RotaryAxis("C", [-381.0, -203.4, -356.1], [0, 0, 1], RotationSense.CLOCKWISE, None)
    machine = Machine("mill", (a, c), Platter(face_mm=-356.1))
    candidates = np.array([[tilt, turn] for turn in (180.0, 0.0, 90.0) for tilt in (0.0, -60.0, -30.0)])
    ball = PlannedTarget("ball", TargetKind.BALL, [[-331.0, -203.4, -310.5]])
    assert len(planned_readings(machine, [ball], candidates)) == 9
    chosen = optimal_poses(machine, [ball], candidates, 9, 0.002)
    assert chosen.tolist() == [
        *([-60.0, 0.0], [-60.0, 90.0], [-60.0, 180.0]),
        *([-30.0, 180.0], [-30.0, 90.0], [-30.0, 0.0]),
        *([0.0, 0.0], [0.0, 90.0], [0.0, 180.0]),
    ]


@pytest.mark.parametrize("loss", LOSSES)
def test_the_slopes_of_a_loss_are_those_of_its_values(loss):
    """Against central differences; the second one corrects the covariance, and is used nowhere else."""
    z = np.concatenate([np.linspace(0.05, 0.95, 7), np.linspace(1.05, 60.0, 9)])
    step = 1e-5 * z
    value, first, second = rho(loss, z)
    ahead, behind = rho(loss, z + step), rho(loss, z - step)
    assert first == pytest.approx((ahead[0] - behind[0]) / (2.0 * step), rel=1e-7)
    assert second == pytest.approx((ahead[1] - behind[1]) / (2.0 * step), rel=1e-6, abs=1e-12)
    # Small residuals count as their squares, large ones less.
    assert rho(loss, np.array([1e-9]))[0] == pytest.approx([1e-9], rel=1e-6)
    assert (value[z > 1.0] < z[z > 1.0]).all()
