"""Turning the table moves the stack as one body, and whole turns do not move it at all."""

from dataclasses import replace

import laws
import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from samples import angles, assert_close, lengths, machines, points, pose_angles, stacks

from kinematics import Setup, StackStep, stack_pose, transform_points


@given(st.data())
def test_distances_between_origins_are_kept_at_any_pose(data):
    machine = data.draw(machines())
    origins = np.array(data.draw(st.lists(points(300.0), min_size=4, max_size=4)))
    laws.isometry(machine, data.draw(stacks()), origins, data.draw(pose_angles(machine)))


@given(st.data())
def test_hands_are_kept_too(data):
    """A mirror keeps distances; a table does not mirror."""
    machine = data.draw(machines())
    setup = Setup.from_stack(machine, data.draw(stacks()))
    axes = setup.machine_axes(data.draw(pose_angles(machine)))
    assert_close(axes @ axes.T, np.eye(3), within=1e-14)
    assert_close(np.cross(axes[0], axes[1]), axes[2], within=1e-14)


@given(st.data())
def test_the_two_ways_to_carry_a_point_agree(data):
    machine = data.draw(machines())
    laws.paths_agree(machine, data.draw(points()), data.draw(pose_angles(machine)))


@given(st.data())
def test_full_turns_change_nothing(data):
    machine = data.draw(machines())
    setup = Setup.from_stack(machine, data.draw(stacks()))
    count = len(machine.rotaries)
    turns = data.draw(st.lists(st.integers(-20, 20), min_size=count, max_size=count))
    laws.full_turn(setup, data.draw(points(300.0)), data.draw(pose_angles(machine, 360.0)), turns)


@given(st.integers(-1000, 1000), st.integers(-360, 360), points(300.0))
def test_full_turns_change_nothing_at_all_where_the_angle_is_a_float(turns, degrees, origin):
    """Whole degrees stay whole degrees: the same digits, not nearly."""
    setup = laws.general_setup()
    once = setup.work_offset(origin, [degrees, 15.0])
    np.testing.assert_array_equal(setup.work_offset(origin, [degrees + 360.0 * turns, 15.0]), once)


@given(lengths(500.0), lengths(500.0))
def test_part_zero_stands_on_the_platter(face_mm, up_mm):
    laws.stands_on_the_platter(face_mm, up_mm)


@given(st.data())
def test_a_machine_moved_as_a_whole_moves_its_offsets_as_much(data):
    """The place of machine zero is the control's business: shift every line and the face, and offsets shift."""
    machine, by = data.draw(machines()), data.draw(points(500.0))
    moved = replace(
        machine,
        rotaries=tuple(replace(r, point_mm=r.point_mm + by) for r in machine.rotaries),
        platter=replace(machine.platter, face_mm=machine.platter.face_mm + by[2]),
    )
    steps, origin, pose = data.draw(stacks()), data.draw(points(300.0)), data.draw(pose_angles(machine))
    there, here = (Setup.from_stack(m, steps).work_offset(origin, pose) for m in (moved, machine))
    assert_close(there - here, by, within=laws.WITHIN_MM)


@given(st.data())
def test_any_point_of_a_line_serves_as_its_pivot(data):
    machine, along = data.draw(machines()), data.draw(lengths(500.0))
    moved = replace(
        machine,
        rotaries=tuple(replace(r, point_mm=r.point_mm + along * r.direction) for r in machine.rotaries),
    )
    # Table frames of lying rotaries stand at their point, so the point itself is carried here.
    point, pose = data.draw(points()), data.draw(pose_angles(machine))
    laws.paths_agree(moved, point, pose)
    assert_close(
        transform_points(moved, point, pose), transform_points(machine, point, pose), within=laws.WITHIN_MM
    )


@given(angles(360.0), lengths(200.0))
def test_a_lift_on_a_wedge_goes_along_the_wedges_normal(angle, up_mm):
    laws.stack_order(up_mm, angle)


@given(st.data())
def test_two_stacks_on_each_other_are_one_stack(data):
    lower, upper = data.draw(stacks()), data.draw(stacks())
    together, apart = stack_pose(lower + upper), stack_pose(lower) @ stack_pose(upper)
    assert_close(together.rotation, apart.rotation, within=1e-14)
    assert_close(together.translation_mm, apart.translation_mm, within=1e-11)


@given(st.data())
def test_an_origin_in_part_coordinates_is_one_more_step(data):
    machine, steps, origin = data.draw(machines()), data.draw(stacks()), data.draw(points(200.0))
    longer = [*steps, StackStep("to the origin", up_mm=origin[2], shift_mm=(origin[0], origin[1]))]
    pose = data.draw(pose_angles(machine))
    by_origin = Setup.from_stack(machine, steps).work_offset(origin, pose)
    by_step = Setup(machine, stack_pose(longer), np.zeros(len(machine.rotaries))).work_offset([0, 0, 0], pose)
    assert_close(by_origin, by_step, within=laws.WITHIN_MM)
