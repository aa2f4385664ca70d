"""The pivot exercise as a value, and the plane geometry that finds a pivot from a few readings.

Seen along a rotary's line its targets run on circles. Points are pairs here, in the plane across the line, laid so
that a right-handed turn goes counterclockwise: Y and Z for a line along X, Z and X along Y, X and Y along Z.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.calibration.planned_targets import PlannedTarget
from kinematics.calibration.readings import Readings
from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.teaching.exercises import UnitName
from kinematics.validation import ValueEquality, as_vector, as_vectors, read_only

__all__ = [
    "Method",
    "PivotExercise",
    "PivotProbing",
    "circle_through",
    "hand_solutions",
    "in_plane",
    "opposite_face",
    "plane_of",
    "rotation_centre",
]

Floats = NDArray[np.float64]
Method = Literal["opposite readings", "ball on an arc", "level face"]
_READINGS: dict[Method, int] = {"opposite readings": 4, "ball on an arc": 3, "level face": 6}
"""Count of readings that each method takes."""


@dataclass(frozen=True, eq=False)
class PivotProbing(ValueEquality, DeclaredFields):
    """Readings for one pivot that plane geometry finds, and the pivot itself.

    Attributes
    ----------
    letter : str
        The rotary that turned; every other one was at zero.
    target : str
        The thing that was probed: "gauge ball".
    method : str
        The geometry that finds the pivot, see `hand_solutions`.
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
        The same points, radii taken off: centres and contacts.
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

    def __post_init__(self) -> None:
        for name in ("angles_deg", "turn_deg", "shown_mm", "centre_mm", "believed_mm", "true_mm"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        super().__post_init__()

    @classmethod
    def of(
        cls,
        machine: Machine,
        truth: Machine,
        *,
        letter: str,
        target: str,
        method: Method,
        angles_deg: ArrayLike,
        shown_mm: ArrayLike,
        centre_mm: ArrayLike,
        radius_mm: float,
    ) -> PivotProbing:
        """A probing of one rotary, its pivots taken from the believed machine and the true one.

        Parameters
        ----------
        machine, truth : Machine
        letter, target : str
        method : str
            "opposite readings", "ball on an arc" or "level face".
        angles_deg : array_like, shape (n,)
        shown_mm, centre_mm : array_like, shape (n, 3)
        radius_mm : float

        Returns
        -------
        PivotProbing

        Raises
        ------
        KinematicsError
            When no rotary has that letter, no geometry that name, or the points and angles are not as many.
        """
        if method not in _READINGS:
            raise KinematicsError(f"method: expected {', '.join(_READINGS)}, found {method!r}")
        rotary = truth.rotaries[truth.index(letter)]
        axis = int(np.argmax(np.abs(rotary.direction)))
        asked = [k for k in range(3) if k != axis]
        angles = as_vectors(angles_deg, np.size(angles_deg), "angles")
        shown, centre = as_vectors(shown_mm, 3, "shown points"), as_vectors(centre_mm, 3, "centres")
        for name, points in (("shown points", shown), ("centres", centre)):
            if points.shape != (len(angles), 3):
                raise KinematicsError(f"{name}: expected shape ({len(angles)}, 3), found {points.shape}")
        return cls(
            letter=letter,
            target=target,
            method=method,
            axis=axis,
            angles_deg=angles,
            turn_deg=np.asarray(rotary.turn_deg(angles)),
            shown_mm=shown,
            centre_mm=centre,
            radius_mm=float(radius_mm),
            believed_mm=machine.rotaries[machine.index(letter)].point_mm[asked],
            true_mm=rotary.point_mm[asked],
        )

    @property
    def asked(self) -> tuple[int, int]:
        """The machine axes whose coordinates are asked for, in order."""
        first, second = (k for k in range(3) if k != self.axis)
        return first, second

    @property
    def axes(self) -> tuple[str, str]:
        """Names of the asked axes, "Y" and "Z" for a rotary along X."""
        return "XYZ"[self.asked[0]], "XYZ"[self.asked[1]]

    @property
    def points_mm(self) -> Floats:
        """Points that `hand_solutions` takes, shape (n, 3): centres, or a face's touches as shown."""
        return self.shown_mm if self.method == "level face" else self.centre_mm

    def by_hand(self, points_mm: Floats | None = None) -> dict[str, Floats]:
        """The pivot by every hand solution, on the asked axes; from other points (..., n, 3) if given."""
        points = self.points_mm if points_mm is None else points_mm
        first, second = plane_of(self.axis)
        found = hand_solutions(
            self.method,
            points[..., [first, second]],
            self.turn_deg,
            self.radius_mm,
            swap=first > second,
        )
        return {name: in_plane(self.axis, pair) for name, pair in found.items()}


@dataclass(frozen=True, eq=False)
class PivotExercise(ValueEquality, DeclaredFields):
    """A machine with hidden errors, the readings taken on it, and all that grading an answer needs.

    Attributes
    ----------
    machine : Machine
        As the shop believes it is.
    truth : Machine
        The same rotaries with their lines where they really run.
    readings : Readings
        Radii taken off, as `kinematics.calibration` takes them.
    sigma_mm : float
        Standard deviation of a reading, per coordinate.
    units : "mm" or "inch"
        Unit of the sheet; the values here are millimetres all the same.
    digit_mm : float
        Last digit of the readings as printed.
    probings : tuple of PivotProbing
        One for each rotary in the machine's order where plane geometry finds every pivot; empty where the probing plan
        needs a least-squares fit.
    targets : tuple of PlannedTarget
        Where the targets really stand.
    repeatability_mm : float or None
        Largest error of a reading in any coordinate before rounding; None where the scatter has no bound.
    seed, sheet : int
    title, story : str
    """

    machine: Machine
    truth: Machine
    readings: Readings
    sigma_mm: float
    units: UnitName
    digit_mm: float
    probings: tuple[PivotProbing, ...] = ()
    targets: tuple[PlannedTarget, ...] = ()
    repeatability_mm: float | None = None
    seed: int = 0
    sheet: int = 1
    title: str = ""
    story: str = ""

    def __post_init__(self) -> None:
        """Refuse machines that are not the same rotaries, and probings that are not theirs."""
        super().__post_init__()
        letters = self.machine.letters
        if self.truth.letters != letters:
            expected, found = ", ".join(letters), ", ".join(self.truth.letters)
            raise KinematicsError(f"truth: expected the machine's rotaries, {expected}, found {found}")
        probed = tuple(one.letter for one in self.probings)
        if probed and probed != letters:
            raise KinematicsError(
                f"probings: expected one of each rotary, {', '.join(letters)}, or none, found {', '.join(probed)}"
            )
        for name, value in (("sigma", self.sigma_mm), ("last digit", self.digit_mm)):
            if not (math.isfinite(value) and value >= 0.0):
                raise KinematicsError(f"{name}: expected 0 mm or more, found {value:g}")


def plane_of(axis: int) -> tuple[int, int]:
    """Machine axes across a line, in the order in which a right-handed turn takes one to the next.

    Examples
    --------
    >>> plane_of(0), plane_of(1), plane_of(2)
    ((1, 2), (2, 0), (0, 1))
    """
    return (axis + 1) % 3, (axis + 2) % 3


def in_plane(axis: int, pair: Floats) -> Floats:
    """Reorder a pair from the plane's axes to machine order, or back: Z and X become X and Z."""
    return pair[..., ::-1] if axis == 1 else pair


_FLAT = 1e-9


def rotation_centre(first: ArrayLike, second: ArrayLike, turn_deg: float) -> Floats:
    """Centre of the turn that takes the first point to the second.

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
    if not math.isfinite(turn_deg) or abs(turn_deg % 360.0) < _FLAT:
        raise KinematicsError(f"turn: expected one that moves the point, found {turn_deg:g} degrees")
    a, b = as_vectors(first, 2, "first point"), as_vectors(second, 2, "second point")
    chord = b - a
    square = np.stack([-chord[..., 1], chord[..., 0]], axis=-1)
    return np.asarray((a + b) / 2.0 + square / (2.0 * np.tan(np.radians(turn_deg) / 2.0)))


def circle_through(three: ArrayLike) -> Floats:
    """Centre of the circle through three points: the perpendicular bisectors meet there.

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
    points = as_vectors(three, 2, "points")
    if points.ndim < 2 or points.shape[-2] != 3:
        raise KinematicsError(f"points: expected shape (..., 3, 2), found {points.shape}")
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
    """Pivot from a face that is level at zero and read at a quarter turn to either side.

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


def hand_solutions(
    method: Method, points: ArrayLike, turn_deg: ArrayLike, radius_mm: float = 0.0, *, swap: bool = False
) -> dict[str, Floats]:
    """The pivot by every method of plane geometry that fits the readings; the key's own method comes first.

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

    Raises
    ------
    KinematicsError
        When there is no such method, or it takes another number of readings.

    Examples
    --------
    >>> found = hand_solutions("opposite readings", [[9, 2], [5, 6], [1, 2], [5, -2]], [0, 90, 180, 270])
    >>> sorted({tuple(centre.tolist()) for centre in found.values()})
    [(5.0, 2.0)]
    >>> hand_solutions("ball on an arc", [[9, 2], [5, 6]], [0, 90])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: points: expected shape (..., 3, 2) for ball on an arc, found (2, 2)
    """
    at = as_vectors(points, 2, "points")
    if method not in _READINGS:
        raise KinematicsError(f"method: expected {', '.join(_READINGS)}, found {method!r}")
    many = _READINGS[method]
    if at.ndim < 2 or at.shape[-2] != many:
        raise KinematicsError(f"points: expected shape (..., {many}, 2) for {method}, found {at.shape}")
    turns = as_vector(turn_deg, many, "turns")
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
