"""Orientations written as turns about the axes, one after the other, each about the axes *as turned so far*.

The order of the list is the order of the turns. Names and conversions of three-turn sequences are the work of
transforms3d; its ``r...`` orders ("rotating frame") are the moving axes meant here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.arrays import last_axis
from kinematics.errors import KinematicsError
from kinematics.pose import Pose, turn_about

__all__ = ["Axis", "Turn", "rotation_from_turns", "turns_from_rotation"]

Axis = Literal["x", "y", "z"]
Turn = tuple[Axis, float]

_LOCKED_DEG = 1e-10
_WHOLE_DEG = 1e-12
_DIRECTION = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}


def rotation_from_turns(turns: Sequence[Turn]) -> NDArray[np.float64]:
    """The rotation reached by turns about the moving axes, in order.

    Parameters
    ----------
    turns : sequence of (axis, degrees)
        Axis "x", "y" or "z"; right-handed. No turns at all is the orientation one began with.

    Returns
    -------
    ndarray, shape (3, 3)
        Columns are the turned axes in the frame one began with.

    Raises
    ------
    KinematicsError
        When an axis is not x, y or z.

    Examples
    --------
    >>> rotation_from_turns([("z", 90.0), ("x", 90.0)])[:, 2].tolist()
    [1.0, 0.0, 0.0]
    >>> rotation_from_turns([("w", 90.0)])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: turn: expected an axis x, y or z, found 'w'
    """
    reached = np.eye(3)
    for axis, angle_deg in turns:
        if axis not in _DIRECTION:
            raise KinematicsError(f"turn: expected an axis x, y or z, found {axis!r}")
        if angle_deg != 0.0:  # most steps of a stack turn nothing
            reached = reached @ turn_about(_DIRECTION[axis], angle_deg)
    return reached


def turns_from_rotation(rotation: ArrayLike, order: str = "zxz") -> tuple[Turn, Turn, Turn]:
    """Three turns about the moving axes that reach a rotation.

    Parameters
    ----------
    rotation : array_like, shape (3, 3)
    order : str
        Three of x, y, z in the order of turning, neighbours different: "zxz", "xyz", ...

    Returns
    -------
    tuple of (axis, degrees)
        Where the first and the last turn act about one line (the middle one is 0 or 180 in "zxz", to within
        1e-10 degrees), the last is 0. Turned again, they give the rotation back to 2e-12.

    Raises
    ------
    KinematicsError
        When the order cannot reach every rotation, or the matrix is no rotation.

    Examples
    --------
    >>> turns_from_rotation(rotation_from_turns([("z", 60.0), ("x", 35.0)]))
    (('z', 60.0), ('x', 35.0), ('z', 0.0))
    >>> turns_from_rotation(np.eye(3), "xxz")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: order: expected three of x, y, z, neighbours different, found 'xxz'
    """
    # Only naming needs it: whoever computes offsets does not wait for its import.
    from transforms3d.euler import mat2euler

    if len(order) != 3 or set(order) - set("xyz") or order[0] == order[1] or order[1] == order[2]:
        raise KinematicsError(f"order: expected three of x, y, z, neighbours different, found {order!r}")
    matrix = Pose(last_axis(rotation, 3, "rotation"), np.zeros(3)).rotation
    before, middle, after = (_axis(letter) for letter in order)
    first, second, _ = np.degrees(mat2euler(matrix, "r" + order)).tolist()
    lock = 0.0 if before == after else 90.0
    nearest = lock + 180.0 * round((second - lock) / 180.0)
    # Near the lock, what separates the first from the last turn drowns in rounding: each is what the other leaves.
    if abs(second - nearest) < _LOCKED_DEG:
        second, third = nearest, 0.0
        first = _turn_deg(matrix @ rotation_from_turns([(middle, second)]).T, before)
    else:
        third = _turn_deg(rotation_from_turns([(before, first), (middle, second)]).T @ matrix, after)
    return (before, _round(first)), (middle, _round(second)), (after, _round(third))


def _turn_deg(rotation: NDArray[np.float64], axis: Axis) -> float:
    """The angle of a rotation about one axis, -180 to 180 degrees."""
    along = "xyz".index(axis)
    one, other = (along + 1) % 3, (along + 2) % 3
    return float(np.degrees(np.arctan2(rotation[other, one], rotation[one, one])))


def _round(angle_deg: float) -> float:
    """Whole degrees where only rounding separates the angle from them."""
    whole = float(round(angle_deg))
    return (whole if abs(angle_deg - whole) < _WHOLE_DEG else angle_deg) + 0.0


def _axis(letter: str) -> Axis:
    return "x" if letter == "x" else "y" if letter == "y" else "z"
