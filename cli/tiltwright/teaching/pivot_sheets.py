"""An exercise in finding a pivot as a worksheet to hand out, and as a key with the working."""

from __future__ import annotations

import numpy as np

from kinematics.calibration import TargetKind
from kinematics.teaching import (
    PIVOT_LEVEL,
    AttainableAccuracy,
    PivotExercise,
    PivotProbing,
    coordinate_axes,
    solve_pivot,
)
from tiltwright.calibration.fit_wording import fixed_sentence
from tiltwright.calibration.readings_csv import display_text
from tiltwright.files.z_reading import z_reading
from tiltwright.output import numbers
from tiltwright.output.document import (
    BLANK,
    Block,
    BulletList,
    Document,
    Heading,
    PageBreak,
    Paragraph,
    Picture,
    Table,
)
from tiltwright.output.json_csv import csv_text
from tiltwright.teaching.answers import RequestedAnswers
from tiltwright.teaching.explanation import digits_for, step_block
from tiltwright.teaching.lesson_file import letters_of
from tiltwright.teaching.pivot_drawing import PANEL_MM, draw_probing
from tiltwright.teaching.worksheets import FOOT, beside, machine_table, skew_lines, z_is_read

__all__ = ["pivot_answer_csv", "pivot_key", "pivot_worksheet", "pivots_asked", "sheet_name"]


def sheet_name(exercise: PivotExercise) -> str:
    """A sheet's number and the letters of its readings."""
    shown = np.round(exercise.readings.points_mm / exercise.digit_mm).astype(np.int64)
    return f"{exercise.sheet} {letters_of((exercise.units, shown.tolist()))}"


def pivots_asked(exercise: PivotExercise) -> RequestedAnswers:
    """Two coordinates of every pivot across its line."""
    asked: dict[str, tuple[str, ...]] = {
        rotary.letter: coordinate_axes(rotary) for rotary in exercise.machine.rotaries
    }
    return RequestedAnswers(tuple(asked), tuple(asked.values()), column="pivot")


def pivot_answer_csv(exercise: PivotExercise) -> str:
    """The file to fill in: a row for every coordinate that is asked for."""
    asked = pivots_asked(exercise)
    rows = [
        (sheet_name(exercise), "", letter, axis, "")
        for letter, axes in zip(asked.names, asked.axes, strict=True)
        for axis in axes
    ]
    return csv_text(("sheet", "student", "pivot", "axis", f"value_{exercise.units}"), rows)


def _within(exercise: PivotExercise, support: AttainableAccuracy) -> str:
    """Tolerances of coordinates found by hand, in words."""
    asked = pivots_asked(exercise)
    words = [
        f"{letter}'s {axis} {numbers.length(float(limit), exercise.units)}"
        for letter, axes, limits in zip(asked.names, asked.axes, support.by_hand_mm, strict=True)
        for axis, limit in zip(axes, limits, strict=False)  # of a line near no machine axis none is asked
        if np.isfinite(limit)
    ]
    return ", ".join(words)


def pivot_worksheet(exercise: PivotExercise, support: AttainableAccuracy, number: str = "") -> Document:
    """The sheet to hand out: for plane geometry where it finds every pivot, otherwise for least squares.

    Parameters
    ----------
    exercise : PivotExercise
    support : AttainableAccuracy
    number : str
        Behind the names of the files that are handed out with it: "-03" makes "readings-03.csv".
    """
    tasks = _hand_tasks(exercise, support) if exercise.probings else _plan_tasks(exercise, support, number)
    named = (("Name", BLANK * 3),)
    identity = (
        (*_identity(exercise), *named) if exercise.probings else (("Sheet", sheet_name(exercise)), *named)
    )
    blocks = (Paragraph(exercise.story), *_machine(exercise), *tasks)
    return Document("Exercise", exercise.title, identity, blocks, FOOT, compact=True)


