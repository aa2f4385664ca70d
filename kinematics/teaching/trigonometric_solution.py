"""A work offset by plane trigonometry only: right triangles, sine and cosine, as on a pocket calculator.

Where every rotary runs along a machine axis, each turn leaves one coordinate alone and swings the other two round a
circle. From the two legs of a right triangle come its long side and its angle; the turn is added to the angle; sine
and cosine give the new legs. The part is followed outward: from the origin through the stack, step by step, to the
table and round each rotary.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.euler_angles import rotation_from_intrinsic
from kinematics.machine import table_frame
from kinematics.operations import PlacedOperation
from kinematics.rotary import RotaryAxis
from kinematics.stack import StackStep
from kinematics.teaching.angle_steps import aim_steps
from kinematics.teaching.direction_steps import HALF_TURN_SENTENCE, direction_name, sine_and_cosine
from kinematics.teaching.worked_step import Calculation, Number, WorkedStep, added, multiplied
from kinematics.teaching.working import (
    SMALL_XYZ,
    XYZ,
    RotarySwing,
    TouchDisplay,
    Working,
    angle_step,
    angle_words,
    arm_step,
    back_step,
    check_operation,
    given_values,
    offset_step,
    square_axis,
    stack_frames,
    stack_heights,
    table_origin_words,
    touch_off_steps,
    touched_height,
    touched_turn_deg,
)
from kinematics.work_offsets import Setup

__all__ = ["solve_by_trigonometry", "why_not_by_trigonometry"]


@takes_declared()
def why_not_by_trigonometry(setup: Setup, steps: Sequence[StackStep] | None) -> str:
    """Reason why plane trigonometry cannot solve a setup; empty where it can.

    Parameters
    ----------
    setup : Setup
    steps : sequence of StackStep or None
        The stack under the setup's part; None where part zero was touched off instead.

    Returns
    -------
    str
        Half a sentence, to stand after "since".

    Examples
    --------
    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.work_offsets import Setup
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> skew = RotaryAxis("C", [0, 0, 0], [0.01, 0, 1], RotationSense.CLOCKWISE, None)
    >>> why_not_by_trigonometry(Setup.from_stack(Machine("mill", (skew,), Platter(face_mm=0.0)), []), [])
    'rotary C does not run along a machine axis'
    >>> why_not_by_trigonometry("setup", [])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: setup: expected a Setup, found 'setup'
    """
    for rotary in setup.machine.rotaries:
        if square_axis(rotary.direction) is None:
            return f"rotary {rotary.letter} does not run along a machine axis"
    if not np.array_equal(table_frame(setup.machine).rotation, np.eye(3)):
        return "the platter's measured face is not square to the machine"
    if steps is None and touched_turn_deg(setup) is None:
        return "part zero was touched off on a part that the stack turns out of level"
    return ""


def _touched_turns(setup: Setup) -> tuple[StackStep, ...]:
    """The turn of a touched-off part about z, as a step of a stack; none where it is not turned."""
    angle = touched_turn_deg(setup)
    return (StackStep("the part as clocked", turn_deg=angle),) if angle else ()


@takes_declared()
def solve_by_trigonometry(
    setup: Setup,
    placed: PlacedOperation,
    steps: Sequence[StackStep] | None,
    plane: Sequence[WorkedStep] = (),
    touched: TouchDisplay | None = None,
) -> Working:
    """Work out one operation's offset by plane trigonometry.

    Parameters
    ----------
    setup : Setup
    placed : PlacedOperation
        From `place_operations`.
    steps : sequence of StackStep or None
        The stack under the setup's part; None where part zero was touched off instead.
    plane : sequence of WorkedStep
        Steps that derive the direction to face the spindle (`kinematics.teaching.direction_steps`).
    touched : TouchDisplay, optional
        The display at the touch-off, to start from.

    Returns
    -------
    Working
        With the same result as `solve_by_matrices`.

    Raises
    ------
    KinematicsError
        When the machine is not square, the operation another machine's, or the steps are not the setup's stack.

    Examples
    --------
    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.work_offsets import Setup
    >>> from kinematics.operations import Operation
    >>> from kinematics.placement import place_operations
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> setup = Setup.from_stack(Machine("mill", (a,), Platter()), [StackStep("post", up_mm=100.0)])
    >>> (port,) = place_operations(setup, [Operation("port", program_deg=(-30.0,))]).placed
    >>> solve_by_trigonometry(setup, port, [StackStep("post", up_mm=100.0)]).offset_mm.round(6).tolist()
    [0.0, -50.0, 36.60254]
    >>> solve_by_trigonometry("setup", port, [])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: setup: expected a Setup, found 'setup'
    """
    check_operation(setup, placed)
    why = why_not_by_trigonometry(setup, steps)
    if why:
        raise KinematicsError(f"by hand: expected a square machine, found that {why}")
    heights = touched_height(setup) if steps is None else stack_heights(steps, stack_frames(setup, steps))
    of_pattern = any(line.key == "pattern origin" for line in plane)
    outward, point, reached = _outward(setup, placed, steps, touched, of_pattern=of_pattern)
    aimed = aim_steps(
        setup,
        placed,
        _direction_steps(steps if steps is not None else _touched_turns(setup), placed)
        if placed.aim is not None
        else None,
        direction_name(plane),
    )
    lines = [*map(_without_matrix, (*plane, *aimed)), *outward]
    frame = table_frame(setup.machine)
    total = frame.translation_mm + point
    lines.append(
        WorkedStep(
            "all-zero",
            f"Machine coordinates with every rotary at zero: {table_origin_words(setup.machine)}, plus what stands on it.",
            f"w = T + {reached}",
            added(XYZ, frame.translation_mm, point, total),
            "machine coordinates, all-zero pose",
        )
    )
    point, name, swings = total, "w", []
    for i in reversed(range(len(setup.machine.rotaries))):
        rotary = setup.machine.rotaries[i]
        lines.append(angle_step(setup, i, float(placed.program_deg[i])))
        turn = float(lines[-1].result[-1])
        axis = square_axis(rotary.direction)
        if turn == 0.0 or axis is None:
            continue
        lines.append(arm_step(rotary, point, name))
        triangle, turned = _rotary_triangle(rotary, axis, turn, point - rotary.point_mm)
        lines += [triangle, back_step(rotary, turned)]
        back = rotary.point_mm + turned
        letter = rotary.letter
        swings.append(
            RotarySwing(letter, rotary.direction, rotary.point_mm, turn, point, back, name, f"w({letter})")
        )
        point, name = back, f"w({letter})"
    lines.append(offset_step(setup.machine, point, name))
    return Working(placed.name, tuple(lines), tuple(swings), heights)


def _without_matrix(line: WorkedStep) -> WorkedStep:
    """The same step without a matrix: a turn about one axis changes two coordinates only."""
    about = re.search(r"\bR([xyz])\(", line.formula)
    return replace(line, matrix=None, formula=_TURNED[about[1]] if about else line.formula)


def _rotary_triangle(
    rotary: RotaryAxis, axis: int, turn_deg: float, arm: NDArray[np.float64]
) -> tuple[WorkedStep, NDArray[np.float64]]:
    """A rotary's turn of an arm, about the machine axis that it runs along."""
    signed = turn_deg * float(np.sign(rotary.direction[axis]))
    return _triangle(rotary.letter, axis, signed, arm, f"from the pivot of {rotary.letter}")


