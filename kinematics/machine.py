"""The machine: its rotaries from the base outward, its platter, its travels, and how its table stands at any pose.

Machine coordinates are what the control displays. Turning a rotary moves the work; the machine's axes stay.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.errors import KinematicsError
from kinematics.rotary import RotaryAxis
from kinematics.transform import Pose
from kinematics.validation import (
    ValueEquality,
    as_array,
    as_instance,
    as_number,
    as_positive,
    as_vector,
    as_vectors,
    cross,
    is_list,
    normalized,
    read_only,
    shown,
)

__all__ = [
    "HORIZONTAL_BELOW",
    "SPINDLE",
    "Machine",
    "Platter",
    "Travel",
    "ZReference",
    "is_horizontal",
    "platter_above_tilt_mm",
    "table_frame",
]

SPINDLE = read_only([0.0, 0.0, 1.0])
"""From the work toward the spindle: machine +Z."""

HORIZONTAL_BELOW = 0.5 - 1e-9
"""Cosine of the angle to the spindle beyond which a rotary lies flat. Indexers lie at 90 degrees, and platters that carry
a part lean by 45 at most; one at 60 degrees exactly stands upright, however its direction was rounded."""


@dataclass(frozen=True, eq=False)
class Travel(ValueEquality):
    """The ends of the linear axes in machine coordinates, millimetres; each shape (3,) for X, Y, Z."""

    low_mm: NDArray[np.float64]
    high_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        low = as_vector(self.low_mm, 3, "travel, low end")
        high = as_vector(self.high_mm, 3, "travel, high end")
        if (low > high).any():
            raise KinematicsError(
                f"travel: expected the lower end first, found {low.tolist()} to {high.tolist()}"
            )
        object.__setattr__(self, "low_mm", read_only(low))
        object.__setattr__(self, "high_mm", read_only(high))


@dataclass(frozen=True, eq=False)
class Platter(ValueEquality):
    """Face of the table that the fixture is bolted to.

    Attributes
    ----------
    face_mm : float or None
        Machine Z of the face where the innermost rotary's line pierces it, at the all-zero pose.
    diameter_mm : float or None
    normal : ndarray, shape (3,), or None
        The face's measured direction, away from the platter, in machine coordinates at the all-zero pose; None
        takes the face as true to its own rotary.

    Raises
    ------
    KinematicsError
        When a value is not finite, the diameter not positive, or the normal no direction.
    """

    face_mm: float | None = None
    diameter_mm: float | None = None
    normal: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        if self.face_mm is not None:
            object.__setattr__(self, "face_mm", as_number(self.face_mm, "platter, face"))
        if self.diameter_mm is not None:
            object.__setattr__(self, "diameter_mm", as_positive(self.diameter_mm, "platter, diameter"))
        if self.normal is not None:
            normal = normalized(as_vector(self.normal, 3, "platter, normal"), "platter, normal")
            object.__setattr__(self, "normal", read_only(normal))


@dataclass(frozen=True)
class ZReference:
    """Reference of the Z readings: the gauge line, or the tip of a reference tool.

    `tool_length_mm` None: the gauge line (tool length offsets are lengths from it). Otherwise Z is read with the
    tip of a reference tool of that length, and so is every Z in the machine's values and in the offsets.
    """

    tool_length_mm: float | None = None

    def __post_init__(self) -> None:
        if self.tool_length_mm is not None:
            length = as_number(self.tool_length_mm, "reference tool, length")
            object.__setattr__(self, "tool_length_mm", length)

    def to_gauge_line_mm(self, z_mm: ArrayLike) -> NDArray[np.float64]:
        """Z readings (...) taken with the reference, converted to readings at the gauge line; millimetres.

        The gauge line is one tool length above a tip that stands on a point.

        Examples
        --------
        >>> float(ZReference(120.0).to_gauge_line_mm(-200.0))
        -320.0
        >>> float(ZReference().to_gauge_line_mm(-200.0))
        -200.0
        """
        return as_array(z_mm, "z") - (self.tool_length_mm or 0.0)

    def from_gauge_line_mm(self, z_mm: ArrayLike) -> NDArray[np.float64]:
        """The inverse of `to_gauge_line_mm`."""
        return as_array(z_mm, "z") + (self.tool_length_mm or 0.0)


@dataclass(frozen=True, eq=False)
class Machine(ValueEquality):
    """A mill whose table turns.

    Attributes
    ----------
    name : str
    rotaries : tuple of RotaryAxis
        From the machine base outward; the last one carries the work.
    platter : Platter
    travel : Travel or None
    z_reference : ZReference

    Raises
    ------
    KinematicsError
        When there is no rotary, two share a letter, an upright last rotary has no platter face, or a value is not of
        its kind.

    Examples
    --------
    >>> from kinematics.rotary import RotationSense
    >>> c = RotaryAxis("C", [-381.0, -203.0, 0.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> Machine("mill", (c,), Platter(face_mm=-356.0))["C"] == c
    True
    >>> Machine("mill", (c,), Platter(face_mm=-356.0))["A"]
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: rotary: expected one of C, found 'A'
    """

    name: str
    rotaries: tuple[RotaryAxis, ...]
    platter: Platter
    travel: Travel | None = None
    z_reference: ZReference = ZReference()

    def __post_init__(self) -> None:
        as_instance(self.name, str, "machine, name")
        given: object = self.rotaries
        if not is_list(given):
            raise KinematicsError(
                f"machine, rotaries: expected a list of RotaryAxis, found {shown(self.rotaries)}"
            )
        rotaries = tuple(as_instance(one, RotaryAxis, "machine, rotaries") for one in given)
        object.__setattr__(self, "rotaries", rotaries)
        as_instance(self.platter, Platter, "machine, platter")
        as_instance(self.z_reference, ZReference, "machine, Z reference")
        if self.travel is not None:
            as_instance(self.travel, Travel, "machine, travel")
        if not self.rotaries:
            raise KinematicsError("machine: expected at least one rotary, found none")
        if len(set(self.letters)) < len(self.rotaries):
            raise KinematicsError(
                f"machine: expected every rotary's letter once, found {', '.join(self.letters)}"
            )
        if self.platter.face_mm is None and not is_horizontal(self.rotaries[-1]):
            raise KinematicsError(
                f"platter, face: expected the machine Z of the platter's face (rotary {self.letters[-1]} "
                "stands upright), found none"
            )
        normal = self.platter.normal
        if normal is not None and float(normal @ _away(self.rotaries[-1])) <= 0.0:
            raise KinematicsError(
                f"platter, normal: expected a direction away from the platter, found {normal.tolist()}"
            )

    @property
    def letters(self) -> tuple[str, ...]:
        """The rotaries' letters, from the base outward."""
        return tuple(rotary.letter for rotary in self.rotaries)

    def __getitem__(self, letter: str) -> RotaryAxis:
        """The rotary of that letter; any other is refused, naming the letters there are."""
        return self.rotaries[self.index(letter)]

    def index(self, letter: str) -> int:
        """The place of the rotary of that letter in every array of angles.

        Raises
        ------
        KinematicsError
            When the machine has no such rotary.
        """
        try:
            return self.letters.index(letter)
        except ValueError:
            raise KinematicsError(
                f"rotary: expected one of {', '.join(self.letters)}, found {letter!r}"
            ) from None

    @property
    def zero_deg(self) -> NDArray[np.float64]:
        """The machine angles of the all-zero pose, shape (n,)."""
        return np.array([rotary.zero_deg for rotary in self.rotaries])

    def held_to_limits(self, angles_deg: ArrayLike) -> NDArray[np.float64]:
        """Machine angles, each outside a rotary's limits moved to the nearer one, shape (..., n)."""
        limits = np.array([rotary.limits_deg or (-np.inf, np.inf) for rotary in self.rotaries])
        return np.clip(self.angles(angles_deg), limits[:, 0], limits[:, 1])

    def angles(self, angles_deg: ArrayLike) -> NDArray[np.float64]:
        """Machine angles checked for their last axis, shape (..., n)."""
        return as_vectors(angles_deg, len(self.rotaries), "angles (" + ", ".join(self.letters) + ")")


def is_horizontal(rotary: RotaryAxis) -> bool:
    """True for a rotary that lies flat, as an indexer does: its line more than 60 degrees from the spindle's.

    Examples
    --------
    >>> from kinematics import RotationSense
    >>> is_horizontal(RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, None))
    True
    >>> is_horizontal("A")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: rotary: expected a RotaryAxis, found 'A'
    """
    as_instance(rotary, RotaryAxis, "rotary")
    return abs(float(rotary.direction[2])) < HORIZONTAL_BELOW


def _away(rotary: RotaryAxis) -> NDArray[np.float64]:
    """The rotary's direction, turned to point away from a platter that faces the spindle."""
    if is_horizontal(rotary):
        return np.array(SPINDLE)
    return np.asarray(rotary.direction * np.sign(rotary.direction[2]))


def table_frame(machine: Machine) -> Pose:
    """The table's frame in machine coordinates at the all-zero pose.

    Its origin is where the innermost rotary's line pierces the platter face, z runs along that rotary away from
    the platter (or along the platter's measured normal), x is the machine's X made square to z. On a machine
    whose innermost rotary lies flat it stands at that rotary's point, parallel to the machine.

    Examples
    --------
    >>> from kinematics.rotary import RotationSense
    >>> c = RotaryAxis("C", [-381.0, -203.0, 0.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> table_frame(Machine("mill", (c,), Platter(face_mm=-356.0))).apply([0, 0, 10.0]).tolist()
    [-381.0, -203.0, -346.0]
    >>> table_frame("mill")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: machine: expected a Machine, found 'mill'
    """
    as_instance(machine, Machine, "machine")
    last = machine.rotaries[-1]
    face_mm = machine.platter.face_mm
    if is_horizontal(last) or face_mm is None:
        return Pose.from_rigid(np.eye(3), last.point_mm)
    upward = last.direction / last.direction[2]
    origin = last.point_mm + (face_mm - last.point_mm[2]) * upward
    z = machine.platter.normal if machine.platter.normal is not None else _away(last)
    x = normalized(np.array([1.0, 0.0, 0.0]) - z[0] * z, "table x")
    return Pose.from_rigid(np.stack([x, cross(z, x), z], axis=-1), origin)


def platter_above_tilt_mm(machine: Machine) -> float | None:
    """Height of the platter's face above the first rotary's line, along the table's z; None for one rotary.

    Examples
    --------
    >>> from kinematics import RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> platter_above_tilt_mm(Machine("mill", (a, c), Platter(face_mm=0.0)))
    50.0
    >>> platter_above_tilt_mm("mill")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: machine: expected a Machine, found 'mill'
    """
    as_instance(machine, Machine, "machine")
    if len(machine.rotaries) < 2:
        return None
    frame, tilt = table_frame(machine), machine.rotaries[0]
    above = frame.translation_mm - tilt.point_mm
    off_line = above - (above @ tilt.direction) * tilt.direction
    return float(off_line @ frame.rotation[:, 2])
