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


def test_a_plane_to_aim_at_looks_away_from_part_zero():
    """As the faces of a part do, seen from above; a floor may lie below part zero."""
    for sheet in range(1, cases(30) + 1):
        exercise = set_exercise("a normal to aim at", 42, sheet, "mm")
        assert exercise.normals is not None
        for normal, operation in zip(exercise.normals, exercise.operations, strict=True):
            assert np.dot(normal[:2], operation.origin_mm[:2]) >= 0.0


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
