"""Uncertainties: what they promise is what happens."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from slices import cases

from kinematics.calibration import (
    coverage_factor,
    fit_pivots,
    planned_readings,
    region_factor,
    relative_line_parameters,
    simulated_readings,
)
from kinematics.calibration.solve import solve

# NIST Technical Note 1297, appendix B, table B.1: Student's t for 68.27, 90, 95, 95.45, 99 and 99.73 per cent. The
# table's first, fourth and last columns are for exactly one, two and three standard deviations.
TABLE_B1 = {
    1: (1.84, 6.31, 12.71, 13.97, 63.66, 235.80),
    2: (1.32, 2.92, 4.30, 4.53, 9.92, 19.21),
    3: (1.20, 2.35, 3.18, 3.31, 5.84, 9.22),
    4: (1.14, 2.13, 2.78, 2.87, 4.60, 6.62),
    5: (1.11, 2.02, 2.57, 2.65, 4.03, 5.51),
    6: (1.09, 1.94, 2.45, 2.52, 3.71, 4.90),
    7: (1.08, 1.89, 2.36, 2.43, 3.50, 4.53),
    8: (1.07, 1.86, 2.31, 2.37, 3.36, 4.28),
    9: (1.06, 1.83, 2.26, 2.32, 3.25, 4.09),
    10: (1.05, 1.81, 2.23, 2.28, 3.17, 3.96),
    20: (1.03, 1.72, 2.09, 2.13, 2.85, 3.42),
    30: (1.02, 1.70, 2.04, 2.09, 2.75, 3.27),
    50: (1.01, 1.68, 2.01, 2.05, 2.68, 3.16),
    100: (1.005, 1.660, 1.984, 2.025, 2.626, 3.077),
    None: (1.000, 1.645, 1.960, 2.000, 2.576, 3.000),
}
SIGMAS = {0: 1, 3: 2, 5: 3}
LEVELS = [
    2 * scipy.stats.norm.cdf(SIGMAS[k]) - 1 if k in SIGMAS else (0, 0.90, 0.95, 0, 0.99)[k] for k in range(6)
]


@pytest.mark.parametrize("dof", TABLE_B1)
def test_students_t_of_nist_tn_1297(dof):
    for level, printed in zip(LEVELS, TABLE_B1[dof], strict=True):
        digits = 3 if dof in (100, None) else 2
        assert coverage_factor(level, dof) == pytest.approx(printed, abs=0.5 * 10**-digits + 1e-9)


def test_region_factors_are_those_of_chi_squared_and_f():
    for numbers in (1, 2, 8):
        assert region_factor(numbers, 0.95) ** 2 == pytest.approx(scipy.stats.chi2.ppf(0.95, numbers))
        expected = numbers * scipy.stats.f.ppf(0.95, numbers, 7)
        assert region_factor(numbers, 0.95, 7) ** 2 == pytest.approx(expected)
    assert region_factor(1, 0.99, 5) == pytest.approx(coverage_factor(0.99, 5))


def test_regions_and_intervals_hold_the_truth_as_often_as_they_say(shop):
    """600 calibrations, each twenty on a machine of their own, with a stated and with an estimated scatter."""
    count = 20 * cases(30)
    held = {"stated region": 0, "estimated region": 0}
    inside, judged = np.zeros(2), 0
    for seed in range(count // 20):
        rng = np.random.default_rng(seed)
        nominal = shop.random_machine(rng)
        truth = shop.moved_machine(nominal, rng, 0.05, 0.02)
        targets, poses = shop.balls(nominal, rng, 1 + seed % 2), shop.random_poses(nominal, rng, 7)
        sigma, true = 0.003, relative_line_parameters(nominal, truth)
        template = fit_pivots(simulated_readings(truth, targets, poses, sigma, seed), nominal)
        for k in range(20):
            readings = simulated_readings(truth, targets, poses, sigma, 1000 * seed + k)
            solved = solve(readings, nominal)
            for place, (name, stated) in enumerate((("stated region", sigma), ("estimated region", None))):
                fit = light_fit(template, solved, stated)
                held[name] += fit.region_contains(truth)
                if place:
                    off = np.abs(fit.parameters - true)
                    u = np.sqrt(np.diag(fit.covariance))
                    inside += [(off < coverage_factor(0.95, fit.dof) * u).mean(), (off < 1.96 * u).mean()]
                    judged += 1
    assert judged == count
    slack = max(0.01, 3.0 * np.sqrt(0.05 * 0.95 / count))
    for name, times in held.items():
        assert abs(times / count - 0.95) <= slack, (name, times)
    student, normal = inside / judged
    assert abs(student - 0.95) <= slack
    # With so few readings to spare the normal's 1.96 would promise too much.
    assert normal < student


def light_fit(template, solved, stated):
    """A fit with what its regions are made from, the rest a template's."""
    scale, free = solved.problem.scale, solved.state.free
    sigma = stated or solved.s0
    shape = free @ np.linalg.inv(solved.reduced.information) @ free.T
    return replace(
        template,
        parameters=solved.state.parameters * scale,
        covariance=sigma**2 * shape * np.outer(scale, scale),
        dof=solved.dof,
        sigma_stated=stated is not None,
        level=0.95,
    )


