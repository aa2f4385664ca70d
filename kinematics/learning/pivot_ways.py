"""Where a pivot lies, by plane geometry: every way that a student with a pocket calculator may take.

Seen along a rotary's line its targets run on circles. Points are pairs here, in the plane across the line, laid so
that a right-handed turn goes counterclockwise: Y and Z for a line along X, Z and X along Y, X and Y along Z.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.errors import KinematicsError

__all__ = ["Method", "apex", "circle_through", "opposite_face", "ways"]

Floats = NDArray[np.float64]
Method = Literal["opposite readings", "ball on an arc", "level face"]

_FLAT = 1e-9


def apex(first: ArrayLike, second: ArrayLike, turn_deg: float) -> Floats:
    """The point about which a turn takes the first point to the second.

    It lies square to the chord from its middle, at half the chord over the tangent of half the turn.

    Parameters
    ----------
    first, second : array_like, shape (..., 2)
    turn_deg : float
        Counterclockwise is positive.

    Returns
    -------
    ndarray, shape (..., 2)

    Raises
    ------
    KinematicsError
        When nothing turns.

    Examples
    --------
    >>> apex([3.0, 1.0], [2.0, 2.0], 90.0).round(9).tolist()
    [2.0, 1.0]
    >>> apex([3.0, 1.0], [2.0, 2.0], 0.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: turn: expected one that moves the point, found 0 degrees
    """
    if abs(turn_deg % 360.0) < _FLAT:
        raise KinematicsError(f"turn: expected one that moves the point, found {turn_deg:g} degrees")
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    chord = b - a
    square = np.stack([-chord[..., 1], chord[..., 0]], axis=-1)
    return np.asarray((a + b) / 2.0 + square / (2.0 * np.tan(np.radians(turn_deg) / 2.0)))


def circle_through(three: ArrayLike) -> Floats:
    """The centre of the circle through three points: where the perpendicular bisectors meet.

    Parameters
    ----------
    three : array_like, shape (..., 3, 2)

    Returns
    -------
    ndarray, shape (..., 2)

    Raises
    ------
    KinematicsError
        When they lie on one straight line.

    Examples
    --------
    >>> circle_through([[3.0, 1.0], [2.0, 2.0], [1.0, 1.0]]).tolist()
    [2.0, 1.0]
    >>> circle_through([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: points: expected three on a circle, found them on one straight line
    """
    points = np.asarray(three, dtype=np.float64)
    start = points[..., 0, :]
    sides = points[..., 1:, :] - start[..., None, :]
    across = sides[..., 0, 0] * sides[..., 1, 1] - sides[..., 0, 1] * sides[..., 1, 0]
    squares = (sides**2).sum(axis=-1)
    if (np.abs(across) <= _FLAT * squares.max(axis=-1)).any():
        raise KinematicsError("points: expected three on a circle, found them on one straight line")
    x = squares[..., 0] * sides[..., 1, 1] - squares[..., 1] * sides[..., 0, 1]
    y = squares[..., 1] * sides[..., 0, 0] - squares[..., 0] * sides[..., 1, 0]
    return np.asarray(start + np.stack([x, y], axis=-1) / (2.0 * across)[..., None])


def opposite_face(
    up: ArrayLike, left: ArrayLike, right: ArrayLike, radius_mm: float, *, swap: bool
) -> Floats:
    """The pivot from a face level at zero and read at a quarter turn either way.

    Parameters
    ----------
    up : array_like, shape (...)
        Its height when level: a contact.
    left, right : array_like, shape (...)
        Its side coordinate when it looks to - and to +: stylus centres.
    radius_mm : float
        Of the stylus.
    swap : bool
        Whether height comes first in the plane.

    Returns
    -------
    ndarray, shape (..., 2)

    Examples
    --------
    >>> opposite_face(110.0, -63.0, 63.0, 3.0, swap=False).tolist()   # 60 above a pivot at 0 and 50
    [0.0, 50.0]
    """
    low, high = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    side = (low + high) / 2.0
    height = np.asarray(up, dtype=np.float64) - ((high - low) / 2.0 - radius_mm)
    return np.stack([height, side] if swap else [side, height], axis=-1)


def ways(
    method: Method, points: ArrayLike, turn_deg: ArrayLike, radius_mm: float = 0.0, *, swap: bool = False
) -> dict[str, Floats]:
    """The pivot by every way, the one that the key shows first.

    Parameters
    ----------
    method : str
    points : array_like, shape (..., n, 2)
        Centres of a bore (at four quarter turns) or of a ball (at three tilts, in order). For a face two touches at
        each of three tilts, level, looking to -, looking to +, as they were shown.
    turn_deg : array_like, shape (n,)
        Right-handed turns of the table.
    radius_mm : float
        Of the stylus, for a face.
    swap : bool
        Whether height comes first in the plane.

    Returns
    -------
    dict of str to ndarray, shape (..., 2)

    Examples
    --------
    >>> found = ways("opposite readings", [[9, 2], [5, 6], [1, 2], [5, -2]], [0, 90, 180, 270])
    >>> sorted({tuple(centre.tolist()) for centre in found.values()})
    [(5.0, 2.0)]
    """
    at, turns = np.asarray(points, dtype=np.float64), np.asarray(turn_deg, dtype=np.float64)
    if method == "opposite readings":
        halves = (at[..., :2, :] + at[..., 2:, :]) / 2.0
        found = {"the mean of both halves": halves.mean(axis=-2)}
        found |= {f"halfway, pair {pair + 1}": halves[..., pair, :] for pair in (0, 1)}
        for left_out in range(4):
            three = [k for k in range(4) if k != left_out]
            found[f"circle without reading {left_out + 1}"] = circle_through(at[..., three, :])
        return found
    if method == "ball on an arc":
        pairs = ((0, 2), (0, 1), (1, 2))
        found = {
            f"readings {i + 1} and {j + 1}": apex(at[..., i, :], at[..., j, :], float(turns[j] - turns[i]))
            for i, j in pairs
        }
        return {**found, "circle": circle_through(at)}
    side, up = (1, 0) if swap else (0, 1)
    touches = {"means": at[..., 0::2, :] / 2.0 + at[..., 1::2, :] / 2.0}
    touches |= {"first touches": at[..., 0::2, :], "second touches": at[..., 1::2, :]}
    return {
        name: opposite_face(one[..., 0, up], one[..., 1, side], one[..., 2, side], radius_mm, swap=swap)
        for name, one in touches.items()
    }
