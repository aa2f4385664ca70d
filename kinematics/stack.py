"""What stands between platter face and part zero: the stack, from the platter up."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from kinematics.euler_angles import Turn, rotation_from_intrinsic
from kinematics.transform import IDENTITY, Pose, translation
from kinematics.validation import as_vectors

__all__ = ["StackStep", "cumulative_frames", "stack_pose"]


@dataclass(frozen=True)
class StackStep:
    """One thing of the stack.

    Attributes
    ----------
    name : str
    up_mm : float
        How far it lifts what stands on it, along z of the frame reached so far.
    shift_mm : (float, float)
        How far it moves it along x and y of that frame.
    rotate : tuple of (axis, degrees)
        Then turns about the axes as turned so far, in order (a wedge, an angle plate).
    turn_deg : float
        Then a turn about z (how it is clocked). Right-handed.
    """

    name: str
    up_mm: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    rotate: tuple[Turn, ...] = ()
    turn_deg: float = 0.0

    def pose(self) -> Pose:
        """What stands on the step, seen from what it stands on."""
        x_mm, y_mm = as_vectors(self.shift_mm, 2, f"{self.name}, shift").tolist()
        (up_mm,) = as_vectors([self.up_mm], 1, f"{self.name}, up").tolist()
        turned = rotation_from_intrinsic((*self.rotate, ("z", self.turn_deg)))
        return translation(x_mm, y_mm, up_mm) @ Pose(turned, np.zeros(3))


def cumulative_frames(steps: Iterable[StackStep]) -> tuple[Pose, ...]:
    """The frames reached after no step, the first, the second, ... in the table frame.

    Examples
    --------
    >>> plate, post = StackStep("plate", up_mm=20.0, turn_deg=90.0), StackStep("post", up_mm=95.0, shift_mm=(1.0, 0.0))
    >>> [frame.translation_mm.tolist() for frame in cumulative_frames([plate, post])]
    [[0.0, 0.0, 0.0], [0.0, 0.0, 20.0], [0.0, 1.0, 115.0]]
    """
    frames = [IDENTITY]
    for step in steps:
        frames.append(frames[-1] @ step.pose())
    return tuple(frames)


def stack_pose(steps: Iterable[StackStep]) -> Pose:
    """The part's frame in the table frame: where the stack ends. No steps put part zero on the platter.

    Examples
    --------
    >>> stack_pose([StackStep("plate", up_mm=20.0), StackStep("post", up_mm=95.0)]).apply([0.0, 0.0, 1.0]).tolist()
    [0.0, 0.0, 116.0]
    >>> stack_pose([]).apply([1.0, 2.0, 3.0]).tolist()
    [1.0, 2.0, 3.0]
    """
    return cumulative_frames(steps)[-1]
