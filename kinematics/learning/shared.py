"""A whole working, and the lines that every way of working has in common."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import KinematicsError
from kinematics.learning.line import Calculation, Line, Number, added
from kinematics.learning.swing import Swing, what_it_does, which_way
from kinematics.machine import Machine
from kinematics.offset import Setup
from kinematics.pose import Pose
from kinematics.rotary import Rotary
from kinematics.stack import Step, running_frames

__all__ = [
    "SMALL_XYZ",
    "XYZ",
    "Working",
    "angle_line",
    "arm_line",
    "as_it_is",
    "back_line",
    "degrees",
    "frames_of",
    "height_touched",
    "heights_reached",
    "offset_line",
    "table_origin_words",
    "touched_line",
]

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
    lines: tuple[Line, ...]
    swings: tuple[Swing, ...]
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


def frames_of(setup: Setup, steps: Sequence[Step]) -> tuple[Pose, ...]:
    """The frames that the steps reach, the table's first; steps that are not the setup's are refused."""
    frames = running_frames(steps)
    apart = float(np.linalg.norm(frames[-1].translation_mm - setup.part_in_table.translation_mm))
    if apart > _SAME_MM:
        raise KinematicsError(
            f"steps: expected the stack of the setup, found one that ends {apart:g} mm from its part zero"
        )
    return frames


def touched_line(setup: Setup) -> Line:
    """Part zero as it was touched off."""
    at = setup.part_in_table.translation_mm
    return Line(
        "step 1",
        "Part zero was touched off, so nothing is summed: it is taken as measured.",
        "W",
        as_it_is(SMALL_XYZ, at),
        "table frame",
    )


def angle_line(rotary: Rotary, program_deg: float, offset_deg: float) -> Line:
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
    return Line(f"{rotary.letter} angle", rule.rstrip(), formula, (machine, turned), "degrees, right-handed")


def degrees(value: float) -> Number:
    """An angle of a calculation."""
    return Number(value, "angle")


def heights_reached(steps: Sequence[Step], frames: Sequence[Pose]) -> tuple[tuple[str, float], ...]:
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


def arm_line(rotary: Rotary, point: NDArray[np.float64]) -> Line:
    """From the pivot to the point."""
    return Line(
        f"{rotary.letter} arm",
        f"The arm: what {rotary.letter} swings is the way from its pivot to the point, not the point's coordinates.",
        f"v = w - P({rotary.letter})",
        added(SMALL_XYZ, point, rotary.point_mm, point - rotary.point_mm, "-"),
        f"from the pivot of {rotary.letter}, parallel to the machine",
    )


def back_line(rotary: Rotary, turned: NDArray[np.float64]) -> Line:
    """The turned arm put back onto the pivot."""
    return Line(
        f"{rotary.letter} back",
        f"Back to machine coordinates: the pivot of {rotary.letter} has not moved, so the turned arm is added to it.",
        f"w' = P({rotary.letter}) + v'",
        added(XYZ, rotary.point_mm, turned, rotary.point_mm + turned),
        "machine coordinates",
    )


def offset_line(machine: Machine, point: NDArray[np.float64]) -> Line:
    """What is left is the work offset."""
    length = machine.z_reference.tool_length_mm
    read = "from the gauge line" if length is None else "with the reference tool's tip, as the machine's Z is"
    return Line(
        "offset",
        f"There the operation's origin stands: its machine coordinates are the work offset. Z is read {read}, "
        "so no tool length is added.",
        "offset = w'",
        as_it_is(XYZ, point),
        "machine coordinates",
    )
