"""An exercise as a worksheet to hand out, and as a key with the working."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from kinematics import Machine, RotaryAxis
from kinematics.machine import is_horizontal
from kinematics.teaching import (
    Exercise,
    TouchDisplay,
    all_solutions,
    normal_steps,
    why_not_by_trigonometry,
)
from kinematics.teaching.working import axis_name, seen_from, square_axis
from tiltwright.output import numbers
from tiltwright.output.document import (
    BLANK,
    Block,
    BulletList,
    Document,
    Heading,
    Paragraph,
    Picture,
    SideBySide,
    Table,
)
from tiltwright.output.json_csv import csv_text
from tiltwright.sheet.drawing import PART_ZERO, draw
from tiltwright.sheet.panel_layout import HALF
from tiltwright.sheet.side_view import TiltOperation, side_view
from tiltwright.teaching.explanation import symbols_blocks, working_blocks, working_of

if TYPE_CHECKING:
    from kinematics.teaching import PivotExercise

__all__ = [
    "FOOT",
    "answer_axes",
    "answer_csv",
    "key",
    "machine_table",
    "skew_lines",
    "worksheet",
    "z_is_read",
]

FOOT = "Invented numbers. At a machine prove out above the part first: single block, rapid turned down."
_MOST_DECIMALS = 6
_PANEL = replace(HALF, height=68.3, bottom=56.5, dimension_y=62.0)
"""Beside the table of the stack, as high as one page of either paper allows."""


def answer_axes(exercise: Exercise) -> tuple[str, ...]:
    """Axes to answer at every operation; rotaries are among them if a direction is given instead of angles."""
    letters = exercise.machine.letters if exercise.normals is not None else ()
    return (*letters, "X", "Y", "Z")


def answer_csv(exercise: Exercise, name: str) -> str:
    """The file to fill in: a row for every number that is asked for, with the sheet's name."""
    value = f"value_{exercise.units}"
    rows = [(name, "", one.name, axis, "") for one in exercise.placed for axis in answer_axes(exercise)]
    return csv_text(("sheet", "student", "operation", "axis", value), rows)


def worksheet(exercise: Exercise, name: str, within: str) -> Document:
    """The sheet to hand out.

    Parameters
    ----------
    exercise : Exercise
    name : str
        The sheet's number and letters.
    within : str
        Tolerance of an answer, with its unit.
    """
    units = exercise.units
    given = _given_stack(exercise) if exercise.touched_mm is None else _given_touch(exercise)
    return Document(
        "Exercise",
        exercise.title,
        (("Sheet", name), ("Level", exercise.level), ("Name", BLANK * 3)),
        (
            Paragraph(exercise.story),
            *_given_machine(exercise),
            *given,
            Heading(f"What to find ({units})"),
            *_asked(exercise),
            BulletList(
                (
                    f"{_how_written(exercise)} A right answer is within {within}.",
                    *_of_angles(exercise),
                    f"Write your answers into answers-{exercise.sheet:02d}.csv too, with your name in the first row.",
                    "Keep all digits of the calculator until the last line.",
                )
            ),
        ),
        FOOT,
        compact=True,
    )


def _how_written(exercise: Exercise) -> str:
    decimals = numbers.DECIMALS[exercise.units]
    offset = f"X, Y, Z: the work offset in machine coordinates, {decimals} decimals."
    return (
        offset
        if exercise.normals is not None
        else f"{' and '.join(exercise.machine.letters)}: program angles. {offset}"
    )


def _of_angles(exercise: Exercise) -> tuple[str, ...]:
    """Notes on writing angles, if they are asked for."""
    if exercise.normals is None:
        return ()
    return (
        f"Program angles in degrees, {numbers.ANGLE_DECIMALS} decimals; a right answer is within 0.001.",
        "The table may tilt either way: both solutions are right if the limits allow them.",
    )


