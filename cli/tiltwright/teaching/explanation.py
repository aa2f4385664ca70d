"""An operation's working as a booklet, with a drawing of each step."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from kinematics import KinematicsError, PlacedOperation, Setup, StackStep, work_offset, work_offset_code
from kinematics.teaching import (
    Digits,
    Number,
    WorkedStep,
    Working,
    pattern_steps,
    rotation_steps,
    solve_by_matrices,
    solve_by_trigonometry,
    three_point_steps,
    why_not_by_trigonometry,
    written,
    written_number,
)
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.output import numbers
from tiltwright.output.booklet import Block, Booklet, Heading, NumberedStep, Picture, Table, Words
from tiltwright.sheet.drawing import draw
from tiltwright.sheet.panel_layout import ALONE
from tiltwright.sheet.side_view import TiltOperation, side_view
from tiltwright.teaching.swing_drawing import PANEL_MM as SWING_MM
from tiltwright.teaching.swing_drawing import draw_swing

__all__ = [
    "FOOT",
    "digits_for",
    "explained",
    "explanation",
    "explanation_report",
    "plane_of",
    "setup_picture",
    "step_block",
    "steps_of",
    "working_blocks",
    "working_of",
]

FOOT = "For learning and checking. Prove out above the part first: single block, rapid turned down."


def digits_for(units: str) -> Digits:
    """The sheet's digits and one more."""
    return Digits(numbers.UNIT_MM[units], numbers.DECIMALS[units] + 1, numbers.ANGLE_DECIMALS + 1)


def steps_of(worked: EvaluatedJob) -> tuple[StackStep, ...] | None:
    """The stack that the offsets stand on; None where the job goes by a touched-off part zero."""
    touched = worked.job.touched
    return None if touched is not None and touched.use == "touched" else worked.job.steps


def plane_of(worked: EvaluatedJob, placed: PlacedOperation) -> tuple[WorkedStep, ...]:
    """What the direction that an operation turns to the spindle comes from, where the job does not state it outright."""
    table, asked = worked.job.file.operation[placed.operation], worked.job.operations[placed.operation]
    if asked.plane is None:
        return ()
    lines: list[WorkedStep] = []
    if table.tip is not None:
        lines += rotation_steps(table.tip)
    if table.through is not None:
        lines += three_point_steps(
            [[worked.job.unit.to_mm(value) for value in point] for point in table.through]
        )
    number = asked.names.index(placed.name)
    return (*lines, *pattern_steps(asked.plane.normal, asked.origin_mm, number, asked.step_deg))


def working_of(
    setup: Setup,
    placed: PlacedOperation,
    steps: Sequence[StackStep] | None,
    plane: Sequence[WorkedStep] = (),
    *,
    by_hand: bool = False,
) -> Working:
    """The working, with matrices or by hand.

    Raises
    ------
    KinematicsError
        When it cannot be done by hand.
    """
    work = solve_by_trigonometry if by_hand else solve_by_matrices
    return work(setup, placed, steps, plane)


def explained(worked: EvaluatedJob, *, by_hand: bool) -> tuple[tuple[PlacedOperation, Working], ...]:
    """Every operation of a job with its working."""
    steps = steps_of(worked)
    if by_hand:
        why = why_not_by_trigonometry(worked.setup, steps)
        if why:
            raise KinematicsError(f"--by-hand: expected a square machine, found that {why}")
    return tuple(
        (
            one.placed,
            working_of(worked.setup, one.placed, steps, plane_of(worked, one.placed), by_hand=by_hand),
        )
        for one in worked.operations
    )


def explanation(
    worked: EvaluatedJob, workings: Sequence[tuple[PlacedOperation, Working]], units: str, *, by_hand: bool
) -> Booklet:
    """The booklet of an explanation."""
    blocks: list[Block] = []
    registers = [work_offset_code(one.number) for one in worked.operations]
    for (placed, working), register in zip(workings, registers, strict=True):
        blocks += [Heading(f"{placed.name}, {register}"), _asked(worked.setup, placed, units)]
        blocks += working_blocks(worked.setup, placed, working, worked.job.steps, units, register)
    return Booklet(
        "Working by hand" if by_hand else "Working",
        worked.job.file.name,
        (
            ("Machine", worked.setup.machine.name),
            ("Lengths", "millimetres" if units == "mm" else "inches"),
            ("Angles", "degrees; turns are right-handed about the line's positive end"),
            ("Digits", f"one more than the sheet's {numbers.DECIMALS[units]} decimals, until the last line"),
        ),
        tuple(blocks),
        FOOT,
    )


def _asked(setup: Setup, placed: PlacedOperation, units: str) -> Table:
    letters = setup.machine.letters
    return Table(
        (*(f"program {letter}" for letter in letters), "origin x", "origin y", "origin z"),
        ((*map(numbers.angle, placed.program_deg), *numbers.lengths(placed.origin_mm, units)),),
        left=0,
    )


