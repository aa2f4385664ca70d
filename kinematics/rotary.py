"""One rotary axis: a line in space, a sense of turning, limits and the angle it displays at its zero."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import SNAP_DEG, equivalent_angles_deg, wrap_deg
from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.transform import Pose, rotation_about_line
from kinematics.validation import (
    ValueEquality,
    as_array,
    as_instance,
    as_number,
    as_real,
    as_vector,
    cross,
    normalized,
    read_only,
)

__all__ = [
    "AxisRelation",
    "IndexDirection",
    "IndexRule",
    "RotaryAxis",
    "RotationSense",
    "common_perpendicular",
]


class RotationSense(enum.Enum):
    """Sense in which *the table* turns on a positive move, for an eye at the axis' positive end looking to the origin.

    ISO 841 moves the tool right-handed against the work; a table that follows it turns clockwise.
    """

    CLOCKWISE = "clockwise"
    COUNTERCLOCKWISE = "counterclockwise"

    @property
    def sign(self) -> int:
        """+1 where a positive move turns the table right-handed about the direction, else -1."""
        return 1 if self is RotationSense.COUNTERCLOCKWISE else -1


HalfTurn = Literal["positive", "negative"]


class IndexRule(enum.Enum):
    """The rule by which an endless rotary goes to its next angle."""

    AS_NUMBERED = "as the numbers run"
    """From 350 to 10 down through 180: the displayed numbers are run through."""
    SHORT_WAY = "short way"
    """From 350 to 10 up through 360."""


@dataclass(frozen=True)
class IndexDirection:
    """Stated way of a rotary to its next angle.

    Attributes
    ----------
    rule : IndexRule or None
        None where it is not known: then every way must be checked.
    half_turn : "positive", "negative" or None
        The way of a half turn, as the rotary counts, where it takes the short way; None where it is not known.

    Raises
    ------
    KinematicsError
        When the half turn is neither, or is stated for a rotary that does not take the short way.

    Examples
    --------
    >>> IndexDirection(IndexRule.AS_NUMBERED, "positive")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: half turn: expected none, since the numbers say which way it goes, found 'positive'
    """

    rule: IndexRule | None = None
    half_turn: HalfTurn | None = None

    def __post_init__(self) -> None:
        if self.rule is not None and not isinstance(self.rule, IndexRule):
            raise KinematicsError(f"index rule: expected an IndexRule or None, found {self.rule!r}")
        if self.half_turn is not None and (
            not isinstance(self.half_turn, str) or self.half_turn not in ("positive", "negative")
        ):
            raise KinematicsError(
                f'half turn: expected "positive", "negative" or None, found {self.half_turn!r}'
            )
        if self.half_turn is not None and self.rule is IndexRule.AS_NUMBERED:
            raise KinematicsError(
                f"half turn: expected none, since the numbers say which way it goes, found {self.half_turn!r}"
            )


@dataclass(frozen=True, eq=False)
class RotaryAxis(ValueEquality):
    """A rotary axis of a table, given at the all-zero pose.

    Attributes
    ----------
    letter : str
        "A", "B" or "C".
    point_mm : ndarray, shape (3,)
        Any point of its line, in machine coordinates.
    direction : ndarray, shape (3,)
        Of its line, toward the positive end; stored at length one. Need not be square to anything.
    positive_turn : RotationSense
        There is no default: a wrong one breaks spindles.
    limits_deg : (float, float) or None
        Machine angles it can reach, both included; None turns endlessly.
    zero_deg : float
        The angle it displays at the all-zero pose.
    index_direction : IndexDirection
        The way it goes to its next angle, where it turns endlessly; not known if left out.

    Raises
    ------
    KinematicsError
        When the letter, the direction or the limits cannot be.

    Examples
    --------
    >>> tilt = RotaryAxis("A", [0.0, 10.0, -5.0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> tilt.pose_at(90.0).apply([0.0, 10.0, 0.0]).tolist()   # what stood above now lies toward +Y
    [0.0, 15.0, -5.0]
    >>> RotaryAxis("A", [0, 0, 0], [0, 0, 0], RotationSense.CLOCKWISE, None)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: rotary A, direction: expected a direction, found one of length 0
    """

    letter: str
    point_mm: NDArray[np.float64]
    direction: NDArray[np.float64]
    positive_turn: RotationSense
    limits_deg: tuple[float, float] | None
    zero_deg: float = 0.0
    index_direction: IndexDirection = IndexDirection()

    def __post_init__(self) -> None:
        if not isinstance(self.letter, str) or self.letter not in ("A", "B", "C"):
            raise KinematicsError(f"rotary letter: expected A, B or C, found {self.letter!r}")
        if not isinstance(self.positive_turn, RotationSense):
            raise KinematicsError(
                f"rotary {self.letter}, positive_turn: expected a RotationSense, found {self.positive_turn!r}"
            )
        what = f"rotary {self.letter}"
        object.__setattr__(self, "point_mm", read_only(as_vector(self.point_mm, 3, f"{what}, point")))
        direction = normalized(as_vector(self.direction, 3, f"{what}, direction"), f"{what}, direction")
        object.__setattr__(self, "direction", read_only(direction))
        object.__setattr__(self, "zero_deg", as_number(self.zero_deg, f"{what}, zero"))
        as_instance(self.index_direction, IndexDirection, f"{what}, index direction")
        if self.limits_deg is not None:
            low, high = as_vector(self.limits_deg, 2, f"{what}, limits").tolist()
            if low > high:
                raise KinematicsError(
                    f"{what}, limits: expected the lower end first, found {low:g} to {high:g} degrees"
                )
            object.__setattr__(self, "limits_deg", (low, high))

    def turn_deg(self, machine_deg: ArrayLike) -> NDArray[np.float64]:
        """The table's rotation, right-handed about the direction, at machine angles (...)."""
        return self.positive_turn.sign * (
            as_real(machine_deg, f"rotary {self.letter}, angle") - self.zero_deg
        )

    def machine_deg(self, turn_deg: ArrayLike) -> NDArray[np.float64]:
        """The machine angles at which the table is turned by `turn_deg` (...); the inverse of `turn_deg`."""
        return self.positive_turn.sign * as_real(turn_deg, f"rotary {self.letter}, turn") + self.zero_deg

    def off_zero_deg(self, machine_deg: ArrayLike) -> NDArray[np.float64]:
        """Machine angles (...) counted from the zero pose, for sines and cosines: whole turns may be left out.

        Taking them off before the zero is subtracted keeps the digits that a large angle would round away:
        36000.1 less 0.1 is wrong by 1e-10 mm at one metre.
        """
        angle = as_real(machine_deg, f"rotary {self.letter}, angle")
        return angle - 360.0 * np.rint(angle / 360.0) - self.zero_deg if self.zero_deg else angle

    def pose_at(self, machine_deg: ArrayLike) -> Pose:
        """The pose, at machine angles (...), of what it carries relative to the zero pose."""
        angle = as_array(machine_deg, f"rotary {self.letter}, angle")
        turn_deg = self.positive_turn.sign * self.off_zero_deg(angle)
        return rotation_about_line(self.point_mm, self.direction, turn_deg)

    def within(self, machine_deg: ArrayLike) -> NDArray[np.bool_]:
        """Mask of the machine angles (...) that lie within the limits, to `SNAP_DEG`."""
        angle = as_real(machine_deg, f"rotary {self.letter}, angle")
        low, high = self.limits_deg or (-np.inf, np.inf)
        return np.asarray((angle >= low - SNAP_DEG) & (angle <= high + SNAP_DEG))

    def equivalent_angles_deg(self, machine_deg: float, offset_deg: float = 0.0) -> NDArray[np.float64]:
        """Machine angles within the limits that are equivalent to `machine_deg`: a whole number of turns apart.

        An endless rotary has one: that whose program angle (less its work offset, `offset_deg`) is in 0 to 360.

        Parameters
        ----------
        machine_deg : float
        offset_deg : float
            The rotary's work offset: program angle = machine angle - offset.

        Returns
        -------
        ndarray, shape (k,)
            Machine angles, ascending; empty where none lies within the limits.

        Raises
        ------
        KinematicsError
            When an angle is not finite.
        """
        machine_deg = as_number(machine_deg, f"rotary {self.letter}, angle")
        offset_deg = as_number(offset_deg, f"rotary {self.letter}, offset")
        if self.limits_deg is None:
            return wrap_deg([machine_deg - offset_deg]) + offset_deg
        return equivalent_angles_deg(machine_deg, *self.limits_deg)

    @property
    def moves_as_numbered(self) -> bool:
        """True where a move is the difference of the displayed angles: with limits, or where that way is stated."""
        return self.limits_deg is not None or self.index_direction.rule is IndexRule.AS_NUMBERED

    def move_deg(self, from_deg: ArrayLike, to_deg: ArrayLike) -> NDArray[np.float64]:
        """The signed move from one machine angle to another.

        With limits, or where the rotary goes as the numbers run, the difference of the angles; otherwise the short way.

        Parameters
        ----------
        from_deg, to_deg : array_like, shape (...)
            Machine angles.

        Returns
        -------
        ndarray, shape (...)
            Positive as the rotary counts, whatever its sense. Half a turn the short way is -180, or 180 where the rotary
            is stated to take it positive.

        Examples
        --------
        >>> numbered = IndexDirection(IndexRule.AS_NUMBERED)
        >>> for way in (IndexDirection(), numbered):
        ...     c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None, index_direction=way)
        ...     print(c.move_deg(350.0, 10.0))
        20.0
        -340.0
        """
        move = as_real(to_deg, f"rotary {self.letter}, angle") - as_real(
            from_deg, f"rotary {self.letter}, angle"
        )
        if self.moves_as_numbered:
            return move
        short = wrap_deg(move, low_deg=-180.0)
        return (
            np.where(short == -180.0, 180.0, short) if self.index_direction.half_turn == "positive" else short
        )


@dataclass(frozen=True, eq=False)
class AxisRelation(ValueEquality, DeclaredFields):
    """Distance, angle and nearest points of two lines.

    Attributes
    ----------
    distance_mm : float
        The shortest distance between them.
    angle_deg : float
        Between their directions, 0 to 180.
    first_mm, second_mm : ndarray, shape (3,)
        The points of either line nearest to the other; for parallel lines the pair at the first one's point.
    """

    distance_mm: float
    angle_deg: float
    first_mm: NDArray[np.float64]
    second_mm: NDArray[np.float64]


def common_perpendicular(first: RotaryAxis, second: RotaryAxis) -> AxisRelation:
    """Distance, angle and nearest points of the lines of two rotaries at the all-zero pose.

    Parameters
    ----------
    first, second : RotaryAxis
        Their senses and zeros do not count, their directions do: a line turned about has the supplement as its angle.

    Returns
    -------
    AxisRelation
        In machine coordinates. Lines whose angle has a sine below 1e-12 are taken as parallel.

    Notes
    -----
    Feet of the common perpendicular of two lines in space: textbook geometry, from memory.

    Examples
    --------
    >>> a = RotaryAxis("A", [0, -12.5, -87.25], [1, 0, 0], RotationSense.CLOCKWISE, None)
    >>> c = RotaryAxis("C", [0.02, -12.4, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> gap = common_perpendicular(a, c)
    >>> round(gap.distance_mm, 6), gap.angle_deg
    (0.1, 90.0)
    >>> common_perpendicular("A", "C")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: first rotary: expected a RotaryAxis, found 'A'
    """
    as_instance(first, RotaryAxis, "first rotary")
    as_instance(second, RotaryAxis, "second rotary")
    across = cross(first.direction, second.direction)
    sine, cosine = float(np.linalg.norm(across)), float(first.direction @ second.direction)
    between = second.point_mm - first.point_mm
    if sine < 1e-12:
        along_first = 0.0
        along_second = -float(between @ second.direction)
    else:
        along_first = float(np.linalg.det([between, second.direction, across])) / sine**2
        along_second = float(np.linalg.det([between, first.direction, across])) / sine**2
    foot_first = first.point_mm + along_first * first.direction
    foot_second = second.point_mm + along_second * second.direction
    return AxisRelation(
        float(np.linalg.norm(foot_second - foot_first)),
        float(np.degrees(np.arctan2(sine, cosine))),
        read_only(foot_first),
        read_only(foot_second),
    )