def key(exercise: Exercise, name: str, page: str = "", *, by_hand: bool) -> Document:
    """The answers with their workings.

    Parameters
    ----------
    exercise : Exercise
    name : str
        The sheet's number and letters.
    page : str
        The page in three dimensions beside it, if there is one.
    by_hand : bool
        By plane trigonometry, where it solves the setup.
    """
    units = exercise.units
    rows = tuple(
        (
            f"{placed.name}{' (or)' if k else ''}",
            *(numbers.angle(float(a)) for a in one.program_deg),
            *numbers.lengths(one.offset_mm, units),
        )
        for placed in exercise.placed
        for k, one in enumerate(all_solutions(exercise.setup, placed))
    )
    letters = exercise.machine.letters
    head = ("operation", *(f"program {letter}" for letter in letters), "X", "Y", "Z")
    blocks: list[Block] = [Heading("Answers"), Table(head, rows)]
    if exercise.normals is not None:
        blocks.append(
            Paragraph(
                "Where a direction can be brought to the spindle in more ways than one, the others are marked (or): each is "
                "right with its own offset. The working is that of the first."
            )
        )
    by_hand = by_hand and not why_not_by_trigonometry(exercise.setup, exercise.stack)
    normals = exercise.normals or ((0, 0, 1),) * len(exercise.placed)
    zero = exercise.setup.machine.zero_deg
    touched = None if exercise.touched_mm is None else TouchDisplay(exercise.touched_mm, zero)
    workings = [
        working_of(exercise.setup, placed, exercise.stack, normal_steps(normal), touched, by_hand=by_hand)
        for placed, normal in zip(exercise.placed, normals, strict=True)
    ]
    blocks += symbols_blocks(workings)
    for k, (placed, working) in enumerate(zip(exercise.placed, workings, strict=True)):
        blocks.append(Heading(placed.name))
        before = exercise.placed[:k]
        blocks += working_blocks(exercise.setup, placed, working, exercise.steps, units, "", before)
    return Document(
        "Key",
        exercise.title,
        (("Sheet", name), ("Level", exercise.level), ("Lengths", units), *beside(page)),
        tuple(blocks),
        FOOT,
        compact=True,
    )


def beside(page: str) -> tuple[tuple[str, str], ...]:
    """Link to a key's exercise in three dimensions, for the key's head."""
    return (("In three dimensions", page),) if page else ()


def machine_table(exercise: Exercise | PivotExercise) -> Table:
    """The rotaries as the machine file states them, with as many digits as it has."""
    rows = tuple(
        (
            f"{rotary.letter}, {_along(rotary)}",
            f"{rotary.positive_turn.value}, seen {seen_from(rotary)}",
            *(stated_length(float(value), exercise.units) for value in rotary.point_mm),
            "endless" if rotary.limits_deg is None else "{:g} to {:g}".format(*rotary.limits_deg),
        )
        for rotary in exercise.machine.rotaries
    )
    head = ("rotary", "a positive move turns the table", "pivot X", "pivot Y", "pivot Z", "limits")
    return Table(head, rows, left=2)


def stated_length(value_mm: float, units: str) -> str:
    """A length that an exercise gives: in the sheet's decimals, or in more where it has more."""
    value = numbers.in_units(value_mm, units)
    least = numbers.DECIMALS[units]
    exact = (
        n for n in range(least, _MOST_DECIMALS) if abs(round(value, n) - value) < 0.5 * 10.0**-_MOST_DECIMALS
    )
    return numbers.fixed(value, next(exact, _MOST_DECIMALS))


def _along(rotary: RotaryAxis) -> str:
    square = square_axis(rotary.direction) is not None
    return f"along {axis_name(rotary.direction)}" if square else f"nearly {axis_name(rotary.direction)}"


def skew_lines(machine: Machine) -> tuple[str, ...]:
    """The directions of lines that run askew, a sentence each."""
    return tuple(
        f"{rotary.letter}'s line runs along {_direction(rotary.direction)}."
        for rotary in machine.rotaries
        if square_axis(rotary.direction) is None
    )


def _direction(vector: Iterable[float]) -> str:
    return "(" + ", ".join(numbers.fixed(float(part), _MOST_DECIMALS) for part in vector) + ")"


def _given_machine(exercise: Exercise) -> list[Block]:
    units, machine = exercise.units, exercise.machine
    zeros = ", ".join(f"{rotary.letter} {rotary.zero_deg:g}" for rotary in machine.rotaries)
    given = [f"Machine coordinates at {zeros}. {z_is_read(machine)}", *skew_lines(machine)]
    given.append(_where_the_stack_stands(machine, units, touched=exercise.touched_mm is not None))
    if machine.platter.normal is not None:
        given.append(f"The platter's face looks along {_direction(machine.platter.normal)}.")
    given += _how_the_stack_stands(machine, touched=exercise.touched_mm is not None)
    return [Heading(f"Given: the machine ({units})"), machine_table(exercise), BulletList(tuple(given))]


def z_is_read(machine: Machine) -> str:
    """Sentence on what a Z is counted from, for a sheet whose numbers are given."""
    if machine.z_reference.tool_length_mm is None:
        return "Z is read from the gauge line."
    return "Z is read with the tip of the reference tool."


def _where_the_stack_stands(machine: Machine, units: str, *, touched: bool) -> str:
    """Sentence on the table frame's origin, which the working of a touched-off part starts from as well."""
    last = machine.rotaries[-1]
    if is_horizontal(last) or machine.platter.face_mm is None:
        what = "The table frame has its origin" if touched else "The stack stands"
        return f"{what} on {last.letter}'s pivot, parallel to the machine axes."
    face = stated_length(machine.platter.face_mm, units)
    if touched:
        return f"{last.letter}'s line goes through the platter's face at machine Z {face}."
    return f"The stack stands on the platter's face: machine Z {face}, where {last.letter}'s line goes through it."


