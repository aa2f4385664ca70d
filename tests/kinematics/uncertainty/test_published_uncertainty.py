"""Published values: the GUM's end gauge, Student's t, the examples of JCGM 101 and JCGM 106."""

import numpy as np
import pytest

from kinematics.errors import KinematicsError
from kinematics.uncertainty import (
    conformance_probability,
    expanded_factor,
    monte_carlo,
    numerical_tolerance,
    propagate,
)

# NIST Technical Note 1297, table B.1 (as GUM table G.2), fractions 90, 95 and 99 %.
T_TABLE = {
    1: (6.31, 12.71, 63.66),
    2: (2.92, 4.30, 9.92),
    3: (2.35, 3.18, 5.84),
    4: (2.13, 2.78, 4.60),
    5: (2.02, 2.57, 4.03),
    10: (1.81, 2.23, 3.17),
    16: (1.75, 2.12, 2.92),
    20: (1.72, 2.09, 2.85),
    50: (1.68, 2.01, 2.68),
    100: (1.660, 1.984, 2.626),
    np.inf: (1.645, 1.960, 2.576),
}


@pytest.mark.parametrize("dof", T_TABLE)
def test_quantiles_of_t(dof):
    for level, printed in zip((0.90, 0.95, 0.99), T_TABLE[dof], strict=True):
        decimals = 3 if dof >= 100 else 2
        assert round(float(expanded_factor(dof, level)), decimals) == printed


@pytest.mark.parametrize("level", [0.0, 1.0, -0.5, float("nan")])
def test_a_level_that_no_interval_can_have_is_refused(level):
    with pytest.raises(KinematicsError, match="level"):
        expanded_factor(np.inf, level)
    with pytest.raises(KinematicsError, match="level"):
        monte_carlo(lambda n, g: g.standard_normal((1, n)), level=level)


def test_end_gauge_calibration():
    """JCGM 100:2008 (GUM), H.1: l = l_s + d - l_s (d_alpha theta + alpha_s d_theta); nanometres. From memory."""
    l_s, theta, alpha_s = 50_000_623.0, -0.1, 11.5e-6
    sensitivities = [[1.0, 1.0, -l_s * theta, -l_s * alpha_s]]
    u = np.array([25.0, 9.7, 0.58e-6, 0.029])
    length = propagate(sensitivities, list(u**2), [18, 25.6, 50, 2])
    assert np.sqrt(length.variances[0]).round(1).tolist() == [25.0, 9.7, 2.9, 16.7]
    assert round(float(length.u[0])) == 32
    assert int(length.dof[0]) == 16
    # The GUM takes the factor for 16 degrees of freedom, and the uncertainty rounded to 32 nm.
    assert round(float(expanded_factor(16, 0.99)) * 32.0) == 93
    assert length.expanded(0.99)[0] == pytest.approx(93.0, abs=1.0)


def test_correlated_inputs():
    """GUM H.2, simultaneous resistance and reactance: correlated inputs, outputs and their correlations. From memory."""
    v, i, phi = 4.9990, 19.6610e-3, 1.04446
    u = np.array([0.0032, 0.0095e-3, 0.00075])
    r = np.array([[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]])
    c, s = np.cos(phi), np.sin(phi)
    by_input = [
        [c / i, -v / i**2 * c, -v / i * s],
        [s / i, -v / i**2 * s, v / i * c],
        [1.0 / i, -v / i**2, 0.0],
    ]
    found = propagate(by_input, [r * np.outer(u, u)])
    assert found.u.tolist() == pytest.approx([0.071, 0.295, 0.236], abs=5e-3)
    correlation = found.covariance / np.outer(found.u, found.u)
    assert correlation[0, 1] == pytest.approx(-0.588, abs=0.02)
    assert correlation[0, 2] == pytest.approx(-0.485, abs=0.02)
    assert correlation[1, 2] == pytest.approx(0.993, abs=0.005)