def test_the_light_fit_is_the_real_one(shop):
    case = shop.random_case(5)
    for stated in (None, case.sigma_mm):
        real = fit_pivots(case.readings, case.nominal, sigma_mm=stated)
        light = light_fit(real, solve(case.readings, case.nominal, stated), stated)
        assert np.allclose(real.parameters, light.parameters, atol=1e-12)
        assert np.allclose(real.covariance, light.covariance, rtol=1e-9, atol=0.0)
        assert real.dof == light.dof


def test_covariances_are_what_repeated_calibrations_scatter_by(shop):
    rng = np.random.default_rng(42)
    nominal = shop.random_machine(rng)
    targets = [*shop.balls(nominal, rng, 1), shop.platter_touches(nominal)]
    poses, sigma, runs = shop.random_poses(nominal, rng, 8), 0.004, cases(300)
    exact = planned_readings(nominal, targets, poses)
    first = fit_pivots(exact, nominal, sigma_mm=sigma)
    scatter = np.empty((runs, 8))
    for k in range(runs):
        noise = sigma * np.random.default_rng(k).normal(size=exact.points_mm.shape)
        solved = solve(replace(exact, points_mm=exact.points_mm + noise), nominal, sigma)
        scatter[k] = solved.state.parameters * solved.problem.scale
    u = np.sqrt(np.diag(first.covariance))
    found = np.cov((scatter / u).T)
    expected = first.covariance / np.outer(u, u)
    # An element of a sample covariance scatters by sqrt((1 + r^2) / runs): five of those.
    assert np.abs(found - expected).max() < 5.0 * np.sqrt(2.0 / runs)
    assert np.abs(scatter.mean(axis=0) / u).max() < 5.0 / np.sqrt(runs)


def test_distances_angles_and_tilts_scatter_as_they_say(shop):
    rng = np.random.default_rng(43)
    nominal = shop.random_machine(rng, "AC")
    truth = shop.moved_machine(nominal, rng, 0.3, 0.3)
    targets = [*shop.balls(nominal, rng, 1), shop.platter_touches(truth)]
    poses, sigma, runs = shop.random_poses(nominal, rng, 8), 0.004, cases(60)

    def numbers(fit):
        tilt = next(t.tilt for t in fit.targets if t.name == "platter")
        return [
            fit.pairs[0].distance,
            fit.pairs[0].angle,
            tilt,
            *fit.lines[0].changes,
            *fit.lines[1].location_errors,
        ]

    fits = [
        numbers(fit_pivots(simulated_readings(truth, targets, poses, sigma, k), nominal, sigma_mm=sigma))
        for k in range(runs)
    ]
    values = np.array([[estimate.value for estimate in row] for row in fits])
    u = np.array([estimate.standard_uncertainty for estimate in fits[0]])
    ratio = values.std(axis=0, ddof=1) / u
    # A standard deviation of n values scatters by 1/sqrt(2n): four of those.
    assert np.abs(ratio - 1.0).max() < 4.0 / np.sqrt(2.0 * runs)


def test_sigma_by_reading_weighs_as_it_should(shop):
    case = shop.random_case(9)
    rng = np.random.default_rng(0)
    each = case.sigma_mm * rng.uniform(0.5, 2.0, size=len(case.readings))
    same = replace(case.readings, sigma_mm=np.full(len(case.readings), case.sigma_mm))
    one, other = (
        fit_pivots(case.readings, case.nominal, sigma_mm=case.sigma_mm),
        fit_pivots(same, case.nominal),
    )
    assert np.allclose(one.parameters, other.parameters, atol=1e-11)
    assert np.allclose(one.covariance, other.covariance, rtol=1e-8, atol=0.0)
    weighted = fit_pivots(replace(case.readings, sigma_mm=each), case.nominal)
    assert not np.allclose(weighted.parameters, one.parameters, atol=1e-7)
    # Weighting by sigma is reading the better ones oftener: twice as good counts as four alike.
    double = np.concatenate([np.arange(len(case.readings)), np.repeat(np.arange(3), 3)])
    better = np.full(len(case.readings), 2.0 * case.sigma_mm)
    better[:3] = case.sigma_mm
    often = fit_pivots(case.readings.only(double), case.nominal, sigma_mm=2.0 * case.sigma_mm)
    once = fit_pivots(replace(case.readings, sigma_mm=better), case.nominal)
    assert np.allclose(often.parameters, once.parameters, atol=1e-10)
    assert np.allclose(often.covariance, once.covariance, rtol=1e-7, atol=0.0)
