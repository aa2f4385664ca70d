"""An exercise in finding a pivot as a worksheet to hand out, and as a key with the working."""

from __future__ import annotations

import numpy as np

from kinematics.teaching import AttainableAccuracy, PivotExercise, PivotProbing, coordinate_axes, solve_pivot
from kinematics.teaching.working import seen_from
from tiltwright.output import numbers
from tiltwright.output.booklet import Block, Booklet, Bullets, Heading, NewPage, Picture, Table, Words
from tiltwright.output.json_csv import csv_text
from tiltwright.teaching.answers import RequestedAnswers
from tiltwright.teaching.explanation import digits_for, step_block
from tiltwright.teaching.pivot_drawing import PANEL_MM, draw_probing

__all__ = ["pivot_answer_csv", "pivot_key", "pivot_worksheet", "pivots_asked"]

_BLANK = "." * 14
_FOOT = "Invented numbers. At a machine prove out above the part first: single block, rapid turned down."
_ALONG = {"A": "+X", "B": "+Y", "C": "+Z"}


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
        (exercise.sheet, "", letter, axis, "")
        for letter, axes in zip(asked.names, asked.axes, strict=True)
        for axis in axes
    ]
    return csv_text(("sheet", "student", "pivot", "axis", f"value_{exercise.units}"), rows)


def _within(exercise: PivotExercise, support: AttainableAccuracy) -> str:
    """Tolerances of the answers, in words."""
    words = [
        f"{one.letter}'s {axis} {numbers.length(float(limit), exercise.units)}"
        for one, limits in zip(exercise.probings, support.allowed_mm, strict=True)
        for axis, limit in zip(one.axes, limits, strict=True)
    ]
    return ", ".join(words)


def pivot_worksheet(exercise: PivotExercise, support: AttainableAccuracy) -> Booklet:
    """The sheet to hand out."""
    units = exercise.units
    repeats = numbers.length(exercise.repeatability_mm or 0.0, units)
    blocks: list[Block] = [Words(exercise.story), *_machine(exercise)]
    for i, one in enumerate(exercise.probings):
        blocks += [Heading(f"What was read while {one.letter} turned ({units})"), _readings(one, units)]
        blocks.append(Bullets(_about(exercise, one)))
        blocks.append(Picture(draw_probing(exercise, i, units), _title(one), PANEL_MM[0]))
    blocks += [
        Heading("What to find"),
        Words(
            "Where each line truly runs: the coordinates of its pivot across the line, in machine coordinates. The "
            "coordinate along the line is free and not asked for."
        ),
        Heading("Your answers"),
        *(Table(("pivot", *one.axes), ((one.letter, _BLANK, _BLANK),)) for one in exercise.probings),
        Bullets(
            (
                (
                    f"Every reading lies within {repeats} {units} of the truth in each coordinate that was probed. So an answer is "
                    f"right within: {_within(exercise, support)} {units}."
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
    return Booklet(
        "Exercise", exercise.title, (*_identity(exercise), ("Name", _BLANK * 2)), tuple(blocks), _FOOT
    )


def pivot_key(exercise: PivotExercise, support: AttainableAccuracy) -> Booklet:
    """The answers, by plane geometry and by least squares, with the working."""
    units = exercise.units
    blocks: list[Block] = [Heading("Answers"), _answers(exercise, support)]
    blocks.append(
        Words(
            "A right answer may miss the truth by as much as the least favourable hand solution does when every reading is "
            "off by its most. Answers from two opposite readings, another pair of tilts or a circle through three points "
            "differ slightly from those below and are just as right."
        )
    )
    blocks += [Heading("By least squares"), _least_squares(exercise, support)]
    blocks.append(
        Bullets(
            (
                *(held.words for held in support.fit.held),
                (
                    f"u is the standard uncertainty, from a reading's standard deviation of "
                    f"{numbers.fixed(numbers.in_units(exercise.sigma_mm, units), numbers.DECIMALS[units] + 2)} {units}."
                ),
                f"The same comes from: pivot fit readings-{exercise.sheet:02d}.csv --machine machine-{exercise.sheet:02d}.toml",
            )
        )
    )
    for i, one in enumerate(exercise.probings):
        found = next(iter(one.by_hand().values()))
        blocks += [NewPage(), Heading(f"The pivot of {_title(one)}"), _readings(one, units)]
        blocks.append(Picture(draw_probing(exercise, i, units, found), _title(one), PANEL_MM[0]))
        digits = digits_for(units)
        blocks += [step_block(n, line, digits) for n, line in enumerate(solve_pivot(one), start=1)]
        written = "  ".join(
            f"{a} {numbers.length(float(v), units)}" for a, v in zip(one.axes, found, strict=True)
        )
        blocks.append(Words(f"The pivot of {one.letter}: {written}", bold=True))
    return Booklet("Key", exercise.title, (*_identity(exercise), ("Lengths", units)), tuple(blocks), _FOOT)


def _identity(exercise: PivotExercise) -> tuple[tuple[str, str], ...]:
    return (("Sheet", str(exercise.sheet)), ("Level", "a pivot to find"))


def _title(probing: PivotProbing) -> str:
    what = {
        "opposite readings": "a bore at four quarter turns",
        "ball on an arc": "a ball at three tilts",
        "level face": "a level face at three tilts",
    }[probing.method]
    return f"{probing.letter}, {what}"


def _machine(exercise: PivotExercise) -> list[Block]:
    """The machine as the shop believes it is, for the sheet."""
    units, machine = exercise.units, exercise.machine
    rows = tuple(
        (
            f"{rotary.letter}, along {_ALONG[rotary.letter]}",
            f"{rotary.positive_turn.value}, seen {seen_from(rotary)}",
            *numbers.lengths(rotary.point_mm, units),
            "endless" if rotary.limits_deg is None else "{:g} to {:g}".format(*rotary.limits_deg),
        )
        for rotary in machine.rotaries
    )
    head = ("rotary", "on a positive move the table turns", "pivot X", "pivot Y", "pivot Z", "limits")
    return [
        Heading(f"Given: the machine as the shop believes it is ({units})"),
        Table(head, rows, left=2),
        Bullets(
            (
                (
                    "Machine coordinates with every rotary at zero. The lines run parallel to the axes; only where they lie "
                    "is in doubt."
                ),
            )
        ),
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
