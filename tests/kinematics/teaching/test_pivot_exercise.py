"""A pivot to find: the same from the same seed, printable without loss, and told by its readings as well as is said."""

import functools
from dataclasses import replace

import numpy as np
import pytest
from rework import work_again
from scipy.optimize import least_squares
from slices import cases

from kinematics import KinematicsError, Machine, Platter, RotaryAxis, RotationSense, transform_points
from kinematics.calibration import TargetKind
from kinematics.teaching import (
    Digits,
    PivotAnswer,
    attainable,
    diagnose_pivots,
    hand_bound_mm,
    set_pivot_exercise,
    solve_pivot,
    written,
)
from kinematics.teaching.pivot_exercise import circle_through, rotation_centre

UNITS = {"mm": (1.0, 3), "inch": (25.4, 4)}
SECOND_MM = 1e-5  # second order: the largest error of a way, 0.015 mm, squared over the shortest arm, 30 mm


@functools.cache
def drawn(sheet: int, units: str):
    exercise = set_pivot_exercise(42, sheet, units)
    return exercise, attainable(exercise)


def _numbers(exercise):
    return [
        *(value for rotary in exercise.machine.rotaries for value in rotary.point_mm),
        *(value for one in exercise.probings for value in one.shown_mm.ravel()),
        *(2.0 * one.radius_mm for one in exercise.probings),
        exercise.repeatability_mm,
    ]


@pytest.mark.parametrize("units", UNITS)
def test_a_class_of_students(units):
    unit_mm, decimals = UNITS[units]
    seen = set()
    for sheet in range(1, 31):
        exercise = set_pivot_exercise(42, sheet, units)
        assert _numbers(exercise) == _numbers(set_pivot_exercise(42, sheet, units))
        seen.add(tuple(_numbers(exercise)))
        printed = np.round(np.array(_numbers(exercise)) / unit_mm, decimals) * unit_mm
        np.testing.assert_allclose(printed, _numbers(exercise), atol=1e-9)
        travel = exercise.machine.travel
        for one in exercise.probings:
            assert (travel.low_mm <= one.shown_mm).all()
            assert (one.shown_mm <= travel.high_mm).all()
            assert len(one.angles_deg) in (3, 4, 6)
            # Wrong enough to be worth finding.
            assert np.abs(one.believed_mm - one.true_mm).min() > 0.05
    assert len(seen) == 30


def test_both_ways_of_probing_a_tilt_and_both_kinds_of_machine_occur():
    found = {(one.letter, one.method) for s in range(1, 41) for one in drawn(s, "mm")[0].probings}
    assert found == {
        ("A", "ball on an arc"),
        ("A", "level face"),
        ("B", "ball on an arc"),
        ("B", "level face"),
        ("C", "opposite readings"),
    }


@pytest.mark.parametrize("units", UNITS)
def test_readings_lie_within_the_repeatability_of_the_true_machine(units):
    """The true targets carried by the true machine: an independent way to where the probe found them."""
    for sheet in range(1, 31):
        exercise, _ = drawn(sheet, units)
        readings = exercise.readings
        start = 0
        for one, target in zip(exercise.probings, exercise.targets, strict=True):
            here = slice(start, start + len(one.angles_deg))
            start += len(one.angles_deg)
            points = target.points_mm[np.arange(len(one.angles_deg)) % len(target.points_mm)]
            exact = transform_points(exercise.truth, points, readings.angles_deg[here])
            off = np.abs(readings.points_mm[here] - exact)
            if target.kind is TargetKind.FACE:  # off the normal it shows only where the probe was sent
                normal = (
                    transform_points(
                        exercise.truth, points + np.array([0.0, 0.0, 1.0]), readings.angles_deg[here]
                    )
                    - exact
                )
                off = np.where(np.abs(normal) > 0.5, off, 0.0)
            assert off.max() <= exercise.repeatability_mm + exercise.digit_mm / 2.0 + 1e-9
            # A ball is printed by its top, a face's side touches by the stylus centre; nothing else is.
            extra = np.abs(one.shown_mm - one.centre_mm)
            count = {TargetKind.BALL: 3, TargetKind.FACE: 4, TargetKind.BORE: 0}[target.kind]
            assert (extra > 1.0).sum() == count
            assert extra.max() == pytest.approx(one.radius_mm)