def _touch_turned(
    rotary: RotaryAxis, turn_deg: float, arm: NDArray[np.float64], key: str
) -> tuple[list[WorkedStep], NDArray[np.float64]]:
    """The arm of a touched-off point turned back."""
    axis = square_axis(rotary.direction)
    assert axis is not None  # checked before
    line, turned = _rotary_triangle(rotary, axis, turn_deg, arm)
    return [replace(line, key=f"{key} turned")], turned


def _direction_steps(steps: Sequence[StackStep], placed: PlacedOperation) -> list[WorkedStep]:
    """Steps that follow a direction outward through the stack's turns, each with its sine and cosine."""
    lines: list[WorkedStep] = []
    direction = placed.plane.normal
    for k in reversed(range(len(steps))):
        for axis, angle in reversed((*steps[k].rotate, ("z", steps[k].turn_deg))):
            if not angle:
                continue
            matrix = rotation_from_intrinsic([(axis, angle)])
            turned = matrix @ direction + 0.0
            lines.append(
                WorkedStep(
                    f"aim step {k + 1} {axis}",
                    f"Step {k + 1}, {steps[k].name}, turns the direction by {angle_words(angle)} degrees about {axis}.",
                    _TURNED[axis],
                    (
                        *sine_and_cosine(angle),
                        *multiplied(SMALL_XYZ, matrix, direction, turned, kind="ratio"),
                    ),
                    "table frame" if k == 0 else f"on step {k}, {steps[k - 1].name}",
                )
            )
            direction = turned
    return lines


_TURNED = {
    "x": "y' = c·y - s·z, z' = s·y + c·z with s = sin, c = cos",
    "y": "x' = c·x + s·z, z' = c·z - s·x with s = sin, c = cos",
    "z": "x' = c·x - s·y, y' = s·x + c·y with s = sin, c = cos",
}


