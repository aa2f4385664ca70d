"""Workings of operations as a document, with a drawing of each step."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
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

__all__ = [
    "FOOT",
    "LETTERS",
    "digits_for",
    "direction_steps",
    "explanation",
    "explanation_report",
    "setup_picture",
    "stack_used",
    "step_block",
    "symbols_blocks",
    "working_blocks",
    "working_of",
    "workings_of",
]

FOOT = "For learning and checking. Prove out above the part first: single block, rapid turned down."


LETTERS = Heading("What the letters mean")


def explanation(
    evaluated: EvaluatedJob,
    workings: Sequence[tuple[PlacedOperation, Working]],
    units: str,
    *,
    by_hand: bool,
    drawn: bool = True,
) -> Document:
    """The workings of a job's operations as a document; without its drawings where they are not `drawn`."""
    # Here: keys and marks, which take their steps and drawings from this module, need no uncertainty.
    from tiltwright.uncertainty.budget_text import uncertainty_by_hand

    blocks: list[Block] = [*symbols_blocks([working for _, working in workings])]
    shown: list[PlacedOperation] = []
    registers = [work_offset_code(one.number) for one in evaluated.operations]
    sure = uncertainty_by_hand(evaluated, units)
    for one, (placed, working), register, lines in zip(
        evaluated.operations, workings, registers, sure, strict=True
    ):
        blocks += [Heading(f"{placed.name}, {register}"), _asked(evaluated.setup, placed, units)]
        blocks += _on_the_sheet(evaluated.setup, one.placed, placed)
        blocks += working_blocks(
            evaluated.setup, placed, working, evaluated.job.steps, units, register, shown, drawn=drawn
        )
        blocks += lines
        shown.append(placed)
    decimals = digits_for(units).length
    return Document(
        "Working by hand" if by_hand else "Working",
        evaluated.job.file.name,
        (
            ("Machine", evaluated.setup.machine.name),
            ("Lengths", "millimetres" if units == "mm" else "inches"),
            ("Angles", "degrees, right-handed about the positive direction of each axis"),
            (
                "Digits",
                f"{decimals} decimals, one more than the sheet's, or more where rounding twice would mislead; all are kept to the end",
            ),
        ),
        tuple(blocks),
        FOOT,
    )


_MEANINGS = (
    ("s1", "shift in x and y and height of step 1 of the stack; s2 of step 2, and so on"),
    (
        "W0",
        "the table frame's origin; W1 is the top of step 1, and the last W is part zero, all in the table frame",
    ),
    ("W", "part zero in the table frame"),
    ("d", "what the display showed where part zero was touched off"),
    ("a", "the arm from a pivot to the touched-off point; a' the same arm turned back"),
    ("b", "the way from the table frame's origin to the touched-off point"),
    ("R1", "how the stack as far as step 1 turns what stands on it, as a matrix"),
    ("R", "how the part stands turned in the table, as a matrix; with a stack, its last step's"),
    ("origin", "the operation's origin on the part; a tick (') marks it turned"),
    ("P1", "the drawing's three points of a plane, P1, P2 and P3; p and q lead from the first to the others"),
    ("e = p", "p scaled to length 1; f is q scaled to length 1"),
    ("m = e", "the cross product of e and f, square to both"),
    ("h", "the direction that must face the spindle, as the drawing gives it"),
    ("g", "the direction that must face the spindle, of length 1; a tick (') marks it turned"),
    ("|", "the length of what stands between the two lines"),
    (
        "n",
        "the same direction in machine coordinates, with every rotary at zero; its components nx, ny, nz",
    ),
    (
        "o3",
        "the operation's origin, seen from the top of step 3; o0 from the platter; a tick (') marks it turned",
    ),
    ("o", "the operation's origin in the table frame"),
    ("T", "the table frame's origin in machine coordinates"),
    (
        "w",
        "the operation's origin in machine coordinates with every rotary at zero; w(C) after the turn about C",
    ),
    ("P(C)", "the pivot of C"),
    ("R(T)", "how the table frame is turned against the machine, as a matrix; R(T)⁻¹ turns the other way"),
    ("t(C)", "the turn of the table about C, right-handed"),
    ("v(C)", "the arm from the pivot of C to the point; v(C)' the same arm turned"),
    ("offset(C)", "C's work offset, which lies between its program and its machine angles"),
    ("R(C back)", "the turn that takes C back to its zero, as a matrix"),
    ("R(C)", "the turn about C as a matrix"),
    (
        "ki·kj",
        "k is the direction of a rotary's line, of length 1; (ki·kj) has ki times kj in row i, column j",
    ),
    ("I", "the matrix that turns nothing: 1 from top left to bottom right, 0 elsewhere"),
    ("R{}(", "a turn about {} by the degrees in the brackets, as a matrix"),
    (";", "a matrix in brackets is written row by row: [first row; second row; third row]"),
    (" · ", "matrix times vector: each row's three numbers times the vector's three, added up"),
    (
        "√(",
        "the long side of a right triangle; √ is the square root, tan⁻¹ the angle that has this tangent",
    ),
)
"""Letters of the formulas and their meanings; C and the numbers stand for any rotary and step."""