def test_nothing_on_the_sheet_gives_the_answer_away():
    for sheet in range(1, 1 + cases(400)):
        exercise, support = drawn(sheet, "mm")
        for one, limits in zip(exercise.probings, support.allowed_mm, strict=True):
            for axis, true, allowed in zip(one.asked, one.true_mm, limits, strict=True):
                for other in exercise.probings:
                    shown = other.shown_mm[:, axis]
                    assert (np.abs(shown - true) > allowed).all()
                    # Halfway between readings of its own is how a pivot is found; those of the other must not tell.
                    assert other is one or abs(shown.mean() - true) > allowed


@pytest.mark.parametrize("units", UNITS)
def test_the_hand_working_recovers_the_true_pivot_within_its_bound(units):
    for sheet in range(1, 1 + cases(400)):
        exercise, support = drawn(sheet, units)
        reading = exercise.repeatability_mm + exercise.digit_mm / 2.0
        for one, allowed in zip(exercise.probings, support.allowed_mm, strict=True):
            bounds = hand_bound_mm(one, reading)
            for name, found in one.by_hand().items():
                assert (np.abs(found - one.true_mm) <= bounds[name] + SECOND_MM).all(), (sheet, name)
                assert (bounds[name] < allowed).all()


def test_exact_readings_give_the_exact_pivot_by_every_way():
    for sheet in range(1, 41):
        exercise, _ = drawn(sheet, "mm")
        readings = exercise.readings
        start = 0
        for one, target in zip(exercise.probings, exercise.targets, strict=True):
            here = slice(start, start + len(one.angles_deg))
            start += len(one.angles_deg)
            points = target.points_mm[np.arange(len(one.angles_deg)) % len(target.points_mm)]
            exact = transform_points(exercise.truth, points, readings.angles_deg[here])
            # What rounding and scatter have put on is taken off again, the radii stay on.
            given = exact + (one.points_mm - readings.points_mm[here])
            for found in one.by_hand(given).values():
                np.testing.assert_allclose(found, one.true_mm, atol=1e-9)


def test_the_bound_is_met_by_the_worst_readings_and_by_no_others():
    random = np.random.default_rng(20260501)
    for sheet in range(1, 21):
        exercise, _ = drawn(sheet, "mm")
        for one in exercise.probings:
            base = one.by_hand()
            bounds = hand_bound_mm(one, 0.003)
            errors = random.choice([-0.003, 0.003], (400, *one.points_mm.shape))
            moved = one.by_hand(one.points_mm + errors)
            for name, bound in bounds.items():
                off = np.abs(moved[name] - base[name]).max(axis=0)
                assert (off <= bound + SECOND_MM).all()
                assert (off >= 0.55 * bound).all()  # of 400 random ones, the worst comes more than half way


def test_least_squares_is_right_too():
    for sheet in range(1, 31):
        for units in UNITS:
            exercise, support = drawn(sheet, units)
            for one, best, allowed in zip(
                exercise.probings, support.best_mm, support.allowed_mm, strict=True
            ):
                assert (np.abs(best - one.true_mm) <= allowed).all()
                if one.method == "opposite readings":
                    np.testing.assert_allclose(best, one.by_hand()["the mean of both halves"], atol=1e-6)
                if one.method == "level face":
                    np.testing.assert_allclose(best, one.by_hand()["means"], atol=1e-5)


def test_the_key_s_own_answers_pass_for_200_seeds():
    for seed in range(cases(200)):
        exercise = set_pivot_exercise(seed, 1 + seed % 7, ("mm", "inch")[seed % 2])
        support = attainable(exercise)
        d = exercise.digit_mm
        for i, one in enumerate(exercise.probings):
            for value in (*one.by_hand().values(), support.best_mm[i]):
                answer = np.rint(value / d) * d
                given = [PivotAnswer(i, axis, float(v)) for axis, v in zip(one.axes, answer, strict=True)]
                assert diagnose_pivots(exercise, support, given).right


@pytest.mark.parametrize("digits", [Digits(), Digits(unit_mm=25.4, length=5)], ids=["mm", "inch"])
def test_every_line_is_true_as_written_and_ends_at_the_pivot(digits):
    seen = 0
    for sheet in range(1, 31):
        exercise, _ = drawn(sheet, "mm" if digits.unit_mm == 1.0 else "inch")
        for one in exercise.probings:
            lines = solve_pivot(one)
            (pivot,) = (line for line in lines if line.key == "pivot")
            np.testing.assert_allclose(pivot.result, next(iter(one.by_hand().values())), atol=1e-9)
            for line in lines:
                for calculation in line.calculations:
                    text = written(calculation, digits)
                    if text.count(" = ") == 2:
                        again, printed = work_again(text)
                        # Each of at most four printed numbers is rounded by half a digit.
                        assert again == pytest.approx(printed, abs=2.5 * 10.0**-digits.length), text
                        seen += 1
    assert seen > 300


