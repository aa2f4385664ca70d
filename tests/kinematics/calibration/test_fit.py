"""The answer's parts: location errors, pairs, tilt, residuals, suspects, verdicts, robust losses."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import chi2
from slices import cases

from kinematics import (
    KinematicsError,
    Machine,
    Platter,
    RotaryAxis,
    RotationSense,
    common_perpendicular,
    rotation_about_axis,
    table_pose,
)
from kinematics.calibration import (
    fit_pivots,
    linear_algebra,
    planned_readings,
    readings_from_rows,
    relative_line_parameters,
    simulated_readings,
)
from kinematics.calibration.covariance import EstimatedLine
from kinematics.calibration.derived_quantities import _apart
from kinematics.calibration.line_parameters import derotate
from kinematics.calibration.observation_equations import target_residuals
from kinematics.calibration.robust import LOSSES
from kinematics.calibration.solve import solve
from kinematics.calibration.statistics import chi_squared_median

A = RotaryAxis("A", [-381.0, -203.412, -406.118], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 120.0))
B = RotaryAxis("B", [-300.0, -210.0, -400.0], [0, 1, 0], RotationSense.COUNTERCLOCKWISE, (-120.0, 120.0))
C = RotaryAxis("C", [-381.025, -203.405, -356.112], [0, 0, 1], RotationSense.CLOCKWISE, None)


def exact_fit(shop, nominal, truth, seed=0):
    rng = np.random.default_rng(seed)
    return fit_pivots(
        planned_readings(truth, shop.balls(nominal, rng, 2), shop.random_poses(nominal, rng, 10)), nominal
    )


@pytest.mark.parametrize(
    ("rotary", "about", "name"),
    [
        (A, "Y", "E_B0A"),
        (A, "Z", "E_C0A"),
        (B, "X", "E_A0B"),
        (B, "Z", "E_C0B"),
        (C, "X", "E_A0C"),
        (C, "Y", "E_B0C"),
    ],
)
def test_location_angles_are_right_handed_turns_from_the_machines_axes(shop, rotary, about, name):
    """ISO 230-1: E_B0A is the turn of A's line about Y. Turn a line by 0.3 degrees and read it back."""
    other = C if rotary is not C else A
    nominal = Machine("m", (rotary, other) if rotary is not C else (other, rotary), Platter(face_mm=-356.0))
    tipped = replace(
        rotary, direction=rotation_about_axis(np.eye(3)["XYZ".index(about)], 0.3) @ rotary.direction
    )
    truth = replace(nominal, rotaries=tuple(tipped if r is rotary else r for r in nominal.rotaries))
    errors = {e.name: e for e in exact_fit(shop, nominal, truth).line(rotary.letter).location_errors}
    assert errors.pop(name).value == pytest.approx(0.3, abs=1e-8)
    assert [e.value for e in errors.values()] == pytest.approx([0.0, 0.0, 0.0], abs=1e-8)
    # Told from the machine's axis, not from the old direction: an old direction that was wrong does not hide itself.
    again = {e.name: e for e in exact_fit(shop, truth, truth).line(rotary.letter).location_errors}
    assert again[name].value == pytest.approx(0.3, abs=1e-8)
    moved = {e.name: e.value for e in exact_fit(shop, truth, truth).line(rotary.letter).changes}
    assert list(moved.values()) == pytest.approx([0.0] * 4, abs=1e-8)


@pytest.mark.parametrize(
    ("rotary", "names"),
    [(A, {"E_Y0A": 1, "E_Z0A": 2}), (B, {"E_X0B": 0, "E_Z0B": 2}), (C, {"E_X0C": 0, "E_Y0C": 1})],
)
def test_location_positions_are_told_from_the_old_line(shop, rotary, names):
    other = C if rotary is not C else A
    nominal = Machine("m", (rotary, other) if rotary is not C else (other, rotary), Platter(face_mm=-356.0))
    shifted = replace(rotary, point_mm=rotary.point_mm + np.array([0.011, -0.022, 0.033]))
    truth = replace(nominal, rotaries=tuple(shifted if r is rotary else r for r in nominal.rotaries))
    errors = {e.name: e.value for e in exact_fit(shop, nominal, truth).line(rotary.letter).location_errors}
    for name, k in names.items():
        assert errors[name] == pytest.approx([0.011, -0.022, 0.033][k], abs=1e-9)


