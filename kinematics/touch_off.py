"""A touched-off part zero against the stack: a chip under the standoff shows up here."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.forward import table_pose
from kinematics.machine import table_frame
from kinematics.transform import Pose
from kinematics.validation import ValueEquality, as_instance, as_vector, read_only
from kinematics.work_offsets import Setup

__all__ = ["TouchOff", "compare_touch_off", "with_touched_zero"]


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
    """
    as_instance(setup, Setup, "touch-off, setup")
    read = as_vector(touched_mm, 3, "touched")
    angles = as_vector(setup.machine.angles(machine_deg), len(setup.machine.rotaries), "touched, angles")
    at_zero_pose = table_pose(setup.machine, angles).inverse().apply(read)
    touched = table_frame(setup.machine).inverse().apply(at_zero_pose)
    return TouchOff(touched, setup.part_in_table.translation_mm)


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
    """
    as_instance(touch, TouchOff, "touch-off")
    return replace(setup, part_in_table=Pose(setup.part_in_table.rotation, touch.touched_mm))
