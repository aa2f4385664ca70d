"""Which way the table goes: a rotary's turn argued in words, and the swing of one point about its line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.pose import turn_about
from kinematics.rotary import Rotary

__all__ = ["Swing", "axis_name", "seen_from", "square_axis", "what_it_does", "which_way"]

_NAMES = ("X", "Y", "Z")
_EYE = {
    "+X": "from the right",
    "-X": "from the left",
    "+Y": "from behind",
    "-Y": "from the front",
    "+Z": "from above",
    "-Z": "from below",
}
_SQUARE_WITHIN = 1e-12


@dataclass(frozen=True, eq=False)
class Swing:
    """One rotary's part of the working, for whoever draws it.

    Attributes
    ----------
    letter : str
    direction, pivot_mm : ndarray, shape (3,)
        The rotary's line at the all-zero pose, machine coordinates.
    turn_deg : float
        How far the table stands turned, right-handed about the direction.
    before_mm, after_mm : ndarray, shape (3,)
        Where the point stands, machine coordinates.
    """

    letter: str
    direction: NDArray[np.float64]
    pivot_mm: NDArray[np.float64]
    turn_deg: float
    before_mm: NDArray[np.float64]
    after_mm: NDArray[np.float64]


def axis_name(direction: NDArray[np.float64]) -> str:
    """The machine axis nearest to a direction, with its sign.

    Examples
    --------
    >>> axis_name(np.array([0.0, -0.1, -0.99]))
    '-Z'
    """
    axis = int(np.argmax(np.abs(direction)))
    return ("+" if direction[axis] > 0.0 else "-") + _NAMES[axis]


def square_axis(direction: NDArray[np.float64]) -> int | None:
    """The number of the machine axis along which a direction runs, either way round; None where it runs askew."""
    axis = int(np.argmax(np.abs(direction)))
    return axis if abs(abs(float(direction[axis])) - 1.0) < _SQUARE_WITHIN else None


def seen_from(rotary: Rotary) -> str:
    """Where the eye is that tells a rotary's clockwise: at its positive end."""
    return _EYE[axis_name(rotary.direction)]


def which_way(rotary: Rotary, machine_deg: float) -> str:
    """How the table stands turned at a machine angle, in words, and why.

    Examples
    --------
    >>> from kinematics.rotary import Sense
    >>> print(which_way(Rotary("A", [0, 0, 0], [1, 0, 0], Sense.CLOCKWISE, None), -35.0))
    A runs along +X, and a positive move turns the table clockwise, seen from the right. The angle is negative, \
so the table stands turned counterclockwise: a right-handed turn about +X of +35 degrees.
    """
    name = axis_name(rotary.direction)
    runs = "along" if square_axis(rotary.direction) is not None else "nearly along"
    text = (
        f"{rotary.letter} runs {runs} {name}, and a positive move turns the table "
        f"{rotary.positive_turn.value}, seen {seen_from(rotary)}. "
    )
    turn = float(rotary.turn_deg(machine_deg))
    if turn == 0.0:
        return text + "It stands at its zero: nothing turns."
    size = "positive" if machine_deg - rotary.zero_deg > 0.0 else "negative"
    way = "counterclockwise" if turn > 0.0 else "clockwise"
    line = name if square_axis(rotary.direction) is not None else "its line"
    subject = "The angle" if rotary.zero_deg == 0.0 else "The angle from its zero"
    return (
        text + f"{subject} is {size}, so the table stands turned {way}: a right-handed turn about "
        f"{line} of {turn:+.10g} degrees."
    )


def what_it_does(rotary: Rotary, turn_deg: float) -> str:
    """What a turn does to one axis of the table that can be watched: +Y, or +Z where the rotary runs along Y.

    Examples
    --------
    >>> from kinematics.rotary import Sense
    >>> what_it_does(Rotary("C", [0, 0, 0], [0, 0, 1], Sense.CLOCKWISE, None), -60.0)
    'The +Y of the table swings toward +X.'
    """
    if turn_deg == 0.0:
        return ""
    watched = 2 if axis_name(rotary.direction)[1] == "Y" else 1
    unit = np.eye(3)[watched]
    reached = turn_about(rotary.direction, turn_deg) @ unit
    toward = float(np.sign(turn_deg)) * np.cross(rotary.direction, unit)
    text = f"The +{_NAMES[watched]} of the table swings toward {axis_name(toward)}"
    if abs(turn_deg) > 90.0:
        text += f" and on; it ends pointing nearest to {axis_name(reached)}"
    return text + "."