def test_a_direction_that_points_the_other_way_has_the_same_errors(shop):
    lean = np.array([1.0, 2e-4, -3e-4])
    found = []
    for direction, sense in ((lean, RotationSense.CLOCKWISE), (-lean, RotationSense.COUNTERCLOCKWISE)):
        a = replace(A, direction=np.sign(direction[0]) * np.eye(3)[0], positive_turn=sense)
        nominal = Machine("m", (a, C), Platter(face_mm=-356.0))
        truth = replace(nominal, rotaries=(replace(a, direction=direction), C))
        found.append([e.value for e in exact_fit(shop, nominal, truth).line("A").location_errors])
    assert found[0] == pytest.approx(found[1], abs=1e-9)
    assert found[0][2:] == pytest.approx([np.degrees(3e-4), np.degrees(2e-4)], rel=1e-6)


def test_a_rotary_along_no_axis_has_no_location_errors_but_still_a_verdict(shop):
    skew = replace(B, direction=[0.0, 1.0, 1.0])
    nominal = Machine("m", (skew, C), Platter(face_mm=-356.0))
    truth = replace(nominal, rotaries=(replace(skew, point_mm=skew.point_mm + np.array([0.05, 0.0, 0.0])), C))
    line = exact_fit(shop, nominal, truth).line("B")
    assert line.location_errors == ()
    assert [e.name for e in line.changes] == ["across 1", "across 2", "lean 1", "lean 2"]
    assert line.changes[0].value == pytest.approx(0.05, abs=1e-9)


def test_distance_and_angle_are_those_of_the_lines(shop):
    rng = np.random.default_rng(1)
    for _ in range(5):
        nominal = shop.random_machine(rng)
        truth = shop.moved_machine(nominal, rng, 0.2, 0.2)
        (pair,) = exact_fit(shop, nominal, truth).pairs
        gap = common_perpendicular(*truth.rotaries)
        assert pair.distance.value == pytest.approx(gap.distance_mm, abs=1e-9)
        assert pair.angle.value == pytest.approx(gap.angle_deg, abs=1e-9)


def test_parallel_lines_have_a_distance_and_no_angle(shop):
    """Two rotaries along Z, 40 mm apart, the readings those of lines 40.05 apart: a sum of turns and two circles."""
    outer = replace(B, point_mm=C.point_mm + np.array([40.0, 0.0, 0.0]), direction=[0.0, 0.0, 1.0])
    nominal = Machine("m", (outer, C), Platter(face_mm=-356.0))
    moved = replace(outer, point_mm=outer.point_mm + np.array([0.03, 0.04, 0.0]))
    (pair,) = exact_fit(shop, nominal, replace(nominal, rotaries=(moved, C))).pairs
    assert pair.distance.value == pytest.approx(np.hypot(40.03, 0.04), abs=1e-9)
    assert pair.angle.value == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_derivatives_at_parallel_lines(sense):
    """Distance square to the first line where that is given, and lean toward the second: by differences."""
    across, up = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]), np.array([0.0, 0.0, 1.0])
    points = np.array([[0.0, 0.0, 0.0], [30.0, 40.0, 7.0]])
    slopes = [np.vstack([across, np.zeros((2, 3))]), np.vstack([np.zeros((2, 3)), across * 0.01])]
    one, other = (
        EstimatedLine(point, way, *slopes) for point, way in zip(points, (up, sense * up), strict=True)
    )
    distance, by_distance, angle, by_angle = _apart(one, other)
    assert (distance, angle) == (50.0, 0.0 if sense > 0.0 else pytest.approx(np.pi))

    def at(told):
        first, second = (
            (point + told[4 * k : 4 * k + 2] @ across, way + 0.01 * told[4 * k + 2 : 4 * k + 4] @ across)
            for k, (point, way) in enumerate(zip(points, (up, sense * up), strict=True))
        )
        first, second = ((point, way / np.linalg.norm(way)) for point, way in (first, second))
        between = second[0] - first[0]
        off = between - (between @ first[1]) * first[1]
        return np.array([np.linalg.norm(off), sense * (second[1] - sense * first[1]) @ [0.6, 0.8, 0.0]])

    step = 1e-5
    numeric = [(at(step * told) - at(-step * told)) / (2.0 * step) for told in np.eye(8)]
    np.testing.assert_allclose(np.stack([by_distance, by_angle], axis=1), numeric, atol=1e-9)


