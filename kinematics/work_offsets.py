"""The setup: a part on a machine, its work offsets, what the machine's axes mean to it, and a touched-off part zero."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property, reduce

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import wrap_deg
from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.euler_angles import Axis
from kinematics.forward import table_pose, transform_points
from kinematics.machine import Machine, table_frame
from kinematics.orientation import angle_to_align
from kinematics.stack import StackStep, stack_pose
from kinematics.transform import Pose
from kinematics.validation import ValueEquality, as_instance, as_vector, as_vectors, read_only

__all__ = ["Setup", "TouchOff", "compare_touch_off", "with_touched_zero"]

_AXES: tuple[Axis, ...] = ("x", "y", "z")

_ALONG_ABOVE = 0.7660444431189780
"""Cosine of 40 degrees: an axis nearer to a rotary's line shows poorly how it is clocked. At 45 degrees, where nutating
heads are built, two axes are equally far; the bound lies well below, so that a measured line is treated as the drawn one."""


@dataclass(frozen=True, eq=False)
class Setup(ValueEquality):
    """A part on a machine.

    Attributes
    ----------
    machine : Machine
    part_in_table : Pose
        The part's frame in the table frame: the stack, or the stack with a touched-off part zero.
    rotary_offset_deg : ndarray, shape (n,)
        Rotary work offsets: program angle = machine angle - offset.

    Raises
    ------
    KinematicsError
        When the pose is not a single one, or there is not one finite offset for each rotary.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> setup = Setup.from_stack(Machine("mill", (a, c), Platter(face_mm=0.0)), [StackStep("post", up_mm=100.0)])
    >>> setup.work_offset([0, 0, 0], [[0, 0], [-90, 0]]).tolist()
    [[0.0, 0.0, 100.0], [0.0, -150.0, -50.0]]
    >>> setup.work_offset([0, 0, 0], [0, 0, 0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angles (A, C): expected a last axis of 2 numbers, found shape (3,)
    """

    machine: Machine
    part_in_table: Pose
    rotary_offset_deg: NDArray[np.float64]

    def __post_init__(self) -> None:
        as_instance(self.machine, Machine, "setup, machine")
        if as_instance(self.part_in_table, Pose, "setup, part in table").shape:
            raise KinematicsError(
                f"setup, part in table: expected one pose, found leading shape {self.part_in_table.shape}"
            )
        offset = as_vector(self.rotary_offset_deg, len(self.machine.rotaries), "setup, rotary offsets")
        object.__setattr__(self, "rotary_offset_deg", read_only(offset))

    @classmethod
    def from_stack(cls, machine: Machine, steps: Iterable[StackStep]) -> Setup:
        """A part on a stack; no rotary is offset.

        Parameters
        ----------
        machine : Machine
        steps : iterable of StackStep
            From the platter up; none puts part zero on the platter's face.

        Returns
        -------
        Setup

        Raises
        ------
        KinematicsError
            When the machine is not a `Machine` or a step not a `StackStep`.
        """
        as_instance(machine, Machine, "setup, machine")
        return cls(machine, stack_pose(steps), np.zeros(len(machine.rotaries)))

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

    @property
    def start_deg(self) -> NDArray[np.float64]:
        """Machine angles at which a job starts and ends: program zero, or the limit nearest to it, shape (n,)."""
        return self.machine.held_to_limits(self.machine_deg(np.zeros(len(self.machine.rotaries))))

    def work_offset(self, origin_mm: ArrayLike, machine_deg: ArrayLike) -> NDArray[np.float64]:
        """The machine coordinates of origins of the part at machine angles: what to load into the work offset.

        Parameters
        ----------
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
            When a last axis has the wrong length, the leading shapes do not broadcast or a value is not finite.
        """
        origin = as_vectors(origin_mm, 3, "origin")
        return transform_points(self.machine, self.part_in_machine.apply(origin), machine_deg)

    def machine_axes(self, machine_deg: ArrayLike) -> NDArray[np.float64]:
        """The machine's X, Y and Z in part coordinates: what they mean to a program running at machine angles.

        Parameters
        ----------
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
        turned = table_pose(self.machine, machine_deg) @ self.part_in_machine
        return np.asarray(turned.rotation)

    def aligned(self, letter: str) -> Setup:
        """The setup with a rotary offset that takes the clocking out: at program zero the part's x lies along X.

        Both are seen along the rotary's line, with the others at their own program zero. Where that line lies within
        40 degrees of the part's x or the machine's X (an indexer along X), y and Y are used; where within 40 degrees
        of one of these too, z and Z. `alignment_axis` says which.

        Parameters
        ----------
        letter : str
            The rotary whose offset is to be found; the others keep theirs.

        Returns
        -------
        Setup
            That rotary's offset is at least -180 and less than 180 degrees.

        Raises
        ------
        KinematicsError
            When the machine has no such rotary.

        Examples
        --------
        >>> from kinematics.machine import Platter
        >>> from kinematics.rotary import RotaryAxis, RotationSense
        >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
        >>> clocked = Setup.from_stack(Machine("mill", (c,), Platter(face_mm=0.0)), [StackStep("blank", turn_deg=0.35)])
        >>> clocked.aligned("C").rotary_offset_deg.round(9).tolist()
        [0.35]
        >>> clocked.aligned("B")
        Traceback (most recent call last):
            ...
        kinematics.errors.KinematicsError: rotary: expected one of C, found 'B'
        """
        machine, turning = self.machine, self.machine.index(letter)
        column = "xyz".index(self.alignment_axis(letter))
        part, start = self.part_in_machine.rotation, self.rotary_offset_deg
        aligned_deg = angle_to_align(machine, letter, part[:, column], np.eye(3)[column], start)
        offset = start.copy()
        offset[turning] = wrap_deg(aligned_deg, low_deg=-180.0)
        return replace(self, rotary_offset_deg=offset)

    def alignment_axis(self, letter: str) -> Axis:
        """The part's axis, "x", "y" or "z", that `aligned` brings into line with the machine's of the same name.

        The first of which neither the part's nor the machine's lies within 40 degrees of the rotary's line, with the
        others at their own program zero.

        Raises
        ------
        KinematicsError
            When the machine has no such rotary.

        Examples
        --------
        >>> from kinematics.machine import Platter
        >>> from kinematics.rotary import RotaryAxis, RotationSense
        >>> a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, None)
        >>> b = RotaryAxis("B", [0, 0, 0], [0, 1, 1], RotationSense.CLOCKWISE, None)
        >>> setup = Setup.from_stack(Machine("mill", (a, b), Platter(face_mm=0.0)), [])
        >>> setup.alignment_axis("A"), setup.alignment_axis("B")
        ('y', 'x')
        """
        machine, turning = self.machine, self.machine.index(letter)
        turns = [
            rotary.pose_at(angle).rotation
            for rotary, angle in zip(machine.rotaries, self.rotary_offset_deg, strict=True)
        ]
        line = machine.rotaries[turning].direction
        # Seen from the rotary: what it carries turned by the rotaries further in, what carries it by those further out.
        carried = reduce(np.matmul, turns[turning + 1 :], np.eye(3)) @ self.part_in_machine.rotation
        fixed = reduce(np.matmul, turns[:turning], np.eye(3)).T
        # A direction has one component of that size at most, so the two frames rule out two axes of three at most.
        along = np.maximum(np.abs(line @ carried), np.abs(line @ fixed)) > _ALONG_ABOVE
        return _AXES[int(np.argmin(along))]


@dataclass(frozen=True, eq=False)
class TouchOff(ValueEquality):
    """Part zero as touched off and as the stack gives it, millimetres in the table frame.

    Attributes
    ----------
    touched_mm, stack_mm : ndarray, shape (3,)
    """

    touched_mm: NDArray[np.float64]
    stack_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "touched_mm", read_only(as_vector(self.touched_mm, 3, "touched")))
        object.__setattr__(self, "stack_mm", read_only(as_vector(self.stack_mm, 3, "stack")))

    @property
    def difference_mm(self) -> NDArray[np.float64]:
        """Touched minus stack, shape (3,): +z is a stack that stands higher than its steps add up to."""
        return self.touched_mm - self.stack_mm

    @property
    def distance_mm(self) -> float:
        """Distance between the two, millimetres."""
        return float(np.linalg.norm(self.difference_mm))


def compare_touch_off(setup: Setup, touched_mm: ArrayLike, machine_deg: ArrayLike) -> TouchOff:
    """Compare a touched-off part zero with the one that the stack gives.

    Parameters
    ----------
    setup : Setup
        With part zero from the stack.
    touched_mm : array_like, shape (3,)
        The machine coordinates read at part zero.
    machine_deg : array_like, shape (n,)
        The machine angles it was read at.

    Returns
    -------
    TouchOff
        Both points in the table frame, mm.

    Raises
    ------
    KinematicsError
        When the point is not three finite numbers, or the angles do not match the machine's rotaries.

    Examples
    --------
    A chip of 0.15 mm under the standoff, found with the table tipped back:

    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.work_offsets import Setup
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> from kinematics.stack import StackStep
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> setup = Setup.from_stack(Machine("mill", (a,), Platter()), [StackStep("post", up_mm=100.0)])
    >>> compare_touch_off(setup, [0.0, -100.15, -50.0], [-90.0]).difference_mm.round(9).tolist()
    [0.0, 0.0, 0.15]
    >>> compare_touch_off(setup, [0.0, 100.2], [0.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: touched: expected a last axis of 3 numbers, found shape (2,)
    """
    as_instance(setup, Setup, "touch-off, setup")
    read = as_vector(touched_mm, 3, "touched")
    angles = as_vector(setup.machine.angles(machine_deg), len(setup.machine.rotaries), "touched, angles")
    at_zero_pose = table_pose(setup.machine, angles).inverse().apply(read)
    touched = table_frame(setup.machine).inverse().apply(at_zero_pose)
    return TouchOff(touched, setup.part_in_table.translation_mm)


@takes_declared()
def with_touched_zero(setup: Setup, touch: TouchOff) -> Setup:
    """The setup with part zero where it was touched off; the part stays turned as the stack turns it.

    Parameters
    ----------
    setup : Setup
    touch : TouchOff
        From `compare_touch_off`.

    Returns
    -------
    Setup
        The given one is left as it was.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> setup = Setup.from_stack(Machine("mill", (c,), Platter(face_mm=0.0)), [StackStep("post", up_mm=100.0)])
    >>> touch = compare_touch_off(setup, [0.0, 0.0, 100.2], [0.0])
    >>> with_touched_zero(setup, touch).work_offset([0, 0, 0], [0]).tolist()
    [0.0, 0.0, 100.2]
    >>> with_touched_zero(setup, 100.2)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: touch: expected a TouchOff, found 100.2
    """
    return replace(setup, part_in_table=Pose(setup.part_in_table.rotation, touch.touched_mm))
