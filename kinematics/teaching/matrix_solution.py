"""A work offset worked out step by step with matrices, as it is written on a board.

The stack is summed, the origin is placed in the table's frame and in machine coordinates at the all-zero pose;
then each rotary, the innermost first, turns the point about its line: the arm from the pivot, the matrix of the
turn, the turned arm, back onto the pivot. The result is the work offset.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import sincos_deg
from kinematics.declared_types import takes_declared
from kinematics.euler_angles import Turn, rotation_from_intrinsic
from kinematics.machine import Machine, table_frame
from kinematics.operations import PlacedOperation
from kinematics.rotary import RotaryAxis
from kinematics.stack import StackStep
from kinematics.teaching.angle_steps import aim_steps
from kinematics.teaching.direction_steps import direction_name, sine_and_cosine
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
    degrees,
    offset_step,
    square_axis,
    stack_frames,
    stack_heights,
    table_words,
    touch_off_steps,
    touched_height,
    touched_turn_deg,
)
from kinematics.transform import IDENTITY, Pose, rotation_about_axis
from kinematics.work_offsets import Setup

__all__ = ["solve_by_matrices"]


@takes_declared()
def solve_by_matrices(
    setup: Setup,
    placed: PlacedOperation,
    steps: Sequence[StackStep] | None,
    plane: Sequence[WorkedStep] = (),
    touched: TouchDisplay | None = None,
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
    touched : TouchDisplay, optional
        The display at the touch-off, to start from.

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
        stack, heights = touch_off_steps(setup, touched, _touch_turned), touched_height(setup)
        clocked = touched_turn_deg(setup)
        if clocked:
            stack.append(_clocked_line(clocked, setup.part_in_table.rotation))
    else:
        frames = stack_frames(setup, steps)
        stack, heights = _stack_lines(steps, frames), stack_heights(steps, frames)
    # The stack first: aiming turns a direction by the matrix R that it ends with.
    lines = [*stack, *plane, *aim_steps(setup, placed, name=direction_name(plane))]
    origin = _origin_line(setup, placed, of_pattern=any(line.key == "pattern origin" for line in plane))
    lines.append(origin)
    point, line = _all_zero_line(setup.machine, origin.result)
    lines.append(line)
    swings: list[RotarySwing] = []
    name = "w"
    for i in reversed(range(len(setup.machine.rotaries))):
        rotary = setup.machine.rotaries[i]
        lines.append(angle_step(setup, i, float(placed.program_deg[i])))
        turn = float(lines[-1].result[-1])
        if turn == 0.0:
            continue
        arm = point - rotary.point_mm
        more, turned = _turned(rotary, turn, arm)
        after = rotary.point_mm + turned
        lines += [arm_step(rotary, point, name), *more, back_step(rotary, turned)]
        swings.append(
            RotarySwing(
                rotary.letter,
                rotary.direction,
                rotary.point_mm,
                turn,
                point,
                after,
                name,
                f"w({rotary.letter})",
            )
        )
        point, name = after, f"w({rotary.letter})"
    lines.append(offset_step(setup.machine, point, name))
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
        start = before.translation_mm
        lines.append(
            WorkedStep(
                f"step {k + 1}",
                rule,
                f"W{k + 1} = W{k} + " + (f"R{_before(steps, k)} · s{k + 1}" if turned else f"s{k + 1}"),
                multiplied(SMALL_XYZ, before.rotation, move, after.translation_mm, start),
                "table frame",
                before.rotation if turned else None,
            )
        )
        if any(angle for _, angle in _turns(step)):
            lines += _stack_turn_lines(steps, k, before.rotation, after.rotation)
    return lines


def _turns(step: StackStep) -> tuple[Turn, ...]:
    turns: tuple[Turn, ...] = (*step.rotate, ("z", step.turn_deg))
    return tuple((axis, angle) for axis, angle in turns if angle)


def _before(steps: Sequence[StackStep], k: int) -> int:
    """Number of the last step below step k, counted from 0, that turns what stands on it."""
    return max(j + 1 for j in range(k) if _turns(steps[j]))


def _stack_turn_lines(
    steps: Sequence[StackStep], k: int, before: NDArray[np.float64], after: NDArray[np.float64]
) -> list[WorkedStep]:
    """The steps that write down how a step of the stack turns what stands on it, one for each turn.

    The first turn of all is a matrix of its own; every further one is multiplied, each entry worked.
    """
    turns = _turns(steps[k])
    base = not np.array_equal(before, IDENTITY.rotation)
    lines: list[WorkedStep] = []
    name, reached = (f"R{_before(steps, k)}" if base else ""), before
    for place, (axis, angle) in enumerate(turns, start=1):
        last = place == len(turns)
        turn = rotation_from_intrinsic([(axis, angle)])
        product = after if last else reached @ turn
        own, new = f"R{axis}({angle_words(angle)})", f"R{k + 1}" + ("" if last else "abc"[place - 1])
        then = "then " if place > 1 else ""
        rule = f"What stands on step {k + 1} is {then}turned by {angle_words(angle)} degrees about {axis}"
        rule += ", as turned so far" if place > 1 else ""
        form = f"{own} = {_SMALL_PATTERN[axis]}"
        if name:
            rule += ": each row of the matrix so far times each column of this turn's."
            formula, entries = (
                f"{new} = {name} · {own}, {form}",
                _product_entries(new, reached, turn, product),
            )
        else:
            rule += ". As a matrix, its columns are its x, y and z:"
            formula, entries = f"{new} = {form}", ()
        key = f"step {k + 1} turn" + ("" if last else f" {place}")
        lines.append(
            WorkedStep(key, rule, formula, (*sine_and_cosine(angle), *entries), "table frame", product)
        )
        name, reached = new, product
    return lines


def _product_entries(
    name: str, left: NDArray[np.float64], right: NDArray[np.float64], product: NDArray[np.float64]
) -> tuple[Calculation, ...]:
    """The nine entries of a product of matrices, its terms with a factor 0 left out."""
    found = []
    for i in range(3):
        for j in range(3):
            terms = [(float(left[i, n]), float(right[n, j])) for n in range(3) if left[i, n] and right[n, j]]
            numbers = tuple(Number(value, "ratio") for term in terms for value in term)
            result = Number(float(product[i, j]) + 0.0, "ratio")
            text = " + ".join("{} × {}" for _ in terms)
            entry = f"{name}{SMALL_XYZ[i]}{SMALL_XYZ[j]}"
            found.append(
                Calculation(entry, text, numbers, result)
                if terms
                else Calculation(entry, "{}", (result,), result)
            )
    return tuple(found)


def _clocked_line(turn_deg: float, matrix: NDArray[np.float64]) -> WorkedStep:
    """The step that writes down how a touched-off part stands turned."""
    rule = f"The part stands turned by {angle_words(turn_deg)} degrees about z. As a matrix, its columns are its x, y and z:"
    formula = f"R = Rz({angle_words(turn_deg)}) = {_SMALL_PATTERN['z']}"
    return WorkedStep("part turn", rule, formula, sine_and_cosine(turn_deg), "table frame", matrix)


_SMALL_PATTERN = {"x": "[1 0 0; 0 c -s; 0 s c]", "y": "[c 0 s; 0 1 0; -s 0 c]", "z": "[c -s 0; s c 0; 0 0 1]"}


def _origin_line(setup: Setup, placed: PlacedOperation, *, of_pattern: bool) -> WorkedStep:
    part = setup.part_in_table
    total = part.apply(placed.origin_mm)
    start, matrix = part.translation_mm, part.rotation
    if not placed.origin_mm.any():
        rule = "The operation's origin is part zero itself."
        return WorkedStep("origin", rule, "o = W", added(SMALL_XYZ, start, np.zeros(3), total), "table frame")
    turned = not np.array_equal(matrix, IDENTITY.rotation)
    rule = f"Part zero, and from there the operation's origin {'found above' if of_pattern else 'as the drawing gives it'}"
    rule += ", turned by the matrix R." if turned else "."
    name = "origin'" if of_pattern else "origin"
    formula = f"o = W + R · {name}" if turned else f"o = W + {name}"
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
        rule += f" {table_words(machine)} As a matrix, its axes are the columns."
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


def _turned(
    rotary: RotaryAxis, turn_deg: float, arm: NDArray[np.float64]
) -> tuple[list[WorkedStep], NDArray[np.float64]]:
    """The turn as a matrix and the arm turned by it."""
    letter = rotary.letter
    matrix = rotation_about_axis(rotary.direction, turn_deg) + 0.0
    turned = matrix @ arm
    sine, cosine = (float(value) for value in sincos_deg(turn_deg))
    entries = tuple(
        Calculation(symbol, f"{name} {{}}", (degrees(turn_deg),), Number(value, "ratio"))
        for symbol, name, value in (("s", "sin", sine), ("c", "cos", cosine))
    )
    return [
        WorkedStep(
            f"{letter} turn",
            f"The turn by {letter} as a matrix: its columns are where the table's X, Y and Z come to point.",
            f"R({letter}) = {_pattern(rotary)}",
            (*entries, *_skew_entries(rotary, matrix, sine, cosine)),
            "directions in machine coordinates",
            matrix,
        ),
        WorkedStep(
            f"{letter} turned",
            "Turn the arm: each row of the matrix times the arm.",
            f"v({letter})' = R({letter}) · v({letter})",
            multiplied(SMALL_XYZ, matrix, arm, turned),
            f"from the pivot of {letter}, parallel to the machine",
        ),
    ], turned


def _touch_turned(
    rotary: RotaryAxis, turn_deg: float, arm: NDArray[np.float64], key: str
) -> tuple[list[WorkedStep], NDArray[np.float64]]:
    """The arm of a touched-off point turned back."""
    lines, turned = _turned(rotary, turn_deg, arm)
    return [
        replace(lines[0], key=f"{key} turn", formula=f"R({rotary.letter} back) = {_pattern(rotary)}"),
        replace(lines[1], key=f"{key} turned", formula=f"a' = R({rotary.letter} back) · a"),
    ], turned


def _pattern(rotary: RotaryAxis) -> str:
    """Symbols of the rotation matrix of a rotary."""
    axis = square_axis(rotary.direction)
    if axis is None:
        return "c·I + (1 - c)·(ki·kj) + s·[0 -kz ky; kz 0 -kx; -ky kx 0] with s = sin t, c = cos t"
    s, minus = ("s", "-s") if rotary.direction[axis] > 0.0 else ("-s", "s")
    rows = (
        ("1 0 0", f"0 c {minus}", f"0 {s} c"),
        (f"c 0 {s}", "0 1 0", f"{minus} 0 c"),
        (f"c {minus} 0", f"{s} c 0", "0 0 1"),
    )[axis]
    return f"[{'; '.join(rows)}] with s = sin t, c = cos t"


def _skew_entries(
    rotary: RotaryAxis, matrix: NDArray[np.float64], sine: float, cosine: float
) -> tuple[Calculation, ...]:
    """The nine entries worked for a rotary that runs along no machine axis; none for another."""
    if square_axis(rotary.direction) is not None:
        return ()
    u = rotary.direction.tolist()
    found = []
    for i in range(3):
        for j in range(3):
            numbers = [Number(cosine, "ratio")] * (2 if i == j else 1)
            numbers += [Number(u[i], "ratio"), Number(u[j], "ratio")]
            text = ("{} + " if i == j else "") + "(1 - {}) × {} × {}"
            if i != j:
                k = 3 - i - j
                text += " - {} × {}" if (j - i) % 3 == 1 else " + {} × {}"
                numbers += [Number(sine, "ratio"), Number(u[k], "ratio")]
            found.append(
                Calculation(
                    f"R{SMALL_XYZ[i]}{SMALL_XYZ[j]}",
                    text,
                    tuple(numbers),
                    Number(float(matrix[i, j]), "ratio"),
                )
            )
    return tuple(found)