def test_the_platters_tilt_against_its_own_line(shop):
    rng = np.random.default_rng(2)
    nominal = Machine("m", (A, C), Platter(face_mm=-356.112))
    truth = shop.moved_machine(nominal, rng, 0.1, 0.1)
    last = truth.rotaries[1].direction
    toward = np.array([np.cos(np.radians(70.0)), np.sin(np.radians(70.0)), 0.0])
    toward = toward - (toward @ last) * last
    tilt = rotation_about_axis(np.cross(last, toward), 0.02)
    face = shop.platter_touches(nominal)
    points = face.points_mm - C.point_mm
    points = C.point_mm + (points - (points @ last)[:, None] * last) @ tilt.T
    poses = shop.random_poses(nominal, rng, 8)
    exact = planned_readings(truth, [replace(face, points_mm=points, direction=tilt @ last)], poses)
    readings = replace(exact, directions=())
    (target,) = fit_pivots(readings, nominal).targets
    assert target.tilt.value == pytest.approx(0.02, abs=1e-7)
    assert target.tilt_toward_deg == pytest.approx(70.0, abs=0.1)


def test_residuals_are_read_minus_fitted_at_the_readings_pose(shop):
    case = shop.random_case(12, extra=(shop.platter_touches,))
    fit = fit_pivots(case.readings, case.nominal)
    table = table_pose(fit.fitted_machine, case.readings.angles_deg)
    for t, target in enumerate(fit.targets):
        mine = case.readings.target == t
        here = case.readings.points_mm[mine]
        at = table.apply(target.point_mm)[mine]
        if target.direction is None:
            assert np.allclose(here - at, fit.residuals.residual_mm[mine], atol=1e-9)
        else:
            normal = table.rotate(target.direction)[mine]
            assert np.allclose(((here - at) * normal).sum(axis=-1), fit.residuals.size_mm[mine], atol=1e-9)
    # What is read more than needed adds up to the degrees of freedom.
    assert (fit.residuals.redundancy * case.readings.equations).sum() == pytest.approx(fit.dof, abs=1e-6)
    # dof * s^2 / sigma^2 is chi squared: all but one draw in a thousand lie between these.
    low, high = case.sigma_mm * np.sqrt(np.array(chi2.interval(0.999, fit.dof)) / fit.dof)
    assert low < fit.sigma_mm < high


def test_studentised_residuals_are_those_of_leaving_the_reading_out(shop):
    """Independent check: fit without the reading, and see how far that fit misses it."""
    case = shop.random_case(13, targets=1, poses=9)
    fit = fit_pivots(case.readings, case.nominal)
    whole = solve(case.readings, case.nominal)
    for i in range(4):
        keep = np.arange(len(case.readings)) != i
        without = solve(case.readings.only(keep), case.nominal)
        gain = float(whole.squares.sum() - without.squares.sum())
        expected = np.sqrt(gain / 3.0 / (without.squares.sum() / without.dof))
        assert fit.residuals.studentised[i] == pytest.approx(expected, rel=1e-3)


def test_suspects_are_named_worst_first_and_clean_readings_have_none(shop):
    named = 0
    for seed in range(cases(40)):
        case = shop.random_case(300 + seed, targets=2, poses=12)
        named += len(fit_pivots(case.readings, case.nominal).outliers)
        bad = np.random.default_rng(seed).choice(len(case.readings), size=2, replace=False)
        points = np.array(case.readings.points_mm)
        points[bad[0]] += 60.0 * case.sigma_mm
        points[bad[1]] -= [30.0 * case.sigma_mm, 0.0, 30.0 * case.sigma_mm]
        spoilt = replace(case.readings, points_mm=points)
        assert {s.index for s in fit_pivots(spoilt, case.nominal).outliers} == set(bad.tolist())
    assert named == 0


