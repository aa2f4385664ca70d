"""A jump told from a drift, a drift with the temperature, and no change where there is none."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics import KinematicsError
from kinematics.batch import ChangeKind, find_change, group_shifts


def brute_force_jump(values):
    best = None
    for at in range(1, len(values)):
        left = ((values[:at] - values[:at].mean()) ** 2).sum() + (
            (values[at:] - values[at:].mean()) ** 2
        ).sum()
        if best is None or left < best[0]:
            best = (left, at, values[at:].mean() - values[:at].mean())
    return best


@given(st.integers(0, 2**32 - 1), st.integers(8, 40))
def test_the_jump_is_the_best_of_all_splits(seed, count):
    values = np.random.default_rng(seed).normal(size=count)
    left, at, amount = brute_force_jump(values)
    jump = next(one for one in find_change(values).fits if one.kind is ChangeKind.JUMP)
    assert (jump.index, jump.amount) == (at, pytest.approx(amount, abs=1e-9))
    assert jump.u == pytest.approx(np.sqrt(left / (count - 2) * (1.0 / at + 1.0 / (count - at))), rel=1e-9)


@given(st.integers(0, 2**32 - 1), st.integers(8, 40))
def test_the_drift_is_scipy_s_regression(seed, count):
    from scipy.stats import linregress

    values = np.random.default_rng(seed).normal(size=count)
    drift = next(one for one in find_change(values).fits if one.kind is ChangeKind.DRIFT)
    line = linregress(np.arange(count), values)
    assert (drift.amount, drift.u, drift.probability) == pytest.approx(
        (line.slope, line.stderr, line.pvalue), rel=1e-6
    )


def test_each_kind_is_named_and_no_change_is_called_one():
    random, parts = np.random.default_rng(3), np.arange(60)
    warm = 20.0 + 3.0 * np.sin(parts / 9.0)
    shapes = {
        ChangeKind.JUMP: 0.02 * (parts >= 33),
        ChangeKind.DRIFT: 0.0006 * parts,
        ChangeKind.TEMPERATURE: 0.006 * (warm - 20.0),
    }
    named = dict.fromkeys(shapes, 0)
    alarms = 0
    for _ in range(200):
        noise = random.normal(scale=0.004, size=60)
        for kind, shape in shapes.items():
            best = find_change(noise + shape, warm).best
            named[kind] += best is not None and best.kind is kind
        alarms += find_change(noise, warm).significant
    assert all(count >= 196 for count in named.values()), named
    # 0.27 % is promised; of 200, three or more come by chance once in fifty such tests.
    assert alarms <= 2


def test_jump_and_drift_that_cannot_be_told_apart_are_both_named():
    values = np.array([0.0, 0.1, 0.3, 0.2, 0.9, 1.3, 1.2, 1.4])
    found = find_change(values)
    assert found.significant
    assert [one.kind for one in found.rivals] != []


@pytest.mark.parametrize("values", [[], [1.0], [1.0] * 20, [0.0, 1.0] * 3])
def test_too_little_to_judge(values):
    assert find_change(values).best is None


def test_an_exact_step_is_no_division_by_zero():
    best = find_change([0.0] * 5 + [1.0] * 5).best
    assert (best.kind, best.index) == (ChangeKind.JUMP, 5)


@pytest.mark.parametrize(
    ("call", "found"),
    [
        (lambda: find_change([[0.0, 1.0]]), r"\(1, 2\)"),
        (lambda: find_change([float("nan")] * 9), "NaN"),
        (lambda: find_change([0.0] * 9, [20.0]), r"\(1,\)"),
        (lambda: find_change([0.0, 1.0], significant=0.0), "found 0"),
        (lambda: group_shifts([0.0, 1.0], "ab"), "list of text"),
    ],
)
def test_what_is_no_series_is_refused(call, found):
    with pytest.raises(KinematicsError, match=found):
        call()


@given(st.integers(0, 2**32 - 1))
def test_two_nests_are_compared_as_scipy_s_t_test_does(seed):
    from scipy.stats import ttest_ind

    random = np.random.default_rng(seed)
    left, right = random.normal(size=9), random.normal(size=6)
    first = group_shifts([*left, *right], ["left"] * 9 + ["right"] * 6)[0]
    assert first.probability == pytest.approx(ttest_ind(left, right).pvalue, rel=1e-6)
    sign = 1.0 if first.group == "left" else -1.0
    assert first.shift == pytest.approx(sign * (left.mean() - right.mean()))


def test_the_nest_with_the_chip_is_named():
    random = np.random.default_rng(8)
    right = 0
    for _ in range(200):
        groups = [f"nest {i % 4}" for i in range(32)]
        values = random.normal(scale=0.006, size=32) - 0.03 * (np.arange(32) % 4 == 2)
        first = group_shifts(values, groups)[0]
        right += (
            first.group == "nest 2" and first.probability < 0.01 and abs(first.shift + 0.03) < 3 * first.u
        )
    assert right >= 196
