"""A worked solution, and the steps that matrix and trigonometric solutions share."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.machine import Machine, is_horizontal, table_frame
from kinematics.operations import PlacedOperation
from kinematics.rotary import RotaryAxis
from kinematics.stack import StackStep, cumulative_frames
from kinematics.teaching.worked_step import (
    Calculation,
    Digits,
    Number,
    WorkedStep,
    added,
    multiplied,
    written_number,
)
from kinematics.transform import Pose, rotation_about_axis
from kinematics.validation import ValueEquality, as_instance, read_only
from kinematics.work_offsets import Setup

__all__ = [
    "SMALL_XYZ",
    "XYZ",
    "RotarySwing",
    "TouchDisplay",
    "TurnLines",
    "Working",
    "angle_step",
    "angle_words",
    "arm_step",
    "axis_name",
    "back_step",
    "check_operation",
    "degrees",
    "given_values",
    "listed_words",
    "offset_source_words",
    "offset_step",
    "seen_from",
    "square_axis",
    "stack_frames",
    "stack_heights",
    "swing_sentence",
    "table_origin_words",
    "table_words",
    "touch_off_steps",
    "touched_height",
    "touched_turn_deg",
    "turn_sentence",
]

_NAMES = ("X", "Y", "Z")
_EYE = {
    "+X": "from the right",
    "-X": "from the left",
    "+Y": "from the back",
    "-Y": "from the front",
    "+Z": "from above",
    "-Z": "from below",
}
_SQUARE_WITHIN = 1e-12
_NEARLY = math.cos(math.radians(5.0))
"""A direction farther from every machine axis is slanted by design, not off it by a measurement."""


@dataclass(frozen=True, eq=False)
class RotarySwing(ValueEquality, DeclaredFields):
    """One rotary's part of a working, for its drawing.

    Attributes
    ----------
    letter : str
    direction, pivot_mm : ndarray, shape (3,)
        The rotary's line at the all-zero pose, machine coordinates.
    turn_deg : float
        The table's turn, right-handed about the direction.
    before_mm, after_mm : ndarray, shape (3,)
        The point before and after the turn, machine coordinates.
    before, after : str
        What the working calls them: "w" and "w(C)".
    """

    letter: str
    direction: NDArray[np.float64]
    pivot_mm: NDArray[np.float64]
    turn_deg: float
    before_mm: NDArray[np.float64]
    after_mm: NDArray[np.float64]
    before: str
    after: str

    def __post_init__(self) -> None:
        for name in ("direction", "pivot_mm", "before_mm", "after_mm"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        super().__post_init__()


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
    """Index of the machine axis along which a direction runs, with either sign; None for a skew direction."""
    axis = int(np.argmax(np.abs(direction)))
    return axis if abs(abs(float(direction[axis])) - 1.0) < _SQUARE_WITHIN else None


def seen_from(rotary: RotaryAxis) -> str:
    """Viewpoint from which a rotary's clockwise counts: its positive end."""
    return _EYE[axis_name(rotary.direction)]


def turn_sentence(rotary: RotaryAxis, machine_deg: float) -> str:
    """Sentences on the table's turn at a machine angle, its direction argued from the rotary's sense.

    Examples
    --------
    >>> from kinematics.rotary import RotationSense
    >>> print(turn_sentence(RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, None), -35.0))
    A runs along +X, and a positive move turns the table clockwise, seen from the right. The angle is negative, \
so the table is turned counterclockwise: a right-handed turn about +X of +35 degrees.
    """
    name = axis_name(rotary.direction)
    text = (
        f"{rotary.letter} runs {_line_words(rotary)}, and a positive move turns the table "
        f"{rotary.positive_turn.value}, seen {seen_from(rotary)}. "
    )
    turn = float(rotary.turn_deg(machine_deg))
    if turn == 0.0:
        return text + f"{rotary.letter} is at its zero: nothing turns."
    size = "positive" if machine_deg - rotary.zero_deg > 0.0 else "negative"
    way = "counterclockwise" if turn > 0.0 else "clockwise"
    line = name if square_axis(rotary.direction) is not None else "its line"
    subject = "The angle" if rotary.zero_deg == 0.0 else "The angle from its zero"
    return (
        text + f"{subject} is {size}, so the table is turned {way}: a right-handed turn about "
        f"{line} of {'+' if turn > 0.0 else ''}{angle_words(turn)} degrees."
    )