def test_verdicts(shop):
    nominal = Machine("m", (A, C), Platter(face_mm=-356.112))
    truth = replace(nominal, rotaries=(A, replace(C, point_mm=C.point_mm + np.array([0.0, 0.014, 0.0]))))
    rng = np.random.default_rng(4)
    readings = simulated_readings(
        truth, shop.balls(nominal, rng, 2), shop.random_poses(nominal, rng, 12), 0.002, 5
    )
    fit = fit_pivots(readings, nominal)
    by_name = {e.name: e for e in fit.line("C").changes}
    assert by_name["Y"].verdict == "moved"
    assert abs(by_name["Y"].value - 0.014) < by_name["Y"].expanded_uncertainty < 0.004
    assert by_name["X"].verdict == "not shown to have moved"


def test_a_stated_sigma_that_is_too_small_is_doubted(shop):
    case = shop.random_case(21, targets=2, poses=16)
    right = fit_pivots(case.readings, case.nominal, sigma_mm=case.sigma_mm)
    wrong = fit_pivots(case.readings, case.nominal, sigma_mm=case.sigma_mm / 3.0)
    assert right.p_value > 0.001 > wrong.p_value
    assert wrong.sigma_mm == case.sigma_mm / 3.0
    assert wrong.s0 == pytest.approx(right.s0)


def test_without_redundancy_and_sigma_there_is_no_uncertainty(shop):
    poses = [(0, 0), (0, 120), (0, 240)]
    nominal = Machine("m", (A, C), Platter(face_mm=-356.112))
    target = shop.balls(nominal, np.random.default_rng(0), 1)
    readings = planned_readings(nominal, target, poses).only([0, 1])
    fit = fit_pivots(readings, nominal)
    assert fit.dof == 0
    assert fit.covariance is None
    assert fit.line("C").u_point_mm is None
    assert all(e.standard_uncertainty is None for e in fit.line("C").changes)
    assert np.isnan(fit.residuals.studentised).all()
    with pytest.raises(KinematicsError, match="stated sigma or redundant readings"):
        fit.region("C")


def test_the_region_of_a_pivot_is_its_covariances_ellipse(shop):
    case = shop.random_case(14, targets=2)
    fit = fit_pivots(case.readings, case.nominal, sigma_mm=case.sigma_mm)
    centre, axes = fit.region("C")
    assert centre.tolist() == fit.parameters[4:6].tolist()
    # Derived here: 95 % of a plane's normal lies within sqrt(-2 ln 0.05) standard ellipses.
    assert axes.T @ axes == pytest.approx(fit.covariance[4:6, 4:6] * -2.0 * np.log(0.05), rel=1e-9)
    assert np.linalg.norm(axes[0]) >= np.linalg.norm(axes[1])


@pytest.mark.parametrize("loss", LOSSES)
def test_robust_losses_find_what_scipys_least_squares_finds(shop, loss):
    case = shop.random_case(15, targets=2, poses=12)
    points = np.array(case.readings.points_mm)
    points[[3, 11]] += [0.05, -0.08, 0.06]
    readings = replace(case.readings, points_mm=points)
    fit = fit_pivots(readings, case.nominal, loss=loss, loss_scale_mm=0.01)
    problem = solve(readings, case.nominal).problem

    def miss(numbers):
        where = derotate(
            problem.lines, (numbers[:8] * problem.scale).reshape(-1, 4), problem.turns, problem.points
        )
        targets = np.column_stack([numbers[8:].reshape(-1, 3), np.zeros(len(problem.names))])
        return np.linalg.norm(
            target_residuals(problem.nominal_targets, targets, problem.target, where, problem.lever_mm),
            axis=-1,
        )

    start = np.concatenate([fit.parameters / problem.scale, np.zeros(6)])
    for t, target in enumerate(fit.targets):
        start[8 + 3 * t : 11 + 3 * t] = target.point_mm - problem.nominal_targets.base[t]
    ours = least_squares(miss, start, loss=loss, f_scale=0.01, max_nfev=1).cost
    best = least_squares(miss, start, loss=loss, f_scale=0.01, xtol=1e-15, ftol=1e-15, gtol=1e-15).cost
    assert ours <= best * (1.0 + 1e-9)
    assert fit.loss == loss
    assert np.argsort(fit.residuals.weight)[:2].tolist() in ([3, 11], [11, 3])
    # The outliers pull the plain fit away by much more.
    plain = fit_pivots(readings, case.nominal)
    true = relative_line_parameters(case.nominal, case.truth)
    scale = np.tile([1.0, 1.0, 80.0, 80.0], 2)
    assert (
        np.abs((fit.parameters - true) * scale).max() < 0.5 * np.abs((plain.parameters - true) * scale).max()
    )


