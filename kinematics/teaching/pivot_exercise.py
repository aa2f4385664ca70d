"""An exercise in finding pivots, and the pivot by plane geometry, every way that it can be found.

Seen along a rotary's line its targets run on circles. Points are pairs here, in the plane across the line, laid so
that a right-handed turn goes counterclockwise: Y and Z for a line along X, Z and X along Y, X and Y along Z.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.calibration.planning import PlannedTarget
from kinematics.calibration.readings import Readings, TargetKind
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.teaching.exercises import UnitName

__all__ = [
    "PIVOT_LEVEL",
    "Method",
    "PivotExercise",
    "Probed",
    "circle_through",
    "in_plane",
    "opposite_face",
    "plane_of",
    "rotation_centre",
    "ways",
]

PIVOT_LEVEL = "a pivot to find"

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Probed:
    """One pivot to find, and what was probed for it.

    Attributes
    ----------
    letter : str
        The rotary that turned; every other one stood at zero.
    target : str
        What was read: "gauge ball".
    method : str
        How plane geometry finds the pivot, see `ways`.
    axis : int
        The machine axis along which the rotary runs.
    angles_deg : ndarray, shape (n,)
        Machine angles of the rotary.
    turn_deg : ndarray, shape (n,)
        Right-handed turns of the table.
    shown_mm : ndarray, shape (n, 3)
        As printed: a bore's centre, a ball's centre in X and Y and its top in Z, touches of a face (side touches as
        stylus centres).
    centre_mm : ndarray, shape (n, 3)
        The same with radii taken off: centres and contacts.
    radius_mm : float
        Of the ball, or of the stylus that touched the face; 0 where neither counts.
    believed_mm, true_mm : ndarray, shape (2,)
        The pivot as the shop believes and as it is, on the axes that are asked for.
    """

    letter: str
    target: str
    method: Method
    axis: int
    angles_deg: Floats
    turn_deg: Floats
    shown_mm: Floats
    centre_mm: Floats
    radius_mm: float
    believed_mm: Floats
    true_mm: Floats

    @property
    def asked(self) -> tuple[int, int]:
        """The machine axes whose coordinates are asked for, in order."""
        first, second = (k for k in range(3) if k != self.axis)
        return first, second

    @property
    def axes(self) -> tuple[str, str]:
        """Their names."""
        return "XYZ"[self.asked[0]], "XYZ"[self.asked[1]]

    @property
    def points_mm(self) -> Floats:
        """What `ways` works on, shape (n, 3): centres, or a face's touches as shown."""
        return self.shown_mm if self.method == "level face" else self.centre_mm

    def worked(self, points_mm: Floats | None = None) -> dict[str, Floats]:
        """The pivot by every way, on the axes that are asked for; from other points (..., n, 3) if given."""
        points = self.points_mm if points_mm is None else points_mm
        first, second = plane_of(self.axis)
        found = ways(
            self.method,
            points[..., [first, second]],
            self.turn_deg,
            self.radius_mm,
            swap=first > second,
        )
        return {name: in_plane(self.axis, pair) for name, pair in found.items()}


@dataclass(frozen=True, eq=False)
class PivotExercise:
    """One sheet's task and what its key needs.

    Attributes
    ----------
    seed, sheet : int
    units : "mm" or "inch"
        What the sheet is printed in; the values here are millimetres all the same.
    title, story : str
    machine : Machine
        As the shop believes it is.
    truth : Machine
    targets : tuple of PlannedTarget
        Where they truly stand.
    probed : tuple of Probed
        The tilting rotary's, then the last one's.
    repeatability_mm : float
        No reading is farther off, in any coordinate, before it is rounded.
    digit_mm : float
        The last digit that is printed.
    """

    seed: int
    sheet: int
    units: UnitName
    title: str
    story: str
    machine: Machine
    truth: Machine
    targets: tuple[PlannedTarget, ...]
    probed: tuple[Probed, ...]
    repeatability_mm: float
    digit_mm: float

    @property
    def sigma_mm(self) -> float:
        """The standard deviation of a reading: errors are drawn from a triangle as wide as the repeatability."""
        return self.repeatability_mm / math.sqrt(6.0)

    @property
    def readings(self) -> Readings:
        """All readings as `kinematics.calibration` takes them: the radii taken off."""
        letters = self.machine.letters
        count = [len(one.angles_deg) for one in self.probed]
        angles = np.zeros((sum(count), len(letters)))
        start = 0
        for one, many in zip(self.probed, count, strict=True):
            angles[start : start + many, letters.index(one.letter)] = one.angles_deg
            start += many
        return Readings(
            names=tuple(target.name for target in self.targets),
            kinds=tuple(target.kind for target in self.targets),
            target=np.repeat(np.arange(len(count)), count),
            angles_deg=angles,
            points_mm=np.concatenate([one.centre_mm for one in self.probed]),
            directions=tuple(None if t.kind is TargetKind.BALL else t.direction for t in self.targets),
        )


def plane_of(axis: int) -> tuple[int, int]:
    """The machine axes across a line, the first turning toward the second.

    Examples
    --------
    >>> plane_of(0), plane_of(1), plane_of(2)
    ((1, 2), (2, 0), (0, 1))
    """
    return (axis + 1) % 3, (axis + 2) % 3


def in_plane(axis: int, pair: Floats) -> Floats:
    """From the plane's own order of axes to machine order, or back: Z and X become X and Z."""
    return pair[..., ::-1] if axis == 1 else pair


Method = Literal["opposite readings", "ball on an arc", "level face"]

_FLAT = 1e-9


def rotation_centre(first: ArrayLike, second: ArrayLike, turn_deg: float) -> Floats:
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
    >>> rotation_centre([3.0, 1.0], [2.0, 2.0], 90.0).round(9).tolist()
    [2.0, 1.0]
    >>> rotation_centre([3.0, 1.0], [2.0, 2.0], 0.0)
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
            f"readings {i + 1} and {j + 1}": rotation_centre(
                at[..., i, :], at[..., j, :], float(turns[j] - turns[i])
            )
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