def _hand_tasks(exercise: PivotExercise, support: AttainableAccuracy) -> list[Block]:
    """Readings, drawings and room for the answers, rotary by rotary."""
    units = exercise.units
    repeats = numbers.length(exercise.repeatability_mm or 0.0, units)
    blocks: list[Block] = []
    for i, one in enumerate(exercise.probings):
        # Readings, their drawing and room for the answer stand on one page: one page for each pivot.
        blocks += [PageBreak()] if blocks else []
        blocks += [Heading(f"Read while {one.letter} turned: {_what(one)} ({units})"), _readings(one, units)]
        blocks.append(BulletList(_about(exercise, one)))
        blocks.append(
            Table(
                (f"where {one.letter}'s line truly runs, machine coordinates", *one.axes),
                (("your answer", BLANK, BLANK),),
            )
        )
        blocks.append(Picture(draw_probing(exercise, i, units), _title(one), PANEL_MM[0], titled=False))
    return [
        *blocks,
        Heading("Your answers"),
        BulletList(
            (
                (
                    "Two coordinates of each pivot are asked for, those across its line; the third, along the line, is free."
                ),
                (
                    f"Every reading lies within {repeats} {units} of the truth in each coordinate that was probed. So answers "
                    f"are right within these limits: {_within(exercise, support)} {units}."
                ),
                (
                    f"Lengths in {units}, {numbers.DECIMALS[units]} decimals. The coordinates themselves are asked for, not "
                    "how far they are from the shop's."
                ),
                f"Write them into answers-{exercise.sheet:02d}.csv too, with your name in every row or in the first.",
                "Keep all digits of the calculator until the last line.",
            )
        ),
    ]


def _plan_tasks(exercise: PivotExercise, support: AttainableAccuracy, number: str) -> list[Block]:
    """All readings of a plan, a procedure, and room for every line's numbers."""
    units = exercise.units
    scatter = numbers.fixed(numbers.in_units(exercise.sigma_mm, units), numbers.DECIMALS[units] + 1)
    asked = pivots_asked(exercise)
    answers = tuple(
        (letter, axis, f"where {letter}'s line crosses {_across(exercise, k)}", BLANK, units)
        for k, (letter, axes) in enumerate(zip(asked.names, asked.axes, strict=True))
        for axis in axes
    )
    by_hand = (
        [Table(("pivot", "", "machine coordinate", "your value", ""), answers, left=5)] if answers else []
    )
    return [
        Heading(f"What was read ({units})"),
        _all_readings(exercise),
        BulletList(
            (f"The probe scatters by {scatter} {units} (one standard deviation) in each coordinate.",)
        ),
        Heading("How to go about it"),
        BulletList(_procedure(exercise, number)),
        Heading("Your answers"),
        *by_hand,
        Heading("To hand in"),
        BulletList(_to_hand_in(exercise, support, number)),
    ]


def _to_hand_in(exercise: PivotExercise, support: AttainableAccuracy, number: str) -> tuple[str, ...]:
    """The files that are handed in, and the tolerances of what is in them."""
    named = ", with your name in its second line" if number else ""
    lines = (
        f"Lines found with their directions: put them (point and direction) into machine{number}.toml{named}; the directions "
        "are marked then, too. Each number is right if it misses the truth by no more than its expanded uncertainty in the "
        "best fit to these readings, widened so that all numbers can be right at once, or by no more than that fit does."
    )
    within = _within(exercise, support)
    if not within:
        return (lines,)
    coordinates = (
        f"Coordinates found by hand: write them into answers{number}.csv. A right one is within: {within} "
        f"{exercise.units}; so well do the centres of two circles tell it."
    )
    return coordinates, lines


def _across(exercise: PivotExercise, which: int) -> str:
    """The plane in which a pivot is asked for: that of the old point, across the line."""
    rotary = exercise.machine.rotaries[which]
    k = int(np.argmax(np.abs(rotary.direction)))
    return f"{'XYZ'[k]} = {numbers.length(float(rotary.point_mm[k]), exercise.units)}"


def _all_readings(exercise: PivotExercise) -> Table:
    """A row for each reading, numbered as in readings.csv."""
    readings, units = exercise.readings, exercise.units
    rows = []
    for i, t in enumerate(readings.target.tolist()):
        angles = (f"{angle + 0.0:g}" for angle in readings.angles_deg[i])
        rows.append(
            (str(i + 2), readings.kinds[t].value, readings.names[t], *angles,
             *(display_text(float(value), units) for value in readings.points_mm[i]))
        )  # fmt: skip
    return Table(("row", "kind", "target", *exercise.machine.letters, "X", "Y", "Z"), tuple(rows), left=3)