def working_blocks(
    setup: Setup,
    placed: PlacedOperation,
    working: Working,
    steps: Sequence[StackStep],
    units: str,
    register: str,
) -> list[Block]:
    """The lines of a working, each drawing after the lines that it shows."""
    digits = digits_for(units)
    swings = {f"{swing.letter} back": swing for swing in working.swings}
    blocks: list[Block] = []
    for number, line in enumerate(working.lines, start=1):
        blocks.append(step_block(number, line, digits))
        if line.key == "all-zero":
            blocks.append(setup_picture(setup, placed, steps, units))
        if line.key in swings:
            swing = swings[line.key]
            title = f"The swing about {swing.letter}"
            blocks.append(Picture(draw_swing(swing, units), title, SWING_MM[0]))
    blocks.append(Words(f"Written as the sheet writes it: {_offset_words(placed, units)}", bold=True))
    if working.swings:
        blocks.append(_pose_picture(setup, placed, steps, units, register))
    return blocks


def _offset_words(placed: PlacedOperation, units: str) -> str:
    return "  ".join(
        f"{axis} {value}" for axis, value in zip("XYZ", numbers.lengths(placed.offset_mm, units), strict=True)
    )


def step_block(number: int, line: WorkedStep, digits: Digits) -> NumberedStep:
    """A line of a working with its numbers written."""
    matrix: tuple[tuple[str, ...], ...] = ()
    if line.matrix is not None:
        matrix = tuple(
            tuple(written_number(Number(value, "ratio"), digits) for value in row)
            for row in line.matrix.tolist()
        )
    calculations = tuple(written(calculation, digits) for calculation in line.calculations)
    return NumberedStep(number, line.rule, line.formula, calculations, line.frame, matrix)


def setup_picture(
    setup: Setup, placed: PlacedOperation, steps: Sequence[StackStep], units: str, *, hidden: bool = False
) -> Picture:
    """The setup at the all-zero pose from the side, its numbers hidden where they are what is asked for."""
    from dataclasses import replace

    zero = setup.machine.zero_deg
    at_mm = np.asarray(work_offset(setup, placed.origin_mm, zero))
    stand = TiltOperation("part zero" if hidden else placed.name, "", zero, at_mm)
    title = "The setup with every rotary at zero"
    view = side_view(setup.machine, steps, setup.part_in_table, [stand], units, title)
    if hidden:
        marks = tuple(replace(mark, shown=("?", "?"), delta=("?", "?")) for mark in view.marks)
        view = replace(view, marks=marks)
    return Picture(draw(view, ALONE).svg, title, ALONE.width)


def _pose_picture(
    setup: Setup, placed: PlacedOperation, steps: Sequence[StackStep], units: str, register: str
) -> Picture:
    letters = setup.machine.letters
    pose = "  ".join(f"{n} {numbers.angle(a)}" for n, a in zip(letters, placed.program_deg, strict=True))
    title = f"Where it ends: at program {pose}"
    stand = TiltOperation(placed.name, register, placed.machine_deg, placed.offset_mm)
    view = side_view(setup.machine, steps, setup.part_in_table, [stand], units, title)
    return Picture(draw(view, ALONE).svg, title, ALONE.width)


def explanation_report(
    worked: EvaluatedJob, workings: Sequence[tuple[PlacedOperation, Working]], units: str, *, by_hand: bool
) -> dict[str, Any]:
    """The explanation for another program."""
    return {
        "schema": "tiltwright.explain/1",
        "job": worked.job.file.name,
        "units": units,
        "by_hand": by_hand,
        "operations": [
            {
                "name": placed.name,
                "program": dict(zip(worked.setup.machine.letters, placed.program_deg.tolist(), strict=True)),
                "lines": [_line_report(n, line, units) for n, line in enumerate(working.lines, start=1)],
                "offset": dict(
                    zip("XYZ", (working.offset_mm / numbers.UNIT_MM[units] + 0.0).tolist(), strict=True)
                ),
            }
            for placed, working in workings
        ],
    }


def _line_report(number: int, line: WorkedStep, units: str) -> dict[str, Any]:
    digits = digits_for(units)
    return {
        "number": number,
        "key": line.key,
        "rule": line.rule,
        "formula": line.formula,
        "frame": line.frame,
        "matrix": None if line.matrix is None else line.matrix.tolist(),
        "calculations": [
            {
                "name": one.name,
                "written": written(one, digits),
                "kind": one.result.kind,
                "result": one.result.value / (numbers.UNIT_MM[units] if one.result.kind == "length" else 1.0)
                + 0.0,
            }
            for one in line.calculations
        ],
    }
