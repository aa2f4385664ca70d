"""Answered angles: what was wrong with them, and numbers that follow from them or from the other solution."""

import numpy as np
import pytest
from cases import SETUP, STACK, answers_of

from kinematics import Operation, Setup, place_operations, plane_from_normal
from kinematics.teaching import (
    AngleAnswer,
    all_solutions,
    diagnose,
    error_carried_forward,
    matching_solution,
    offset_of_other_solution,
)

(PORT,) = place_operations(
    SETUP, [Operation("port", plane=plane_from_normal([1, 2, 4]), origin_mm=[8.0, -5.0, -3.0])]
).placed
TILT, TURN = PORT.program_deg.tolist()


def _judged(tilt, turn, offset_mm):
    """The faults of both angles and the findings of the numbers."""
    angles = [AngleAnswer(0, "A", tilt), AngleAnswer(0, "C", turn)]
    answers = answers_of(np.asarray(offset_mm)[None])
    stood, faults = matching_solution(SETUP, [PORT], angles, answers, within_deg=0.001, within_mm=0.005)
    more = (
        *error_carried_forward(SETUP, faults, stood),
        *offset_of_other_solution(SETUP, stood, angles),
    )
    return faults, diagnose(SETUP, stood, STACK, answers, tolerance_mm=0.005, more=more).findings


def test_a_sign_lost_in_the_answer_is_not_called_a_sense_reversed():
    faults, findings = _judged(TILT, -TURN, SETUP.work_offset(PORT.origin_mm, [TILT, -TURN]))
    assert [(fault.answer.letter, "sign" in fault.why) for fault in faults] == [("C", True)]
    assert [one.kind for one in findings[0].made] == ["followed from wrong angles"]
    assert findings[0].made[0].at == "aim turn"
    assert not any(one.kind == "sense reversed" for made in findings[0].same for one in made)


def test_a_step_left_out_from_wrong_angles_is_both():
    bare = Setup.from_stack(SETUP.machine, [])
    faults, findings = _judged(TILT + 2.0, TURN, bare.work_offset(PORT.origin_mm, [TILT + 2.0, TURN]))
    assert [fault.answer.letter for fault in faults] == ["A"]
    assert {one.kind for one in findings[0].made} == {"followed from wrong angles", "step left out"}


def test_one_solution_s_angles_with_the_other_s_offset():
    first, other = all_solutions(SETUP, PORT)
    faults, findings = _judged(*first.program_deg.tolist(), other.offset_mm)
    assert faults == ()
    assert [one.kind for one in findings[0].made] == ["offset of the other solution"]


def test_one_solution_s_tilt_with_the_other_s_turn():
    _, other = all_solutions(SETUP, PORT)
    faults, _ = _judged(float(other.program_deg[0]), TURN, PORT.offset_mm)
    (fault,) = faults
    assert "other solution" in fault.why


@pytest.mark.parametrize(
    ("right", "answered", "why"),
    [
        (29.2059, 29.21, "rounded to 0.01"),
        (29.2059, 29.2, "rounded to 0.1"),
        (29.2059, 29.0, "rounded to whole"),
        (29.2559, 29.25, "cut off at 0.01"),
        (-29.2559, -29.25, "cut off at 0.01"),
        (22.5, 23.0, "rounded to whole"),
        (29.5725, 29.34, "minutes"),
        (29.2059, 60.7941, "complement"),
        (-29.2059, 60.7941, "complement"),
        (29.2059, 30.4, ""),
    ],
)
def test_the_reason_of_a_wrong_angle(right, answered, why):
    """Derived here: 29.34 written for 29 degrees 34 minutes, which is 29.5667."""
    lean = np.radians(right)
    normal = plane_from_normal([0.0, np.sin(-lean), np.cos(lean)])
    (port,) = place_operations(SETUP, [Operation("port", plane=normal)]).placed
    sign = float(np.sign(port.program_deg[0] * right))
    _, faults = matching_solution(
        SETUP, [port], [AngleAnswer(0, "A", sign * answered)], [], within_deg=0.001, within_mm=0.005
    )
    assert (why in faults[0].why) if why else not faults[0].why


def _without_angles(offset_mm):
    """The solution chosen where no angle is answered, and the findings of the numbers."""
    answers = answers_of(np.asarray(offset_mm)[None])
    stood, _ = matching_solution(SETUP, [PORT], [], answers, within_deg=0.001, within_mm=0.005)
    others = {0: np.array([one.offset_mm for one in all_solutions(SETUP, stood[0])[1:]])}
    return stood[0], diagnose(SETUP, stood, STACK, answers, tolerance_mm=0.005, others_mm=others).findings


@pytest.mark.parametrize("shared", [0, 1, 2])
def test_one_number_of_the_other_solution_does_not_choose_it(shared):
    """The rest is a hundredth off the job's own solution, and far from the other."""
    own, other = all_solutions(SETUP, PORT)
    given = own.offset_mm + 0.01
    given[shared] = other.offset_mm[shared]
    chosen, _ = _without_angles(given)
    assert np.array_equal(chosen.offset_mm, own.offset_mm)


def test_a_whole_offset_of_the_other_solution_chooses_it():
    _, other = all_solutions(SETUP, PORT)
    chosen, findings = _without_angles(other.offset_mm)
    assert np.allclose(chosen.program_deg, other.program_deg)
    assert findings == ()


def test_a_number_taken_from_the_other_solution_is_named():
    own, other = all_solutions(SETUP, PORT)
    chosen, (finding,) = _without_angles([*own.offset_mm[:2], other.offset_mm[2]])
    assert np.array_equal(chosen.offset_mm, own.offset_mm)
    assert [(one.kind, one.item) for one in finding.made] == [("numbers of the other solution", "Z")]
    assert finding.complete