def _procedure(exercise: PivotExercise, number: str) -> tuple[str, ...]:
    """Instructions for finding lines from the readings of a plan."""
    letters, kinds = exercise.machine.letters, exercise.readings.kinds
    steps = []
    if TargetKind.BALL in kinds:
        steps.append(
            f"Take the readings of one ball in which only {letters[-1]} differs: they lie on a circle about {letters[-1]}'s "
            f"line. {_tilted_away(exercise)}Halfway between two readings 180 degrees apart is the line; three readings give "
            "the circle's centre."
        )
    if TargetKind.FACE in kinds:
        steps.append(
            "Touch a face at two opposite angles: half the sum and half the difference of the two readings give the "
            "line's place between them."
        )
    if len(letters) > 1:
        steps.append(
            f"Do the same for {letters[0]} with the readings in which only {letters[0]} differs. Where there are two, "
            "their middle, half their distance and the angle between them give the centre: it lies off the middle, square "
            "to the line between them, by half the distance over the tangent of half the angle. On a short arc, see how "
            "far the answer moves when one reading moves by the probe's scatter."
        )
    return (
        *steps,
        "Two circles at different distances along a line give its direction.",
        f'Then let "tiltwright pivot fit readings{number}.csv --machine machine{number}.toml" use all readings at once.',
        "Compare: where does it agree with your numbers, and which of them has the largest uncertainty?",
    )


def _tilted_away(exercise: PivotExercise) -> str:
    """Rotaries to turn back before a circle of the innermost rotary is read at a tilt."""
    letters = exercise.machine.letters
    if len(letters) < 2:
        return ""
    outer, inner = letters[0], letters[-1]
    level = exercise.readings.angles_deg[:, :-1]
    at_zero = bool((np.abs(level).max(axis=1) < 1e-9).sum() >= 2)
    first = f"Begin with the readings at {outer} 0. " if at_zero else ""
    return (
        f"{first}At a tilt of {outer} the line of {inner} is tilted with the table: turn those readings back by "
        f"{outer}'s angle, about the pivot of {outer} that you found, before you take their middle. "
    )


def pivot_key(
    exercise: PivotExercise, support: AttainableAccuracy, machine_file: str, page: str = ""
) -> Document:
    """The answers, by plane geometry and by least squares, with the working."""
    units = exercise.units
    blocks: list[Block] = [Heading("Answers"), _answers(exercise, support)]
    blocks.append(
        Paragraph(
            "An answer is right when it is no farther off than the least favourable solution by hand is with every reading "
            "off by its most. Answers from two opposite readings, another pair of tilts or a circle through three points "
            "differ slightly from those below and are just as right."
        )
    )
    blocks += [Heading("By least squares"), _least_squares(exercise, support)]
    blocks.append(
        BulletList(
            (
                *(fixed_sentence(one, units) for one in support.fit.fixed),
                (
                    f"u is the standard uncertainty, from a reading's standard deviation of "
                    f"{numbers.fixed(numbers.in_units(exercise.sigma_mm, units), numbers.DECIMALS[units] + 2)} {units}."
                ),
                f"The same comes from: pivot fit readings-{exercise.sheet:02d}.csv --machine {machine_file}",
            )
        )
    )
    for i, one in enumerate(exercise.probings):
        found = next(iter(one.by_hand().values()))
        blocks += [Heading(f"The pivot of {_title(one)}"), _readings(one, units)]
        blocks.append(Picture(draw_probing(exercise, i, units, found), _title(one), PANEL_MM[0]))
        digits = digits_for(units)
        blocks += [step_block(n, line, digits) for n, line in enumerate(solve_pivot(one), start=1)]
        written = "  ".join(
            f"{a} {numbers.length(float(v), units)}" for a, v in zip(one.axes, found, strict=True)
        )
        blocks.append(Paragraph(f"The pivot of {one.letter}: {written}", bold=True))
    return Document(
        "Key",
        exercise.title,
        (*_identity(exercise), ("Lengths", units), *beside(page)),
        tuple(blocks),
        FOOT,
        compact=True,
    )


