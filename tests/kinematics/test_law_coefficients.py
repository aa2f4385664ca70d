"""Law: coefficients times products are the forward kinematics, for points and for poses of the first rotaries."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from samples import assert_close, random_machine

from kinematics import (
    KinematicsError,
    angle_products,
    point_coefficients,
    pose_coefficients,
    table_pose,
    transform_points,
)


@given(st.integers(0, 2**32 - 1))
def test_points_and_poses(seed):
    rng = np.random.default_rng(seed)
    machine = random_machine(rng)
    angles = rng.uniform(-400.0, 400.0, (4, len(machine.rotaries)))
    points = rng.uniform(-500.0, 500.0, (5, 3))
    products = angle_products(machine, angles)
    carried = np.moveaxis(point_coefficients(machine, points) @ products, -1, 0)
    assert_close(carried, table_pose(machine, angles[:, None]).apply(points), within=1e-9)
    assert_close(carried, transform_points(machine, points, angles[:, None]), within=1e-9)
    pose = np.moveaxis(pose_coefficients(machine) @ products, -1, 0)
    assert_close(pose[..., :3], table_pose(machine, angles).rotation, within=1e-12)
    assert_close(pose[..., 3], table_pose(machine, angles).translation_mm, within=1e-9)


@given(st.integers(0, 2**32 - 1))
def test_the_first_rotaries_alone(seed):
    rng = np.random.default_rng(seed)
    machine = random_machine(rng, 3)
    angles = rng.uniform(-180.0, 180.0, 3)
    # Those further in at their zero leave the outer ones' pose as it is.
    for count in range(4):
        held = np.where(np.arange(3) < count, angles, machine.zero_deg)
        by_all = table_pose(machine, held)
        alone = pose_coefficients(machine, count)
        assert alone.shape == (3, 4, 3**count)
        products = angle_products(machine, angles)
        # Products of the outer rotaries alone stand where the inner ones' factor is 1.
        taken = products[:: 3 ** (3 - count)]
        assert_close((alone @ taken)[:, :3], by_all.rotation, within=1e-12)
        assert_close((alone @ taken)[:, 3], by_all.translation_mm, within=1e-9)


@pytest.mark.parametrize("count", [-1, 4])
def test_no_more_rotaries_than_there_are(count):
    with pytest.raises(KinematicsError, match=f"expected 0 to 3 of them, found {count}"):
        pose_coefficients(random_machine(np.random.default_rng(1), 3), count)
