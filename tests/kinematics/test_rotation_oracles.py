"""Rotations against five libraries that know nothing of ours: scipy, transforms3d, pytransform3d, and more."""

import itertools

import modern_robotics
import numpy as np
import pytest
import pytransform3d.batch_rotations
import pytransform3d.rotations
import spatialmath.base
import transforms3d
from samples import assert_close, random_direction
from scipy.spatial.transform import Rotation

from kinematics import (
    OrientationAngles,
    Pose,
    orientation_angles,
    rotation_about_axis,
    rotation_from_intrinsic,
)
from kinematics.angles import sincos_deg

WITHIN = 5e-15
ORDERS = [a + b + c for a in "xyz" for b in "xyz" for c in "xyz" if a != b != c]


@pytest.fixture
def turns(rng):
    directions = rng.normal(size=(4000, 3))
    directions /= np.linalg.norm(directions, axis=-1, keepdims=True)
    return directions, rng.uniform(-720.0, 720.0, 4000)


def test_turn_about_is_scipys_rotation_vector(turns):
    directions, angles = turns
    expected = Rotation.from_rotvec(directions * angles[:, None], degrees=True).as_matrix()
    assert_close(rotation_about_axis(directions, angles), expected, within=WITHIN)


def test_turn_about_is_pytransform3ds_axis_angle(turns):
    directions, angles = turns
    axis_angles = np.column_stack([directions, np.radians(angles)])
    expected = pytransform3d.batch_rotations.matrices_from_compact_axis_angles(
        axis_angles[:, :3] * axis_angles[:, 3:]
    )
    assert_close(rotation_about_axis(directions, angles), expected, within=WITHIN)


@pytest.mark.parametrize(
    "library",
    [
        transforms3d.axangles.axangle2mat,
        lambda axis, angle: modern_robotics.MatrixExp3(modern_robotics.VecToso3(axis * angle)),
        lambda axis, angle: spatialmath.base.angvec2r(angle, axis),
    ],
    ids=["transforms3d axangle2mat", "modern-robotics MatrixExp3", "spatialmath angvec2r"],
)
def test_turn_about_one_by_one(turns, library):
    directions, angles = turns
    ours = rotation_about_axis(directions, angles)
    for axis, angle, matrix in zip(directions[:1500], np.radians(angles), ours, strict=False):
        assert_close(matrix, library(axis, angle), within=WITHIN)


def test_turn_lists_are_scipys_capital_letters(rng):
    for order in ORDERS:
        angles = rng.uniform(-360.0, 360.0, (60, 3))
        expected = Rotation.from_euler(order.upper(), angles, degrees=True).as_matrix()
        ours = [rotation_from_intrinsic(list(zip(order, a, strict=True))) for a in angles.tolist()]
        assert_close(ours, expected, within=WITHIN)


@pytest.mark.parametrize("moving", [True, False])
@pytest.mark.parametrize("order", ORDERS)
def test_turn_lists_are_transforms3ds_compositions(rng, order, moving):
    """All 24: twelve orders, about moving axes ("r", rotating frame) and about fixed ones ("s", static), quarters too."""
    angles = np.concatenate([rng.uniform(-360.0, 360.0, (60, 3)), rng.integers(-4, 5, (20, 3)) * 90.0])
    expected = [
        transforms3d.euler.euler2mat(*a, ("r" if moving else "s") + order) for a in np.radians(angles)
    ]
    ours = [
        rotation_from_intrinsic(OrientationAngles(tuple(a), order, moving, degenerate=False).turns)
        for a in angles.tolist()
    ]
    assert_close(ours, expected, within=WITHIN)


@pytest.mark.parametrize("moving", [True, False])
@pytest.mark.parametrize("order", ORDERS)
def test_quarter_turns_compose_without_an_error(order, moving):
    """Every matrix of quarter turns holds 0, 1 and -1 alone; composed from radians it is off by 6e-17 and more."""
    for quarters in itertools.product((-90.0, 0.0, 90.0, 180.0), repeat=3):
        turns = OrientationAngles(quarters, order, moving, degenerate=False).turns
        ours = rotation_from_intrinsic(turns)
        assert set(np.abs(ours).ravel().tolist()) == {0.0, 1.0}
        theirs = transforms3d.euler.euler2mat(*np.radians(quarters), ("r" if moving else "s") + order)
        np.testing.assert_array_equal(ours, np.rint(theirs))


def test_turns_lists_of_any_length_are_products(rng):
    for count in range(7):
        letters = rng.choice(list("xyz"), count)
        angles = rng.uniform(-360.0, 360.0, count)
        expected = np.eye(3)
        for letter, angle in zip(letters, angles, strict=True):
            expected = expected @ Rotation.from_euler(str(letter), angle, degrees=True).as_matrix()
        ours = rotation_from_intrinsic([(str(a), float(d)) for a, d in zip(letters, angles, strict=True)])
        assert_close(ours, expected, within=WITHIN)


def composed(order, angles_deg, *, moving):
    """Turns about coordinate axes, by scipy: capital letters are its moving axes, small ones its fixed axes."""
    letters = order.upper() if moving else order
    return Rotation.from_euler(letters, angles_deg, degrees=True).as_matrix()


