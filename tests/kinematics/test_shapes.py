"""Any leading shape in, the same shape out; what is given stays as it was, what is returned is nobody else's."""

import laws
import numpy as np
import pytest
from samples import assert_close

from kinematics import (
    IDENTITY,
    Pose,
    Travel,
    circular_pattern,
    plane_from_normal,
    rotation_about_axis,
    rotation_about_line,
    sincos_deg,
    stack_pose,
    table_frame,
    table_pose,
    transform_points,
    wrap_deg,
)
from kinematics.orientation import orientation_solutions

SHAPES = [(), (1,), (0,), (2, 3), (2, 0), (1, 4, 1)]


@pytest.fixture
def setup():
    return laws.general_setup()


@pytest.mark.parametrize("shape", SHAPES)
def test_angles_of_any_shape(rng, setup, shape):
    angles = rng.uniform(-100.0, 20.0, (*shape, 2))
    point = [3.0, -4.0, 5.0]
    carried = transform_points(setup.machine, point, angles)
    assert carried.shape == (*shape, 3)
    assert setup.work_offset(point, angles).shape == (*shape, 3)
    assert setup.machine_axes(angles).shape == (*shape, 3, 3)
    pose = table_pose(setup.machine, angles)
    assert pose.shape == shape
    assert pose.apply(point).shape == (*shape, 3)
    for where in np.ndindex(shape):
        assert_close(carried[where], transform_points(setup.machine, point, angles[where]), within=1e-12)


@pytest.mark.parametrize("shape", SHAPES)
def test_points_of_any_shape(rng, setup, shape):
    points = rng.uniform(-100.0, 100.0, (*shape, 3))
    angles = [-30.0, 40.0]
    offsets = setup.work_offset(points, angles)
    assert offsets.shape == (*shape, 3)
    for where in np.ndindex(shape):
        assert_close(offsets[where], setup.work_offset(points[where], angles), within=1e-12)
    for pose in (table_frame(setup.machine), stack_pose([]), IDENTITY):
        assert pose.apply(points).shape == (*shape, 3)
        assert pose.rotate(points).shape == (*shape, 3)


@pytest.mark.parametrize(
    ("points", "angles"),
    [((5, 1), (4,)), ((4,), (5, 1)), ((1,), (6,)), ((6,), (1,)), ((2, 3), (3,)), ((0, 1), (4,))],
)
def test_points_and_angles_broadcast(rng, setup, points, angles):
    origins = rng.uniform(-100.0, 100.0, (*points, 3))
    poses = rng.uniform(-100.0, 20.0, (*angles, 2))
    both = np.broadcast_shapes(points, angles)
    found = setup.work_offset(origins, poses)
    assert found.shape == (*both, 3)
    every_origin, every_pose = np.broadcast_to(origins, (*both, 3)), np.broadcast_to(poses, (*both, 2))
    for where in np.ndindex(both):
        one = setup.work_offset(every_origin[where], every_pose[where])
        assert_close(found[where], one, within=1e-12)


def test_blocks_leave_no_seam(rng, setup):
    """A million angles are worked off in blocks: at their ends, and where the last is short, all is as ever."""
    for count in (8191, 8192, 8193, 16384, 20000):
        angles = rng.uniform(-100.0, 20.0, (count, 2))
        found = setup.work_offset([1.0, 2.0, 3.0], angles)
        for k in (0, 8190, count - 1):
            expected = setup.work_offset([1.0, 2.0, 3.0], angles[k])
            assert_close(found[k], expected, within=1e-12)


@pytest.mark.parametrize("shape", SHAPES)
def test_aim_of_any_shape(rng, setup, shape):
    directions = rng.normal(size=(*shape, 3)) + np.array([0.0, 0.0, 3.0])
    found = orientation_solutions(setup.machine, directions, [0.0, 0.0])
    assert found.machine_deg.shape == (*shape, 2, 2)
    assert found.misalignment_deg.shape == shape
    assert found.singular.shape == (*shape, 2)
    for where in np.ndindex(shape):
        one = orientation_solutions(setup.machine, directions[where], [0.0, 0.0])
        assert_close(found.machine_deg[where], one.machine_deg, within=1e-9)