def _outward(
    setup: Setup,
    placed: PlacedOperation,
    steps: Sequence[StackStep] | None,
    touched: TouchDisplay | None,
    *,
    of_pattern: bool,
) -> tuple[list[WorkedStep], NDArray[np.float64], str]:
    """Steps from the origin on the part down through the stack to the platter, the point reached and its name."""
    point = placed.origin_mm
    name = ("origin'" if of_pattern else "origin") if steps is None else f"o{len(steps)}"
    lines = [
        WorkedStep(
            "origin",
            f"Start on the part: the operation's origin {'found above' if of_pattern else 'as the drawing gives it'}.",
            name,
            given_values(SMALL_XYZ, point),
            "part frame",
        )
    ]
    if steps is None:
        turns = _touched_turns(setup)
        if turns and point.any():
            angle = turns[0].turn_deg
            line, point = _triangle("part turn", 2, angle, point, "parallel to the table frame")
            turned = f"The part stands turned by {angle_words(angle)} degrees about z, and the operation's origin with it."
            lines.append(replace(line, rule=f"{turned} {line.rule}"))
            name += "'"
        total = point + setup.part_in_table.translation_mm
        lines += touch_off_steps(setup, touched, _touch_turned)
        lines.append(
            WorkedStep(
                "part zero",
                "From part zero as touched off on to the operation's origin.",
                f"o = W + {name}",
                added(SMALL_XYZ, setup.part_in_table.translation_mm, point, total),
                "table frame",
            )
        )
        return lines, total, "o"
    for k in reversed(range(len(steps))):
        step = steps[k]
        # The last turn of a step is the first that the part feels on its way out.
        for axis, angle in reversed((*step.rotate, ("z", step.turn_deg))):
            if angle and point.any():
                line, point = _triangle(
                    f"step {k + 1} {axis}",
                    SMALL_XYZ.index(axis),
                    angle,
                    point,
                    f"on step {k + 1}, {step.name}",
                )
                turned = f"Step {k + 1} turns what stands on it by {angle_words(angle)} degrees about {axis}."
                lines.append(replace(line, rule=f"{turned} {line.rule}"))
                name += "'"
        move = np.array([*step.shift_mm, step.up_mm])
        lines.append(
            WorkedStep(
                f"step {k + 1}",
                f"Step {k + 1}, {step.name}: add its shift in x and y and its height.",
                f"o{k} = {name} + s{k + 1}",
                added(SMALL_XYZ, point, move, point + move),
                "table frame" if k == 0 else f"on step {k}, {steps[k - 1].name}",
            )
        )
        point, name = point + move, f"o{k}"
    return lines, point, name


def _triangle(
    what: str, axis: int, turn_deg: float, arm: NDArray[np.float64], frame: str
) -> tuple[WorkedStep, NDArray[np.float64]]:
    """One turn in a plane: hypotenuse and angle from the legs, the turn added, and the new legs."""
    first, second = (axis + 1) % 3, (axis + 2) % 3
    u, v = float(arm[first]), float(arm[second])
    along, up, still = SMALL_XYZ[first], SMALL_XYZ[second], SMALL_XYZ[axis]
    long_side = math.hypot(u, v)
    start = math.degrees(math.atan2(v, u))
    end = start + turn_deg
    turned = arm.copy()
    turned[first] = long_side * math.cos(math.radians(end))
    turned[second] = long_side * math.sin(math.radians(end))
    side = Number(long_side)
    new = Number(end, "angle")
    calculations = (
        Calculation("r", "√({}² + {}²)", (Number(u), Number(v)), side),
        _start_angle(u, v, start),
        Calculation("new angle", "{} + {}", (Number(start, "angle"), Number(turn_deg, "angle")), new),
        Calculation(f"{along}'", "{} × cos {}", (side, new), Number(float(turned[first]))),
        Calculation(f"{up}'", "{} × sin {}", (side, new), Number(float(turned[second]))),
        Calculation(f"{still}'", "{}", (Number(float(arm[axis])),), Number(float(arm[axis]))),
    )
    letter = what if len(what) == 1 else ""
    arm_words = "the arm" if letter else "the way to the origin"
    rule = (
        f"The turn leaves {still} alone. In the {along}-{up} plane {arm_words} is the long side of a right triangle with "
        f"legs {along} and {up}: find its length r and its angle from +{along} toward +{up}, add the turn, and split it into "
        "legs again."
    )
    if u == 0.0:
        rule += (
            f" {along} is 0, so the angle is a quarter turn."
            if v
            else " Both are 0: there is nothing to turn."
        )
    if u < 0.0:
        rule += f" {HALF_TURN_SENTENCE.format(leg=along)}"
    formula = f"r = √({along}² + {up}²), {along}' = r cos, {up}' = r sin"
    return WorkedStep(f"{letter} turned" if letter else what, rule, formula, calculations, frame), turned


def _start_angle(u: float, v: float, start_deg: float) -> Calculation:
    """The arm's angle as a calculator gives it: the arctangent, and half a turn more for a negative first leg."""
    result = Number(start_deg, "angle")
    if u == 0.0:
        return Calculation("angle", "{}", (result,), result)
    half = "" if u > 0.0 else " + 180" if v >= 0.0 else " - 180"
    return Calculation("angle", "tan⁻¹({} / {})" + half, (Number(v), Number(u)), result)
