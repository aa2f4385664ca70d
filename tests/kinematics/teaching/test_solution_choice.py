"""The solution that answers are judged by where the numbers alone tell it."""

import numpy as np
import pytest
from cases import SETUP, STACK, answers_of

from kinematics import Operation, place_operations, plane_from_normal
from kinematics.teaching import (
    AngleAnswer,
    all_solutions,
    classic_mistakes,
    diagnose_solutions,
    matching_solution,
    recompute,
)

LEFT, RIGHT = (
    Operation("left", plane=plane_from_normal([-1, 2, 4]), origin_mm=[-12.0, 7.0, -3.0]),
    Operation("right", plane=plane_from_normal([2, 1, 5]), origin_mm=[14.0, 4.0, -6.0]),
)
"""C's arm points to the negative side for the left port alone: there an arc tangent lacks half a turn."""


def _judged(offset_mm, placed, angles=()):
    return diagnose_solutions(
        SETUP, placed, STACK, answers_of(offset_mm), angles, within_deg=0.001, tolerance_mm=0.005
    )


def _at_the_same_angles(ones, others):
    return [
        np.array_equal(one.machine_deg, other.machine_deg) for one, other in zip(ones, others, strict=True)
    ]


def _kinds(finding):
    return sorted(one.name for one in finding.made)


def _two_mistakes(operations, sine):
    placed = place_operations(SETUP, operations).placed
    worked = recompute(SETUP, placed, STACK, classic_mistakes(SETUP, STACK, operations=placed))
    names = {frozenset(one.name for one in made): row for row, made in enumerate(worked.made)}
    pair = {"180 forgotten, C", f"one sine's sign, A's new {sine}"}
    return placed, worked.offset_mm[names[frozenset(pair)]], sorted(pair)


@pytest.mark.parametrize("sine", ["Y", "Z"])
def test_two_mistakes_at_every_port_go_before_one_at_each_by_different_solutions(sine):
    placed, given, pair = _two_mistakes([LEFT, RIGHT], sine)
    # X and one of Y and Z at the left port are those of the other tilt, to the last digit.
    meant, _ = matching_solution(SETUP, placed, [], answers_of(given), within_deg=0.001, within_mm=0.005)
    assert _at_the_same_angles(meant, placed) == [False, True]
    found = _judged(given, placed)
    assert found.placed == placed
    (finding,) = found.diagnosis.findings
    assert _kinds(finding) == pair
    assert finding.operations == (0, 1)
    assert found.level is None


@pytest.mark.parametrize("sine", ["Y", "Z"])
def test_one_mistake_by_the_other_solution_is_told_beside_two_by_the_job_s(sine):
    placed, given, pair = _two_mistakes([LEFT], sine)
    found = _judged(given, placed)
    _, other = all_solutions(SETUP, placed[0])
    assert np.array_equal(found.placed[0].machine_deg, other.machine_deg)
    assert _kinds(found.diagnosis.findings[0]) == [f"one sine's sign, A's new {'ZY'['YZ'.index(sine)]}"]
    assert int(found.diagnosis.wrong.sum()) == 1
    assert [_kinds(finding) for finding in found.level.findings] == [pair]


def test_a_right_answer_by_the_other_solution_stays_right_beside_mistakes_by_the_job_s():
    placed, given, pair = _two_mistakes([LEFT, RIGHT, LEFT], "Y")
    _, other = all_solutions(SETUP, placed[2])
    given = given.copy()
    given[2] = other.offset_mm
    found = _judged(given, placed)
    assert not found.diagnosis.wrong.reshape(3, 3)[2].any()
    assert _at_the_same_angles(found.placed, placed) == [True, True, False]
    assert _kinds(found.diagnosis.findings[0]) == pair
    every = np.array([all_solutions(SETUP, one)[1].offset_mm for one in placed])
    assert _judged(every, placed).diagnosis.right


def test_angles_that_were_answered_decide():
    placed, given, _ = _two_mistakes([LEFT, RIGHT], "Y")
    _, other = all_solutions(SETUP, placed[0])
    angles = [AngleAnswer(0, letter, float(v)) for letter, v in zip("AC", other.program_deg, strict=True)]
    found = _judged(given, placed, angles)
    assert found.faults == ()
    assert np.array_equal(found.placed[0].machine_deg, other.machine_deg)
    assert found.level is None


def test_what_nothing_explains_by_the_job_s_solution_stays_the_other_s():
    placed = place_operations(SETUP, [LEFT, RIGHT]).placed
    given = np.array([one.offset_mm for one in placed])
    given[0] = all_solutions(SETUP, placed[0])[1].offset_mm
    given[0, 2] += 7.891
    found = _judged(given, placed)
    assert found.diagnosis.wrong.tolist() == [False, False, True, False, False, False]
    assert found.level is None