def test_robust_uncertainties_on_clean_readings_are_about_the_plain_ones(shop):
    for seed in range(5):
        case = shop.random_case(400 + seed, targets=3, poses=20)
        plain, robust = (fit_pivots(case.readings, case.nominal, loss=loss) for loss in ("linear", "huber"))
        ratio = np.sqrt(np.diag(robust.covariance) / np.diag(plain.covariance))
        assert np.abs(ratio - 1.0).max() < 0.1


def test_medians_of_chi_squared():
    # Printed in any table of chi squared: 0.455, 1.386, 2.366.
    assert chi_squared_median(np.array([1, 2, 3])) == pytest.approx([0.455, 1.386, 2.366], abs=5e-4)


def test_bad_requests_are_refused(shop):
    case = shop.random_case(16)
    with pytest.raises(KinematicsError, match="sigma: expected more than 0, found -1"):
        fit_pivots(case.readings, case.nominal, sigma_mm=-1.0)
    with pytest.raises(
        KinematicsError, match="loss: expected linear, soft_l1, huber, cauchy, arctan, found 'l3'"
    ):
        fit_pivots(case.readings, case.nominal, loss="l3")
    each = replace(case.readings, sigma_mm=np.full(len(case.readings), 0.002))
    with pytest.raises(KinematicsError, match="one statement"):
        fit_pivots(each, case.nominal, sigma_mm=0.002)
    with pytest.raises(KinematicsError, match="row 7, kind: expected ball, bore, pin or face, found 'cone'"):
        readings_from_rows(["cone"], ["one"], [[0, 0]], [[0, 0, 0]], rows=[7])
    with pytest.raises(KinematicsError, match="expected a target that was read"):
        readings_from_rows(["face"], ["one"], [[0, 0]], [[0, 0, 0]], directions={"two": [0, 0, 1]})
    with pytest.raises(KinematicsError, match="finite"):
        readings_from_rows(["ball"], ["one"], [[0, 0]], [[0, 0, np.nan]])


def test_with_a_robust_loss_a_scatter_beyond_the_stated_one_is_believed(shop):
    case = shop.random_case(7, targets=2, poses=16)
    wide, narrow = (
        fit_pivots(case.readings, case.nominal, sigma_mm=factor * case.sigma_mm, loss="huber")
        for factor in (4.0, 0.1)
    )
    assert wide.sigma_mm == 4.0 * case.sigma_mm
    assert narrow.sigma_mm == pytest.approx(narrow.s0)
    assert narrow.sigma_mm == pytest.approx(case.sigma_mm, rel=0.5)


@pytest.mark.parametrize(
    "decompose",
    [
        linear_algebra.inverse,
        linear_algebra.eigen_symmetric,
        lambda matrix: linear_algebra.singular_values(matrix, full_matrices=False),
        lambda matrix: linear_algebra.pseudo_inverse(matrix, 1e-6),
        lambda matrix: linear_algebra.solution(matrix, np.ones(2)),
    ],
)
def test_what_is_no_number_is_refused_before_it_spreads(decompose):
    with pytest.raises(KinematicsError, match="check the readings"):
        decompose(np.array([[1.0, 0.0], [0.0, np.nan]]))


def test_a_singular_system_has_its_shortest_solution():
    assert linear_algebra.solution(np.ones((2, 2)), np.full(2, 4.0)) == pytest.approx([2.0, 2.0])