@pytest.mark.parametrize("shape", SHAPES)
def test_turns_and_angles_of_any_shape(rng, shape):
    angles = rng.uniform(-400.0, 400.0, shape)
    directions = rng.normal(size=(*shape, 3)) + 0.1
    assert rotation_about_axis([0, 0, 1], angles).shape == (*shape, 3, 3)
    assert rotation_about_axis(directions, 30.0).shape == (*shape, 3, 3)
    assert rotation_about_axis(directions, angles).shape == (*shape, 3, 3)
    assert rotation_about_line([1, 2, 3], directions, angles).shape == shape
    assert rotation_about_line(directions, [0, 1, 0], 20.0).shape == shape
    assert [a.shape for a in sincos_deg(angles)] == [shape, shape]
    assert wrap_deg(angles).shape == shape
    pose = Pose(rotation_about_axis(directions, angles), np.zeros((*shape, 3)))
    assert (pose @ pose.inverse()).shape == shape


def test_poses_chain_across_shapes(rng):
    rows = Pose(rotation_about_axis([0, 0, 1], rng.uniform(0, 360, (4, 1))), rng.normal(size=(4, 1, 3)))
    columns = rotation_about_line([1, 2, 3], [1, 1, 0], rng.uniform(0, 360, 5))
    both = rows @ columns
    assert both.shape == (4, 5)
    point = [1.0, -2.0, 3.0]
    assert_close(both.apply(point), rows.apply(columns.apply(point)), within=1e-13)


def test_lists_tuples_and_integers_will_do(setup):
    np.testing.assert_array_equal(
        setup.work_offset((1, 2, 3), [[0, 90]]), setup.work_offset([1.0, 2.0, 3.0], np.array([[0.0, 90.0]]))
    )
    assert setup.work_offset([0, 0, 0], np.array([[0, 90]], dtype=np.int32)).dtype == np.float64
    assert transform_points(setup.machine, np.float32([1, 2, 3]), [0, 0]).dtype == np.float64


def test_given_arrays_stay_as_they_were(rng, setup):
    points, angles = rng.normal(size=(6, 3)), rng.uniform(-100, 20, (6, 2))
    directions, origin = rng.normal(size=(6, 3)), np.array([1.0, 2.0, 3.0])
    before = [a.copy() for a in (points, angles, directions, origin)]
    transform_points(setup.machine, points, angles)
    transform_points(setup.machine, origin, angles)
    setup.work_offset(points, angles)
    table_pose(setup.machine, angles).apply(points)
    orientation_solutions(setup.machine, directions, angles[0])
    rotation_about_axis(directions, angles[:, 0])
    rotation_about_line(points, directions, angles[:, 0])
    circular_pattern(plane_from_normal(origin), origin, 3, 120.0)
    wrap_deg(angles)
    sincos_deg(angles)
    for now, then in zip((points, angles, directions, origin), before, strict=True):
        np.testing.assert_array_equal(now, then)
    # They can be written to still: nothing was frozen that is not ours.
    for array in (points, angles, directions, origin):
        array[...] = 1.0


def test_frozen_values_do_not_follow_what_they_were_made_from(setup):
    low, high, rotation, origin = np.zeros(3), np.ones(3), np.eye(3), np.array([1.0, 2.0, 3.0])
    travel, pose = Travel(low, high), Pose(rotation, origin)
    place = circular_pattern(plane_from_normal(origin), origin, 1, 0.0)[0][1]
    for array in (low, high, origin, rotation):
        array[...] = 7.0
    assert (travel.low_mm.tolist(), travel.high_mm.tolist()) == ([0.0] * 3, [1.0] * 3)
    assert pose.translation_mm.tolist() == [1.0, 2.0, 3.0]
    assert pose.rotation.tolist() == np.eye(3).tolist()
    assert place.tolist() == [1.0, 2.0, 3.0]
    for held in (
        travel.low_mm,
        pose.rotation,
        pose.translation_mm,
        table_pose(setup.machine, [0, 0]).rotation,
        setup.rotary_offset_deg,
        setup.machine.rotaries[0].point_mm,
        setup.machine.rotaries[0].direction,
        IDENTITY.rotation,
    ):
        with pytest.raises(ValueError, match="read-only"):
            held[0] = 5.0


def test_results_are_fresh(rng, setup):
    angles = rng.uniform(-100.0, 20.0, (4, 2))
    first = setup.work_offset([1, 2, 3], angles)
    kept = first.copy()
    first += 100.0
    np.testing.assert_array_equal(setup.work_offset([1, 2, 3], angles), kept)
    turned = wrap_deg(angles)
    turned += 1.0
    assert not np.shares_memory(turned, angles)
    assert not np.shares_memory(setup.machine_deg([0.0, 0.0]), setup.rotary_offset_deg)
