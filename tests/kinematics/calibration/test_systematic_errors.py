"""Errors of a rotary's own angle and drifts: named with their size, adjusted, and never called a zero that moved."""

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from slices import at_least, cases

from kinematics import KinematicsError
from kinematics.calibration import (
    candidate_poses,
    check_fit,
    find_blunders,
    fit_pivots,
    is_accessible,
    planned_readings,
    poses_for_angle_errors,
    predict_uncertainty,
    relative_line_parameters,
)
from kinematics.calibration.adjustment import build_problem, initial_state, linearize
from kinematics.calibration.line_parameters import derotate
from kinematics.calibration.systematic_terms import angle_functions

SPEC = importlib.util.spec_from_file_location("systematic", Path(__file__).with_name("systematic.py"))
systematic = sys.modules["systematic"] = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(systematic)

NAMES = [name for name in systematic.ERRORS if name != "none"]


@pytest.mark.parametrize("name", NAMES)
def test_intervals_hold_the_truth_where_the_poses_tell_the_error(shop, name):
    """40 calibrations each; `python tests/kinematics/calibration/systematic.py 2000` tries 2,000."""
    runs = cases(40)
    found, coverage, without = systematic.run(shop, name, runs)
    if name in systematic.DENSE:
        assert found["shows"] >= runs // 2
    assert found["named where it shows"] >= at_least(0.95, found["shows"])
    assert found["sudden change named"] == 0
    assert found["another named"] <= max(1, runs // 40)
    if found["shows"] >= runs // 4:
        # A set's eight parameters scatter together: some 0.12 from set to set.
        assert abs(coverage - 0.95) < 0.005 + 3.0 * 0.12 / np.sqrt(found["shows"])
        assert without < 0.9


def test_clean_readings_are_not_suspected(shop):
    runs = cases(60)
    found, coverage, _ = systematic.run(shop, "none", runs)
    assert found["any alarm"] == 0
    assert found["sudden change named"] == 0
    assert abs(coverage - 0.95) < 0.03 * np.sqrt(60.0 / runs)


def test_the_size_of_an_error_comes_out(shop):
    for name, component in (
        ("once 40", "once a turn"),
        ("twice 20", "twice a turn"),
        ("scale 1e-3", "by a factor"),
    ):
        one = systematic.calibration(shop, 1, name)
        fit = fit_pivots(one.readings, one.nominal)
        (error,) = [test for test in fit.angle_errors if test.significant]
        kind, size = systematic.ERRORS[name]
        expected = size * one.span_deg * 3600.0 if kind == "scale" else size
        assert (error.letter, error.component) == (one.letter, component)
        assert abs(error.size_arcsec - expected) < 4.0 * error.u_arcsec + 0.01 * expected
        if error.factor is not None:
            assert error.factor - 1.0 == pytest.approx(one.error[4], rel=0.05)
        else:
            at = angle_functions(np.array(error.largest_at_deg)) + np.array([1.0, 0.0, 1.0, 0.0, 0.0])
            assert at @ one.error > 0.9 * np.linalg.norm(one.error)
        (finding,) = [one for one in check_fit(fit) if one.kind == "angle error"]
        assert finding.certain
        assert finding.angle_error == error


def test_the_adjusted_error_is_the_one_put_in(shop):
    """To the last digits, without scatter: the lines and all five coefficients come back."""
    rng = np.random.default_rng(5)
    nominal = shop.random_machine(rng, "AC")
    truth = shop.moved_machine(nominal, rng, 0.05, 0.02)
    error = np.array([2e-4, -3e-4, 1e-4, 5e-5, 7e-4])
    targets, poses = shop.balls(nominal, rng, 2), shop.random_poses(nominal, rng, 30)
    readings = systematic.read(truth, targets, poses, 1, sigma_mm=1e-9, rotary=0, error=error)
    fit = fit_pivots(readings, nominal, angle_errors=["A"])
    (curve,) = fit.angle_curves
    assert curve.estimable
    assert curve.coefficients == pytest.approx(error, abs=1e-8)
    assert fit.parameters == pytest.approx(relative_line_parameters(nominal, truth), abs=1e-6)
    assert {test.letter for test in fit.angle_errors} == {"C"}
    errors = angle_functions(readings.angles_deg[:, 0]) @ error
    assert curve.largest_arcsec == pytest.approx(
        errors[np.abs(errors).argmax()] / systematic.ARCSEC, rel=1e-4
    )


def test_what_these_poses_cannot_tell_is_said(shop):
    """Three tilts: five functions of three angles; the lines are right all the same."""
    rng = np.random.default_rng(2)
    nominal = shop.random_machine(rng, "AC")
    poses = np.array([[a, c] for a in (-60.0, 0.0, 45.0) for c in (0.0, 90.0, 180.0, 270.0)])
    targets = shop.balls(nominal, rng, 2)
    readings = systematic.read(
        nominal, targets, poses, 1, rotary=0, error=np.array([0.0, 1e-3, 0.0, 0.0, 0.0])
    )
    fit = fit_pivots(readings, nominal, angle_errors=["A"])
    assert not fit.angle_curves[0].estimable
    assert systematic.covered(fit, nominal).mean() > 0.7
    few = fit_pivots(systematic.read(nominal, targets[:1], poses[:4], 1), nominal)
    assert all(test.detectable_arcsec is None for test in few.angle_errors if test.letter == "A")


def test_columns_of_the_angles_are_derivatives(shop):
    rng = np.random.default_rng(3)
    nominal = shop.random_machine(rng, "BC")
    readings = systematic.read(nominal, shop.balls(nominal, rng, 2), shop.random_poses(nominal, rng, 6), 1)
    problem = build_problem(readings, nominal, "BC")
    state = initial_state(problem)
    state = replace(state, parameters=state.parameters + 0.02 * rng.normal(size=len(state.parameters)))
    columns = linearize(problem, state).columns
    for k in range(len(state.parameters)):
        step = np.zeros(len(state.parameters))
        step[k] = 1e-3
        ends = [
            derotate(problem.lines, problem.line_parameters(at), problem.turns_at(at), problem.points)
            for at in (state.parameters + step, state.parameters - step)
        ]
        assert (ends[0] - ends[1]) / 2e-3 == pytest.approx(columns[:, :, k], abs=1e-6)


@pytest.mark.parametrize("letters", [["X"], ["A", "A"]])
def test_unknown_rotaries_are_refused(shop, letters):
    rng = np.random.default_rng(0)
    nominal = shop.random_machine(rng, "AC")
    readings = systematic.read(nominal, shop.balls(nominal, rng, 1), shop.random_poses(nominal, rng, 8), 1)
    with pytest.raises(KinematicsError):
        fit_pivots(readings, nominal, angle_errors=letters)


# --- drift -----------------------------------------------------------------------------------------------------------


def drifting(shop, seed, size_mm, **more):
    rng = np.random.default_rng(seed)
    nominal = shop.random_machine(rng)
    truth = shop.moved_machine(nominal, rng, 0.03, 0.01)
    drift = rng.normal(size=3)
    drift *= size_mm / np.linalg.norm(drift)
    targets = shop.balls(nominal, rng, 3)
    return (
        nominal,
        drift,
        systematic.read(truth, targets, shop.random_poses(nominal, rng, 20), seed, drift_mm=drift, **more),
    )


def test_a_slow_drift_of_a_hundredth_is_named_with_size_and_direction(shop):
    named = 0
    for seed in range(cases(40)):
        nominal, drift, readings = drifting(shop, seed, 0.01)
        assert not find_blunders(readings, nominal)
        (found,) = fit_pivots(readings, nominal).drifts
        assert found.detectable_mm is not None
        if found.significant:
            named += 1
            assert found.u_mm is not None
            assert np.linalg.norm(np.array(found.shift_mm) - drift) < 6.0 * found.u_mm
    assert named >= at_least(0.9, cases(40))


def test_a_drift_with_temperature_is_named_by_it(shop):
    """Warm, then cold, then warm again: the order says nothing."""
    nominal, drift, readings = drifting(shop, 1, 0.0)
    warmth = 20.0 + 2.0 * np.sin(np.linspace(0.0, 3.0 * np.pi, len(readings)))
    course = (warmth - warmth.min()) / np.ptp(warmth)
    drift = np.array([0.0, 0.02, -0.01])
    readings = replace(readings, points_mm=readings.points_mm + course[:, None] * drift, temperature_c=warmth)
    found = {one.by: one for one in fit_pivots(readings, nominal).drifts}
    assert not found["order"].significant
    assert found["temperature"].significant
    assert np.array(found["temperature"].shift_mm) == pytest.approx(drift, abs=0.006)


def test_a_single_bad_reading_is_neither_drift_nor_angle_error(shop):
    for seed in range(cases(40)):
        nominal, _, readings = drifting(shop, seed, 0.0)
        points = np.array(readings.points_mm)
        points[(7 * seed) % len(points)] += [0.04, -0.03, 0.02]
        fit = fit_pivots(replace(readings, points_mm=points), nominal)
        assert fit.outliers
        assert not any(one.significant for one in (*fit.angle_errors, *fit.drifts)), seed


# --- the plan --------------------------------------------------------------------------------------------------------


def tilting(shop, rng):
    """Few poses that turn the table but hardly the tilt."""
    nominal = shop.random_machine(rng, "AC")
    return (
        nominal,
        shop.balls(nominal, rng, 2),
        np.array([[a, c] for a in (0.0, -30.0, 30.0) for c in (0.0, 90.0, 180.0)]),
    )


def test_a_plan_says_from_which_size_on_an_error_shows(shop):
    """The size that the plan states is named in most fits of such readings, a third of it in few."""
    rng = np.random.default_rng(11)
    nominal = shop.random_machine(rng, "AC")
    targets, poses = shop.balls(nominal, rng, 2), systematic.in_order(rng)
    foreseen = predict_uncertainty(planned_readings(nominal, targets, poses), nominal, systematic.SIGMA_MM)
    (size,) = [
        one.detectable_arcsec
        for one in foreseen.angle_errors
        if (one.letter, one.component) == ("A", "once a turn")
    ]
    named = dict.fromkeys((1.0, 1.0 / 3.0), 0)
    for share in named:
        for seed in range(cases(40)):
            phase = rng.uniform(0.0, 2.0 * np.pi)
            error = np.zeros(5)
            error[:2] = share * size * systematic.ARCSEC * np.array([np.cos(phase), np.sin(phase)])
            readings = systematic.read(nominal, targets, poses, seed, rotary=0, error=error)
            fit = fit_pivots(readings, nominal, sigma_mm=systematic.SIGMA_MM)
            named[share] += any(one.significant and one.letter == "A" for one in fit.angle_errors)
    assert named[1.0] >= at_least(0.95, cases(40))
    assert named[1.0 / 3.0] <= 0.65 * cases(40)


def test_added_poses_show_what_the_planned_ones_do_not(shop):
    rng = np.random.default_rng(4)
    nominal, targets, poses = tilting(shop, rng)
    candidates = candidate_poses(nominal, 30.0)
    added = poses_for_angle_errors(nominal, targets, poses, candidates, 3, systematic.SIGMA_MM)
    assert added.shape == (3, 2)
    assert len(np.unique(added, axis=0)) == 3

    def worst(these):
        planned = planned_readings(nominal, targets, these, is_accessible(nominal, targets, these))
        tests = predict_uncertainty(planned, nominal, systematic.SIGMA_MM).angle_errors
        return max(one.detectable_arcsec or 3600.0 for one in tests if one.letter == "A")

    assert worst(np.concatenate([poses, added])) < 0.6 * worst(poses)
    with pytest.raises(KinematicsError):
        poses_for_angle_errors(nominal, targets, poses, np.zeros((0, 2)), 3, systematic.SIGMA_MM)


def test_the_first_pose_read_again_shows_a_smaller_drift(shop):
    rng = np.random.default_rng(4)
    nominal = shop.random_machine(rng, "AC")
    targets, poses = shop.balls(nominal, rng, 2), systematic.in_order(rng)
    sizes = [
        predict_uncertainty(planned_readings(nominal, targets, these), nominal, 0.002).drifts[0].detectable_mm
        for these in (poses, np.concatenate([poses, poses[:1]]))
    ]
    assert sizes[1] < 0.7 * sizes[0]


@pytest.mark.parametrize("ordered", [False, True])
def test_a_drift_that_is_adjusted_along_leaves_intervals_that_hold(shop, ordered):
    """Named or not: with a hundredth of drift the plain intervals hold half the truths, the adjusted ones what they say."""
    plain, adjusted, squares, named = [], [], [], 0
    runs = cases(60)
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        nominal = shop.random_machine(rng)
        truth = shop.moved_machine(nominal, rng, 0.03, 0.01)
        drift = rng.normal(size=3)
        drift *= 0.01 / np.linalg.norm(drift)
        targets = shop.balls(nominal, rng, 2)
        poses = systematic.in_order(rng) if ordered else shop.random_poses(nominal, rng, 20)
        readings = systematic.read(truth, targets, poses, seed + 7, drift_mm=drift)
        fit = fit_pivots(readings, nominal)
        (test,) = fit.drifts
        # In order of the tilts a drift looks like a line that moved: it may hide, and from which size on is said.
        assert ordered or test.significant
        assert not ordered or test.detectable_mm is None or test.detectable_mm > 0.015
        named += test.significant
        along = fit_pivots(readings, nominal, drifts=["order"])
        (one,) = along.drift_fits
        assert one.estimable
        assert along.drifts == ()
        way = one.shift_mm / one.size_mm
        assert one.size_mm == pytest.approx(np.linalg.norm(one.shift_mm), rel=1e-12)
        assert one.u_mm**2 == pytest.approx(way @ one.covariance @ way, rel=1e-9)
        squares.append((one.shift_mm - drift) @ np.linalg.solve(one.covariance, one.shift_mm - drift))
        plain.append(systematic.covered(fit, truth).mean())
        adjusted.append(systematic.covered(along, truth).mean())
    assert np.mean(plain) < 0.75
    # Three numbers within their own covariance: F of 3 and some 100, whose mean is 3 and whose variance some 6.5.
    assert abs(np.mean(squares) - 3.0) < 3.0 * np.sqrt(6.5 / runs)
    # A set's eight parameters scatter together: some 0.12 from set to set.
    assert abs(np.mean(adjusted) - 0.95) < 0.005 + 3.0 * 0.12 / np.sqrt(runs)
    assert named >= at_least(0.05 if ordered else 0.99, runs)


def test_the_adjusted_drift_is_the_one_put_in(shop):
    """To the last digits, without scatter, with the order and with the temperature, beside an angle's error."""
    rng = np.random.default_rng(6)
    nominal = shop.random_machine(rng, "AC")
    truth = shop.moved_machine(nominal, rng, 0.05, 0.02)
    error, drift, warm = np.array([2e-4, -3e-4, 1e-4, 5e-5, 7e-4]), [0.02, -0.03, 0.01], [-0.01, 0.0, 0.04]
    readings = systematic.read(
        truth,
        shop.balls(nominal, rng, 2),
        shop.random_poses(nominal, rng, 30),
        1,
        sigma_mm=1e-9,
        error=error,
        drift_mm=drift,
    )
    warmth = rng.uniform(18.0, 23.0, size=len(readings))
    course = (warmth - warmth.min()) / np.ptp(warmth)
    readings = replace(readings, points_mm=readings.points_mm + course[:, None] * warm, temperature_c=warmth)
    fit = fit_pivots(readings, nominal, angle_errors=["A"], drifts=["order", "temperature"])
    assert [one.by for one in fit.drift_fits] == ["order", "temperature"]
    assert fit.drift_fits[0].shift_mm == pytest.approx(drift, abs=1e-7)
    assert fit.drift_fits[1].shift_mm == pytest.approx(warm, abs=1e-7)
    assert fit.drift_fits[0].size_mm == pytest.approx(np.linalg.norm(drift), abs=1e-7)
    assert fit.angle_curves[0].coefficients == pytest.approx(error, abs=1e-8)
    assert fit.parameters == pytest.approx(relative_line_parameters(nominal, truth), abs=1e-6)
    assert fit.drifts == ()
    (left,) = fit_pivots(readings, nominal, drifts=["order"]).drifts
    assert left.by == "temperature"


def test_a_drift_that_the_readings_cannot_tell_is_taken_as_none(shop):
    rng = np.random.default_rng(6)
    nominal = shop.random_machine(rng, "AC")
    readings = systematic.read(
        nominal, shop.balls(nominal, rng, 1), np.array([[0.0, 0.0], [0.0, 90.0], [0.0, 180.0]]), 1
    )
    (one,) = fit_pivots(readings, nominal, sigma_mm=0.002, drifts=["order"]).drift_fits
    assert not one.estimable


@pytest.mark.parametrize(
    ("drifts", "message"),
    [
        (["time"], "drifts: expected order, temperature or both, found"),
        (["order", "order"], "drifts: expected order, temperature or both, found"),
        (["temperature"], "drifts: expected readings with temperatures that differ, found none"),
    ],
)
def test_unknown_drifts_are_refused(shop, drifts, message):
    nominal, _, readings = drifting(shop, 1, 0.0)
    with pytest.raises(KinematicsError, match=message):
        fit_pivots(readings, nominal, drifts=drifts)