def _line_words(rotary: RotaryAxis) -> str:
    """The way a rotary's line runs: along a machine axis, nearly along it, or slanted."""
    name = axis_name(rotary.direction)
    if square_axis(rotary.direction) is not None:
        return f"along {name}"
    if float(np.abs(rotary.direction).max()) > _NEARLY:
        return f"nearly along {name}"
    return "along (" + ", ".join(f"{value + 0.0:.4f}" for value in rotary.direction.tolist()) + ")"


def swing_sentence(rotary: RotaryAxis, turn_deg: float) -> str:
    """Sentence on where a turn takes one axis of the table: +Y, or +Z where the rotary runs along Y.

    Examples
    --------
    >>> from kinematics.rotary import RotationSense
    >>> swing_sentence(RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None), -60.0)
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
_SAME_TURN = 1e-9


def given_values(names: Sequence[str], values_mm: NDArray[np.float64]) -> tuple[Calculation, ...]:
    """Calculations that are nothing but their results."""
    numbers = [Number(value) for value in values_mm.tolist()]
    return tuple(
        Calculation(name, "{}", (number,), number) for name, number in zip(names, numbers, strict=True)
    )


@dataclass(frozen=True, eq=False)
class Working(ValueEquality, DeclaredFields):
    """A worked solution of one operation's work offset.

    Attributes
    ----------
    operation : str
        Its name.
    lines : tuple of WorkedStep
        The last one is the work offset.
    swings : tuple of RotarySwing
        The turns as points, innermost rotary first, for drawings; rotaries at zero are left out.
    heights_mm : tuple of (str, float)
        Each step of the stack by name, and the height of its end above the table frame's origin.
    """

    operation: str
    lines: tuple[WorkedStep, ...]
    swings: tuple[RotarySwing, ...]
    heights_mm: tuple[tuple[str, float], ...] = ()

    @property
    def offset_mm(self) -> NDArray[np.float64]:
        """The resulting work offset, X, Y, Z."""
        return self.lines[-1].result

    def number_of(self, key: str) -> int:
        """Number, counted from 1, of the step with that key.

        A rotary at zero has one step only, which stands for all of that rotary's; an origin that is part zero has none for
        the part's turn.

        Raises
        ------
        KinematicsError
            When there is no such step.
        """
        keys = [line.key for line in self.lines]
        for name in (key, "origin" if key == "part turn" else key.split(maxsplit=1)[0] + " angle"):
            if name in keys:
                return keys.index(name) + 1
        raise KinematicsError(f"step of the working: expected one of {', '.join(keys)}, found {key!r}")


def stack_frames(setup: Setup, steps: Sequence[StackStep]) -> tuple[Pose, ...]:
    """Frames at the end of each step, the table's first.

    Raises
    ------
    KinematicsError
        When the steps are not the setup's stack: not steps, or ending elsewhere or turned otherwise than its part.
    """
    for step in steps:
        if not isinstance(step, StackStep):
            raise KinematicsError(f"steps: expected StackStep values, found {type(step).__name__}")
    frames = cumulative_frames(steps)
    apart = float(np.linalg.norm(frames[-1].translation_mm - setup.part_in_table.translation_mm))
    if apart > _SAME_MM:
        raise KinematicsError(
            f"steps: expected the stack of the setup, found one that ends {apart:g} mm from its part zero"
        )
    turned = float(np.abs(frames[-1].rotation - setup.part_in_table.rotation).max())
    if turned > _SAME_TURN:
        raise KinematicsError(
            "steps: expected the stack of the setup, found one that turns the part otherwise "
            f"(rotation matrices differ by {turned:.3g})"
        )
    return frames


def check_operation(setup: Setup, placed: PlacedOperation) -> None:
    """Refuse an operation that was placed on a machine with another number of rotaries."""
    as_instance(setup, Setup, "setup")
    as_instance(placed, PlacedOperation, "operation")
    letters, found = setup.machine.letters, placed.machine_deg.shape
    if found != (len(letters),):
        raise KinematicsError(
            f"operation {placed.name}: expected an angle for each of {', '.join(letters)}, found shape {found}"
        )


@dataclass(frozen=True, eq=False)
class TouchDisplay(ValueEquality, DeclaredFields):
    """A touch-off of part zero as the display showed it.

    Attributes
    ----------
    at_mm : ndarray, shape (3,)
        Machine coordinates.
    machine_deg : ndarray, shape (n,)
        Machine angles of the rotaries there.
    """

    at_mm: NDArray[np.float64]
    machine_deg: NDArray[np.float64]

    def __post_init__(self) -> None:
        for name in ("at_mm", "machine_deg"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        super().__post_init__()


TurnLines = Callable[
    [RotaryAxis, float, NDArray[np.float64], str], tuple[list[WorkedStep], NDArray[np.float64]]
]
"""Steps that turn an arm about a rotary by degrees, with the key's start, and the arm turned."""


