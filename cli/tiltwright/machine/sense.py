"""A rotary's sense of turning: in words, and from two looks at the table that must agree.

A move is watched twice: which way one side of the table goes, as seen from the front of the machine, and which way
round the table turns. Both are turned into the machine file's `positive_turn`, which is seen from the positive end of
the rotary's line.

The signs, derived here: X to the right, Y to the back, Z up. A right-handed turn about +X takes +Y to +Z, so the near
side (-Y) goes down; about +Y it takes +X to -Z, so the right-hand side goes down; about +Z it takes -Y to +X, so the
near side goes right. From an axis' positive end a right-handed turn is counterclockwise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

if TYPE_CHECKING:
    from kinematics import Machine, RotaryAxis

__all__ = [
    "SENSE_LOOKS",
    "SenseLooks",
    "end_words",
    "positive_turn_words",
    "sense_from_clock",
    "sense_from_side",
    "senses_words",
]

CLOCK = ("clockwise", "counterclockwise")


class SenseLooks(msgspec.Struct, frozen=True):
    """The two looks for a rotary about one machine axis.

    Attributes
    ----------
    side : str
        The side of the table to watch from the front.
    ways : (str, str)
        The ways it can go; the first belongs to a right-handed turn about the axis' positive direction.
    stand, seen : str
        The place for the second look, as an order and in "seen from ...".
    clock : str
        The way round of the same right-handed turn, seen from there.
    """

    side: str
    ways: tuple[str, str]
    stand: str
    seen: str
    clock: str


SENSE_LOOKS = {
    "X": SenseLooks(
        "the side of the table nearest you",
        ("down", "up"),
        "Go to the right-hand end of the axis and look along it to the left",
        "the right",
        "counterclockwise",
    ),
    "Y": SenseLooks(
        "the right-hand side of the table",
        ("down", "up"),
        "Stay in front and look straight along the axis to the back",
        "the front",
        "clockwise",
    ),
    "Z": SenseLooks(
        "the edge of the table nearest you",
        ("right", "left"),
        "Look straight down on the table",
        "above",
        "counterclockwise",
    ),
}


def sense_from_side(along: str, way: str) -> str:
    """`positive_turn` of a rotary along ("+X" to "-Z") whose positive move took the watched side that way.

    Examples
    --------
    >>> sense_from_side("+Y", "up"), sense_from_side("-Y", "up")
    ('clockwise', 'counterclockwise')
    """
    return _positive_turn(along, right_handed=way == SENSE_LOOKS[along[1]].ways[0])


def sense_from_clock(along: str, clock: str) -> str:
    """`positive_turn` of a rotary along ("+X" to "-Z") whose positive move turned the table that way round.

    Examples
    --------
    >>> sense_from_clock("+X", "clockwise"), sense_from_clock("+Y", "clockwise")
    ('clockwise', 'counterclockwise')
    """
    return _positive_turn(along, right_handed=clock == SENSE_LOOKS[along[1]].clock)


def _positive_turn(along: str, *, right_handed: bool) -> str:
    """From a turn about the machine axis' positive direction to one seen from the line's own positive end."""
    return "counterclockwise" if right_handed == (along[0] == "+") else "clockwise"


_ENDS = (
    ("from the right", "from the left"),
    ("from the back", "from the front"),
    ("from above", "from below"),
)
_NEAR_AXIS = 0.95


def end_words(rotary: RotaryAxis) -> str:
    """The side to look from at the positive end of a rotary's line, "from above"; its end where the line slants."""
    axis = int(abs(rotary.direction).argmax())
    if abs(float(rotary.direction[axis])) < _NEAR_AXIS:
        return "from the positive end of its line"
    return _ENDS[axis][int(rotary.direction[axis] < 0)]


def positive_turn_words(rotary: RotaryAxis) -> str:
    """The way the table turns on a positive move, and the side to look from: "clockwise, seen from above"."""
    return f"{rotary.positive_turn.value}, seen {end_words(rotary)}"


def senses_words(machine: Machine) -> str:
    """The way the table turns on a positive move of each rotary.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> tilt = RotaryAxis("B", [0, 0, -50], [0, 1, 0], RotationSense.CLOCKWISE, None)
    >>> platter = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.COUNTERCLOCKWISE, None)
    >>> senses_words(Machine("mill", (tilt, platter), Platter(face_mm=0.0)))
    '+B is clockwise, seen from the back; +C is counterclockwise, seen from above'
    """
    return "; ".join(f"+{one.letter} is {positive_turn_words(one)}" for one in machine.rotaries)
