"""Forward kinematics: the pose of the table at machine angles, and where it carries points."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg
from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.rotary import RotaryAxis
from kinematics.transform import Pose
from kinematics.validation import as_instance, as_vectors

__all__ = ["angle_products", "point_coefficients", "pose_coefficients", "table_pose", "transform_points"]

_BLOCK = 8192


def table_pose(machine: Machine, angles_deg: ArrayLike) -> Pose:
    """The pose of the table at machine angles, relative to the all-zero pose.

    Parameters
    ----------
    machine : Machine
    angles_deg : array_like, shape (..., n)
        Machine angles of the n rotaries, from the base outward.

    Returns
    -------
    Pose
        Leading shape (...): machine coordinates of a point of the table at the all-zero pose in, machine
        coordinates at those angles out.

    Raises
    ------
    KinematicsError
        When the last axis does not match the rotaries or an angle is not finite.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (a, c), Platter(face_mm=0.0))
    >>> table_pose(mill, [-90, 0]).apply([0, 0, 100]).round(6).tolist()
    [0.0, -150.0, -50.0]
    >>> table_pose(mill, [-90])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angles (A, C): expected a last axis of 2 numbers, found shape (1,)
    """
    angles = as_instance(machine, Machine, "machine").angles(angles_deg)
    pose = machine.rotaries[0].pose_at(angles[..., 0])
    for i, rotary in enumerate(machine.rotaries[1:], start=1):
        pose = pose @ rotary.pose_at(angles[..., i])
    return pose


def transform_points(machine: Machine, point_mm: ArrayLike, angles_deg: ArrayLike) -> NDArray[np.float64]:
    """Machine coordinates of points fixed to the table: ``table_pose(machine, angles).apply(point)``, but faster.

    A carried point is a polynomial in the sines and cosines of the angles, of degree one in each rotary; its
    coefficients depend on the machine and the point only. So a million angles cost their sines and cosines and
    one matrix product.

    Parameters
    ----------
    machine : Machine
    point_mm : array_like, shape (..., 3)
        Machine coordinates at the all-zero pose.
    angles_deg : array_like, shape (..., n)
        Machine angles; the leading shapes of both broadcast.

    Returns
    -------
    ndarray, shape (..., 3)
        Machine coordinates at those angles, millimetres.

    Raises
    ------
    KinematicsError
        When a last axis does not fit or a value is not finite.

    Examples
    --------
    The derived case of a square A/C machine whose table turns counterclockwise on positive moves:

    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0.0, -12.5, -87.25], [1, 0, 0], RotationSense.COUNTERCLOCKWISE, None)
    >>> c = RotaryAxis("C", [0.02, -12.4, 0.0], [0, 0, 1], RotationSense.COUNTERCLOCKWISE, None)
    >>> mill = Machine("mill", (a, c), Platter(face_mm=-40.0))
    >>> transform_points(mill, [40.0, 25.0, 130.0], [[0, 0], [-90, 45]]).round(9).tolist()
    [[40.0, 25.0, 130.0], [1.844335495, 204.75, -142.065922728]]
    >>> transform_points(mill, [40.0, 25.0], [0, 0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: point: expected a last axis of 3 numbers, found shape (2,)
    """
    point = as_vectors(point_mm, 3, "point")
    angles = as_instance(machine, Machine, "machine").angles(angles_deg)
    try:
        np.broadcast_shapes(point.shape[:-1], angles.shape[:-1])
    except ValueError:
        raise KinematicsError(
            f"points: expected leading shapes that broadcast, found points {point.shape} and angles {angles.shape}"
        ) from None
    coefficients = point_coefficients(machine, point)
    if point.ndim > 1:
        return np.asarray((coefficients @ np.moveaxis(_products(machine, angles), 0, -1)[..., None])[..., 0])
    rows = angles.reshape(-1, angles.shape[-1])
    carried = np.empty((rows.shape[0], 3))
    # Blocks that stay in the processor's cache: whole columns would be written to memory and read back.
    for start in range(0, rows.shape[0], _BLOCK):
        block = slice(start, start + _BLOCK)
        carried[block] = (coefficients @ _products(machine, rows[block])).T
    return carried.reshape(*angles.shape[:-1], 3)


def angle_products(machine: Machine, angles_deg: ArrayLike) -> NDArray[np.float64]:
    """All products of one of (1, cos, sin) per rotary: what the coefficients below are multiplied with.

    Parameters
    ----------
    machine : Machine
    angles_deg : array_like, shape (..., n)
        Machine angles of the n rotaries, from the base outward, counted from their zero for the sine and cosine.

    Returns
    -------
    ndarray, shape (3**n, ...)
        Outer rotaries slowest: for two of them 1, cos2, sin2, cos1, cos1 cos2, cos1 sin2, sin1, sin1 cos2, sin1 sin2.

    Raises
    ------
    KinematicsError
        When the last axis does not match the rotaries or an angle is not finite.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (a, c), Platter(face_mm=0.0))
    >>> angle_products(mill, [-90, 0]).round(6).tolist()
    [1.0, 1.0, 0.0, 0.0, 0.0, 0.0, -1.0, -1.0, -0.0]
    >>> angle_products(mill, [-90])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angles (A, C): expected a last axis of 2 numbers, found shape (1,)
    """
    return _products(machine, as_instance(machine, Machine, "machine").angles(angles_deg))


def _products(machine: Machine, angles: NDArray[np.float64]) -> NDArray[np.float64]:
    """`angle_products` of angles that were checked."""
    products = np.ones((1, *angles.shape[:-1]))
    for i, rotary in enumerate(machine.rotaries):
        sine, cosine = sincos_deg(rotary.off_zero_deg(angles[..., i]))
        turned = np.stack([np.ones_like(sine), cosine, sine])
        products = (products[:, None] * turned[None]).reshape(3 * len(products), *angles.shape[:-1])
    return products


def point_coefficients(machine: Machine, point_mm: ArrayLike) -> NDArray[np.float64]:
    """The coefficients of the polynomial in sines and cosines that says where the table carries points.

    Parameters
    ----------
    machine : Machine
    point_mm : array_like, shape (..., 3)
        Fixed to the table: machine coordinates at the all-zero pose.

    Returns
    -------
    ndarray, shape (..., 3, 3**n)
        Of X, Y, Z in machine coordinates, for the products of `angle_products`. They hold everything that the
        machine and the point contribute, so another program turns the table with sines, cosines and sums alone.

    Raises
    ------
    KinematicsError
        When the last axis has not three numbers or a value is not finite.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import RotationSense
    >>> a = RotaryAxis("A", [0.0, 0.0, -50.0], [1, 0, 0], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (a,), Platter())
    >>> coefficients = point_coefficients(mill, [0.0, 0.0, 100.0])
    >>> coefficients.tolist()   # X = 0, Y = 150 sin A, Z = -50 + 150 cos A
    [[0.0, 0.0, 0.0], [0.0, 0.0, 150.0], [-50.0, 150.0, 0.0]]
    >>> (coefficients @ angle_products(mill, [-90.0])).tolist()
    [0.0, -150.0, -50.0]
    >>> point_coefficients(mill, [0.0, 100.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: point: expected a last axis of 3 numbers, found shape (2,)
    """
    as_instance(machine, Machine, "machine")
    point = as_vectors(point_mm, 3, "point")
    held = np.concatenate([point, np.ones((*point.shape[:-1], 1))], axis=-1)[..., None]
    return _turned(machine.rotaries, held)[..., :3, :]


@takes_declared()
def pose_coefficients(machine: Machine, count: int | None = None) -> NDArray[np.float64]:
    """The coefficients of the pose of what the first rotaries turn, relative to the all-zero pose.

    Parameters
    ----------
    machine : Machine
    count : int or None
        How many rotaries, from the base outward; None takes all, as `table_pose` does. None of them leaves what
        stands on the base where it is.

    Returns
    -------
    ndarray, shape (3, 4, 3**count)
        Rows X, Y, Z; columns the three of the rotation, then the translation in millimetres; last axis as
        `angle_products` of those rotaries alone.

    Raises
    ------
    KinematicsError
        When there are not so many rotaries.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import RotationSense
    >>> a = RotaryAxis("A", [0.0, 0.0, -50.0], [1, 0, 0], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (a,), Platter())
    >>> (pose_coefficients(mill) @ angle_products(mill, [90.0])).tolist()
    [[1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, 50.0], [0.0, -1.0, 0.0, -50.0]]
    >>> pose_coefficients(mill, 0)[..., 0].tolist() == np.eye(3, 4).tolist()
    True
    >>> pose_coefficients(mill, 2)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: rotaries: expected 0 to 1 of them, found 2
    """
    rotaries = as_instance(machine, Machine, "machine").rotaries
    taken = len(rotaries) if count is None else count
    if not 0 <= taken <= len(rotaries):
        raise KinematicsError(f"rotaries: expected 0 to {len(rotaries)} of them, found {taken}")
    held = _turned(rotaries[:taken], np.eye(4)[..., None])
    # One homogeneous column at a time: (column, row, product) to (row, column, product).
    return np.moveaxis(held, 0, 1)[:3]


def _turned(rotaries: tuple[RotaryAxis, ...], held: NDArray[np.float64]) -> NDArray[np.float64]:
    """Homogeneous vectors (..., 4, 1) carried by n rotaries: coefficients (..., 4, 3**n)."""
    for rotary in reversed(rotaries):
        held = np.concatenate([part @ held for part in _parts(rotary)], axis=-1)
    return held


def _parts(rotary: RotaryAxis) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """A turn about the line as ``constant + cos * ... + sin * ...``, each a homogeneous matrix (4, 4)."""
    x, y, z = rotary.direction
    along = np.outer(rotary.direction, rotary.direction)
    cross = rotary.positive_turn.sign * np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    parts = []
    for linear in (along, np.eye(3) - along, cross):
        part = np.zeros((4, 4))
        part[:3, :3] = linear
        part[:3, 3] = -linear @ rotary.point_mm
        parts.append(part)
    parts[0][:3, 3] += rotary.point_mm
    parts[0][3, 3] = 1.0
    return parts[0], parts[1], parts[2]
