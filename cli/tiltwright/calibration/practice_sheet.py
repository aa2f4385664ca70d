"""The worksheet of a practice: what is known, what was read, how to go about it, and room for the answers."""

from __future__ import annotations

from kinematics import Machine
from kinematics.calibration import Grade, Readings, TargetKind
from tiltwright.calibration.fit_text import fine
from tiltwright.calibration.plan import EvaluatedPlan
from tiltwright.files.z_reading import z_reading
from tiltwright.output.document import Heading, ListOf, Page, Paragraph, TableOf
from tiltwright.output.numbers import direction, fixed, in_units, lengths
from tiltwright.output.tables import units_words

__all__ = ["grade_report", "grade_text", "worksheet"]

_EYE = {0: "the right", 1: "the back", 2: "above"}


def worksheet(worked: EvaluatedPlan, readings: Readings, units: str) -> Page:
    """The worksheet."""
    machine = worked.machine
    return Page(
        f"Finding the pivots of {machine.name}",
        (
            Paragraph(
                "The machine file says where each rotary's line lies. It is wrong by some hundredths of a millimetre. Find from the "
                "readings where the lines are, and how sure you are of each number."
            ),
            Heading("What is given"),
            Paragraph(
                f"Lengths in {units_words(units)}, angles in degrees, machine coordinates. The probe scatters by "
                f"{fine(worked.plan.sigma_mm, units)} (one standard deviation) in each coordinate. "
                + z_reading(machine.z_reference.tool_length_mm)
            ),
            _lines(machine, units),
            ListOf(tuple(_sense(machine, i) for i in range(len(machine.rotaries)))),
            Heading("What was read"),
            _readings(machine, readings, units),
            Heading("How to go about it"),
            ListOf(_steps(machine, readings)),
            Heading("Your answers"),
            _answers(worked, units),
            Heading("To hand in"),
            Paragraph(
                "Put your lines (point and direction) into machine.toml. It is marked by what these readings could "
                "tell at best: an answer may miss the truth by their expanded uncertainty, widened by what it takes "
                "for all the numbers to hold at once, and by no more."
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
            "A face touched at two opposite angles: half the sum and half the difference of the two readings tell "
            "where the line lies between them."
        )
    if len(machine.letters) > 1:
        first = machine.letters[0]
        steps.append(
            f"Do the same for {first} with the readings in which only {first} differs. Where there are two, their "
            "middle, half their distance and the angle between them give the centre: it lies off the middle, square to "
            "the way between them, by half the distance over the tangent of half the angle. They are on an arc, so look "
            "at how far the answer moves when one reading moves by the probe's scatter."
        )
    steps += [
        "Two circles at different distances along a line give its direction.",
        'Then let "tiltwright pivot fit readings.csv --machine machine.toml" use all readings at once.',
        "Compare: where does it agree with your numbers, and which of them is the least sure?",
    ]
    return tuple(steps)


def _answers(worked: EvaluatedPlan, units: str) -> TableOf:
    rows = tuple(
        (one.name, one.words, "", "", units if one.unit == "mm" else "deg")
        for one in worked.foreseen.estimates
    )
    return TableOf(("number", "meaning", "your value", "your U", ""), rows, "lllll")


def grade_text(given: Grade, units: str) -> str:
    """The marks as a table, and the verdict."""
    rows = []
    for mark in given.marks:
        length = mark.unit == "mm"

        def say(value: float | None, length: bool = length) -> str:  # noqa: FBT001 - bound per row
            if value is None:
                return "-"
            return fine(value, units) if length else fixed(value, 5)

        verdict = {True: "right", False: "WRONG", None: "not judged"}[mark.passed]
        rows.append(
            [
                mark.name,
                *map(say, (mark.student, mark.truth, mark.error, mark.allowed)),
                units if length else "deg",
                verdict,
            ]
        )
    from tabulate import tabulate

    head = ["number", "answer", "truth", "error", "allowed", "", ""]
    align = ["left", *["right"] * 4, "left", "left"]
    text = tabulate(rows, headers=head, tablefmt="simple", disable_numparse=True, colalign=align)
    wrong = sum(mark.passed is False for mark in given.marks)
    judged = sum(mark.passed is not None for mark in given.marks)
    end = (
        f"Passed: all {judged} numbers that the readings tell."
        if given.passed
        else f"{wrong} of {judged} wrong."
    )
    return "\n\n".join([text, *given.untold, end])


def grade_report(given: Grade, units: str) -> dict[str, object]:
    """The marks as a JSON object."""

    def say(value: float | None, unit: str) -> float | None:
        return None if value is None else in_units(value, units) if unit == "mm" else value

    return {
        "schema": "tiltwright.pivot-grade/1",
        "units": units,
        "passed": given.passed,
        "marks": [
            {
                "name": mark.name,
                "unit": units if mark.unit == "mm" else mark.unit,
                **{
                    key: say(getattr(mark, key), mark.unit)
                    for key in ("student", "truth", "error", "allowed")
                },
                "passed": mark.passed,
            }
            for mark in given.marks
        ],
        "untold": list(given.untold),
    }
