"""The stack: everything between platter face and part zero, from the platter up."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from kinematics.errors import KinematicsError
from kinematics.euler_angles import Turn, checked_turns, rotation_from_intrinsic
from kinematics.transform import IDENTITY, Pose
from kinematics.validation import as_instance, as_number, as_vector, is_list, shown

__all__ = ["StackStep", "cumulative_frames", "stack_pose"]


@dataclass(frozen=True)
class StackStep:
    """One element of the stack.

    Attributes
    ----------
    name : str
    up_mm : float
        Lift of what stands on it, along z of the frame it stands in.
    shift_mm : (float, float)
        Shift of what stands on it, along x and y of that frame.
    rotate : tuple of (axis, degrees)
        Then turns about the axes as turned so far, in order (a wedge, an angle plate).
    turn_deg : float
        Then a turn about z (its clocking). Right-handed.

    Raises
    ------
    KinematicsError
        When a value is not a finite number, or not of the stated form.

    Examples
    --------
    >>> StackStep("wedge", up_mm=30.0, rotate=[("x", 15.0)]).rotate
    (('x', 15.0),)
    >>> StackStep("post", up_mm="95")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: post, up: expected a number, found '95'
    """

    name: str
    up_mm: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    rotate: tuple[Turn, ...] = ()
    turn_deg: float = 0.0

    def __post_init__(self) -> None:
        name = as_instance(self.name, str, "stack step, name")
        object.__setattr__(self, "up_mm", as_number(self.up_mm, f"{name}, up"))
        shift = as_vector(self.shift_mm, 2, f"{name}, shift")
        object.__setattr__(self, "shift_mm", tuple(shift.tolist()))
        object.__setattr__(self, "rotate", checked_turns(self.rotate, f"{name}, rotate"))
        object.__setattr__(self, "turn_deg", as_number(self.turn_deg, f"{name}, turn"))

    def pose(self) -> Pose:
        """The frame on top of the step, relative to the frame that it stands in."""
        turned = rotation_from_intrinsic((*self.rotate, ("z", self.turn_deg)))
        # Without minus zeros, which would be printed.
        return Pose.from_rigid(turned + 0.0, np.array([*self.shift_mm, self.up_mm]) + 0.0)


def cumulative_frames(steps: Iterable[StackStep]) -> tuple[Pose, ...]:
    """The frames on top of no step, of the first, of the second, ... in the table frame.

    Raises
    ------
    KinematicsError
        When a step is not a `StackStep`.

    Examples
    --------
    >>> plate, post = StackStep("plate", up_mm=20.0, turn_deg=90.0), StackStep("post", up_mm=95.0, shift_mm=(1.0, 0.0))
    >>> [frame.translation_mm.tolist() for frame in cumulative_frames([plate, post])]
    [[0.0, 0.0, 0.0], [0.0, 0.0, 20.0], [0.0, 1.0, 115.0]]
    >>> cumulative_frames(["post"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: stack: expected a StackStep, found 'post'
    """
    if not is_list(steps):
        raise KinematicsError(f"stack: expected a list of StackStep, found {shown(steps)}")
    frames = [IDENTITY]
    for step in steps:
        frames.append(frames[-1] @ as_instance(step, StackStep, "stack").pose())
    return tuple(frames)


def stack_pose(steps: Iterable[StackStep]) -> Pose:
    """The part's frame in the table frame: the end of the stack. No steps put part zero on the platter.

    Examples
    --------
    >>> stack_pose([StackStep("plate", up_mm=20.0), StackStep("post", up_mm=95.0)]).apply([0.0, 0.0, 1.0]).tolist()
    [0.0, 0.0, 116.0]
    >>> stack_pose([]).apply([1.0, 2.0, 3.0]).tolist()
    [1.0, 2.0, 3.0]
    >>> stack_pose([20.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: stack: expected a StackStep, found 20.0
    """
    return cumulative_frames(steps)[-1]