def test_the_second_reading_checks_the_arc():
    for sheet in range(1, 31):
        one = drawn(sheet, "mm")[0].probings[0]
        if one.method == "ball on an arc":
            first, second = solve_pivot(one)[-1].result
            assert abs(first - second) < 0.02


def test_apex_and_circle_against_an_iterated_fit():
    """scipy makes orthogonal distances least by iteration: through three points it has the same centre."""
    random = np.random.default_rng(20260502)
    for _ in range(50):
        centre, radius = random.uniform(-400.0, 0.0, 2), random.uniform(30.0, 200.0)
        angles = np.radians(random.uniform(0.0, 360.0) + np.array([0.0, 50.0, 110.0]))
        points = centre + radius * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
        start = np.array([*points.mean(axis=0), radius])
        best = least_squares(lambda c, p=points: np.linalg.norm(p - c[:2], axis=1) - c[2], start, xtol=1e-15)
        np.testing.assert_allclose(circle_through(points), best.x[:2], atol=1e-7)
        np.testing.assert_allclose(rotation_centre(points[0], points[2], 110.0), centre, atol=1e-9)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((-1,), "seed: expected a whole number from 0, found -1"),
        ((1, 0), "sheet: expected a whole number from 1, found 0"),
        ((1.5,), "seed: expected a whole number"),
        ((True,), "seed: expected a whole number"),
        ((1, 1, "cm"), 'units: expected "mm" or "inch", found \'cm\''),
    ],
)
def test_bad_input_is_refused(arguments, message):
    with pytest.raises(KinematicsError, match=message):
        set_pivot_exercise(*arguments)


@pytest.mark.parametrize("limits", [(-120.0, 30.0), (-30.0, 120.0), (-110.0, 110.0)])
@pytest.mark.parametrize("sense", ["clockwise", "counterclockwise"])
@pytest.mark.parametrize("tilts_along", [0, 1])
def test_a_machine_of_one_s_own_is_solved_by_hand_whichever_way_it_tilts(tilts_along, sense, limits):
    tilt = RotaryAxis("A", [-381.0, -203.4, -406.1], np.eye(3)[tilts_along], RotationSense(sense), limits)
    turn = RotaryAxis("C", [-381.02, -203.41, -356.1], [0, 0, 1], RotationSense.CLOCKWISE, None)
    mill = Machine("own", (tilt, turn), Platter(-356.1, 160.0))
    for sheet in (1, 2):
        exercise = set_pivot_exercise(7, sheet, machine=mill)
        assert exercise.machine is mill
        allowed = attainable(exercise).allowed_mm
        for one, limit in zip(exercise.probings, allowed, strict=True):
            found = next(iter(one.by_hand().values()))
            assert (np.abs(found - one.true_mm) <= limit).all()
            assert (np.abs(one.true_mm - one.believed_mm) > 0.03).all()


@pytest.mark.parametrize(
    ("tilt", "turn", "why"),
    [
        ({"direction": [0.001, 1.0, 0.0]}, {}, "A does not run exactly along"),
        ({"direction": [-1.0, 0.0, 0.0]}, {}, "A does not run exactly along"),
        ({"zero_deg": 15.0}, {}, "A has its zero at 15 degrees"),
        ({"limits_deg": (-20.0, 20.0)}, {}, "A does not reach three tilts"),
        ({}, {"limits_deg": (-90.0, 90.0)}, "C does not reach four quarter turns"),
    ],
)
def test_a_machine_without_plane_pivots_is_refused_with_the_reason(tilt, turn, why):
    first = RotaryAxis("A", [-381.0, -203.4, -406.1], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    last = RotaryAxis("C", [-381.02, -203.41, -356.1], [0, 0, 1], RotationSense.CLOCKWISE, None)
    mill = Machine("own", (replace(first, **tilt), replace(last, **turn)), Platter(-356.1, 160.0))
    with pytest.raises(KinematicsError, match=why):
        set_pivot_exercise(7, machine=mill)
