"""Wrong shapes, types and values that belong to another setup are refused at the library's edge."""

import numpy as np
import pytest

from kinematics import (
    KinematicsError,
    Machine,
    Operation,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    place_operations,
)
from kinematics.teaching import (
    Answer,
    Mistake,
    PivotMistake,
    attainable,
    classic_mistakes,
    diagnose,
    recompute,
    set_pivot_exercise,
    solve_by_matrices,
    solve_by_trigonometry,
)
from kinematics.teaching.pivot_exercise import circle_through, hand_solutions, rotation_centre
from kinematics.teaching.pivot_mistakes import WrongPivot

A = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
C = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
STACK = (StackStep("sub-plate", 20.0), StackStep("post", 80.0, turn_deg=10.0))
SETUP = Setup.from_stack(Machine("mill", (A, C), Platter(face_mm=0.0)), STACK)
(PORT,) = place_operations(SETUP, [Operation("port", program_deg=(-30.0, 60.0))]).placed
TILT_ONLY = Setup.from_stack(Machine("mill", (A,), Platter()), [StackStep("post", 100.0)])
(OTHER,) = place_operations(TILT_ONLY, [Operation("port", program_deg=(-30.0,))]).placed

USES = {
    "matrices": lambda placed, steps: solve_by_matrices(SETUP, placed, steps),
    "trigonometry": lambda placed, steps: solve_by_trigonometry(SETUP, placed, steps),
    "recompute": lambda placed, steps: recompute(SETUP, [placed], steps, classic_mistakes(SETUP, STACK)),
    "diagnose": lambda placed, steps: diagnose(
        SETUP, [placed], steps, [Answer(0, "X", 1e3)], tolerance_mm=0.005
    ),
}


@pytest.mark.parametrize("use", USES.values(), ids=USES)
@pytest.mark.parametrize(
    ("steps", "message"),
    [
        (STACK[:1], "steps: expected the stack of the setup, found one that ends 80 mm"),
        (
            (StackStep("sub-plate", 20.0), StackStep("post", 80.0, turn_deg=-10.0)),
            "steps: expected the stack of the setup, found one that turns the part otherwise",
        ),
        ((20.0, 80.0), "steps: expected a list of StackStep or None"),
    ],
)
def test_steps_that_are_not_the_setup_s(use, steps, message):
    with pytest.raises(KinematicsError, match=message):
        use(PORT, steps)
    use(PORT, STACK)


@pytest.mark.parametrize("use", USES.values(), ids=USES)
def test_an_operation_of_another_machine(use):
    with pytest.raises(KinematicsError, match=r"operation port: expected an angle for each of A, C"):
        use(OTHER, STACK)


def test_an_answer_given_twice():
    twice = [Answer(0, "X", 1.0), Answer(0, "X", 2.0)]
    with pytest.raises(KinematicsError, match="expected X of operation 0 once"):
        diagnose(SETUP, [PORT], STACK, twice, tolerance_mm=0.005)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: rotation_centre([1.0], [2.0, 2.0], 30.0), "first point: expected a last axis of 2"),
        (lambda: rotation_centre([1.0, 2.0], [2.0, np.nan], 30.0), "second point: expected finite"),
        (lambda: rotation_centre([1.0, 2.0], [2.0, 2.0], np.nan), "turn: expected one that moves"),
        (lambda: circle_through([[0, 0], [1, 1]]), r"points: expected shape \(..., 3, 2\), found \(2, 2\)"),
        (lambda: circle_through([0.0, 1.0]), r"points: expected shape \(..., 3, 2\), found \(2,\)"),
        (lambda: hand_solutions("by eye", [[0, 0]], [0]), "method: expected opposite readings"),
        (lambda: hand_solutions("level face", np.zeros((6, 2)), [0, 90]), "turns: expected a last axis of 6"),
    ],
)
def test_shapes(call, message):
    with pytest.raises(KinematicsError, match=message):
        call()


def test_a_label_says_which_and_what():
    labels = {mistake.name: mistake.label for mistake in classic_mistakes(SETUP, STACK)}
    assert labels["step left out, sub-plate"] == "sub-plate left out"
    assert labels["sense reversed, C"] == "C's sense reversed"
    assert labels["both turns reversed"] == "both turns reversed"
    assert len(set(labels.values())) == len(labels)
    assert Mistake("of a new kind", "A", "", "", frozenset(), lambda *_: None).label == "of a new kind, A"


def test_values_are_frozen_all_through():
    exercise = set_pivot_exercise(7)
    support = attainable(exercise)
    working = solve_by_matrices(SETUP, PORT, STACK)
    given = np.array([1.0, 2.0])
    row = WrongPivot(PivotMistake("kind", "", "words"), given)
    given[0] = 9.0
    assert row.value.tolist() == [1.0, 2.0]
    found = diagnose(SETUP, [PORT], STACK, [Answer(0, "X", 1e3)], tolerance_mm=0.005)
    arrays = [
        row.value,
        *(step.matrix for step in working.lines if step.matrix is not None),
        *(getattr(swing, name) for swing in working.swings for name in ("before_mm", "after_mm", "pivot_mm")),
        *(getattr(one, name) for one in exercise.probings for name in ("shown_mm", "centre_mm", "true_mm")),
        *(getattr(support, name) for name in ("best", "truth", "allowed")),
        *(getattr(found, name) for name in ("truth_mm", "off_mm", "wrong")),
        recompute(SETUP, [PORT], STACK, classic_mistakes(SETUP, STACK), pairs=False).offset_mm,
    ]
    assert len(arrays) > 15
    assert not any(array.flags.writeable for array in arrays)
