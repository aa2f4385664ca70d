"""Orientations as three turns about coordinate axes: Euler and Tait-Bryan angles, moving or fixed axes.

*Moving* axes turn with the work (intrinsic rotations: ``R = R1 @ R2 @ R3``); *fixed* axes stay where they were
(extrinsic: ``R = R3 @ R2 @ R1``). The order of the letters is the order of the turns in both.

transforms3d finds the angles. Composing stays with `rotation_from_intrinsic`, which takes degrees: a quarter turn
is then exactly 0 and 1, where one given in radians is off by 6e-17, and no stack waits for an import.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.transform import Pose, rotation_about_axis
from kinematics.validation import as_instance, as_number, as_vectors

__all__ = ["Axis", "OrientationAngles", "Turn", "orientation_angles", "rotation_from_intrinsic"]

Axis = Literal["x", "y", "z"]
Turn = tuple[Axis, float]

_DEGENERATE_WITHIN_DEG = 1e-10
_WHOLE_WITHIN_DEG = 1e-12
_DIRECTION = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}


def rotation_from_intrinsic(turns: Sequence[Turn]) -> NDArray[np.float64]:
    """The rotation composed of turns about the moving axes, in order.

    Parameters
    ----------
    turns : sequence of (axis, degrees)
        Axis "x", "y" or "z"; right-handed. An empty sequence is the identity.

    Returns
    -------
    ndarray, shape (3, 3)
        Columns are the turned axes in the frame one began with.

    Raises
    ------
    KinematicsError
        When a turn is no pair, its axis is not x, y or z, or its angle is not a finite number.

    Examples
    --------
    >>> rotation_from_intrinsic([("z", 90.0), ("x", 90.0)])[:, 2].tolist()
    [1.0, 0.0, 0.0]
    >>> rotation_from_intrinsic([("w", 90.0)])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: turn: expected an axis x, y or z, found 'w'
    """
    rotation = np.eye(3)
    for axis, angle_deg in checked_turns(turns, "turn"):
        if angle_deg != 0.0:  # most steps of a stack turn nothing
            rotation = rotation @ rotation_about_axis(_DIRECTION[axis], angle_deg)
    return rotation


def checked_turns(turns: Sequence[Turn], what: str) -> tuple[Turn, ...]:
    """Turns as a tuple of (axis, degrees), each checked; `what` names them in the refusal."""
    if isinstance(turns, str) or not isinstance(turns, Sequence):
        raise KinematicsError(f"{what}: expected a list of (axis, degrees), found {turns!r}")
    checked: list[Turn] = []
    for turn in turns:
        if isinstance(turn, str) or not isinstance(turn, Sequence) or len(turn) != 2:
            raise KinematicsError(f"{what}: expected (axis, degrees), found {turn!r}")
        axis, angle_deg = turn
        if not isinstance(axis, str) or axis not in _DIRECTION:
            raise KinematicsError(f"{what}: expected an axis x, y or z, found {axis!r}")
        checked.append((_axis(axis), as_number(angle_deg, f"{what} about {axis}")))
    return tuple(checked)


@dataclass(frozen=True)
class OrientationAngles(DeclaredFields):
    """An orientation as three turns about coordinate axes.

    Attributes
    ----------
    angles_deg : (float, float, float)
        In the order of the turns, each right-handed, in degrees.
    order : str
        The axes turned about, such as "zxz".
    moving : bool
        True where the axes turn with the work, False where they stay fixed.
    degenerate : bool
        True where the first and the third turn act about one line: only their sum or difference is determined, and the
        third was set to 0.
    """

    angles_deg: tuple[float, float, float]
    order: str
    moving: bool
    degenerate: bool

    @property
    def turns(self) -> tuple[Turn, ...]:
        """The same orientation as turns about the moving axes, for `rotation_from_intrinsic`."""
        pairs = [(_axis(letter), angle) for letter, angle in zip(self.order, self.angles_deg, strict=True)]
        return tuple(pairs if self.moving else reversed(pairs))


def orientation_angles(rotation: ArrayLike, order: str = "zxz", *, moving: bool = True) -> OrientationAngles:
    """Three turns about coordinate axes that compose a rotation.

    Parameters
    ----------
    rotation : array_like, shape (3, 3)
        Columns are the turned axes in the frame that the turns begin with.
    order : str
        Three of x, y, z in the order of the turns, neighbours different: "zxz", "xyz", ...
    moving : bool
        About the axes as turned so far (True), or about the axes that the turns begin with (False).

    Returns
    -------
    OrientationAngles
        The middle angle is 0 to 180 degrees where the first and the last axis are the same, else -90 to 90; the
        others are -180 to 180. Composed again, they give the rotation back to
        2e-12. Where the middle turn brings
        the first and the third onto one line (to within 1e-10 degrees), `degenerate` is set and the third angle is 0.

    Raises
    ------
    KinematicsError
        When the order cannot compose every rotation, or the matrix is no rotation.

    Examples
    --------
    >>> tipped = rotation_from_intrinsic([("z", 60.0), ("x", 35.0)])
    >>> orientation_angles(tipped).angles_deg, orientation_angles(tipped, "zxz", moving=False).angles_deg
    ((60.0, 35.0, 0.0), (0.0, 35.0, 60.0))
    >>> orientation_angles(rotation_from_intrinsic([("z", 20.0), ("z", 10.0)]))
    OrientationAngles(angles_deg=(30.0, 0.0, 0.0), order='zxz', moving=True, degenerate=True)
    >>> orientation_angles(np.eye(3), "xxz")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: order: expected three of x, y, z, neighbours different, found 'xxz'
    """
    # Imported here: a command that names no orientation does not wait for it.
    from transforms3d.euler import mat2euler

    if (
        not isinstance(order, str)
        or len(order) != 3
        or set(order) - set("xyz")
        or order[0] == order[1]
        or order[1] == order[2]
    ):
        raise KinematicsError(f"order: expected three of x, y, z, neighbours different, found {order!r}")
    as_instance(moving, bool, "moving")
    matrix = as_vectors(rotation, 3, "rotation")
    if matrix.shape != (3, 3):
        raise KinematicsError(f"rotation: expected shape (3, 3), found {matrix.shape}")
    matrix = Pose(matrix, np.zeros(3)).rotation
    # Fixed axes in one order are moving axes in the reverse order: R = outer @ middle @ inner either way.
    outer, middle, inner = (_axis(letter) for letter in (order if moving else order[::-1]))
    first, second, _ = np.degrees(mat2euler(matrix, "r" + outer + middle + inner)).tolist()
    if outer == inner and second < 0.0:  # either form is right; the middle angle is given as a positive one
        first, second = first - np.copysign(180.0, first), -second
    lock = 0.0 if outer == inner else 90.0
    nearest = lock + 180.0 * round((second - lock) / 180.0)
    # Near the lock rounding separates the first turn from the third: each is computed as what the other two leave.
    degenerate = abs(second - nearest) < _DEGENERATE_WITHIN_DEG
    if degenerate:
        turn = rotation_from_intrinsic([(middle, nearest)])
        second, first, third = nearest, 0.0, 0.0
        if moving:
            first = _turn_deg(matrix @ turn.T, outer)
        else:
            third = _turn_deg(turn.T @ matrix, inner)
    else:
        third = _turn_deg(rotation_from_intrinsic([(outer, first), (middle, second)]).T @ matrix, inner)
    angles = (_whole_deg(first), _whole_deg(second), _whole_deg(third))
    return OrientationAngles(angles if moving else angles[::-1], order, bool(moving), degenerate)


def _turn_deg(rotation: NDArray[np.float64], axis: Axis) -> float:
    """The angle of a rotation about one axis, -180 to 180 degrees."""
    along = "xyz".index(axis)
    one, other = (along + 1) % 3, (along + 2) % 3
    return float(np.degrees(np.arctan2(rotation[other, one], rotation[one, one])))


def _whole_deg(angle_deg: float) -> float:
    """The angle, or the whole number of degrees that only rounding separates it from."""
    whole = float(round(angle_deg))
    return (whole if abs(angle_deg - whole) < _WHOLE_WITHIN_DEG else angle_deg) + 0.0


def _axis(letter: str) -> Axis:
    return "x" if letter == "x" else "y" if letter == "y" else "z"
