"""A worked solution, and the steps that every way of working has in common."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.rotary import RotaryAxis
from kinematics.stack import StackStep, cumulative_frames
from kinematics.teaching.worked_step import Calculation, Number, WorkedStep, added
from kinematics.transform import Pose, rotation_about_axis
from kinematics.work_offsets import Setup

__all__ = [
    "SMALL_XYZ",
    "XYZ",
    "RotarySwing",
    "Working",
    "angle_step",
    "arm_step",
    "as_it_is",
    "axis_name",
    "back_step",
    "degrees",
    "frames_of",
    "height_touched",
    "heights_reached",
    "offset_step",
    "seen_from",
    "square_axis",
    "table_origin_words",
    "touch_off_step",
    "what_it_does",
    "which_way",
]

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
class RotarySwing:
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


def seen_from(rotary: RotaryAxis) -> str:
    """Where the eye is that tells a rotary's clockwise: at its positive end."""
    return _EYE[axis_name(rotary.direction)]


def which_way(rotary: RotaryAxis, machine_deg: float) -> str:
    """How the table stands turned at a machine angle, in words, and why.

    Examples
    --------
    >>> from kinematics.rotary import RotationSense
    >>> print(which_way(RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, None), -35.0))
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


def what_it_does(rotary: RotaryAxis, turn_deg: float) -> str:
    """What a turn does to one axis of the table that can be watched: +Y, or +Z where the rotary runs along Y.

    Examples
    --------
    >>> from kinematics.rotary import RotationSense
    >>> what_it_does(RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None), -60.0)
    'The +Y of the table swings toward +X.'
    """
    if turn_deg == 0.0:
        return ""
    watched = 2 if axis_name(rotary.direction)[1] == "Y" else 1
    unit = np.eye(3)[watched]
    reached = rotation_about_axis(rotary.direction, turn_deg) @ unit
    toward = float(np.sign(turn_deg)) * np.cross(rotary.direction, unit)
    text = f"The +{_NAMES[watched]} of the table swings toward {axis_name(toward)}"
    if abs(turn_deg) > 90.0:
        text += f" and on; it ends pointing nearest to {axis_name(reached)}"
    return text + "."


XYZ = ("X", "Y", "Z")
SMALL_XYZ = ("x", "y", "z")
_SAME_MM = 1e-9


def as_it_is(names: Sequence[str], values_mm: NDArray[np.float64]) -> tuple[Calculation, ...]:
    """Values that need no calculation."""
    numbers = [Number(value) for value in values_mm.tolist()]
    return tuple(
        Calculation(name, "{}", (number,), number) for name, number in zip(names, numbers, strict=True)
    )


@dataclass(frozen=True, eq=False)
class Working:
    """A work offset, worked out.

    Attributes
    ----------
    operation : str
        Its name.
    lines : tuple of Line
        The last one is the work offset.
    swings : tuple of Swing
        The same turns as points, innermost rotary first, for drawings. Rotaries that stand at zero are not here.
    heights_mm : tuple of (str, float)
        The stack: each step's name and the height reached over the table frame's origin.
    """

    operation: str
    lines: tuple[WorkedStep, ...]
    swings: tuple[RotarySwing, ...]
    heights_mm: tuple[tuple[str, float], ...] = ()

    @property
    def offset_mm(self) -> NDArray[np.float64]:
        """The work offset that comes out, X, Y, Z."""
        return self.lines[-1].result

    def number_of(self, key: str) -> int:
        """The number, counted from 1, of the line with that key, or of the line that stands for it.

        A rotary at zero has one line only; whatever would part later at that rotary parts there.
        """
        keys = [line.key for line in self.lines]
        for name in (key, key.split(maxsplit=1)[0] + " angle"):
            if name in keys:
                return keys.index(name) + 1
        raise KinematicsError(f"line: expected one of {', '.join(keys)}, found {key!r}")


def frames_of(setup: Setup, steps: Sequence[StackStep]) -> tuple[Pose, ...]:
    """The frames that the steps reach, the table's first; steps that are not the setup's are refused."""
    frames = cumulative_frames(steps)
    apart = float(np.linalg.norm(frames[-1].translation_mm - setup.part_in_table.translation_mm))
    if apart > _SAME_MM:
        raise KinematicsError(
            f"steps: expected the stack of the setup, found one that ends {apart:g} mm from its part zero"
        )
    return frames


def touch_off_step(setup: Setup) -> WorkedStep:
    """Part zero as it was touched off."""
    at = setup.part_in_table.translation_mm
    return WorkedStep(
        "step 1",
        "Part zero was touched off, so nothing is summed: it is taken as measured.",
        "W",
        as_it_is(SMALL_XYZ, at),
        "table frame",
    )


def angle_step(rotary: RotaryAxis, program_deg: float, offset_deg: float) -> WorkedStep:
    """From the programmed angle to how far the table stands turned, the signs argued."""
    machine_deg = program_deg + offset_deg
    turn = float(rotary.turn_deg(machine_deg))
    sign = "" if rotary.positive_turn.sign > 0 else "-"
    times = "(-1) × " if sign else ""
    of_zero = rotary.zero_deg != 0.0
    machine = Calculation(
        f"{rotary.letter} machine angle",
        "{} + {}" if offset_deg else "{}",
        (degrees(program_deg), degrees(offset_deg)) if offset_deg else (degrees(machine_deg),),
        degrees(machine_deg),
    )
    turned = Calculation(
        f"turn of {rotary.letter}",
        f"{times}({{}} - {{}})" if of_zero else f"{times}{{}}",
        (degrees(machine_deg), degrees(rotary.zero_deg)) if of_zero else (degrees(machine_deg),),
        degrees(turn + 0.0),
    )
    rule = which_way(rotary, machine_deg) + " " + what_it_does(rotary, turn)
    if offset_deg:
        rule = f"The machine angle is the program's plus {rotary.letter}'s work offset. " + rule
    formula = f"t({rotary.letter}) = {sign or '+'}" + (
        f"({rotary.letter} - zero)" if of_zero else rotary.letter
    )
    return WorkedStep(
        f"{rotary.letter} angle", rule.rstrip(), formula, (machine, turned), "degrees, right-handed"
    )


def degrees(value: float) -> Number:
    """An angle of a calculation."""
    return Number(value, "angle")


def heights_reached(steps: Sequence[StackStep], frames: Sequence[Pose]) -> tuple[tuple[str, float], ...]:
    """Each step's name and the height over the table frame's origin where it ends, millimetres."""
    names = [step.name for step in steps]
    return tuple(zip(names, (float(frame.translation_mm[2]) for frame in frames[1:]), strict=True))


def height_touched(setup: Setup) -> tuple[tuple[str, float], ...]:
    """The same for a part zero that was touched off."""
    return (("part zero, touched off", float(setup.part_in_table.translation_mm[2])),)


def table_origin_words(machine: Machine) -> str:
    """Where the table frame's origin is."""
    if machine.platter.face_mm is None:
        return "the pivot"
    return f"where {machine.rotaries[-1].letter}'s line pierces the platter face"


