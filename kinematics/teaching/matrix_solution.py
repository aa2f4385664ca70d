"""A work offset worked out step by step with matrices, as it is written on a board.

The stack is summed, the origin is placed in the table's frame and in machine coordinates at the all-zero pose;
then each rotary, the innermost first, turns the point about its line: the arm from the pivot, the matrix of the
turn, the turned arm, back onto the pivot. The result is the work offset.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import sincos_deg
from kinematics.machine import Machine, table_frame
from kinematics.operations import PlacedOperation
from kinematics.rotary import RotaryAxis
from kinematics.stack import StackStep
from kinematics.teaching.direction_steps import aim_steps
from kinematics.teaching.worked_step import Calculation, Number, WorkedStep, added, multiplied
from kinematics.teaching.working import (
    SMALL_XYZ,
    XYZ,
    RotarySwing,
    Working,
    angle_step,
    arm_step,
    back_step,
    check_operation,
    degrees,
    offset_step,
    square_axis,
    stack_frames,
    stack_heights,
    touch_off_step,
    touched_height,
)
from kinematics.transform import IDENTITY, Pose, rotation_about_axis
from kinematics.work_offsets import Setup

__all__ = ["solve_by_matrices"]


def solve_by_matrices(
    setup: Setup, placed: PlacedOperation, steps: Sequence[StackStep] | None, plane: Sequence[WorkedStep] = ()
) -> Working:
    """Work out one operation's offset with matrices.

    Parameters
    ----------
    setup : Setup
    placed : PlacedOperation
        From `place_operations`.
    steps : sequence of StackStep or None
        The stack under the setup's part; None where part zero was touched off instead.
    plane : sequence of WorkedStep
        Steps that derive the direction to face the spindle (`kinematics.teaching.direction_steps`).

    Returns
    -------
    Working

    Raises
    ------
    KinematicsError
        When the operation is another machine's, or the steps are not the setup's stack.

    Examples
    --------
    >>> from kinematics.teaching.worked_step import Digits, written
    >>> from kinematics.machine import Platter
    >>> from kinematics.work_offsets import Setup
    >>> from kinematics.operations import Operation
    >>> from kinematics.placement import place_operations
    >>> from kinematics.rotary import RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> stack = [StackStep("post", up_mm=100.0)]
    >>> setup = Setup.from_stack(Machine("mill", (a, c), Platter(face_mm=0.0)), stack)
    >>> (port,) = place_operations(setup, [Operation("port", program_deg=(-90.0, 0.0))]).placed
    >>> working = solve_by_matrices(setup, port, stack)
    >>> [line.key for line in working.lines]
    ['step 1', 'origin', 'all-zero', 'C angle', 'A angle', 'A arm', 'A turn', 'A turned', 'A back', 'offset']
    >>> written(working.lines[-3].calculations[1], Digits(length=1))
    'y = -1 × 150.0 = -150.0'
    >>> solve_by_matrices(setup, port, [StackStep("post", up_mm=99.0)])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: steps: expected the stack of the setup, found one that ends 1 mm from its part zero
    """
    check_operation(setup, placed)
    if steps is None:
        stack, heights = [touch_off_step(setup)], touched_height(setup)
    else:
        frames = stack_frames(setup, steps)
        stack, heights = _stack_lines(steps, frames), stack_heights(steps, frames)
    lines = [*plane, *aim_steps(setup, placed), *stack]
    origin = _origin_line(setup, placed)
    lines.append(origin)
    point, line = _all_zero_line(setup.machine, origin.result)
    lines.append(line)
    swings: list[RotarySwing] = []
    for i in reversed(range(len(setup.machine.rotaries))):
        rotary = setup.machine.rotaries[i]
        lines.append(angle_step(rotary, float(placed.program_deg[i]), float(setup.rotary_offset_deg[i])))
        turn = float(lines[-1].result[-1])
        if turn != 0.0:
            more, swing = _turn_lines(rotary, turn, point)
            lines += more
            swings.append(swing)
            point = swing.after_mm
    lines.append(offset_step(setup.machine, point))
    return Working(placed.name, tuple(lines), tuple(swings), heights)


def _stack_lines(steps: Sequence[StackStep], frames: Sequence[Pose]) -> list[WorkedStep]:
    """Steps that add up the stack from the platter."""
    lines = []
    for k, step in enumerate(steps):
        before, after = frames[k], frames[k + 1]
        move = np.array([*step.shift_mm, step.up_mm])
        rule = f"Step {k + 1}, {step.name}: add its shift in x and y and its height"
        turned = not np.array_equal(before.rotation, IDENTITY.rotation)
        rule += ", along the axes as the steps below it have turned them." if turned else "."
        rule += _turns_words(step)
        start = before.translation_mm
        lines.append(
            WorkedStep(
                f"step {k + 1}",
                rule,
                f"W{k + 1} = W{k} + " + (f"R{k} · s{k + 1}" if turned else f"s{k + 1}"),
                multiplied(SMALL_XYZ, before.rotation, move, after.translation_mm, start),
                "table frame",
                before.rotation if turned else None,
            )
        )
    return lines


def _turns_words(step: StackStep) -> str:
    turns = [
        f"{angle:.10g} degrees about {axis}" for axis, angle in (*step.rotate, ("z", step.turn_deg)) if angle
    ]
    return f" What stands on it is turned by {', then by '.join(turns)}." if turns else ""


def _origin_line(setup: Setup, placed: PlacedOperation) -> WorkedStep:
    part = setup.part_in_table
    total = part.apply(placed.origin_mm)
    start, matrix = part.translation_mm, part.rotation
    if not placed.origin_mm.any():
        rule = "The operation's origin is part zero itself."
        return WorkedStep("origin", rule, "o = W", added(SMALL_XYZ, start, np.zeros(3), total), "table frame")
    turned = not np.array_equal(matrix, IDENTITY.rotation)
    rule = "Part zero, and from there the operation's origin as the drawing gives it"
    rule += ", turned as the stack turns the part." if turned else "."
    formula = "o = W + R · origin" if turned else "o = W + origin"
    calculations = multiplied(SMALL_XYZ, matrix, placed.origin_mm, total, start)
    return WorkedStep("origin", rule, formula, calculations, "table frame", matrix if turned else None)


def _all_zero_line(
    machine: Machine, in_table_mm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], WorkedStep]:
    frame = table_frame(machine)
    point = frame.apply(in_table_mm)
    square = np.array_equal(frame.rotation, IDENTITY.rotation)
    last = machine.rotaries[-1].letter
    where = (
        f"where {last}'s line pierces the platter face"
        if machine.platter.face_mm is not None
        else "the pivot"
    )
    rule = f"Machine coordinates with every rotary at zero: the table frame's origin, {where}, plus what stands on it."
    if not square:
        rule += " The table is not quite parallel to the machine, so its axes are turned into the machine's."
    calculations = multiplied(XYZ, frame.rotation, in_table_mm, point, frame.translation_mm)
    formula = "w = T + o" if square else "w = T + R(T) · o"
    return point, WorkedStep(
        "all-zero",
        rule,
        formula,
        calculations,
        "machine coordinates, all-zero pose",
        None if square else frame.rotation,
    )


def _turn_lines(
    rotary: RotaryAxis, turn_deg: float, point: NDArray[np.float64]
) -> tuple[list[WorkedStep], RotarySwing]:
    letter = rotary.letter
    matrix = rotation_about_axis(rotary.direction, turn_deg) + 0.0
    arm = point - rotary.point_mm
    turned = matrix @ arm
    back = rotary.point_mm + turned
    sine, cosine = (float(value) for value in sincos_deg(turn_deg))
    entries = tuple(
        Calculation(symbol, f"{name} {{}}", (degrees(turn_deg),), Number(value, "ratio"))
        for symbol, name, value in (("s", "sin", sine), ("c", "cos", cosine))
    )
    lines = [
        arm_step(rotary, point),
        WorkedStep(
            f"{letter} turn",
            f"The turn by {letter} as a matrix: its columns are where the table's X, Y and Z come to point.",
            f"R({letter}) = {_pattern(rotary)}",
            entries,
            "directions in machine coordinates",
            matrix,
        ),
        WorkedStep(
            f"{letter} turned",
            "Turn the arm: each row of the matrix times the arm.",
            f"v' = R({letter}) · v",
            multiplied(SMALL_XYZ, matrix, arm, turned),
            f"from the pivot of {letter}, parallel to the machine",
        ),
        back_step(rotary, turned),
    ]
    return lines, RotarySwing(letter, rotary.direction, rotary.point_mm, turn_deg, point, back)


def _pattern(rotary: RotaryAxis) -> str:
    """Symbols of the rotation matrix of a rotary."""
    axis = square_axis(rotary.direction)
    if axis is None:
        return "c·(I - U) + s·[u×] + U with s = sin t, c = cos t, u along the line and U = (ui·uj)"
    s, minus = ("s", "-s") if rotary.direction[axis] > 0.0 else ("-s", "s")
    rows = (
        ("1 0 0", f"0 c {minus}", f"0 {s} c"),
        (f"c 0 {s}", "0 1 0", f"{minus} 0 c"),
        (f"c {minus} 0", f"{s} c 0", "0 0 1"),
    )[axis]
    return f"[{'; '.join(rows)}] with s = sin t, c = cos t"
