"""The worksheet of a practice: the machine, the readings, a procedure, and room for the answers."""

from __future__ import annotations

from collections.abc import Sequence

from kinematics import Machine
from kinematics.calibration import Estimate, Readings, TargetKind
from kinematics.teaching import PivotExercise
from tiltwright.calibration.fit_text import fine
from tiltwright.output.document import Heading, ListOf, Page, Paragraph, TableOf
from tiltwright.output.numbers import direction, fixed, in_units, lengths
from tiltwright.output.tables import units_words

__all__ = ["practice_worksheet"]

_EYE = {0: "the right", 1: "the back", 2: "above"}


def practice_worksheet(exercise: PivotExercise, estimates: Sequence[Estimate]) -> Page:
    """The sheet to hand out.

    Parameters
    ----------
    exercise : PivotExercise
    estimates : sequence of Estimate
        Numbers that are asked for, with their meaning.
    """
    machine, readings, units = exercise.machine, exercise.readings, exercise.units
    return Page(
        exercise.title,
        (
            Paragraph(
                "The machine file states where each rotary's line lies, and is wrong by some hundredths of a millimetre. Find the "
                "lines from the readings, and the uncertainty of each number."
            ),
            Heading("What is given"),
            Paragraph(
                f"Lengths in {units_words(units)}, angles in degrees, machine coordinates. The probe scatters by "
                f"{fine(exercise.sigma_mm, units)} (one standard deviation) in each coordinate."
            ),
            _lines(machine, units),
            ListOf(tuple(_sense(machine, i) for i in range(len(machine.rotaries)))),
            Heading("What was read"),
            _readings(machine, readings, units),
            Heading("How to go about it"),
            ListOf(_steps(machine, readings)),
            Heading("Your answers"),
            _answers(estimates, units),
            Heading("To hand in"),
            Paragraph(
                "Put your lines (point and direction) into machine.toml, or coordinates found by hand into answers.csv. Each "
                "number is right if it misses the truth by no more than its expanded uncertainty in the best fit to "
                "these readings, widened so that all numbers can be right at once."
            ),
            TableOf(("name", "date", "checked by"), (("", "", ""),), "lll"),
        ),
    )


def _lines(machine: Machine, units: str) -> TableOf:
    rows = tuple(
        (rotary.letter, *lengths(rotary.point_mm, units), direction(rotary.direction))
        for rotary in machine.rotaries
    )
    return TableOf(("rotary", "point X", "Y", "Z", "direction"), rows, "lrrrl")


def _sense(machine: Machine, i: int) -> str:
    rotary = machine.rotaries[i]
    axis = int(abs(rotary.direction).argmax())
    end = _EYE[axis] if rotary.direction[axis] > 0 else f"the end opposite {_EYE[axis]}"
    return (
        f"A positive move of {rotary.letter} turns the table {rotary.positive_turn.value}, seen from {end}."
    )


def _readings(machine: Machine, readings: Readings, units: str) -> TableOf:
    decimals = 5 if units == "inch" else 4
    rows = []
    for i in range(len(readings)):
        t = int(readings.target[i])
        point = (fixed(in_units(float(v), units), decimals) for v in readings.points_mm[i])
        rows.append(
            (
                str(i + 2),
                readings.kinds[t].value,
                readings.names[t],
                *(f"{a + 0.0:g}" for a in readings.angles_deg[i]),
                *point,
            )
        )
    n = len(machine.letters)
    return TableOf(
        ("row", "kind", "target", *machine.letters, "X", "Y", "Z"), tuple(rows), "rll" + "r" * (n + 3)
    )


def _steps(machine: Machine, readings: Readings) -> tuple[str, ...]:
    last = machine.letters[-1]
    steps = []
    if TargetKind.BALL in readings.kinds:
        steps.append(
            f"Take the readings of one ball in which only {last} differs: they lie on a circle about {last}'s line. "
            "Halfway between two readings 180 degrees apart is the line; three readings give the circle's centre."
        )
    if TargetKind.FACE in readings.kinds:
        steps.append(
            "Touch a face at two opposite angles: half the sum and half the difference of the two readings give the "
            "line's place between them."
        )
    if len(machine.letters) > 1:
        first = machine.letters[0]
        steps.append(
            f"Do the same for {first} with the readings in which only {first} differs. Where there are two, their "
            "middle, half their distance and the angle between them give the centre: it lies off the middle, square to "
            "the line between them, by half the distance over the tangent of half the angle. On a short arc, see how far "
            "the answer moves when one reading moves by the probe's scatter."
        )
    steps += [
        "Two circles at different distances along a line give its direction.",
        'Then let "tiltwright pivot fit readings.csv --machine machine.toml" use all readings at once.',
        "Compare: where does it agree with your numbers, and which of them has the largest uncertainty?",
    ]
    return tuple(steps)


def _answers(estimates: Sequence[Estimate], units: str) -> TableOf:
    rows = tuple((one.name, one.words, "", "", units if one.unit == "mm" else "deg") for one in estimates)
    return TableOf(("number", "meaning", "your value", "your U", ""), rows, "lllll")
