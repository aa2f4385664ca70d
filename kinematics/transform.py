"""Rigid transforms: poses of frames, rotations about axes and about lines in space.

A `Pose` named ``part_in_table`` answers "where is the part's frame, seen from the table": it takes part
coordinates to table coordinates. Poses chain from left to right, and the inner names cancel::

    part_in_machine = table_in_machine @ part_in_table

Turns are right-handed about the direction given. It is always the *work* that turns here, never the tool.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg
from kinematics.errors import KinematicsError
from kinematics.validation import ValueEquality, as_instance, as_number, as_vectors, normalized, read_only

__all__ = [
    "IDENTITY",
    "Pose",
    "rotation_about_axis",
    "rotation_about_line",
    "translation",
]

RIGID_WITHIN = 1e-9
"""Tolerance of a rotation's rows for being square and of length one: 1e-9 mm at one metre is 1e-12 of it."""


@dataclass(frozen=True, eq=False)
class Pose(ValueEquality):
    """A rigid pose: a rotation and a translation, over any leading shape.

    Attributes
    ----------
    rotation : ndarray, shape (..., 3, 3)
        Columns are the inner frame's axes in the outer frame; right-handed, orthonormal.
    translation_mm : ndarray, shape (..., 3)
        The inner frame's origin in the outer frame, in millimetres.

    Raises
    ------
    KinematicsError
        When the rotation is not one (stretched, skewed or mirrored), which is never repaired in silence; when
        a value is not finite or the leading shapes do not broadcast.

    Examples
    --------
    >>> quarter = Pose(rotation_about_axis([0, 0, 1], 90.0), [10.0, 0.0, 0.0])
    >>> quarter.apply([1.0, 0.0, 5.0]).tolist()
    [10.0, 1.0, 5.0]
    >>> (quarter.inverse() @ quarter).apply([1.0, 2.0, 3.0]).tolist()
    [1.0, 2.0, 3.0]
    >>> Pose([[1, 0, 0], [0, 1, 0], [0, 0, -1]], [0, 0, 0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: rotation: expected a right-handed one, found a mirror image
    """

    rotation: NDArray[np.float64]
    translation_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        rotation = as_vectors(self.rotation, 3, "rotation")
        translation = as_vectors(self.translation_mm, 3, "translation")
        if rotation.ndim < 2 or rotation.shape[-2] != 3:
            raise KinematicsError(f"rotation: expected shape (..., 3, 3), found {rotation.shape}")
        off = np.abs(rotation @ np.swapaxes(rotation, -1, -2) - np.eye(3))
        if off.size and float(off.max()) > RIGID_WITHIN:
            raise KinematicsError(
                "rotation: expected rows square to each other and of length 1, "
                f"found them off by {float(off.max()):.3g}"
            )
        if rotation.size and float(np.linalg.det(rotation).min()) < 0.0:
            raise KinematicsError("rotation: expected a right-handed one, found a mirror image")
        try:
            np.broadcast_shapes(rotation.shape[:-2], translation.shape[:-1])
        except ValueError:
            raise KinematicsError(
                "pose: expected leading shapes that broadcast, "
                f"found rotation {rotation.shape} and translation {translation.shape}"
            ) from None
        object.__setattr__(self, "rotation", read_only(rotation))
        object.__setattr__(self, "translation_mm", read_only(translation))

    @classmethod
    def from_rigid(cls, rotation: NDArray[np.float64], translation_mm: NDArray[np.float64]) -> Pose:
        """A pose from parts that are rigid by construction: a product of rotations is a rotation.

        Checking a million of them would cost more than making them.

        Parameters
        ----------
        rotation : ndarray, shape (..., 3, 3)
            Taken on trust and not copied.
        translation_mm : ndarray, shape (..., 3)
            Likewise; leading shapes that broadcast.

        Returns
        -------
        Pose
        """
        pose = object.__new__(cls)
        for name, array in (("rotation", rotation), ("translation_mm", translation_mm)):
            view = array.view()
            view.flags.writeable = False
            object.__setattr__(pose, name, view)
        return pose

    @property
    def shape(self) -> tuple[int, ...]:
        """The leading shape: () for one pose."""
        return np.broadcast_shapes(self.rotation.shape[:-2], self.translation_mm.shape[:-1])

    def apply(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Points of the inner frame, shape (..., 3), in the outer frame; millimetres."""
        return self.rotate(points_mm) + self.translation_mm

    def rotate(self, directions: ArrayLike) -> NDArray[np.float64]:
        """Directions of the inner frame, shape (..., 3), in the outer frame: turned, not moved."""
        vectors = as_vectors(directions, 3, "directions")
        return np.asarray((self.rotation @ vectors[..., None])[..., 0])

    def inverse(self) -> Pose:
        """The outer frame seen from the inner one."""
        back = np.swapaxes(self.rotation, -1, -2)
        return Pose.from_rigid(back, -(back @ self.translation_mm[..., None])[..., 0])

    def __matmul__(self, inner: Pose) -> Pose:
        """The chained pose: `inner` stands within this one."""
        as_instance(inner, Pose, "pose")
        moved = (self.rotation @ inner.translation_mm[..., None])[..., 0] + self.translation_mm
        return Pose.from_rigid(self.rotation @ inner.rotation, moved)


def rotation_about_axis(direction: ArrayLike, angle_deg: ArrayLike) -> NDArray[np.float64]:
    """Rotation matrices for right-handed turns about directions through the origin.

    Parameters
    ----------
    direction : array_like, shape (..., 3)
        Rotation axis; any non-zero vector.
    angle_deg : array_like, shape (...)
        Right-handed: counterclockwise for an eye at the direction's head looking back.

    Returns
    -------
    ndarray, shape (..., 3, 3)
        Rodrigues' formula.

    Raises
    ------
    KinematicsError
        When a direction has no length.

    Examples
    --------
    >>> rotation_about_axis([1, 0, 0], 90.0).tolist()
    [[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]
    >>> rotation_about_axis([0, 0, 0], 90.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: direction: expected a direction, found one of length 0
    """
    axis = normalized(direction, "direction")
    sine, cosine = sincos_deg(angle_deg)
    sine, cosine = sine[..., None, None], cosine[..., None, None]
    along = axis[..., :, None] * axis[..., None, :]
    return np.asarray(cosine * (np.eye(3) - along) + sine * _cross_matrix(axis) + along)


def rotation_about_line(point_mm: ArrayLike, direction: ArrayLike, angle_deg: ArrayLike) -> Pose:
    """Pose of a right-handed turn about a line in space.

    Parameters
    ----------
    point_mm : array_like, shape (..., 3)
        Any point of the line, in millimetres.
    direction : array_like, shape (..., 3)
        The line's direction.
    angle_deg : array_like, shape (...)
        Right-handed about the direction.

    Returns
    -------
    Pose

    Examples
    --------
    A quarter turn about a line parallel to X takes a point above the line to its -Y side:

    >>> rotation_about_line([0.0, 10.0, 0.0], [1, 0, 0], 90.0).apply([7.0, 10.0, 3.0]).tolist()
    [7.0, 7.0, 0.0]
    >>> rotation_about_line([0, 0, 0], [0, 0, 0], 90.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: direction: expected a direction, found one of length 0
    """
    point = as_vectors(point_mm, 3, "point")
    rotation = rotation_about_axis(direction, angle_deg)
    return Pose.from_rigid(rotation, point - (rotation @ point[..., None])[..., 0])


def translation(x_mm: float = 0.0, y_mm: float = 0.0, z_mm: float = 0.0) -> Pose:
    """Pose of a translation without a rotation.

    Parameters
    ----------
    x_mm, y_mm, z_mm : float
        The inner frame's origin in the outer frame.

    Returns
    -------
    Pose

    Raises
    ------
    KinematicsError
        When a number is not finite.

    Examples
    --------
    >>> translation(z_mm=20.0).apply([1, 2, 3]).tolist()
    [1.0, 2.0, 23.0]
    >>> translation(z_mm=float("nan"))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: translation, z: expected finite numbers, found NaN or infinity
    """
    shifts = zip("xyz", (x_mm, y_mm, z_mm), strict=True)
    shift = np.array([as_number(value, f"translation, {axis}") for axis, value in shifts])
    return Pose.from_rigid(np.eye(3), shift)


def _cross_matrix(vector: NDArray[np.float64]) -> NDArray[np.float64]:
    """The matrix that crosses `vector` (..., 3) with what it multiplies."""
    x, y, z = vector[..., 0], vector[..., 1], vector[..., 2]
    # Filled in place: stacking nine arrays takes several times as long on a single vector.
    matrix = np.zeros((*vector.shape, 3))
    matrix[..., 0, 1], matrix[..., 0, 2] = -z, y
    matrix[..., 1, 0], matrix[..., 1, 2] = z, -x
    matrix[..., 2, 0], matrix[..., 2, 1] = -y, x
    return matrix


IDENTITY = translation()
"""The frame itself."""
