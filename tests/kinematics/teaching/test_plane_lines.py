"""The lines from turns, three points or a pattern to a direction: they end at the plane's own, and are true as written."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from rework import work_again
from scipy.spatial.transform import Rotation

from kinematics import (
    KinematicsError,
    Machine,
    Operation,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    place_operations,
    plane_from_rotations,
    plane_through,
)
from kinematics.plane import circular_pattern
from kinematics.teaching import (
    Digits,
    pattern_steps,
    rotation_steps,
    solve_by_matrices,
    solve_by_trigonometry,
    three_point_steps,
    written,
)

angles = st.floats(-360.0, 360.0)
turns = st.lists(st.tuples(st.sampled_from("xyz"), angles), min_size=1, max_size=5)
points = st.lists(st.tuples(*[st.floats(-200.0, 200.0)] * 3), min_size=3, max_size=3)


def true_as_written(lines, slack):
    for line in lines:
        for calculation in line.calculations:
            text = written(calculation, Digits())
            if text.count(" = ") == 2:
                again, printed = work_again(text)
                assert again == pytest.approx(printed, abs=slack), text


@given(turns)
def test_turns_end_at_the_plane_s_normal(tip):
    lines = rotation_steps(tip)
    assert [line.key for line in lines] == [f"tip {k}" for k in range(len(tip), 0, -1)]
    assert lines[-1].result[-3:] == pytest.approx(plane_from_rotations(tip).normal, abs=1e-12)
    # An independent library: capital letters are turns about the moving axes.
    other = Rotation.identity()
    for axis, angle_deg in tip:
        other = other * Rotation.from_euler(axis.upper(), angle_deg, degrees=True)
    assert lines[-1].result[-3:] == pytest.approx(other.as_matrix()[:, 2], abs=1e-9)
    true_as_written(lines, 3e-7)  # an angle of five decimals is half of 1.7e-7 off


@given(points)
def test_three_points_end_at_the_plane_s_normal(three):
    first, second, third = np.array(three)
    along, toward = second - first, third - first
    assume(min(np.linalg.norm(along), np.linalg.norm(toward)) > 1.0)
    assume(np.linalg.norm(np.cross(along, toward)) > 0.05 * np.linalg.norm(along) * np.linalg.norm(toward))
    lines = three_point_steps(three)
    assert lines[-1].result[-3:] == pytest.approx(plane_through(*three).normal, abs=1e-12)
    true_as_written(
        lines, 2e-4
    )  # components and a length of four decimals, of a way of one millimetre or more


def test_three_points_that_are_not_three():
    with pytest.raises(KinematicsError, match="through"):
        three_point_steps([[0, 0], [1, 0], [0, 1]])


@given(turns, st.tuples(*[st.floats(-200.0, 200.0)] * 3), st.integers(0, 7), angles)
def test_a_pattern_ends_at_its_own_direction_and_origin(tip, origin, number, step_deg):
    plane = plane_from_rotations(tip)
    lines = pattern_steps(plane.normal, origin, number, step_deg)
    assert bool(lines) == (number > 0)
    if lines:
        turned, moved = circular_pattern(plane, origin, number + 1, step_deg)[number]
        assert lines[0].result[-3:] == pytest.approx(turned.normal, abs=1e-12)
        if any(origin):
            assert lines[1].result == pytest.approx(moved, abs=1e-10)
        true_as_written(lines, 2e-4)


def test_they_come_first_in_a_working_and_by_hand_without_a_matrix():
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    turn = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    setup = Setup.from_stack(Machine("m", (tilt, turn), Platter(face_mm=0.0)), [])
    tip = [("z", 60.0), ("x", 35.0)]
    (placed,) = place_operations(setup, [Operation("op", plane=plane_from_rotations(tip))]).placed
    for work in (solve_by_matrices, solve_by_trigonometry):
        working = work(setup, placed, [], rotation_steps(tip))
        assert [line.key for line in working.lines][:3] == ["tip 2", "tip 1", "aim direction"]
        assert working.offset_mm == pytest.approx(placed.offset_mm, abs=1e-9)
        # The working goes on from where the turns end.
        assert working.lines[2].result == pytest.approx(working.lines[1].result[-3:], abs=1e-12)
    assert working.lines[0].matrix is None