@pytest.mark.parametrize("moving", [True, False])
@pytest.mark.parametrize("order", ORDERS)
def test_orientation_angles_are_scipys_euler_angles(rng, order, moving):
    letters = order.upper() if moving else order
    for rotation in Rotation.random(40, rng=rng):
        found = orientation_angles(rotation.as_matrix(), order, moving=moving)
        assert (found.order, found.moving, found.degenerate) == (order, moving, False)
        assert_close(composed(order, found.angles_deg, moving=moving), rotation.as_matrix(), within=2e-12)
        theirs = rotation.as_euler(letters, degrees=True)
        # Three turns come in two forms, with the middle one on either side of the lock; both are right.
        middle = -theirs[1] if order[0] == order[2] else 180.0 - theirs[1]
        forms = [theirs, np.array([theirs[0] + 180.0, middle, theirs[2] + 180.0])]
        apart = [np.abs((found.angles_deg - form + 180.0) % 360.0 - 180.0).max() for form in forms]
        assert min(apart) < 1e-9


@pytest.mark.parametrize("moving", [True, False])
@pytest.mark.parametrize("order", ORDERS)
def test_orientation_angles_are_pytransform3ds_euler_angles(rng, order, moving):
    axes = ["xyz".index(letter) for letter in order]
    for rotation in Rotation.random(40, rng=rng):
        matrix = rotation.as_matrix()
        found = np.radians(orientation_angles(matrix, order, moving=moving).angles_deg)
        back = pytransform3d.rotations.matrix_from_euler(found, *axes, extrinsic=not moving)
        assert_close(back, matrix, within=2e-12)
        theirs = pytransform3d.rotations.euler_from_matrix(matrix, *axes, extrinsic=not moving)
        assert_close((found - theirs + np.pi) % (2.0 * np.pi) - np.pi, 0.0, within=1e-11)


@pytest.mark.parametrize("moving", [True, False])
@pytest.mark.parametrize("order", ORDERS)
def test_orientation_angles_give_the_rotation_back_up_to_the_lock_and_at_it(rng, order, moving):
    lock = 0.0 if order[0] == order[2] else 90.0
    for exponent in np.linspace(-16.0, 2.0, 91):
        middle = lock + rng.choice([0.0, 180.0]) + rng.choice([-1.0, 1.0]) * 10.0**exponent
        made = [rng.uniform(-180, 180), middle, rng.uniform(-180, 180)]
        # A rotation that came out of a computation carries rounding in every place, the small ones too.
        detour = rotation_about_axis(random_direction(rng), rng.uniform(0.0, 360.0))
        rotation = detour.T @ (detour @ composed(order, made, moving=moving))
        found = orientation_angles(rotation, order, moving=moving)
        assert_close(composed(order, found.angles_deg, moving=moving), rotation, within=2e-12)
        assert_close(rotation_from_intrinsic(found.turns), rotation, within=2e-12)
        if exponent < -11.0:
            assert found.degenerate
            assert found.angles_deg[2] == 0.0
        if exponent > -9.0:
            assert not found.degenerate


@pytest.mark.parametrize("moving", [True, False])
@pytest.mark.parametrize("order", ORDERS)
def test_at_the_lock_the_third_angle_is_zero(order, moving):
    middle = 0.0 if order[0] == order[2] else 90.0
    found = orientation_angles(composed(order, [25.0, middle, 15.0], moving=moving), order, moving=moving)
    first, second, third = found.angles_deg
    assert found.degenerate
    assert second == pytest.approx(middle, abs=1e-12)
    assert third == 0.0
    # After a middle turn of 90 degrees the third turn acts with or against the first one, by the order's hand.
    with_it = order[0] == order[2] or (order in ("xyz", "yzx", "zxy")) == moving
    assert first == pytest.approx(25.0 + (15.0 if with_it else -15.0), abs=1e-12)


def test_sine_and_cosine_at_quarter_turns_are_exact():
    quarters = np.arange(-40, 41)
    sine, cosine = sincos_deg(90.0 * quarters)
    assert set(sine.tolist()) <= {-1.0, 0.0, 1.0}
    np.testing.assert_array_equal(sine, np.rint(np.sin(quarters * np.pi / 2)))
    np.testing.assert_array_equal(cosine, np.rint(np.cos(quarters * np.pi / 2)))


def test_pose_algebra_is_scipys_rigid_transform(rng):
    rigid = pytest.importorskip("scipy.spatial.transform", reason="RigidTransform came with scipy 1.16")
    if not hasattr(rigid, "RigidTransform"):
        pytest.skip("RigidTransform came with scipy 1.16")
    rotations = Rotation.random(2000, rng=rng), Rotation.random(2000, rng=rng)
    moves = rng.uniform(-1000.0, 1000.0, (2, 2000, 3))
    theirs = [rigid.RigidTransform.from_components(m, r) for m, r in zip(moves, rotations, strict=True)]
    ours = [Pose(r.as_matrix(), m) for m, r in zip(moves, rotations, strict=True)]
    points = rng.uniform(-1000.0, 1000.0, (2000, 3))
    chained, expected = ours[0] @ ours[1].inverse(), theirs[0] * theirs[1].inv()
    assert_close(chained.apply(points), expected.apply(points), within=1e-11)
    assert_close(chained.rotation, expected.rotation.as_matrix(), within=WITHIN)
    assert_close(chained.rotate(points), expected.rotation.apply(points), within=1e-11)
