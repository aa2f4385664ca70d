"""Workings of operations as a document, with a drawing of each step."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from kinematics import PlacedOperation, Setup, StackStep, work_offset_code
from kinematics.teaching import Digits, Number, WorkedStep, Working, written, written_number
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.output import numbers
from tiltwright.output.document import Block, Document, Heading, NumberedStep, Paragraph, Picture, Table
from tiltwright.sheet.drawing import draw
from tiltwright.sheet.panel_layout import ALONE
from tiltwright.sheet.side_view import TiltOperation, side_view
from tiltwright.teaching.swing_drawing import PANEL_MM as SWING_MM
from tiltwright.teaching.swing_drawing import draw_swing
from tiltwright.teaching.workings import digits_for, direction_steps, stack_used, working_of, workings_of
from tiltwright.uncertainty.by_hand import uncertainty_by_hand

__all__ = [
    "FOOT",
    "digits_for",
    "direction_steps",
    "explanation",
    "explanation_report",
    "setup_picture",
    "stack_used",
    "step_block",
    "working_blocks",
    "working_of",
    "workings_of",
]

FOOT = "For learning and checking. Prove out above the part first: single block, rapid turned down."


def explanation(
    evaluated: EvaluatedJob, workings: Sequence[tuple[PlacedOperation, Working]], units: str, *, by_hand: bool
) -> Document:
    """The workings of a job's operations as a document."""
    blocks: list[Block] = []
    registers = [work_offset_code(one.number) for one in evaluated.operations]
    sure = uncertainty_by_hand(evaluated, units)
    for (placed, working), register, lines in zip(workings, registers, sure, strict=True):
        blocks += [Heading(f"{placed.name}, {register}"), _asked(evaluated.setup, placed, units)]
        blocks += working_blocks(evaluated.setup, placed, working, evaluated.job.steps, units, register)
        blocks += lines
    return Document(
        "Working by hand" if by_hand else "Working",
        evaluated.job.file.name,
        (
            ("Machine", evaluated.setup.machine.name),
            ("Lengths", "millimetres" if units == "mm" else "inches"),
            ("Angles", "degrees, right-handed about the positive direction of each axis"),
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
    """The steps of a working, each drawing after the steps that it shows."""
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
    blocks.append(Paragraph(f"As the sheet prints it: {_offset_words(placed, units)}", bold=True))
    if working.swings:
        blocks.append(_pose_picture(setup, placed, steps, units, register))
    return blocks


def _offset_words(placed: PlacedOperation, units: str) -> str:
    return "  ".join(
        f"{axis} {value}" for axis, value in zip("XYZ", numbers.lengths(placed.offset_mm, units), strict=True)
    )


def step_block(number: int, line: WorkedStep, digits: Digits) -> NumberedStep:
    """A step of a working with its numbers written out."""
    matrix: tuple[tuple[str, ...], ...] = ()
    if line.matrix is not None:
        matrix = tuple(
            tuple(written_number(Number(value, "ratio"), digits) for value in row)
            for row in line.matrix.tolist()
        )
    calculations = tuple(written(calculation, digits) for calculation in line.calculations)
    return NumberedStep(number, line.rule, line.formula, calculations, line.frame, matrix)


def setup_picture(setup: Setup, placed: PlacedOperation, steps: Sequence[StackStep], units: str) -> Picture:
    """The setup at the all-zero pose from the side."""
    zero = setup.machine.zero_deg
    at_mm = np.asarray(setup.work_offset(placed.origin_mm, zero))
    operation = TiltOperation(placed.name, "", zero, at_mm)
    title = "The setup with every rotary at zero"
    view = side_view(setup.machine, steps, setup.part_in_table, [operation], units, title)
    return Picture(draw(view, ALONE).svg, title, ALONE.width)


def _pose_picture(
    setup: Setup, placed: PlacedOperation, steps: Sequence[StackStep], units: str, register: str
) -> Picture:
    letters = setup.machine.letters
    pose = "  ".join(f"{n} {numbers.angle(a)}" for n, a in zip(letters, placed.program_deg, strict=True))
    title = f"The setup at program {pose}"
    operation = TiltOperation(placed.name, register, placed.machine_deg, placed.offset_mm)
    view = side_view(setup.machine, steps, setup.part_in_table, [operation], units, title)
    return Picture(draw(view, ALONE).svg, title, ALONE.width)


def explanation_report(
    evaluated: EvaluatedJob, workings: Sequence[tuple[PlacedOperation, Working]], units: str, *, by_hand: bool
) -> dict[str, Any]:
    """The workings as a JSON object."""
    return {
        "schema": "tiltwright.explain/1",
        "job": evaluated.job.file.name,
        "units": units,
        "by_hand": by_hand,
        "operations": [
            {
                "name": placed.name,
                "program": dict(
                    zip(evaluated.setup.machine.letters, placed.program_deg.tolist(), strict=True)
                ),
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
