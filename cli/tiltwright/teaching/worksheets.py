"""An exercise as a worksheet to hand out, and as a key with the working."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from kinematics import PlacedOperation
from kinematics.teaching import Exercise, all_solutions, normal_steps, why_not_by_trigonometry
from kinematics.teaching.working import seen_from
from tiltwright.output import numbers
from tiltwright.output.document import (
    BLANK,
    Block,
    BulletList,
    Document,
    Heading,
    PageBreak,
    Paragraph,
    Table,
)
from tiltwright.output.json_csv import csv_text
from tiltwright.teaching.explanation import setup_picture, symbols_blocks, working_blocks, working_of

__all__ = ["answer_axes", "answer_csv", "key", "worksheet"]

_FOOT = "Invented numbers. At a machine prove out above the part first: single block, rapid turned down."
_ALONG = {"A": "+X", "B": "+Y", "C": "+Z"}


def answer_axes(exercise: Exercise) -> tuple[str, ...]:
    """Axes to answer at every operation; rotaries are among them if a direction is given instead of angles."""
    letters = exercise.machine.letters if exercise.normals is not None else ()
    return (*letters, "X", "Y", "Z")


def answer_csv(exercise: Exercise) -> str:
    """The file to fill in: a row for every number that is asked for."""
    value = f"value_{exercise.units}"
    rows = [
        (exercise.sheet, "", one.name, axis, "") for one in exercise.placed for axis in answer_axes(exercise)
    ]
    return csv_text(("sheet", "student", "operation", "axis", value), rows)


def worksheet(exercise: Exercise, within: str) -> Document:
    """The sheet to hand out.

    Parameters
    ----------
    exercise : Exercise
    within : str
        Tolerance of an answer, with its unit.
    """
    units = exercise.units
    blocks: list[Block] = [Paragraph(exercise.story), *_given(exercise)]
    blocks.append(setup_picture(exercise.setup, _part_zero(exercise), exercise.steps, units, hidden=True))
    blocks += [Heading("What to find"), _asked(exercise), Heading("Your answers"), _answers(exercise)]
    blocks.append(
        BulletList(
            (
                f"Lengths in {units}, {numbers.DECIMALS[units]} decimals; a right answer is within {within}.",
                *_of_angles(exercise),
                f"Write them into answers-{exercise.sheet:02d}.csv too, with your name in every row or in the first.",
                "Keep all digits of the calculator until the last line.",
            )
        )
    )
    return Document(
        "Exercise",
        exercise.title,
        (("Sheet", str(exercise.sheet)), ("Level", exercise.level), ("Name", BLANK * 2)),
        tuple(blocks),
        _FOOT,
    )


def _of_angles(exercise: Exercise) -> tuple[str, ...]:
    """Notes on writing angles, if they are asked for."""
    if exercise.normals is None:
        return ()
    return (
        f"Angles in degrees, {numbers.ANGLE_DECIMALS} decimals; a right answer is within 0.001.",
        "The table may tilt either way: both solutions are right if the limits allow them.",
    )


def key(exercise: Exercise, *, by_hand: bool) -> Document:
    """The answers with their workings, by plane trigonometry or, where that cannot be or is not wanted, with matrices."""
    by_hand = by_hand and not why_not_by_trigonometry(exercise.setup, exercise.steps)
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
                "Where a direction can be brought to the spindle in two ways, the second is marked (or): either is right "
                "with its own offset. The working is that of the first."
            )
        )
    normals = exercise.normals or ((0, 0, 1),) * len(exercise.placed)
    workings = [
        working_of(exercise.setup, placed, exercise.steps, normal_steps(normal), by_hand=by_hand)
        for placed, normal in zip(exercise.placed, normals, strict=True)
    ]
    blocks += symbols_blocks(workings)
    for placed, working in zip(exercise.placed, workings, strict=True):
        blocks += [PageBreak(), Heading(placed.name)]
        blocks += working_blocks(exercise.setup, placed, working, exercise.steps, units, "")
    return Document(
        "Key",
        exercise.title,
        (("Sheet", str(exercise.sheet)), ("Level", exercise.level), ("Lengths", units)),
        tuple(blocks),
        _FOOT,
    )


def _part_zero(exercise: Exercise) -> PlacedOperation:
    """The first operation with its origin moved to part zero, for the drawing to mark."""
    return replace(exercise.placed[0], origin_mm=np.zeros(3))


def _given(exercise: Exercise) -> list[Block]:
    units, machine = exercise.units, exercise.machine
    rotaries = tuple(
        (
            f"{rotary.letter}, along {_ALONG[rotary.letter]}",
            f"{rotary.positive_turn.value}, seen {seen_from(rotary)}",
            *numbers.lengths(rotary.point_mm, units),
            "endless" if rotary.limits_deg is None else "{:g} to {:g}".format(*rotary.limits_deg),
        )
        for rotary in machine.rotaries
    )
    steps = tuple(
        (str(k), step.name, numbers.length(step.up_mm, units), *numbers.lengths(step.shift_mm, units))
        for k, step in enumerate(exercise.steps, start=1)
    )
    last, face = machine.letters[-1], numbers.length(machine.platter.face_mm or 0.0, units)
    return [
        Heading(f"Given: the machine ({units})"),
        Table(
            ("rotary", "on a positive move the table turns", "pivot X", "pivot Y", "pivot Z", "limits"),
            rotaries,
            left=2,
        ),
        BulletList(
            (
                f"Platter face: machine Z {face}, where the {last} axis goes through it.",
                "Machine coordinates with every rotary at zero. Z is read from the gauge line. Program angles are machine angles.",
            )
        ),
        Heading(f"Given: the stack, from the platter up ({units})"),
        Table(("", "step", "up", "shift x", "shift y"), steps, left=2),
    ]


def _asked(exercise: Exercise) -> Table:
    units, letters = exercise.units, exercise.machine.letters
    origins = ("origin x", "origin y", "origin z")
    rows: list[tuple[str, ...]] = []
    if exercise.normals is not None:
        for one, normal in zip(exercise.placed, exercise.normals, strict=True):
            direction = f"({normal[0]}, {normal[1]}, {normal[2]})"
            rows.append((one.name, direction, *numbers.lengths(one.origin_mm, units)))
        return Table(
            ("operation", "direction to the spindle, part coordinates", *origins), tuple(rows), left=2
        )
    for one in exercise.placed:
        angles = (f"{angle:g}" for angle in one.program_deg.tolist())
        rows.append((one.name, *angles, *numbers.lengths(one.origin_mm, units)))
    return Table(("operation", *(f"program {letter}" for letter in letters), *origins), tuple(rows))


def _answers(exercise: Exercise) -> Table:
    axes = answer_axes(exercise)
    rows = tuple((one.name, *(BLANK for _ in axes)) for one in exercise.placed)
    return Table(("operation", *axes), rows)