def touch_off_steps(setup: Setup, touched: TouchDisplay | None, turned_by: TurnLines) -> list[WorkedStep]:
    """Steps from the display at the touch-off to part zero in the table frame; one alone where there is no reading."""
    at = setup.part_in_table.translation_mm
    if touched is None:
        rule = "Part zero was touched off, so nothing is added up: it is taken as measured."
        return [WorkedStep("step 1", rule, "W", given_values(SMALL_XYZ, at), "table frame")]
    machine, point, name = setup.machine, touched.at_mm, "d"
    rule = "Part zero was touched off, so no stack is added up. The display there showed:"
    lines = [WorkedStep("touch", rule, "d", given_values(XYZ, point), "machine coordinates")]
    for rotary, machine_deg in zip(machine.rotaries, touched.machine_deg.tolist(), strict=True):
        turn = -float(rotary.turn_deg(machine_deg)) + 0.0
        if turn == 0.0:
            continue
        letter = rotary.letter
        rule = (
            f"{letter} stood at machine {angle_words(machine_deg)}, which turns the table by {angle_words(-turn)} degrees, "
            f"right-handed: turn it back about the pivot of {letter}. The arm there:"
        )
        arm = point - rotary.point_mm
        lines.append(
            WorkedStep(
                f"touch {letter} arm",
                rule,
                f"a = {name} - P({letter})",
                added(SMALL_XYZ, point, rotary.point_mm, arm, "-"),
                f"from the pivot of {letter}, parallel to the machine",
            )
        )
        more, turned = turned_by(rotary, turn, arm, f"touch {letter}")
        lines += more
        point, name = rotary.point_mm + turned, f"d({letter})"
        rule = f"Back onto the pivot: part zero as it stands with {letter} at its zero."
        sums = added(XYZ, rotary.point_mm, turned, point)
        lines.append(
            WorkedStep(
                f"touch {letter} back", rule, f"{name} = P({letter}) + a'", sums, "machine coordinates"
            )
        )
    frame = table_frame(machine)
    arm = point - frame.translation_mm
    where = table_origin_words(machine)
    if np.array_equal(frame.rotation, np.eye(3)):
        rule = f"Into the table frame: subtract its origin, {where}."
        sums = added(SMALL_XYZ, point, frame.translation_mm, at, "-")
        return [*lines, WorkedStep("step 1", rule, f"W = {name} - T", sums, "table frame")]
    back = np.asarray(frame.rotation.T)
    rule = f"The way to it from the table frame's origin, {where}, still parallel to the machine:"
    sums = added(SMALL_XYZ, point, frame.translation_mm, arm, "-")
    lines.append(WorkedStep("touch table", rule, f"b = {name} - T", sums, "parallel to the machine"))
    rule = f"{table_words(machine)} As a matrix, its axes are the rows."
    sums = multiplied(SMALL_XYZ, back, arm, at)
    return [*lines, WorkedStep("step 1", rule, "W = R(T)⁻¹ · b", sums, "table frame", back)]


def angle_step(setup: Setup, i: int, program_deg: float) -> WorkedStep:
    """The step from a rotary's program angle to the table's turn, with the reason for its sign."""
    rotary, offset_deg = setup.machine.rotaries[i], float(setup.rotary_offset_deg[i])
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
    rule = turn_sentence(rotary, machine_deg) + " " + swing_sentence(rotary, turn)
    if offset_deg:
        source = offset_source_words(setup, i)
        rule = (
            f"The machine angle is the program's plus {rotary.letter}'s work offset, {angle_words(offset_deg)} degrees, "
            f"{source}. {rule}"
        )
    formula = f"t({rotary.letter}) = {sign or '+'}" + (
        f"({rotary.letter} - zero)" if of_zero else rotary.letter
    )
    return WorkedStep(
        f"{rotary.letter} angle", rule.rstrip(), formula, (machine, turned), "degrees, right-handed"
    )


def degrees(value: float) -> Number:
    """An angle as a number of a calculation."""
    return Number(value, "angle")


def angle_words(value_deg: float) -> str:
    """An angle for a sentence, to the digits that the calculation beside it has.

    Examples
    --------
    >>> angle_words(16.66666667), angle_words(-30.0)
    ('16.66667', '-30')
    """
    return written_number(degrees(value_deg), Digits())


