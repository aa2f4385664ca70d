"""Margins: of the linear axes to the ends of travel over the box that the tip sweeps, of the rotaries to their limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.reach.collision_model import CollisionModel, OperationPose

__all__ = ["Margin", "RotaryMargin", "readouts_mm", "rotary_margins", "travel_margins"]

_AXES = "XYZ"
_SLACK_MM = 1e-9


@dataclass(frozen=True)
class Margin(DeclaredFields):
    """Readouts that one operation needs of a linear axis, and the margins to its ends of travel; millimetres.

    Attributes
    ----------
    axis : "X", "Y" or "Z"
    low_mm, high_mm : float
        Machine readouts that the operation needs.
    to_low_mm, to_high_mm : float
        From there to the ends of travel; negative beyond an end.
    """

    axis: str
    low_mm: float
    high_mm: float
    to_low_mm: float
    to_high_mm: float

    @property
    def least_mm(self) -> float:
        """The smaller of both margins."""
        return min(self.to_low_mm, self.to_high_mm)

    @property
    def fits(self) -> bool:
        """True where the operation stays within the travel."""
        return self.least_mm >= -_SLACK_MM


@dataclass(frozen=True)
class RotaryMargin(DeclaredFields):
    """Angle of a rotary at one operation and its margins to the limits, degrees; None where it turns endlessly."""

    letter: str
    machine_deg: float
    to_low_deg: float | None
    to_high_deg: float | None

    @property
    def fits(self) -> bool:
        """True where the angle lies within the limits."""
        return min(self.to_low_deg or 0.0, self.to_high_deg or 0.0) >= -_SLACK_MM


@takes_declared()
def readouts_mm(
    model: CollisionModel, operation: OperationPose
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest machine readouts of X, Y, Z over the box that the tip sweeps.

    Each linear axis reads one coordinate of the tip, so the box's corners are the ends. Z reads the tip's height with
    the tool's length in it, as the machine's Z reference has it; NaN where no tool is known.

    Parameters
    ----------
    model : CollisionModel
    operation : OperationPose
        The operation: its angles, its origin, its sweep and its tool.

    Returns
    -------
    low, high : ndarray, shape (3,)
        Machine readouts X, Y, Z.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> top = model.operations[0]
    >>> low, high = readouts_mm(model, top)   # the tip at 110, the tool 100 long
    >>> low.tolist(), high.tolist()
    ([0.0, 0.0, 210.0], [0.0, 0.0, 210.0])
    >>> readouts_mm(model, "top")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: operation: expected an OperationPose, found 'top'
    """
    low, high = model.tips_mm(operation)
    length = np.nan if operation.tool is None else operation.tool.length_mm
    ends = []
    for tip in (low, high):
        z = float(model.machine.z_reference.to_gauge_line_mm(tip[2])) + length
        ends.append(np.array([tip[0], tip[1], z]))
    return ends[0], ends[1]


@takes_declared()
def travel_margins(model: CollisionModel, operation: OperationPose) -> tuple[Margin, ...]:
    """Margins of the linear axes.

    Parameters
    ----------
    model : CollisionModel
    operation : OperationPose
        The operation.

    Returns
    -------
    tuple of Margin
        X, Y and, where the operation's tool is known, Z. Empty where the machine's travel is not stated.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> top = model.operations[0]
    >>> travel_margins(model, top)[2]   # Z travels from -100 to 500
    Margin(axis='Z', low_mm=210.0, high_mm=210.0, to_low_mm=310.0, to_high_mm=290.0)
    >>> travel_margins(model, "top")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: operation: expected an OperationPose, found 'top'
    """
    travel = model.machine.travel
    if travel is None:
        return ()
    low, high = readouts_mm(model, operation)
    return tuple(
        Margin(
            _AXES[i],
            float(low[i]),
            float(high[i]),
            float(low[i] - travel.low_mm[i]),
            float(travel.high_mm[i] - high[i]),
        )
        for i in range(3)
        if np.isfinite(low[i])
    )


@takes_declared()
def rotary_margins(model: CollisionModel, operation: OperationPose) -> tuple[RotaryMargin, ...]:
    """Margins of the rotaries to their limits, from the base outward.

    Parameters
    ----------
    model : CollisionModel
    operation : OperationPose
        The operation.

    Returns
    -------
    tuple of RotaryMargin
        Degrees, negative beyond a limit.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> top = model.operations[0]
    >>> rotary_margins(model, top)[0]   # A turns from -120 to 30
    RotaryMargin(letter='A', machine_deg=0.0, to_low_deg=120.0, to_high_deg=30.0)
    >>> rotary_margins(model, top)[1]   # C has no ends
    RotaryMargin(letter='C', machine_deg=0.0, to_low_deg=None, to_high_deg=None)
    >>> rotary_margins(model, "top")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: operation: expected an OperationPose, found 'top'
    """
    margins = []
    for rotary, angle in zip(model.machine.rotaries, operation.machine_deg.tolist(), strict=True):
        if rotary.limits_deg is None:
            margins.append(RotaryMargin(rotary.letter, angle, None, None))
        else:
            low, high = rotary.limits_deg
            margins.append(RotaryMargin(rotary.letter, angle, angle - low, high - angle))
    return tuple(margins)
