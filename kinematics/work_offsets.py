"""Work offsets: part zero carried through the stack and the turned table into machine coordinates."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property, reduce

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import wrap_deg
from kinematics.forward import transform_points
from kinematics.machine import Machine, table_frame, table_pose
from kinematics.orientation import angle_to_align
from kinematics.stack import StackStep, stack_pose
from kinematics.transform import Pose
from kinematics.validation import as_vectors, read_only

__all__ = ["Setup", "plane_axes", "set_up", "square_up", "work_offset"]

_ALONG_WITHIN = 0.70710678
"""An axis tells how a rotary is clocked unless the part's or the machine's lies within 45 degrees of its line."""


@dataclass(frozen=True, eq=False)
class Setup:
    """A part on a machine.

    Attributes
    ----------
    machine : Machine
    part_in_table : Pose
        The part's frame in the table frame: the stack, or the stack with a touched-off part zero.
    rotary_offset_deg : ndarray, shape (n,)
        Rotary work offsets: program angle = machine angle - offset.
    """

    machine: Machine
    part_in_table: Pose
    rotary_offset_deg: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "rotary_offset_deg", read_only(self.machine.angles(self.rotary_offset_deg)))

    @cached_property
    def part_in_machine(self) -> Pose:
        """The part's frame in machine coordinates at the all-zero pose."""
        return table_frame(self.machine) @ self.part_in_table

    def program_deg(self, machine_deg: ArrayLike) -> NDArray[np.float64]:
        """Program angles for machine angles, shape (..., n)."""
        return self.machine.angles(machine_deg) - self.rotary_offset_deg + 0.0

    def machine_deg(self, program_deg: ArrayLike) -> NDArray[np.float64]:
        """Machine angles for program angles, shape (..., n)."""
        return self.machine.angles(program_deg) + self.rotary_offset_deg + 0.0


def set_up(machine: Machine, steps: Iterable[StackStep]) -> Setup:
    """A part on a stack, its rotaries not offset.

    Parameters
    ----------
    machine : Machine
    steps : iterable of Step
        From the platter up; none puts part zero on the platter's face.

    Returns
    -------
    Setup

    Raises
    ------
    KinematicsError
        When a step's number is not finite.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> setup = set_up(Machine("mill", (a, c), Platter(face_mm=0.0)), [StackStep("post", up_mm=100.0)])
    >>> work_offset(setup, [0, 0, 0], [[0, 0], [-90, 0]]).tolist()
    [[0.0, 0.0, 100.0], [0.0, -150.0, -50.0]]
    """
    return Setup(machine, stack_pose(steps), np.zeros(len(machine.rotaries)))


def work_offset(setup: Setup, origin_mm: ArrayLike, machine_deg: ArrayLike) -> NDArray[np.float64]:
    """The machine coordinates of origins of the part at machine angles: what to load into the work offset.

    Parameters
    ----------
    setup : Setup
    origin_mm : array_like, shape (..., 3)
        In part coordinates.
    machine_deg : array_like, shape (..., n)
        Machine angles; the leading shapes of both broadcast.

    Returns
    -------
    ndarray, shape (..., 3)
        X, Y, Z in machine coordinates, millimetres, read as the machine's Z reference says.

    Raises
    ------
    KinematicsError
        When a last axis does not fit or a value is not finite.
    """
    origin = as_vectors(origin_mm, 3, "origin")
    return transform_points(setup.machine, setup.part_in_machine.apply(origin), machine_deg)


def plane_axes(setup: Setup, machine_deg: ArrayLike) -> NDArray[np.float64]:
    """What X, Y and Z mean to a program running at machine angles.

    Parameters
    ----------
    setup : Setup
    machine_deg : array_like, shape (..., n)
        Machine angles.

    Returns
    -------
    ndarray, shape (..., 3, 3)
        Rows: the machine's X, Y, Z directions in part coordinates.

    Raises
    ------
    KinematicsError
        When the last axis has not one angle for each rotary, or a value is not finite.
    """
    turned = table_pose(setup.machine, machine_deg) @ setup.part_in_machine
    return np.asarray(turned.rotation)


def square_up(setup: Setup, letter: str) -> Setup:
    """The setup with a rotary offset that takes the clocking out: at program zero the part's x lies along X.

    Both are seen along the rotary's line, with the others at their own program zero. Where that line lies along
    the part's x or the machine's X (an indexer along X), y and Y are used; where it lies along one of these too,
    z and Z.

    Parameters
    ----------
    setup : Setup
    letter : str
        The rotary whose offset is to be found; the others keep theirs.

    Returns
    -------
    Setup
        That rotary's offset in degrees, from -180 up to 180 (itself not).

    Raises
    ------
    KinematicsError
        When the machine has no such rotary.

    Notes
    -----
    Derived here: `angle_to_align` of the first of x, y, z of which neither the part's nor the machine's lies within 45
    degrees of the rotary's line.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> clocked = set_up(Machine("mill", (c,), Platter(face_mm=0.0)), [StackStep("blank", turn_deg=0.35)])
    >>> squared = square_up(clocked, "C")
    >>> squared.rotary_offset_deg.round(9).tolist()
    [0.35]
    >>> (plane_axes(squared, squared.machine_deg([0.0]))[0].round(12) + 0.0).tolist()
    [1.0, 0.0, 0.0]
    """
    machine, turning = setup.machine, setup.machine.index(letter)
    part = setup.part_in_machine.rotation
    start = setup.rotary_offset_deg
    turns = [rotary.turned(angle).rotation for rotary, angle in zip(machine.rotaries, start, strict=True)]
    line = machine.rotaries[turning].direction
    # Seen from the rotary: what it carries turned by the rotaries further in, what carries it by those further out.
    carried = reduce(np.matmul, turns[turning + 1 :], np.eye(3)) @ part
    fixed = reduce(np.matmul, turns[:turning], np.eye(3)).T
    # A direction has one component of that size at most, so the two frames rule out two axes of three at most.
    along = np.maximum(np.abs(line @ carried), np.abs(line @ fixed)) > _ALONG_WITHIN
    column = int(np.argmin(along))
    reached = angle_to_align(machine, letter, part[:, column], np.eye(3)[column], start)
    offset = setup.rotary_offset_deg.copy()
    offset[turning] = wrap_deg(reached, low_deg=-180.0)
    return replace(setup, rotary_offset_deg=offset)
