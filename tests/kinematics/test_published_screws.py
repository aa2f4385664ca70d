"""Screw-theory examples of K. M. Lynch and F. C. Park's "Modern Robotics".

Source of every number unless said otherwise: docstring examples of modern_robotics/core.py, PyPI package
modern-robotics 1.1.1, read there (function named beside each check). Those marked "recomputed" were also worked
again with scipy.linalg.expm alone.
"""

import numpy as np
import pytest
from samples import assert_close

from kinematics import (
    KinematicsError,
    Machine,
    Platter,
    Pose,
    RotaryAxis,
    RotationSense,
    rotation_about_axis,
    rotation_about_line,
    table_pose,
    transform_points,
)

PRINTED = 5e-9  # the docstrings print eight decimals


def test_matrix_exp3():
    """MatrixExp3 of so(3) of (1, 2, 3); recomputed. A turn by its length, in radians, about its direction."""
    expected = [
        [-0.69492056, 0.71352099, 0.08929286],
        [-0.19200697, -0.30378504, 0.93319235],
        [0.69297817, 0.6313497, 0.34810748],
    ]
    ours = rotation_about_axis([1.0, 2.0, 3.0], np.degrees(np.sqrt(14.0)))
    assert_close(ours, expected, within=PRINTED)


def test_axis_ang3():
    """AxisAng3 of (1, 2, 3) -> (0.26726124, 0.53452248, 0.80178373), 3.7416573867739413."""
    printed_axis, printed_angle = [0.26726124, 0.53452248, 0.80178373], 3.7416573867739413
    ours = rotation_about_axis(printed_axis, np.degrees(printed_angle))
    assert_close(ours, rotation_about_axis([1, 2, 3], np.degrees(printed_angle)), within=2e-8)


def test_matrix_log3():
    """MatrixLog3 of the cyclic permutation -> 1.20919958 times so(3) of (1, 1, 1)."""
    cyclic = [[0, 0, 1], [1, 0, 0], [0, 1, 0]]
    angle_deg = np.degrees(1.20919958 * np.sqrt(3.0))
    assert_close(rotation_about_axis([1, 1, 1], angle_deg), cyclic, within=2e-8)
    assert angle_deg == pytest.approx(120.0, abs=1e-6)


def test_trans_inv():
    """TransInv: the inverse of a quarter turn about X that stands 3 along Z."""
    pose = Pose([[1, 0, 0], [0, 0, -1], [0, 1, 0]], [0, 0, 3])
    inverse = pose.inverse()
    np.testing.assert_array_equal(inverse.rotation, [[1, 0, 0], [0, 0, 1], [0, -1, 0]])
    np.testing.assert_array_equal(inverse.translation_mm, [0, -3, 0])


def test_adjoint():
    """Adjoint of the same: its lower left block is the translation crossed with the rotation."""
    pose = Pose([[1, 0, 0], [0, 0, -1], [0, 1, 0]], [0, 0, 3])
    printed = [
        [1, 0, 0, 0, 0, 0],
        [0, 0, -1, 0, 0, 0],
        [0, 1, 0, 0, 0, 0],
        [0, 0, 3, 1, 0, 0],
        [3, 0, 0, 0, 0, -1],
        [0, 0, 0, 0, 1, 0],
    ]
    for column, screw in enumerate(np.eye(6)):
        turning = pose.rotate(screw[:3])
        moving = np.cross(pose.translation_mm, turning) + pose.rotate(screw[3:])
        np.testing.assert_array_equal(np.array(printed)[:, column], [*turning, *moving])


def test_matrix_exp6_a_quarter_turn_about_a_line_along_x():
    """MatrixExp6, the pivot check: screw (1, 0, 0; 0, 3/2, 3/2) times pi/2 -> a pose with translation (0, 0, 3)."""
    # v = q x w with w along X: v = (0, q_z, -q_y), so the line runs through y = -3/2, z = 3/2.
    printed_moment = np.array([0.0, 2.35619449, 2.35619449]) / 1.57079632
    point = [0.0, -printed_moment[2], printed_moment[1]]
    assert_close(point, [0.0, -1.5, 1.5], within=1e-7)
    exact = rotation_about_line([0.0, -1.5, 1.5], [1, 0, 0], 90.0)
    np.testing.assert_array_equal(exact.rotation, [[1, 0, 0], [0, 0, -1], [0, 1, 0]])
    np.testing.assert_array_equal(exact.translation_mm, [0.0, 0.0, 3.0])
    # The same as a rotary whose table turns counterclockwise, carrying points.
    indexer = RotaryAxis("A", [77.0, -1.5, 1.5], [1, 0, 0], RotationSense.COUNTERCLOCKWISE, None)
    np.testing.assert_array_equal(
        transform_points(Machine("indexer", (indexer,), Platter()), [1.0, 2.0, 3.0], [90.0]), [1.0, -3.0, 5.0]
    )


