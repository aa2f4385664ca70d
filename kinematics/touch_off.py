"""A touched-off part zero against the stack: a chip under the standoff shows up here."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.machine import table_frame, table_pose
from kinematics.transform import Pose
from kinematics.validation import as_vectors, read_only
from kinematics.work_offsets import Setup

__all__ = ["TouchOff", "compare_touch_off", "with_touched_zero"]


@dataclass(frozen=True, eq=False)
class TouchOff:
    """Where part zero was touched off and where the stack puts it, millimetres in the table frame.

    Attributes
    ----------
    touched_mm, stack_mm : ndarray, shape (3,)
    """

    touched_mm: NDArray[np.float64]
    stack_mm: NDArray[np.float64]

    @property
    def difference_mm(self) -> NDArray[np.float64]:
        """Touched minus stack, shape (3,): +z is a stack that stands higher than its steps add up to."""
        return self.touched_mm - self.stack_mm

    @property
    def distance_mm(self) -> float:
        """How far apart the two lie."""
        return float(np.linalg.norm(self.difference_mm))


def compare_touch_off(setup: Setup, touched_mm: ArrayLike, machine_deg: ArrayLike) -> TouchOff:
    """How far a touched-off part zero lies from where the stack says it should be.

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
    >>> from kinematics.work_offsets import set_up
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> from kinematics.stack import StackStep
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> setup = set_up(Machine("mill", (a,), Platter()), [StackStep("post", up_mm=100.0)])
    >>> compare_touch_off(setup, [0.0, -100.15, -50.0], [-90.0]).difference_mm.round(9).tolist()
    [0.0, 0.0, 0.15]
    """
    read = as_vectors(touched_mm, 3, "touched").reshape(3)
    at_zero_pose = table_pose(setup.machine, machine_deg).inverse().apply(read)
    touched = table_frame(setup.machine).inverse().apply(at_zero_pose)
    return TouchOff(read_only(touched), read_only(setup.part_in_table.translation_mm))


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
    return replace(setup, part_in_table=Pose(setup.part_in_table.rotation, touch.touched_mm))