def _how_the_stack_stands(machine: Machine, *, touched: bool) -> tuple[str, ...]:
    """Sentence on the table frame's axes where they are not the machine's: who takes them for these misses the last digits."""
    last, normal = machine.rotaries[-1], machine.platter.normal
    flat = is_horizontal(last) or machine.platter.face_mm is None
    if flat or square_axis(last.direction if normal is None else normal) is not None:
        return ()
    along = f"{last.letter}'s line" if normal is None else "that direction"
    what = "The part's" if touched else "The stack's"
    return (f"{what} z runs along {along}; x, before any turn, is the machine's X made square to that.",)


def _given_stack(exercise: Exercise) -> list[Block]:
    units = exercise.units
    steps = tuple(
        (str(k), step.name, numbers.length(step.up_mm, units), *numbers.lengths(step.shift_mm, units))
        for k, step in enumerate(exercise.steps, start=1)
    )
    picture, caption = _hidden_picture(exercise)
    table = Table(("", "step", "up", "shift x", "shift y"), steps, left=2)
    return [
        Heading(f"Given: the stack, from the platter up ({units})"),
        SideBySide(picture, (table, BulletList(caption))),
    ]


def _given_touch(exercise: Exercise) -> list[Block]:
    units, machine = exercise.units, exercise.machine
    assert exercise.touched_mm is not None  # the level that asks for it
    last = machine.letters[-1]
    way = "counterclockwise" if exercise.clocked_deg > 0.0 else "clockwise"
    zeros = ", ".join(f"{rotary.letter} {rotary.zero_deg:g}" for rotary in machine.rotaries)
    display = tuple(zip("XYZ", numbers.lengths(exercise.touched_mm, units), strict=True))
    return [
        Heading(f"Given: part zero, touched off ({units})"),
        Table(
            (f"display at {zeros}", *(axis for axis, _ in display)),
            (("part zero", *(v for _, v in display)),),
        ),
        BulletList(
            (
                (
                    f"There the part's x was found turned {abs(exercise.clocked_deg):.3f} degrees {way} from machine X, "
                    "seen from above."
                ),
                (
                    f"{last}'s work offset takes that out: with it, at program {last} 0 the part's x lies along machine X. "
                    f"Machine angle = program angle + work offset."
                ),
            )
        ),
    ]


def _hidden_picture(exercise: Exercise) -> tuple[Picture, tuple[str, ...]]:
    """The setup with every rotary at its zero, what it shows, and a question mark for what is asked for."""
    setup, units = exercise.setup, exercise.units
    zero = setup.machine.zero_deg
    at_mm = np.asarray(setup.work_offset(np.zeros(3), zero))
    operation = TiltOperation(PART_ZERO, "", zero, at_mm)
    title = "The setup with every rotary at zero"
    view = side_view(setup.machine, exercise.steps, setup.part_in_table, [operation], units, title)
    marks = tuple(replace(mark, shown=("?", "?"), delta=("?", "?")) for mark in view.marks)
    panel = draw(replace(view, marks=marks), _PANEL)
    shows = (
        f"{view.seen_from}.",
        f"Crossed circle: part zero. Dot in a cross: {' '.join(view.axis_words)}.",
        f"{panel.caption[:1].upper()}{panel.caption[1:]}.",
    )
    return Picture(panel.drawing, title, _PANEL.width), shows


def _asked(exercise: Exercise) -> list[Block]:
    """The operations and room for their answers: in one table, or in two where angles are asked for as well."""
    units, letters, axes = exercise.units, exercise.machine.letters, answer_axes(exercise)
    origins = ("origin x", "y", "z")
    rooms = (BLANK,) * len(axes)
    if exercise.normals is not None:
        rows = tuple(
            (one.name, f"({normal[0]}, {normal[1]}, {normal[2]})", *numbers.lengths(one.origin_mm, units))
            for one, normal in zip(exercise.placed, exercise.normals, strict=True)
        )
        answers = tuple((one.name, *rooms) for one in exercise.placed)
        return [
            Table(("operation", "direction to the spindle, part coordinates", *origins), rows, left=2),
            Table(("operation", *(f"program {letter}" for letter in letters), "X", "Y", "Z"), answers),
        ]
    rows = tuple(
        (
            one.name,
            *(f"{angle:g}" for angle in one.program_deg.tolist()),
            *numbers.lengths(one.origin_mm, units),
            *rooms,
        )
        for one in exercise.placed
    )
    return [Table(("operation", *letters, *origins, *axes), rows)]
