"""Planes of operations: an outward normal that must face the spindle, and the plane's own x direction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.errors import KinematicsError
from kinematics.euler_angles import Turn, rotation_from_intrinsic
from kinematics.transform import rotation_about_axis
from kinematics.validation import (
    ValueEquality,
    as_count,
    as_instance,
    as_number,
    as_vector,
    cross,
    normalized,
    read_only,
)

__all__ = ["Plane", "circular_pattern", "plane_from_normal", "plane_from_rotations", "plane_through"]

_STRAIGHT = 1e-6


@dataclass(frozen=True, eq=False)
class Plane(ValueEquality):
    """A plane of the part.

    Attributes
    ----------
    normal : ndarray, shape (3,)
        Outward, in part coordinates, of length one.
    x : ndarray, shape (3,), or None
        The plane's own x, square to the normal; None where only a direction was given.
    """

    normal: NDArray[np.float64]
    x: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(
            self, "normal", read_only(normalized(as_vector(self.normal, 3, "normal"), "normal"))
        )
        if self.x is not None:
            x = normalized(as_vector(self.x, 3, "plane x"), "plane x")
            if abs(float(x @ self.normal)) > _STRAIGHT:
                raise KinematicsError(
                    f"plane x: expected one square to the normal, found {float(x @ self.normal):.3g} along it"
                )
            object.__setattr__(self, "x", read_only(x))


def plane_from_normal(normal: ArrayLike) -> Plane:
    """A plane with an outward direction, in part coordinates, and no x of its own.

    Examples
    --------
    >>> plane_from_normal([0, 3, 4]).normal.tolist()
    [0.0, 0.6, 0.8]
    >>> plane_from_normal([0, 0, 0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: normal: expected a direction, found one of length 0
    """
    return Plane(as_vector(normal, 3, "normal"))


def plane_from_rotations(turns: Sequence[Turn]) -> Plane:
    """A plane turned from the part's own top about the moving axes; z ends as its normal.

    Examples
    --------
    >>> plane_from_rotations([("z", 90.0), ("x", 90.0)]).normal.tolist()
    [1.0, 0.0, 0.0]
    >>> plane_from_rotations([("w", 90.0)])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: turn: expected an axis x, y or z, found 'w'
    """
    rotation = rotation_from_intrinsic(turns)
    return Plane(rotation[:, 2], rotation[:, 0])


def plane_through(origin_side_mm: ArrayLike, toward_x_mm: ArrayLike, on_y_side_mm: ArrayLike) -> Plane:
    """A plane through three points: one on the origin's side, one toward +x from it, one on the +y side.

    Parameters
    ----------
    origin_side_mm, toward_x_mm, on_y_side_mm : array_like, shape (3,)
        In part coordinates. Only the side counts for the last one: it need not lie on y.

    Returns
    -------
    Plane
        Its x runs from the first point to the second. Its normal is x times the way to the third (right hand): seen
        from outside, the three run counterclockwise.

    Raises
    ------
    KinematicsError
        When the points lie on one line (or so nearly that they determine no plane), or two are one.

    Examples
    --------
    >>> plane_through([0, 0, 0], [10, 0, 0], [4, 0, 8]).normal.tolist()
    [0.0, -1.0, 0.0]
    >>> plane_through([0, 0, 0], [1, 1, 1], [2, 2, 2])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: through: expected three points that span a plane, found them in a line
    """
    first, second, third = (as_vector(p, 3, "through") for p in (origin_side_mm, toward_x_mm, on_y_side_mm))
    x, to_third = second - first, third - first
    across = cross(x, to_third)
    longest = float(np.linalg.norm(x) * np.linalg.norm(to_third))
    if longest == 0.0 or float(np.linalg.norm(across)) <= _STRAIGHT * longest:
        raise KinematicsError("through: expected three points that span a plane, found them in a line")
    return Plane(across, x)


def circular_pattern(
    plane: Plane, origin_mm: ArrayLike, count: int, step_deg: float
) -> tuple[tuple[Plane, NDArray[np.float64]], ...]:
    """A plane and its origin, repeated about the part's z `count` times in all.

    Parameters
    ----------
    plane : Plane
    origin_mm : array_like, shape (3,)
        In part coordinates.
    count : int
        How many in all, the given one included.
    step_deg : float
        From each to the next, right-handed about the part's +z: counterclockwise seen from above.

    Returns
    -------
    tuple of (Plane, ndarray of shape (3,))
        Planes and their origins in part coordinates, the given pair first.

    Raises
    ------
    KinematicsError
        When the count is less than one, or a number is not finite.

    Examples
    --------
    >>> pattern = circular_pattern(plane_from_normal([0, -1, 0]), [0, -18, -12], 4, 90.0)
    >>> [origin.tolist() for _, origin in pattern[:2]]
    [[0.0, -18.0, -12.0], [18.0, 0.0, -12.0]]
    >>> circular_pattern(plane_from_normal([0, -1, 0]), [0, -18, -12], 0, 90.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: repeat, count: expected a whole number, 1 or more, found 0
    """
    as_instance(plane, Plane, "repeat, plane")
    count, step_deg = as_count(count, "repeat, count"), as_number(step_deg, "repeat, step")
    origin = as_vector(origin_mm, 3, "origin")
    turned = []
    for k in range(count):
        about_z = rotation_about_axis([0.0, 0.0, 1.0], k * step_deg)
        x = None if plane.x is None else about_z @ plane.x
        turned.append((Plane(about_z @ plane.normal, x), about_z @ origin + 0.0))
    return tuple(turned)
