"""Control charts against published figures, against their definitions one point at a time, and by simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from slices import cases

from kinematics import KinematicsError
from kinematics.batch import (
    Baseline,
    ChartDesign,
    ChartRule,
    ChartState,
    baseline_of,
    continue_chart,
    control_chart,
    drift_detection,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: flow rates, and the limits that it prints.
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_the_handbook_s_individuals_chart():
    baseline = baseline_of(FLOW)
    chart = control_chart(FLOW, baseline)
    assert baseline.center == pytest.approx(50.81, abs=1e-9)
    assert chart.moving_range[1:].mean() == pytest.approx(1.8778, abs=5e-5)
    assert np.round(chart.limits, 4).tolist() == [45.8159, 55.8041]
    # The chart of ranges beside it: its centre is their mean, and D4, 3.267, times that is its limit (there, 6.3.2.2).
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-4)
    assert chart.moving_range_limit == pytest.approx(3.267 * 1.8778, abs=2e-3)
    assert ChartRule.BEYOND_LIMIT not in {one.rule for one in chart.signals}


def mean_range(count):
    """Mean range of so many standard normal readings: the integral of 1 - F^n - (1 - F)^n (Tippett, 1925; from memory)."""
    from scipy.integrate import quad
    from scipy.stats import norm

    return quad(lambda x: 1.0 - norm.cdf(x) ** count - norm.sf(x) ** count, -12.0, 12.0, epsabs=1e-10)[0]


@pytest.mark.parametrize(("span", "printed"), [(2, 1.128), (3, 1.693), (4, 2.059), (5, 2.326)])
def test_ranges_over_the_constants_are_the_standard_deviation(span, printed):
    """The e-Handbook's constants, 6.3.2.1, against their definition as an integral and against the library's use of them."""
    assert mean_range(span) == pytest.approx(printed, abs=5.01e-4)
    # By hand: ranges of successive readings over the constant.
    hand = np.mean([np.ptp(FLOW[k : k + span]) for k in range(len(FLOW) - span + 1)]) / printed
    for blocks in ([FLOW], [FLOW[:1], FLOW[1:4], [], FLOW[4:]]):
        assert baseline_of(blocks, span=span).sigma == pytest.approx(hand, rel=1e-12)
    values = np.random.default_rng(9).normal(scale=0.004, size=40_000)
    assert baseline_of(values, span=span).sigma == pytest.approx(0.004, rel=0.02)


# e-Handbook, 6.3.2.4 (EWMA): target 50, s = 2.0539, weight 0.3; the averages and limits that it prints. From memory.
EWMA_READINGS = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
EWMA_PRINTED = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip


def test_the_handbook_s_weighted_mean():
    design = ChartDesign(weight=0.3, ewma_width=3.0)
    chart = control_chart(EWMA_READINGS, Baseline(50.0, 2.0539), design)
    np.testing.assert_allclose(chart.ewma, EWMA_PRINTED, atol=0.0051)
    limit = design.ewma_limit(2.0539)
    assert (50.0 - limit, 50.0 + limit) == (
        pytest.approx(47.4115, abs=5e-4),
        pytest.approx(52.5884, abs=5e-4),
    )
    assert ChartRule.EWMA not in {one.rule for one in chart.signals}


# e-Handbook, 6.3.2.3 (CUSUM): target 325, k = 0.3175, h = 4.1959; sums and signals that it prints. From memory.
CUSUM_READINGS = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]  # fmt: skip
CUSUM_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
CUSUM_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]


def test_the_handbook_s_cumulative_sums():
    sigma = 0.635
    chart = control_chart(
        CUSUM_READINGS, Baseline(325.0, sigma), ChartDesign(slack=0.3175 / sigma, decision=4.1959 / sigma)
    )
    np.testing.assert_allclose(chart.cusum_high, CUSUM_HIGH, atol=0.0051)
    np.testing.assert_allclose(chart.cusum_low, CUSUM_LOW, atol=0.0051)
    assert [one.index + 1 for one in chart.signals if one.rule is ChartRule.CUSUM] == list(range(14, 21))


def plain(values, design):
    """Each statistic by its definition, a point at a time."""
    ewma, high, low, rows = 0.0, 0.0, 0.0, []
    for value in values:
        ewma = design.weight * value + (1.0 - design.weight) * ewma
        high = max(0.0, high + value - design.slack)
        low = max(0.0, low - value - design.slack)
        rows.append((ewma, high, low))
    return np.reshape(rows, (-1, 3)).T


def plain_signals(values, design):
    ewma, high, low = plain(values, design)
    limit = design.ewma_width * np.sqrt(design.weight / (2.0 - design.weight))
    found = set()
    for i, value in enumerate(values):
        for side in (1, -1):
            z = [side * one for one in values[: i + 1]]
            if z[-1] > 3:
                found.add((i, side, ChartRule.BEYOND_LIMIT))
            if z[-1] > 2 and sum(one > 2 for one in z[-3:]) >= 2:
                found.add((i, side, ChartRule.TWO_OF_THREE))
            if z[-1] > 1 and sum(one > 1 for one in z[-5:]) >= 4:
                found.add((i, side, ChartRule.FOUR_OF_FIVE))
            if len(z) >= 8 and all(one > 0 for one in z[-8:]):
                found.add((i, side, ChartRule.RUN))
            if side * ewma[i] > limit:
                found.add((i, side, ChartRule.EWMA))
            if (high, low)[side < 0][i] > design.decision:
                found.add((i, side, ChartRule.CUSUM))
        if i and abs(value - values[i - 1]) > 3.267 * 1.128:
            found.add((i, 1, ChartRule.MOVING_RANGE))
    return found


@given(
    st.lists(st.floats(-6.0, 6.0).map(lambda x: round(x, 3)), max_size=60),
    st.lists(st.integers(0, 60), max_size=5),
)
def test_any_blocks_give_what_the_definitions_give(values, cuts):
    design = ChartDesign()
    state, signals, ewma, high, low = ChartState(), [], [], [], []
    for block in np.split(np.array(values), sorted(min(cut, len(values)) for cut in cuts)):
        chart = continue_chart(state, block, Baseline(0.0, 1.0), design)
        assert chart.first == state.count
        state = chart.state
        signals += [(one.index, one.side, one.rule) for one in chart.signals]
        ewma, high, low = [*ewma, *chart.ewma], [*high, *chart.cusum_high], [*low, *chart.cusum_low]
    expected = plain(values, design)
    np.testing.assert_allclose([ewma, high, low], expected, atol=1e-12)
    # Where a statistic lies on its limit, rounding decides; three decimals keep the others off it.
    near = {
        (i, side, rule)
        for i in range(len(values))
        for side, rule, of, limit in (
            (1, ChartRule.EWMA, expected[0], design.ewma_limit(1.0)),
            (-1, ChartRule.EWMA, -expected[0], design.ewma_limit(1.0)),
            (1, ChartRule.CUSUM, expected[1], 5.0),
            (-1, ChartRule.CUSUM, expected[2], 5.0),
        )
        if abs(of[i] - limit) < 1e-9
    }
    assert set(signals) - near == plain_signals(values, design) - near
    assert len(signals) == len(set(signals))


@given(st.floats(-1e3, 1e3), st.floats(1e-3, 1e3), st.integers(0, 2**32 - 1))
def test_a_chart_has_no_unit_of_its_own(center, sigma, seed):
    z = np.random.default_rng(seed).normal(size=40) * 1.5
    one, other = (
        control_chart(z, Baseline(0.0, 1.0)),
        control_chart(center + sigma * z, Baseline(center, sigma)),
    )
    assert [(s.index, s.rule) for s in one.signals] == [(s.index, s.rule) for s in other.signals]
    np.testing.assert_allclose((other.ewma - center) / sigma, one.ewma, atol=1e-9 * (1 + abs(center) / sigma))


def transitions(width, weight, shift, states):
    """An EWMA's transition matrix between cells inside its limits, and the cell that it starts in."""
    from scipy.stats import norm

    limit = width * np.sqrt(weight / (2.0 - weight))
    step = 2.0 * limit / states
    middle = -limit + step * (np.arange(states) + 0.5)
    upper = (middle[None, :] + step / 2.0 - (1.0 - weight) * middle[:, None]) / weight - shift
    lower = (middle[None, :] - step / 2.0 - (1.0 - weight) * middle[:, None]) / weight - shift
    return norm.cdf(upper) - norm.cdf(lower), np.eye(states)[states // 2]


def run_length_by_markov_chain(width, weight, shift, states=201):
    """Average run length of an EWMA from its transition matrix: another way than simulation (Brook and Evans)."""
    matrix, start = transitions(width, weight, shift, states)
    return start @ np.linalg.solve(np.eye(states) - matrix, np.ones(states))


def simulated_run_lengths(rule, shift, runs, seed):
    random, found = np.random.default_rng(seed), []
    for _ in range(runs):
        state, length = ChartState(), 0
        while True:
            chart = continue_chart(state, shift + random.normal(size=256), Baseline(0.0, 1.0))
            hits = [one.index for one in chart.signals if one.rule is rule]
            state = chart.state
            if hits:
                length = hits[0] + 1
                break
        found.append(length)
    return np.array(found, dtype=float)


# In control: 500 (Lucas and Saccucci, Technometrics 32, 1990, at weight 0.1 and width 2.814) and 465 (e-Handbook, 6.3.2.3,
# h = 5, k = 0.5), both from memory; 370.4 = 1 / 0.0027. Shifted by one sigma: 10.4 for that CUSUM (the same table).
@pytest.mark.parametrize(
    ("rule", "shift", "published", "runs"),
    [
        (ChartRule.BEYOND_LIMIT, 0.0, 370.4, 1200),
        (ChartRule.EWMA, 0.0, 500.0, 1200),
        (ChartRule.CUSUM, 0.0, 465.0, 1200),
        (ChartRule.CUSUM, 1.0, 10.4, 400),
    ],
)
def test_run_lengths_are_those_of_the_tables(rule, shift, published, runs):
    lengths = simulated_run_lengths(rule, shift, runs, seed=11)
    # Ten per cent, which is more than three standard errors of the mean of so many runs.
    assert lengths.std() / np.sqrt(runs) * 3.0 < 0.1 * published
    assert lengths.mean() == pytest.approx(published, rel=0.1)


def test_a_markov_chain_gives_the_ewma_s_run_length_too():
    assert run_length_by_markov_chain(2.962, 0.2, 0.0) == pytest.approx(500.0, rel=0.02)
    assert run_length_by_markov_chain(2.814, 0.1, 0.0) == pytest.approx(500.0, rel=0.02)
    # One sigma is noticed after ten parts instead of the 44 that single points take, half of one sooner at the smaller weight.
    assert run_length_by_markov_chain(2.814, 0.1, 1.0) < 12.0
    assert run_length_by_markov_chain(2.814, 0.1, 0.5) < 0.8 * run_length_by_markov_chain(2.962, 0.2, 0.5)


def test_false_alarms_come_as_often_as_designed():
    """Of 100 parts in control one batch in so many is alarmed; the EWMA's share from powers of its transition matrix."""
    from scipy.stats import binom

    design, batches, parts = ChartDesign(), 600, 100
    random = np.random.default_rng(12)
    alarmed = dict.fromkeys((ChartRule.BEYOND_LIMIT, ChartRule.EWMA, ChartRule.CUSUM), 0)
    for _ in range(batches):
        chart = control_chart(random.normal(size=parts), Baseline(0.0, 1.0), design)
        rules = {one.rule for one in chart.signals}
        for rule in alarmed:
            alarmed[rule] += rule in rules
    expected = {
        ChartRule.BEYOND_LIMIT: 1.0 - (1.0 - 0.0026998) ** parts,
        ChartRule.EWMA: alarm_by_markov_chain(design.ewma_width, design.weight, parts),
        # Run lengths in control are nearly geometric (465 on average, e-Handbook 6.3.2.3), but for the first few parts.
        ChartRule.CUSUM: 1.0 - np.exp(-(parts - 5) / 465.0),
    }
    for rule, count in alarmed.items():
        low, high = binom.ppf([0.001, 0.999], batches, expected[rule])
        assert low <= count <= high, (rule, count, expected[rule])


def alarm_by_markov_chain(width, weight, parts, states=201):
    """Probability that an EWMA passes its limit within so many parts in control."""
    matrix, start = transitions(width, weight, 0.0, states)
    return 1.0 - float((start @ np.linalg.matrix_power(matrix, parts)).sum())


def test_a_drift_of_half_a_tolerance_is_seen_before_part_60():
    """Tolerance +-0.02, scatter 0.002 as estimated from the first twenty parts; the zero drifts by 0.01 over 100 parts."""
    random = np.random.default_rng(5)
    seen = 0
    for _ in range(400):
        parts = np.arange(100)
        values = random.normal(scale=0.002, size=100) + 0.01 * parts / 100.0
        chart = control_chart(values, baseline_of(values[:20]))
        first = [one.index for one in chart.signals if one.rule in {ChartRule.EWMA, ChartRule.CUSUM}]
        seen += bool(first) and first[0] < 60
    assert seen >= 0.95 * 400


@pytest.mark.parametrize(("first", "share"), [(20, 0.2), (20, 0.1), (0, 0.35)])
def test_the_stated_share_of_drifts_is_seen(first, share):
    """Against the charts themselves, on other random numbers: half a tolerance of 1 over 100 parts."""
    from scipy.stats import binom

    random, runs, seen = np.random.default_rng(8), cases(1600), 0
    for _ in range(runs):
        values = random.normal(scale=share, size=59) + 0.005 * np.arange(59)
        baseline = baseline_of(values[:first]) if first else Baseline(0.0, share)
        rules = {one.rule for one in control_chart(values, baseline).signals}
        seen += bool(rules & {ChartRule.BEYOND_LIMIT, ChartRule.EWMA, ChartRule.CUSUM})
    told = drift_detection(0.005, share, 60, center_from=first, sigma_from=first)
    # Its own 2,000 batches scatter too: by no more than 1.1 % (one standard error at a half).
    low, high = max(0.0, told.seen - 0.033), min(1.0, told.seen + 0.033)
    assert binom.ppf(1e-4, runs, low) <= seen <= binom.ppf(1.0 - 1e-4, runs, high)
    at_limit = drift_detection(0.005, told.largest_sigma, 60, center_from=first, sigma_from=first)
    assert at_limit.seen == pytest.approx(0.95, abs=0.01)


def test_without_a_drift_what_is_seen_are_false_alarms():
    none = drift_detection(0.0, 1.0, 60, center_from=0, sigma_from=0)
    assert none.seen == pytest.approx(0.25, abs=0.03)
    assert none.largest_sigma == 0.0


@given(st.lists(st.floats(-500.0, -499.9), min_size=2, max_size=50).filter(lambda v: np.ptp(v) > 1e-6))
def test_a_baseline_in_blocks_is_that_in_one_piece(values):
    one, blocks = baseline_of(values), baseline_of(np.array_split(values, 3))
    assert one.center == pytest.approx(np.mean(values), abs=1e-9)
    assert one.sigma == pytest.approx(np.abs(np.diff(values)).mean() / 1.128, rel=1e-9)
    assert (blocks.center, blocks.sigma, blocks.count) == pytest.approx((one.center, one.sigma, one.count))


@pytest.mark.parametrize(
    ("call", "found"),
    [
        (lambda: baseline_of([1.0, 1.0, 1.0]), "3 equal ones"),
        (lambda: baseline_of([]), "found 0"),
        (lambda: baseline_of([1.0, 2.0], span=3), "expected 3 readings or more, found 2"),
        (lambda: baseline_of([1.0, 2.0], span=6), "found 6"),
        (lambda: baseline_of("abc"), "'abc'"),
        (lambda: Baseline(0.0, 0.0), "found 0"),
        (lambda: Baseline(float("nan"), 1.0), "NaN"),
        (lambda: control_chart([[1.0, 2.0]], Baseline(0.0, 1.0)), r"\(1, 2\)"),
        (lambda: control_chart([1.0, float("inf")], Baseline(0.0, 1.0)), "infinity"),
        (lambda: control_chart([1.0], (0.0, 1.0)), "Baseline"),
        (lambda: ChartDesign(weight=1.5), "1.5"),
        (lambda: ChartDesign(decision=0.0), "found 0"),
        (lambda: drift_detection(0.1, 0.0, 60, center_from=0, sigma_from=0), "sigma: expected more than 0"),
        (lambda: drift_detection(0.1, 1.0, 2, center_from=0, sigma_from=0), "3 or more"),
        (lambda: drift_detection(0.1, 1.0, 60, center_from=0, sigma_from=1), "0, or 2 to 59"),
        (lambda: drift_detection(0.1, 1.0, 60, center_from=60, sigma_from=0), "0 to 59"),
    ],
)
def test_what_is_no_series_is_refused(call, found):
    with pytest.raises(KinematicsError, match=found):
        call()
