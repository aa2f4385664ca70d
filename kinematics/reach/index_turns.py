"""Index turns: the signed moves by which rotaries may go from one pose to the next, by whatever is stated of their way."""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import SNAP_DEG, wrap_deg
from kinematics.machine import Machine
from kinematics.rotary import IndexRule, RotaryAxis
from kinematics.validation import as_instance, read_only

__all__ = ["index_turns_deg", "rotary_turns_deg"]


def rotary_turns_deg(rotary: RotaryAxis, from_deg: float, to_deg: float) -> tuple[float, ...]:
    """Signed moves by which a rotary may go from one machine angle to another, the short way first.

    Parameters
    ----------
    rotary : RotaryAxis
        With what is stated of its way.
    from_deg, to_deg : float
        Machine angles, as displayed.

    Returns
    -------
    tuple of float
        Degrees, positive as the rotary counts. One move where only one is possible.

    Examples
    --------
    >>> from kinematics.rotary import IndexDirection, RotationSense
    >>> def turns(direction, *angles):
    ...     c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None, index_direction=direction)
    ...     return rotary_turns_deg(c, *angles)
    >>> turns(IndexDirection(), 350.0, 10.0)
    (20.0, -340.0)
    >>> turns(IndexDirection(IndexRule.AS_NUMBERED), 350.0, 10.0)
    (-340.0,)
    >>> turns(IndexDirection(IndexRule.SHORT_WAY), 0.0, 180.0)
    (-180.0, 180.0)
    >>> turns(IndexDirection(IndexRule.SHORT_WAY, "positive"), 0.0, 180.0)
    (180.0,)
    """
    as_instance(rotary, RotaryAxis, "rotary")
    direction, as_numbered = rotary.index_direction, float(to_deg) - float(from_deg)
    if rotary.moves_as_numbered:
        return (as_numbered,)
    short = float(wrap_deg(as_numbered, low_deg=-180.0))
    if abs(short) < SNAP_DEG:
        short = 0.0
    half = abs(abs(short) - 180.0) < SNAP_DEG
    if direction.rule is IndexRule.SHORT_WAY:
        if not half:
            return (short,)
        if direction.half_turn is not None:
            return (180.0 if direction.half_turn == "positive" else -180.0,)
        return (-180.0, 180.0)
    if half:
        short = -180.0
    other = (short - float(np.copysign(360.0, short)),) if short else ()
    # Angles typed more than a turn apart: run through by the numbers they go round more than once.
    further = (as_numbered,) if abs(as_numbered) >= 360.0 - SNAP_DEG else ()
    return (short, *other, *further)


def index_turns_deg(
    machine: Machine, from_deg: ArrayLike, to_deg: ArrayLike
) -> tuple[NDArray[np.float64], ...]:
    """Every combination of the ways that the rotaries of a machine may take to their next angles.

    Parameters
    ----------
    machine : Machine
    from_deg, to_deg : array_like, shape (n,)
        Machine angles.

    Returns
    -------
    tuple of ndarray, shape (n,)
        Signed moves in degrees, the short ways first.

    Raises
    ------
    KinematicsError
        When an angle is missing or not finite.
    """
    as_instance(machine, Machine, "machine")
    first, last = machine.angles(from_deg), machine.angles(to_deg)
    ways = (
        rotary_turns_deg(rotary, float(a), float(b))
        for rotary, a, b in zip(machine.rotaries, first, last, strict=True)
    )
    return tuple(read_only(way) for way in product(*ways))