def _identity(exercise: PivotExercise) -> tuple[tuple[str, str], ...]:
    return (("Sheet", sheet_name(exercise)), ("Level", PIVOT_LEVEL))


def _title(probing: PivotProbing) -> str:
    return f"{probing.letter}, {_what(probing)}"


def _what(probing: PivotProbing) -> str:
    return {
        "opposite readings": "a bore at four quarter turns",
        "ball on an arc": "a ball at three tilts",
        "level face": "a level face at three tilts",
    }[probing.method]


def _machine(exercise: PivotExercise) -> list[Block]:
    """The machine as the shop believes it is, for the sheet."""
    units, tool_mm = exercise.units, exercise.machine.z_reference.tool_length_mm
    zero = "Machine coordinates with every rotary at zero."
    if exercise.probings:
        doubts = (
            f"{zero} {z_is_read(exercise.machine)}",
            "The lines run parallel to the axes; only their places are in doubt.",
        )
    else:
        doubts = (f"{zero} Both the places and the directions of the lines are in doubt.", z_reading(tool_mm))
    return [
        Heading(f"Given: the machine as the shop believes it is ({units})"),
        machine_table(exercise),
        BulletList((*doubts, *skew_lines(exercise.machine))),
    ]


def _readings(probing: PivotProbing, units: str) -> Table:
    rows = tuple(
        (str(k + 1), probing.target, f"{angle + 0.0:g}", *numbers.lengths(point, units))
        for k, (angle, point) in enumerate(zip(probing.angles_deg.tolist(), probing.shown_mm, strict=True))
    )
    return Table(("", "read", probing.letter, "X", "Y", "Z"), rows, left=2)


def _about(exercise: PivotExercise, probing: PivotProbing) -> tuple[str, ...]:
    """A description of the readings, and a hint."""
    units = exercise.units
    still = " and ".join(letter for letter in exercise.machine.letters if letter != probing.letter)
    across = numbers.length(2.0 * probing.radius_mm, units)
    if probing.method == "opposite readings":
        return (
            f"{still} at 0. X and Y are the bore's centre, from touches all round; Z is where it was read.",
            "Readings half a turn apart lie at the ends of a diameter.",
        )
    if probing.method == "ball on an arc":
        return (
            (f"{still} at 0. X and Y are the ball's centre, Z is its top. The ball's diameter is {across}."),
            (
                "The ball runs on a circle, and how far the table turned between two readings is known: look for a right "
                "triangle."
            ),
        )
    side = next(axis for axis in probing.axes if axis != "Z")
    return (
        (
            f"{still} at 0. Level, the face is touched from above, and Z shows the contact. Upright, it is touched from the "
            f"side, and {side} shows the stylus centre; the tip's diameter is {across}. The other coordinates are where the "
            "probe was sent."
        ),
        "Upright on either side, the face is as far from the pivot as when it is level.",
    )


def _answers(exercise: PivotExercise, support: AttainableAccuracy) -> Table:
    units = exercise.units
    rows = []
    for one, best, allowed in zip(exercise.probings, support.best_mm, support.allowed_mm, strict=True):
        by_hand = next(iter(one.by_hand().values()))
        for k, axis in enumerate(one.axes):
            values = (one.believed_mm[k], one.true_mm[k], by_hand[k], best[k], allowed[k])
            rows.append((one.letter, axis, *(numbers.length(float(value), units) for value in values)))
    head = ("pivot", "", "believed", "true", "by hand", "least squares", "right within")
    return Table(head, tuple(rows), left=2)


def _least_squares(exercise: PivotExercise, support: AttainableAccuracy) -> Table:
    units = exercise.units
    places = numbers.DECIMALS[units] + 1
    rows = []
    for one, best in zip(exercise.probings, support.best_mm, strict=True):
        u = support.fit.line(one.letter).u_point_mm
        assert u is not None  # the readings' scatter is stated
        for k, axis in enumerate(one.axes):
            moved = best[k] - one.believed_mm[k]
            values = np.array([best[k], moved, u[one.asked[k]]])
            texts = (numbers.fixed(numbers.in_units(float(v), units), places) for v in values)
            rows.append((one.letter, axis, *texts))
    return Table(("pivot", "", "least squares", "moved by", "u"), tuple(rows), left=2)
