"""Published examples of turns come out of the working with the book's numbers."""

import numpy as np
import pytest

from kinematics import Machine, Operation, Platter, RotaryAxis, RotationSense, Setup, place_operations
from kinematics.teaching import solve_by_matrices, solve_by_trigonometry


def _line(working, key):
    return next(line for line in working.lines if line.key == key)


def _worked(machine: Machine, program_deg, origin, worker=solve_by_matrices):
    setup = Setup.from_stack(machine, [])
    (placed,) = place_operations(setup, [Operation("op", program_deg=program_deg, origin_mm=origin)]).placed
    return worker(setup, placed, [])


def test_turn_about_an_oblique_line():
    """Lynch and Park, Modern Robotics: AxisAng3([1, 2, 3]) and the rotation it exponentiates to.

    Docstring examples of the package modern-robotics 1.1.1 (core.py); the rotation recomputed with scipy.
    """
    axis, angle = [0.26726124, 0.53452248, 0.80178373], 3.7416573867739413
    rotation = [
        [-0.69492056, 0.71352099, 0.08929286],
        [-0.19200697, -0.30378504, 0.93319235],
        [0.69297817, 0.6313497, 0.34810748],
    ]
    oblique = RotaryAxis("C", [0, 0, 0], [1, 2, 3], RotationSense.COUNTERCLOCKWISE, None)
    np.testing.assert_allclose(oblique.direction, axis, atol=5e-9)
    working = _worked(Machine("m", (oblique,), Platter(face_mm=0.0)), (np.degrees(angle),), [10.0, 0.0, 0.0])
    np.testing.assert_allclose(_line(working, "C turn").matrix, rotation, atol=5e-9)


@pytest.mark.parametrize("worker", [solve_by_matrices, solve_by_trigonometry])
def test_a_quarter_turn_about_a_line_beside_the_origin(worker):
    """Lynch and Park, Modern Robotics: the MatrixExp6 example, a 90 degree turn about a line parallel to x.

    se(3) entry [0, 0, -pi/2, 3 pi/4] (docstring of modern-robotics 1.1.1), that is w = (1, 0, 0), v = (0, 1.5, 1.5)
    per radian: the line through (0, -1.5, 1.5). Result T = [[1,0,0,0],[0,0,-1,0],[0,1,0,3],[0,0,0,1]].
    """
    pose = np.array([[1, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 3], [0, 0, 0, 1]], dtype=float)
    line = RotaryAxis("A", [0, -1.5, 1.5], [1, 0, 0], RotationSense.COUNTERCLOCKWISE, None)
    machine = Machine("m", (line,), Platter())
    for point in ([0.0, 0.0, 0.0], [1.0, 2.0, 3.0], [-4.0, 5.0, -6.0]):
        # The table frame of a lone flat rotary stands at its point.
        working = _worked(machine, (90.0,), np.array(point) - line.point_mm, worker)
        np.testing.assert_allclose(working.offset_mm, (pose @ [*point, 1.0])[:3], atol=1e-12)


@pytest.mark.parametrize("worker", [solve_by_matrices, solve_by_trigonometry])
@pytest.mark.parametrize(
    ("turns_deg", "point"),
    [
        ((0.0, 0.0), [40.0, 25.0, 130.0]),
        ((30.0, 0.0), [40.0, -88.649047358, 119.644018972]),
        ((-90.0, 45.0), [1.844335495, 204.75, -142.065922728]),
        ((54.7356103172453, 45.0), [1.844335495, -158.235894464, 82.936359469]),
    ],
)
def test_two_turns_one_after_the_other(worker, turns_deg, point):
    """Derived here: m = P_A + Rx(a) (P_C + Rz(c) (w - P_C) - P_A), recomputed to nine decimals."""
    tilt = RotaryAxis("A", [0.0, -12.5, -87.25], [1, 0, 0], RotationSense.COUNTERCLOCKWISE, None)
    turn = RotaryAxis("C", [0.02, -12.4, 0.0], [0, 0, 1], RotationSense.COUNTERCLOCKWISE, None)
    machine = Machine("m", (tilt, turn), Platter(face_mm=0.0))
    origin = np.array([40.0, 25.0, 130.0]) - [0.02, -12.4, 0.0]
    working = _worked(machine, turns_deg, origin, worker)
    np.testing.assert_allclose(working.offset_mm, point, atol=5e-10)