def test_sum_of_four_normal_inputs():
    """JCGM 101:2008, 9.2.2: y 0, u 2.0, interval -3.92 to 3.92. From memory; the exact answer is the normal's."""
    found = monte_carlo(lambda n, g: g.standard_normal((4, n)).sum(axis=0, keepdims=True), digits=2)
    assert found.converged
    assert found.u[0] == pytest.approx(2.0, abs=0.05)
    assert (found.low[0], found.high[0]) == pytest.approx((-3.92, 3.92), abs=0.05)
    assert found.agrees([0.0], [1.96 * 2.0]).all()


def test_sum_of_four_rectangular_inputs():
    """JCGM 101:2008, 9.2.3: the interval is -3.88 to 3.88, where the GUM's framework says 3.92. From memory."""
    exact = 2.0 * np.sqrt(3.0) * (2.0 - 0.6**0.25)  # derived there from the sum's piecewise cubic density
    assert round(exact, 2) == 3.88

    def model(n, g):
        return g.uniform(-np.sqrt(3.0), np.sqrt(3.0), (4, n)).sum(axis=0, keepdims=True)

    # 1.5 million trials: a quantile there scatters by 0.004.
    found = monte_carlo(model, trials=1_500_000)
    assert (found.low[0], found.high[0]) == pytest.approx((-exact, exact), abs=0.015)
    assert found.u[0] == pytest.approx(2.0, abs=0.005)


def test_one_dominant_rectangular_input():
    """JCGM 101:2008, 9.2.4: u 10.1; 17.0 where the GUM's framework gives 19.9: linear propagation does not serve."""
    half = np.sqrt(3.0) * np.array([1.0, 1.0, 1.0, 10.0])[:, None]
    found = monte_carlo(lambda n, g: (half * g.uniform(-1, 1, (4, n))).sum(axis=0, keepdims=True), digits=2)
    linear = propagate([[1, 1, 1, 1]], [1, 1, 1, 100])
    assert round(float(linear.u[0]), 1) == 10.1
    assert round(float(linear.expanded()[0]), 1) == 19.9
    assert (found.low[0], found.high[0]) == pytest.approx((-17.0, 17.0), abs=0.15)
    assert not found.agrees([0.0], linear.expanded()).any()


@pytest.mark.parametrize(
    ("x1", "y", "u", "low", "high"),
    [(0.0, 50, 50, 0, 150), (0.010, 150, 112, 0, 367), (0.050, 2551, 502, 1590, 3543)],
)
def test_comparison_loss(x1, y, u, low, high):
    """JCGM 101:2008, 9.4: X1^2 + X2^2, shortest intervals, millionths. From memory; the first is exact: chi squared."""

    def model(n, g):
        drawn = g.normal(0.0, 0.005, (2, n))
        return ((x1 + drawn[0]) ** 2 + drawn[1] ** 2)[None] * 1e6

    found = monte_carlo(model, trials=1_000_000, shortest=True)
    assert found.mean[0] == pytest.approx(y, abs=1.5)
    assert found.u[0] == pytest.approx(u, abs=1.5)
    assert found.low[0] == pytest.approx(low, abs=15)
    assert found.high[0] == pytest.approx(high, abs=15)


def test_where_linear_gives_zero():
    """JCGM 101:2008, 9.4.2.2: at x1 = 0 both sensitivities vanish; the page must not believe the zero."""
    linear = propagate([[0.0, 0.0]], [0.005**2, 0.005**2])
    assert linear.u.tolist() == [0.0]
    found = monte_carlo(lambda n, g: (g.normal(0.0, 0.005, (2, n)) ** 2).sum(axis=0, keepdims=True))
    assert not found.agrees([0.0], linear.expanded()).any()
    assert found.u[0] == pytest.approx(50e-6, rel=0.05)