def test_screw_to_axis():
    """ScrewToAxis q = (3, 0, 0), s = (0, 0, 1), h = 2 -> (0, 0, 1, 0, -3, 2); without pitch its v is q x s."""
    printed_v = np.array([0.0, -3.0, 2.0]) - 2.0 * np.array([0.0, 0.0, 1.0])
    small = 1e-6
    moved = rotation_about_line([3.0, 0.0, 0.0], [0, 0, 1], np.degrees(small)).translation_mm / small
    assert_close(moved, printed_v, within=2e-6)


def test_forward_kinematics_in_space_coordinates():
    """FKinSpace (and FKinBody, same result); recomputed. Two turning joints with a sliding one between them.

    Screws (0 0 1; 4 0 0), (0 0 0; 0 1 0), (0 0 -1; -6 0 -0.1), theta = (pi/2, 3, pi). The second only slides
    along Y and the third also moves by -0.1 a radian along Z: both are poses without a turn of their own.
    """
    home = Pose([[-1, 0, 0], [0, 1, 0], [0, 0, -1]], [0, 6, 2])
    expected = [[0, 1, 0, -5], [1, 0, 0, 4], [0, 0, -1, 1.68584073]]
    # v = q x w, so (4, 0, 0) = q x z has q = (0, 4, 0); and (-6, 0, .) = q x -z has q = (0, 6, 0).
    first = rotation_about_line([0, 4, 0], [0, 0, 1], 90.0)
    slide = Pose(np.eye(3), [0.0, 3.0, 0.0])
    third = rotation_about_line([0, 6, 0], [0, 0, -1], 180.0)
    lead = Pose(np.eye(3), [0.0, 0.0, -0.1 * np.pi])
    reached = first @ slide @ third @ lead @ home
    assert_close(np.column_stack([reached.rotation, reached.translation_mm]), expected, within=PRINTED)


def test_forward_kinematics_of_a_machine_with_the_same_two_turning_joints():
    """Derived here from FKinSpace above with the sliding joint at 0 and no lead: a table_pose by hand."""
    base = RotaryAxis("B", [0, 4, 0], [0, 0, 1], RotationSense.COUNTERCLOCKWISE, None)
    work = RotaryAxis("C", [0, 6, 0], [0, 0, -1], RotationSense.COUNTERCLOCKWISE, None)
    machine = Machine("two", (base, work), Platter(face_mm=0.0))
    reached = table_pose(machine, [90.0, 180.0])
    # (0, 6, 2) lies on the second line; the first takes (0, 6) a quarter round (0, 4) to (-2, 4).
    np.testing.assert_array_equal(reached.apply([0.0, 6.0, 2.0]), [-2.0, 4.0, 2.0])
    # z90 then -z180 is -z90.
    np.testing.assert_array_equal(reached.rotation, [[0, 1, 0], [-1, 0, 0], [0, 0, 1]])


def test_a_matrix_that_is_no_rotation_is_refused_not_repaired():
    """ProjectToSO3's example matrix; recomputed. Its nearest rotation is accepted only to the digits printed."""
    with pytest.raises(KinematicsError, match="expected rows square to each other and of length 1"):
        Pose([[0.675, 0.150, 0.720], [0.370, 0.771, -0.511], [-0.630, 0.619, 0.472]], [0, 0, 0])
    projected = [
        [0.67901136, 0.14894516, 0.71885945],
        [0.37320708, 0.77319584, -0.51272279],
        [-0.63218672, 0.61642804, 0.46942137],
    ]
    with pytest.raises(KinematicsError, match=r"found them off by [0-9.]+e-09"):
        Pose(projected, [0, 0, 0])
