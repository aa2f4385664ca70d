"""Direction of index moves: the ways round that a rotary may take to its next angle.

Controls differ. Some run the displayed numbers from one angle to the other, some take the short way round, and a half
turn may go either way. A rotary with limits has one way only.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import SNAP_DEG, wrap_deg
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.rotary import RotaryAxis
from kinematics.validation import read_only

__all__ = ["IndexDirection", "IndexRule", "index_turns_deg", "rotary_turns_deg"]

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
        if self.half_turn not in ("positive", "negative", None):
            raise KinematicsError(
                f'half turn: expected "positive", "negative" or None, found {self.half_turn!r}'
            )
        if self.half_turn is not None and self.rule is IndexRule.AS_NUMBERED:
            raise KinematicsError(
                f"half turn: expected none, since the numbers say which way it goes, found {self.half_turn!r}"
            )


def rotary_turns_deg(
    rotary: RotaryAxis, direction: IndexDirection, from_deg: float, to_deg: float
) -> tuple[float, ...]:
    """Signed moves by which a rotary may go from one machine angle to another, the short way first.

    Parameters
    ----------
    rotary : RotaryAxis
    direction : IndexDirection
        What is stated of its way.
    from_deg, to_deg : float
        Machine angles, as displayed.

    Returns
    -------
    tuple of float
        Degrees, positive as the rotary counts. One move where only one is possible.

    Examples
    --------
    >>> from kinematics.rotary import RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> rotary_turns_deg(c, IndexDirection(), 350.0, 10.0)
    (20.0, -340.0)
    >>> rotary_turns_deg(c, IndexDirection(IndexRule.AS_NUMBERED), 350.0, 10.0)
    (-340.0,)
    >>> rotary_turns_deg(c, IndexDirection(IndexRule.SHORT_WAY), 0.0, 180.0)
    (-180.0, 180.0)
    >>> rotary_turns_deg(c, IndexDirection(IndexRule.SHORT_WAY, "positive"), 0.0, 180.0)
    (180.0,)
    """
    as_numbered = float(to_deg) - float(from_deg)
    if rotary.limits_deg is not None or direction.rule is IndexRule.AS_NUMBERED:
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
    machine: Machine, directions: tuple[IndexDirection, ...], from_deg: ArrayLike, to_deg: ArrayLike
) -> tuple[NDArray[np.float64], ...]:
    """Every combination of the ways that the rotaries of a machine may take to their next angles.

    Parameters
    ----------
    machine : Machine
    directions : tuple of IndexDirection
        For each rotary, from the base outward.
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
    first, last = machine.angles(from_deg), machine.angles(to_deg)
    ways = (
        rotary_turns_deg(rotary, direction, float(a), float(b))
        for rotary, direction, a, b in zip(machine.rotaries, directions, first, last, strict=True)
    )
    return tuple(read_only(way) for way in product(*ways))