def test_numerical_tolerance():
    """JCGM 101:2008, 7.9.2: u 0.35 g with two digits is 35 x 10^-2: half of 10^-2; with one digit 4 x 10^-1."""
    assert numerical_tolerance(0.35, 2) == pytest.approx(0.005)
    assert numerical_tolerance(0.35, 1) == pytest.approx(0.05)
    assert numerical_tolerance(0.0999, 1) == pytest.approx(0.05)  # rounds up to 1 x 10^-1


def test_conformance_of_a_measured_value():
    """JCGM 106:2012: lower limit 5.40 V, 5.47 V found, u 0.05 V: Phi(1.4). From memory; the quantile is exact."""
    assert float(conformance_probability(5.47, 0.05, 5.40, np.inf)) == pytest.approx(0.9192, abs=5e-5)


def test_refusals():
    with pytest.raises(KinematicsError, match="positive semidefinite"):
        propagate([[1.0, 1.0]], [[[1.0, 2.0], [2.0, 1.0]]])
    with pytest.raises(KinematicsError, match="symmetric"):
        propagate([[1.0, 1.0]], [[[1.0, 0.5], [0.1, 1.0]]])
    with pytest.raises(KinematicsError, match="variances of 0 or more"):
        propagate([[1.0]], [-1.0])
    with pytest.raises(KinematicsError, match="1 or more"):
        expanded_factor(0.5)
    with pytest.raises(KinematicsError, match="between 0 and 1"):
        monte_carlo(lambda n, g: g.random((1, n)), level=1.0)


def test_what_is_asked_of_each_block_is_averaged_over_all():
    """The share within 1.96 of a standard normal is 95 in 100; without a question there is no answer."""

    def model(n, g):
        return g.standard_normal((2, n)) * [[1.0], [2.0]]

    found = monte_carlo(model, trials=100_000, inside=lambda values: (np.abs(values) <= 1.96).mean(axis=-1))
    # A share of 100,000 trials scatters by 0.0007 and 0.0015.
    assert found.inside == pytest.approx([0.95, 0.6729], abs=0.006)
    assert np.isnan(monte_carlo(model, trials=10_000).inside).tolist() == [True, True]


@pytest.mark.parametrize(("scale", "shortest"), [(5.0, False), (1.2, True)])
def test_trials_go_on_until_the_numerical_tolerance_is_reached(scale, shortest):
    """JCGM 101:2008, 7.9.4, worked by numpy alone: blocks are added until twice the standard deviation of the averages
    of estimate, uncertainty and both ends is within the tolerance; five blocks at least.
    """
    blocks = []

    def model(n, g):
        blocks.append(scale * g.standard_normal((2, n)) * [[1.0], [0.1]])
        return blocks[-1]

    found = monte_carlo(model, digits=2, shortest=shortest, seed=3)
    assert found.converged
    assert found.trials == len(blocks) * len(blocks[0][0])
    assert len(blocks) > 8
    ends = [np.sort(one, axis=-1) for one in blocks]
    count = ends[0].shape[-1]
    width = round(0.95 * count)
    each = []
    for one, values in zip(ends, blocks, strict=True):
        first = np.full(2, round(0.5 * (count - width)) - 1)
        if shortest:
            first = (one[:, width:] - one[:, : count - width]).argmin(axis=-1)
        low, high = one[[0, 1], first], one[[0, 1], first + width]
        each.append([values.mean(axis=-1), values.std(axis=-1, ddof=1), low, high])
    for h in range(5, len(blocks) + 1):
        so_far = np.array(each[:h])
        twice = 2.0 * so_far.std(axis=0, ddof=1) / np.sqrt(h)
        tolerance = numerical_tolerance(so_far.mean(axis=0)[1], 2)
        assert (twice <= tolerance).all() == (h == len(blocks))
    for name, expected in zip(("mean", "u", "low", "high"), np.array(each).mean(axis=0), strict=True):
        # The ends are sorted in single precision, 1e-7 of what lies between them.
        assert getattr(found, name) == pytest.approx(expected, abs=4e-7 * scale)
