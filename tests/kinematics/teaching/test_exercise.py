"""Exercises: the same from the same seed, different for every student, and printable without loss."""

import numpy as np
import pytest
from cases import answers_of
from slices import cases

from kinematics import KinematicsError, common_perpendicular
from kinematics.teaching import (
    LEVELS,
    diagnose,
    set_exercise,
    solve_by_matrices,
    solve_by_trigonometry,
    why_not_by_trigonometry,
)

UNITS = {"mm": (1.0, 3), "inch": (25.4, 4)}


def _numbers(exercise):
    machine = exercise.machine
    return [
        *(value for rotary in machine.rotaries for value in rotary.point_mm),
        machine.platter.face_mm,
        *(value for step in exercise.steps for value in (step.up_mm, *step.shift_mm)),
        *(value for operation in exercise.operations for value in operation.origin_mm),
    ]


@pytest.mark.parametrize("level", LEVELS)
def test_a_plane_looks_away_from_part_zero(level):
    """As the faces of a part do, seen from above; a floor may lie below part zero. Or the key's own job would be cautioned."""
    for sheet in range(1, cases(60) + 1):
        exercise = set_exercise(level, 42, sheet, "mm")
        offset_deg = exercise.setup.rotary_offset_deg
        for placed, operation in zip(exercise.placed, exercise.operations, strict=True):
            machine_deg = placed.program_deg + offset_deg
            # How far up a millimetre along each of the part's axes brings a point, tilted: the direction to the spindle.
            points = operation.origin_mm + np.vstack([np.zeros(3), np.eye(3)])
            heights = np.array([exercise.setup.work_offset(point, machine_deg)[2] for point in points])
            up = heights[1:] - heights[0]
            assert np.linalg.norm(up) == pytest.approx(1.0)
            assert np.dot(up[:2], operation.origin_mm[:2]) >= -1e-9


@pytest.mark.parametrize("units", UNITS)
@pytest.mark.parametrize("level", LEVELS)
def test_exercises_of_a_class(level, units):
    unit_mm, decimals = UNITS[units]
    seen = set()
    for sheet in range(1, cases(30) + 1):
        exercise = set_exercise(level, 42, sheet, units)
        again = set_exercise(level, 42, sheet, units)
        assert _numbers(exercise) == _numbers(again)
        seen.add(tuple(_numbers(exercise)))
        # What is printed is all there is.
        printed = np.round(np.array(_numbers(exercise)) / unit_mm, decimals) * unit_mm
        np.testing.assert_allclose(printed, _numbers(exercise), atol=1e-9)
        for placed in exercise.placed:
            by_hand = (
                [] if why_not_by_trigonometry(exercise.setup, exercise.stack) else [solve_by_trigonometry]
            )
            assert by_hand or level == "touched off and clocked"
            for worker in (solve_by_matrices, *by_hand):
                working = worker(exercise.setup, placed, exercise.stack)
                np.testing.assert_allclose(working.offset_mm, placed.offset_mm, atol=1e-9)
            assert (exercise.machine.travel.low_mm <= placed.offset_mm).all()
            assert (placed.offset_mm <= exercise.machine.travel.high_mm).all()
    assert len(seen) == cases(30)


def test_levels_ask_for_what_they_say():
    for sheet in range(1, 21):
        one = set_exercise("one tilt", 5, sheet)
        assert all(p.program_deg[1] == 0.0 and p.program_deg[0] != 0.0 for p in one.placed)
        both = set_exercise("tilt and rotate", 5, sheet)
        assert all(p.program_deg.all() for p in both.placed)
        assert common_perpendicular(*both.machine.rotaries).distance_mm == 0.0
        missing = set_exercise("lines that miss each other", 5, sheet)
        assert 0.02 < common_perpendicular(*missing.machine.rotaries).distance_mm < 0.7
        aimed = set_exercise("a normal to aim at", 5, sheet)
        assert aimed.normals is not None
        assert len(aimed.normals) == len(aimed.placed) == 2


def _turned(axis, angle_deg, vector):
    """A vector turned right-handed about machine Z or Y or X."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    i, j = (axis + 1) % 3, (axis + 2) % 3
    turned = np.array(vector, dtype=float)
    turned[i], turned[j] = c * vector[i] - s * vector[j], s * vector[i] + c * vector[j]
    return turned


def _offset(exercise, operation, in_angle, in_origin):
    """An offset from the numbers on the sheet, with the clocking counted so many times in C's angle and in the origin."""
    point = np.array(exercise.touched_mm) + _turned(2, in_origin * exercise.clocked_deg, operation.origin_mm)
    machine = exercise.machine
    for i in (1, 0):
        rotary = machine.rotaries[i]
        axis = int(np.argmax(np.abs(rotary.direction)))
        turn = rotary.positive_turn.sign * operation.program_deg[i]
        turn -= in_angle * exercise.clocked_deg if i else 0.0
        point = rotary.point_mm + _turned(axis, turn, point - rotary.point_mm)
    return point


@pytest.mark.parametrize("units", UNITS)
def test_who_does_not_mind_the_clocking_gets_it_wrong_and_is_told(units):
    """Part zero lies aside of C's line: on it the clocking and C's work offset would cancel, and nothing were learned."""
    unit_mm, decimals = UNITS[units]
    within = {"mm": 0.005, "inch": 0.0002 * 25.4}[units]
    named = {
        (1, 0): "part's turn forgotten, the origin",
        (1, -1): "part's turn reversed, the origin",
        (0, 0): "part's turn forgotten, the origin and C's offset",
        (-1, -1): "part's turn reversed, the origin and C's offset",
        (0, 1): "rotary offset forgotten, C",
        (-1, 1): "rotary offset's sign, C",
    }
    for sheet in range(1, cases(40) + 1):
        exercise = set_exercise("touched off and clocked", 5, sheet, units)
        for placed in exercise.placed:
            np.testing.assert_allclose(_offset(exercise, placed, 1, 1), placed.offset_mm, atol=1e-9)
        for counted, name in named.items():
            wrong = np.array([_offset(exercise, placed, *counted) for placed in exercise.placed])
            off = np.abs(wrong - [placed.offset_mm for placed in exercise.placed])
            assert (off.max(axis=1) > 2.0 * within).all(), (sheet, name)
            answers = answers_of(np.round(wrong / unit_mm, decimals) * unit_mm, 9)
            found = diagnose(
                *(exercise.setup, exercise.placed, None, answers),
                tolerance_mm=within,
                digit_mm=unit_mm * 10.0**-decimals,
                unit_mm=unit_mm,
            )
            (first, *_) = found.findings
            told = [mistake.name for mistake in first.made]
            same = [mistake.name for made in first.same for mistake in made]
            assert told == [name] or name in same, (sheet, name, told)


def test_the_key_passes_the_check():
    for level in LEVELS:
        exercise = set_exercise(level, 9, 4)
        truth = np.array([one.offset_mm for one in exercise.placed])
        found = diagnose(
            exercise.setup, exercise.placed, exercise.stack, answers_of(truth), tolerance_mm=0.005
        )
        assert found.right


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("two tilts", 1), "level: expected one of"),
        (("one tilt", -1), "seed: expected a whole number from 0, found -1"),
        (("one tilt", 1, 0), "sheet: expected a whole number from 1, found 0"),
        (("one tilt", "7"), "seed: expected a whole number"),
        (("one tilt", 1, 1, "cm"), 'units: expected "mm" or "inch", found \'cm\''),
    ],
)
def test_bad_input_is_refused(arguments, message):
    with pytest.raises(KinematicsError, match=message):
        set_exercise(*arguments)
