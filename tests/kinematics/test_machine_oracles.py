"""The table's pose of thousands of random machines against products of screws in four other libraries."""

import warnings

import modern_robotics
import numpy as np
import pytest
import pytransform3d.trajectories
import spatialmath
import transforms3d
from samples import assert_close, hand_of, random_machine
from scipy.spatial.transform import Rotation
from slices import cases

from kinematics import (
    Machine,
    Platter,
    RotaryAxis,
    RotationSense,
    platter_above_tilt_mm,
    table_pose,
    transform_points,
)

WITHIN_MM = 2e-11  # lever arms up to some 5 m, a few roundings of 1e-12 mm each


def signed_turns(machine, angles_deg):
    return np.array(
        [
            hand_of(rotary.positive_turn) * (angle - rotary.zero_deg)
            for rotary, angle in zip(machine.rotaries, angles_deg, strict=True)
        ]
    )


def by_scipy(machine, turns_deg):
    reached = np.eye(4)
    for rotary, turn in zip(machine.rotaries, turns_deg, strict=True):
        about = np.eye(4)
        about[:3, :3] = Rotation.from_rotvec(rotary.direction * turn, degrees=True).as_matrix()
        about[:3, 3] = rotary.point_mm - about[:3, :3] @ rotary.point_mm
        reached = reached @ about
    return reached


def by_transforms3d(machine, turns_deg):
    reached = np.eye(4)
    for rotary, turn in zip(machine.rotaries, turns_deg, strict=True):
        reached = reached @ transforms3d.axangles.axangle2aff(
            rotary.direction, np.radians(turn), rotary.point_mm
        )
    return reached


def by_modern_robotics(machine, turns_deg):
    screws = [
        modern_robotics.ScrewToAxis(rotary.point_mm, rotary.direction, 0.0) for rotary in machine.rotaries
    ]
    return modern_robotics.FKinSpace(np.eye(4), np.array(screws).T, np.radians(turns_deg))


def by_pytransform3d(machine, turns_deg):
    screws = [[*r.direction, *np.cross(r.point_mm, r.direction)] for r in machine.rotaries]
    reached = np.eye(4)
    exponents = np.array(screws) * np.radians(turns_deg)[:, None]
    for turned in pytransform3d.trajectories.transforms_from_exponential_coordinates(exponents):
        reached = reached @ turned
    return reached


def by_spatialmath(machine, turns_deg):
    reached = spatialmath.SE3()
    for rotary, turn in zip(machine.rotaries, turns_deg, strict=True):
        twist = spatialmath.Twist3.UnitRevolute(rotary.direction, rotary.point_mm)
        reached = reached * twist.exp(np.radians(turn))
    return reached.A


@pytest.mark.parametrize(
    ("oracle", "count"),
    [
        (by_scipy, 1000),
        (by_transforms3d, 1000),
        (by_modern_robotics, 700),
        (by_pytransform3d, 700),
        (by_spatialmath, 400),
    ],
    ids=lambda value: getattr(value, "__name__", str(value)).removeprefix("by_"),
)
def test_table_pose_and_carry(rng, oracle, count):
    expected, reached, where, carried = [], [], [], []
    for _ in range(cases(count)):
        machine = random_machine(rng)
        angles = rng.uniform(-400.0, 400.0, len(machine.rotaries))
        point = rng.uniform(-1000.0, 1000.0, 3)
        matrix = oracle(machine, signed_turns(machine, angles))
        pose = table_pose(machine, angles)
        expected.append(matrix[:3])
        reached.append(np.column_stack([pose.rotation, pose.translation_mm]))
        where.append(matrix[:3, :3] @ point + matrix[:3, 3])
        carried.append(transform_points(machine, point, angles))
    apart = np.abs(np.array(reached) - np.array(expected))
    assert apart[..., :3].max() < 2e-14
    assert apart[..., 3].max() < WITHIN_MM
    assert np.abs(np.array(carried) - np.array(where)).max() < WITHIN_MM


def test_many_angles_at_once_are_many_angles_one_by_one(rng):
    for rotaries in (1, 2, 3):
        machine = random_machine(rng, rotaries)
        angles = rng.uniform(-720.0, 720.0, (20_001, rotaries))  # more than one block, and not a round number
        point = rng.uniform(-1000.0, 1000.0, 3)
        reached = Rotation.identity(len(angles))
        moved = np.zeros((len(angles), 3))
        turns = np.array(signed_turns(machine, angles.T)).T
        for i, rotary in enumerate(machine.rotaries):
            about = Rotation.from_rotvec(rotary.direction * turns[:, i, None], degrees=True)
            moved = moved + reached.apply(rotary.point_mm - about.apply(np.array(rotary.point_mm)))
            reached = reached * about
        expected = reached.apply(point) + moved
        assert_close(transform_points(machine, point, angles), expected, within=WITHIN_MM)
        assert_close(table_pose(machine, angles).apply(point), expected, within=WITHIN_MM)


def test_the_oracles_agree_on_what_they_are_asked(rng):
    """They share no code: were one asked a different question, this would show it."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        machine = random_machine(rng, 3)
        turns = rng.uniform(-180.0, 180.0, 3)
        first, *others = (
            oracle(machine, turns)
            for oracle in (by_scipy, by_transforms3d, by_modern_robotics, by_pytransform3d, by_spatialmath)
        )
    for other in others:
        assert_close(first, other, within=WITHIN_MM)


@pytest.mark.parametrize(("normal", "expected"), [(None, 50.0), ([0.6, 0.0, 0.8], 40.0)])
def test_the_platter_s_height_above_the_tilt(normal, expected):
    """By hand: A lies 50 below the face; along a normal that leans it counts by its cosine, along A's line it does not."""
    a = RotaryAxis("A", [30.0, 7.0, -400.0], [1, 0, 0], RotationSense.CLOCKWISE, None)
    c = RotaryAxis("C", [-20.0, 7.0, -100.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    found = platter_above_tilt_mm(Machine("mill", (a, c), Platter(face_mm=-350.0, normal=normal)))
    assert found == pytest.approx(expected, abs=1e-9)
    assert platter_above_tilt_mm(Machine("mill", (c,), Platter(face_mm=-350.0))) is None
