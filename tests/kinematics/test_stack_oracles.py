"""The stack, the planes and the work offset against scipy, transforms3d and pytransform3d."""

import numpy as np
import pytransform3d.transformations
import transforms3d
from samples import assert_close, random_machine, random_stack
from scipy.spatial.transform import Rotation
from slices import cases

from kinematics import Setup, StackStep, cumulative_frames, stack_pose, table_frame, table_pose

WITHIN_MM = 2e-11


def by_scipy(steps):
    reached = np.eye(4)
    for step in steps:
        about = Rotation.identity()
        for axis, angle in (*step.rotate, ("z", step.turn_deg)):
            about = about * Rotation.from_euler(axis, angle, degrees=True)
        one = np.eye(4)
        one[:3, :3], one[:3, 3] = about.as_matrix(), (*step.shift_mm, step.up_mm)
        reached = reached @ one
    return reached


def by_transforms3d(steps):
    reached = np.eye(4)
    for step in steps:
        one = transforms3d.affines.compose((*step.shift_mm, step.up_mm), np.eye(3), np.ones(3))
        for axis, angle in (*step.rotate, ("z", step.turn_deg)):
            along = np.eye(3)["xyz".index(axis)]
            one = one @ transforms3d.axangles.axangle2aff(along, np.radians(angle))
        reached = reached @ one
    return reached


def test_stack_pose(rng):
    for _ in range(cases(600)):
        steps = random_stack(rng, int(rng.integers(0, 6)))
        pose = stack_pose(steps)
        ours = np.column_stack([pose.rotation, pose.translation_mm])
        for oracle in (by_scipy, by_transforms3d):
            assert_close(ours, oracle(steps)[:3], within=1e-12)


def test_running_frames_are_the_stacks_of_the_first_steps(rng):
    steps = random_stack(rng, 5)
    frames = cumulative_frames(steps)
    assert len(frames) == 6
    for count, frame in enumerate(frames):
        expected = by_scipy(steps[:count])
        assert_close(frame.translation_mm, expected[:3, 3], within=1e-12)
        assert_close(frame.rotation, expected[:3, :3], within=1e-14)
    assert_close(
        [frame.translation_mm[2] for frame in cumulative_frames(steps)[1:]],
        [by_scipy(steps[: k + 1])[2, 3] for k in range(5)],
        within=1e-12,
    )


def test_a_step_moves_first_then_rotates_then_turns():
    step = StackStep(
        "wedge", up_mm=10.0, shift_mm=(1.0, 2.0), rotate=(("x", 90.0), ("y", 90.0)), turn_deg=90.0
    )
    # By hand: after x90, y lies along +Z; y90 about it brings x there ... and z90 turns x onto where y lay.
    pose = stack_pose([step])
    np.testing.assert_array_equal(pose.translation_mm, [1.0, 2.0, 10.0])
    np.testing.assert_array_equal(pose.rotation[:, 0], [0.0, 0.0, 1.0])
    np.testing.assert_array_equal(pose.rotation[:, 1], [0.0, -1.0, 0.0])
    np.testing.assert_array_equal(pose.rotation[:, 2], [1.0, 0.0, 0.0])


def test_work_offset_and_plane_axes(rng):
    for _ in range(cases(480)):
        machine, steps = random_machine(rng), random_stack(rng)
        angles = rng.uniform(-400.0, 400.0, len(machine.rotaries))
        origin = rng.uniform(-200.0, 200.0, 3)
        turned, frame = table_pose(machine, angles), table_frame(machine)
        part_in_machine = pytransform3d.transformations.concat(
            by_scipy(steps),
            pytransform3d.transformations.concat(
                pytransform3d.transformations.transform_from(frame.rotation, frame.translation_mm),
                pytransform3d.transformations.transform_from(turned.rotation, turned.translation_mm),
            ),
        )
        setup = Setup.from_stack(machine, steps)
        expected = pytransform3d.transformations.transform(
            part_in_machine, pytransform3d.transformations.vector_to_point(origin)
        )
        assert_close(setup.work_offset(origin, angles), expected[:3], within=WITHIN_MM)
        # Machine X seen from the part: turn it back by the whole chain.
        for row, axis in zip(setup.machine_axes(angles), np.eye(3), strict=True):
            back = Rotation.from_matrix(part_in_machine[:3, :3]).inv().apply(axis)
            assert_close(row, back, within=1e-13)


def test_a_step_of_which_only_the_name_is_given_changes_nothing():
    pose = StackStep("shim").pose()
    assert np.array_equal(pose.rotation, np.eye(3))
    assert np.array_equal(pose.translation_mm, np.zeros(3))