def arm_step(rotary: RotaryAxis, point: NDArray[np.float64]) -> WorkedStep:
    """From the pivot to the point."""
    return WorkedStep(
        f"{rotary.letter} arm",
        f"The arm: what {rotary.letter} swings is the way from its pivot to the point, not the point's coordinates.",
        f"v = w - P({rotary.letter})",
        added(SMALL_XYZ, point, rotary.point_mm, point - rotary.point_mm, "-"),
        f"from the pivot of {rotary.letter}, parallel to the machine",
    )


def back_step(rotary: RotaryAxis, turned: NDArray[np.float64]) -> WorkedStep:
    """The turned arm put back onto the pivot."""
    return WorkedStep(
        f"{rotary.letter} back",
        f"Back to machine coordinates: the pivot of {rotary.letter} has not moved, so the turned arm is added to it.",
        f"w' = P({rotary.letter}) + v'",
        added(XYZ, rotary.point_mm, turned, rotary.point_mm + turned),
        "machine coordinates",
    )


def offset_step(machine: Machine, point: NDArray[np.float64]) -> WorkedStep:
    """What is left is the work offset."""
    length = machine.z_reference.tool_length_mm
    read = "from the gauge line" if length is None else "with the reference tool's tip, as the machine's Z is"
    return WorkedStep(
        "offset",
        f"There the operation's origin stands: its machine coordinates are the work offset. Z is read {read}, "
        "so no tool length is added.",
        "offset = w'",
        as_it_is(XYZ, point),
        "machine coordinates",
    )