def listed_words(words: Iterable[str]) -> str:
    """One or more words in a row, with "and" before the last.

    Examples
    --------
    >>> listed_words("XYZ"), listed_words(["A"])
    ('X, Y and Z', 'A')
    """
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


def stack_heights(steps: Sequence[StackStep], frames: Sequence[Pose]) -> tuple[tuple[str, float], ...]:
    """Each step of the stack by name, and the height of its end above the table frame's origin in mm."""
    names = [step.name for step in steps]
    return tuple(zip(names, (float(frame.translation_mm[2]) for frame in frames[1:]), strict=True))


def touched_height(setup: Setup) -> tuple[tuple[str, float], ...]:
    """The height of a part zero that was touched off, in the form of `stack_heights`."""
    return (("part zero, touched off", float(setup.part_in_table.translation_mm[2])),)


def touched_turn_deg(setup: Setup) -> float | None:
    """Angle about z by which a touched-off part stands turned in the table; None where it does not stand level."""
    rotation = setup.part_in_table.rotation
    if abs(float(rotation[2, 2]) - 1.0) > _SQUARE_WITHIN:
        return None
    return round(math.degrees(math.atan2(float(rotation[1, 0]), float(rotation[0, 0]))), 12) + 0.0


def table_origin_words(machine: Machine) -> str:
    """Words for the place of the table frame's origin."""
    if machine.platter.face_mm is None:
        return "the pivot"
    return f"where {machine.rotaries[-1].letter}'s line pierces the platter face"


def table_words(machine: Machine) -> str:
    """Sentence on where the axes of a table frame come from that does not stand parallel to the machine."""
    if machine.platter.normal is not None:
        z = "is the platter's measured normal"
    else:
        z = f"runs along {machine.rotaries[-1].letter}'s line"
    return (
        f"The table does not stand parallel to the machine: its z {z}, its x is the machine's X made square to that and "
        "scaled to length 1, its y is square to both."
    )


def offset_source_words(setup: Setup, i: int) -> str:
    """Half a sentence on where a rotary's work offset comes from."""
    turn = _taken_out_deg(setup, i)
    if turn is None:
        return "which the job sets"
    return f"which takes out the part's turn of {angle_words(turn)} degrees about z"


def _taken_out_deg(setup: Setup, i: int) -> float | None:
    """The part's turn about z that a rotary's work offset takes out; None where it is no such turn."""
    rotary, offset = setup.machine.rotaries[i], float(setup.rotary_offset_deg[i])
    turn = touched_turn_deg(setup)
    if turn is None or i + 1 != len(setup.machine.rotaries) or is_horizontal(rotary):
        return None
    about_z = offset * rotary.positive_turn.sign * float(np.sign(rotary.direction[2]))
    return turn if abs(math.remainder(about_z + turn, 360.0)) < _SAME_TURN else None


def arm_step(rotary: RotaryAxis, point: NDArray[np.float64], name: str) -> WorkedStep:
    """The step that takes the vector from the pivot to the point of that name."""
    letter = rotary.letter
    return WorkedStep(
        f"{letter} arm",
        f"{letter} swings the arm that runs from its pivot to the point: subtract the pivot from the point.",
        f"v({letter}) = {name} - P({letter})",
        added(SMALL_XYZ, point, rotary.point_mm, point - rotary.point_mm, "-"),
        f"from the pivot of {letter}, parallel to the machine",
    )


def back_step(rotary: RotaryAxis, turned: NDArray[np.float64]) -> WorkedStep:
    """The step that adds the turned arm to the pivot."""
    letter = rotary.letter
    return WorkedStep(
        f"{letter} back",
        f"Back to machine coordinates: the pivot of {letter} has not moved, so add the turned arm to it.",
        f"w({letter}) = P({letter}) + v({letter})'",
        added(XYZ, rotary.point_mm, turned, rotary.point_mm + turned),
        "machine coordinates",
    )


def offset_step(machine: Machine, point: NDArray[np.float64], name: str) -> WorkedStep:
    """The last step: the machine coordinates of the point of that name are the work offset."""
    length = machine.z_reference.tool_length_mm
    read = "from the gauge line" if length is None else "with the reference tool's tip, as the machine's Z is"
    return WorkedStep(
        "offset",
        f"That is where the operation's origin is: its machine coordinates are the work offset. Z is read {read}, "
        "so no tool length is added.",
        f"offset = {name}",
        given_values(XYZ, point),
        "machine coordinates",
    )