def symbols_blocks(workings: Sequence[Working]) -> list[Block]:
    """The letters that workings use, with their meanings."""
    formulas = " ".join(line.formula for working in workings for line in working.lines)
    letters = {swing.letter for working in workings for swing in working.swings}
    letter = min(letters) if letters and "C" not in letters else "C"
    rows = [
        (_SHOWN_AS.get(symbol, symbol), meaning)
        for symbol, meaning in _for_the_case(formulas, letter)
        if _uses(formulas, symbol)
    ]
    return [LETTERS, Table(("letter", "meaning"), tuple(rows), left=2)]


_SHOWN_AS = {
    "e = p": "e, f",
    "m = e": "m",
    "|": "| |",
    "ki·kj": "k",
    "P1": "P1, p, q",
    ";": "[ ; ; ]",
    " · ": "R · v",
    "√(": "r",
}


def _for_the_case(formulas: str, letter: str) -> Iterator[tuple[str, str]]:
    """The letters with the rotary and the step that a reader meets."""
    origins = [int(number) for number in re.findall(r"\bo(\d+)", formulas)]
    turns = [int(number) for number in re.findall(r"\bR(\d+)", formulas)]
    for symbol, meaning in _MEANINGS:
        if symbol == "o3":
            if origins:
                yield f"o{max(origins)}", meaning.replace("step 3", f"step {max(origins)}")
        elif symbol == "R{}(":
            for axis in "xyz":
                if f"R{axis}(" in formulas:
                    yield f"R{axis}( )", meaning.format(axis)
        elif symbol == "R1":
            if turns:
                yield f"R{min(turns)}", meaning.replace("1", str(min(turns)))
        else:
            yield (
                symbol.replace("(C)", f"({letter})"),
                meaning.replace(" C", f" {letter}").replace("(C)", f"({letter})"),
            )


def _uses(formulas: str, symbol: str) -> bool:
    if symbol.endswith("( )"):
        return True
    if symbol.isalpha() and symbol != "origin" and len(symbol) == 1:
        return bool(re.search(rf"(?<!\w){symbol}(?![\w(²])", formulas))
    return symbol in formulas


def _on_the_sheet(setup: Setup, sheet: PlacedOperation, shown: PlacedOperation) -> list[Block]:
    """A note on angles that the sheet prints a whole turn on."""
    apart = [
        f"{letter} {numbers.angle(float(there))}"
        for letter, there, here in zip(
            setup.machine.letters, sheet.program_deg, shown.program_deg, strict=True
        )
        if there != here
    ]
    if not apart:
        return []
    return [Paragraph(f"The sheet prints {' and '.join(apart)}, a whole turn on: the table stands the same.")]


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
    shown: Sequence[PlacedOperation] = (),
    *,
    drawn: bool = True,
) -> list[Block]:
    """The steps of a working, each drawing after the steps that it shows.

    Parameters
    ----------
    setup, placed, working, steps, units, register
        The operation and its working.
    shown : sequence of PlacedOperation
        Those worked before it on the same pages: with an origin of theirs, the setup at zero is not drawn again.
    drawn : bool
        Off to leave out the drawings, for a form that shows none.
    """
    digits = digits_for(units)
    # A height on the drawing that no step adds up would be looked for in vain.
    added = not any(line.key.startswith("touch") for line in working.lines)
    swings = {f"{swing.letter} back": swing for swing in working.swings}
    blocks: list[Block] = []
    for number, line in enumerate(working.lines, start=1):
        blocks.append(step_block(number, line, digits))
        if not drawn:
            continue
        if line.key == "all-zero" and not any(np.array_equal(o.origin_mm, placed.origin_mm) for o in shown):
            blocks.append(setup_picture(setup, placed, steps, units, sized=added))
        if line.key in swings:
            swing = swings[line.key]
            title = f"{placed.name}: the swing about {swing.letter}"
            blocks.append(Picture(draw_swing(swing, units), title, SWING_MM[0]))
    blocks.append(Paragraph(f"To the sheet's digits: {_offset_words(placed, units)}", bold=True))
    if working.swings and drawn:
        blocks.append(_pose_picture(setup, placed, steps, units, register, sized=added))
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


def setup_picture(
    setup: Setup, placed: PlacedOperation, steps: Sequence[StackStep], units: str, *, sized: bool = True
) -> Picture:
    """The setup at the all-zero pose from the side; without the steps' heights where they are not `sized`."""
    zero = setup.machine.zero_deg
    at_mm = np.asarray(setup.work_offset(placed.origin_mm, zero))
    operation = TiltOperation(placed.name, "", zero, at_mm)
    title = f"{placed.name}: the setup with every rotary at zero"
    return _picture(setup, operation, steps, units, title, sized=sized)


def _pose_picture(
    setup: Setup,
    placed: PlacedOperation,
    steps: Sequence[StackStep],
    units: str,
    register: str,
    *,
    sized: bool,
) -> Picture:
    letters = setup.machine.letters
    pose = "  ".join(f"{n} {numbers.angle(a)}" for n, a in zip(letters, placed.program_deg, strict=True))
    title = f"{placed.name}: the setup at program {pose}"
    operation = TiltOperation(placed.name, register, placed.machine_deg, placed.offset_mm)
    return _picture(setup, operation, steps, units, title, sized=sized)


def _picture(
    setup: Setup, operation: TiltOperation, steps: Sequence[StackStep], units: str, title: str, *, sized: bool
) -> Picture:
    view = side_view(setup.machine, steps, setup.part_in_table, [operation], units, title)
    if not sized:
        view = replace(view, steps=tuple(replace(step, size="") for step in view.steps))
    return Picture(draw(view, ALONE).drawing, title, ALONE.width)


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
