"""What answers are worth: right or wrong number by number, why, and at which line of the working the ways part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from kinematics import PlacedOperation
from kinematics.teaching import (
    AngleFault,
    Diagnosis,
    FoundMistake,
    Mistake,
    Working,
    diagnose,
    error_carried_forward,
    matching_solution,
)
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.output import numbers
from tiltwright.output.booklet import Block, Booklet, Bullets, Heading, Table, Words
from tiltwright.teaching.answers import Answers
from tiltwright.teaching.explanation import FOOT, digits_for, plane_of, steps_of, working_of

__all__ = ["Assessment", "assess", "assessment_booklet", "assessment_report", "why_words"]


@dataclass(frozen=True, eq=False)
class Assessment:
    """Answers and what became of them.

    Attributes
    ----------
    worked : Worked
    answers : Answers
    placed : tuple of Placed
        Standing the way that the answers mean.
    diagnosis : Diagnosis
    angle_faults : tuple of AngleFault
    within_deg : float
    """

    worked: EvaluatedJob
    answers: Answers
    placed: tuple[PlacedOperation, ...]
    diagnosis: Diagnosis
    angle_faults: tuple[AngleFault, ...]
    within_deg: float

    @property
    def right(self) -> bool:
        """Whether every number that was answered is right."""
        return self.diagnosis.right and not self.angle_faults

    @property
    def count(self) -> tuple[int, int]:
        """How many numbers are right, of how many answered."""
        answered = len(self.answers.lengths) + len(self.answers.angles)
        return answered - int(self.diagnosis.wrong.sum()) - len(self.angle_faults), answered

    @property
    def mistakes(self) -> tuple[str, ...]:
        """Kinds of mistakes that were found, each once."""
        kinds = [mistake.kind for finding in self.diagnosis.findings for mistake in finding.made]
        kinds += [f"angle: {fault.why or 'unexplained'}" for fault in self.angle_faults]
        if self.diagnosis.unexplained:
            kinds.append("unexplained")
        return tuple(dict.fromkeys(kinds))

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why numbers are wrong, operation by operation, in a few words."""
        words = []
        for finding in self.diagnosis.findings:
            alike = " (or what gives the same)" if finding.same or finding.others else ""
            part = "" if finding.complete else f", {finding.explained} of {finding.wrong}"
            where = ", ".join(self.placed[o].name for o in finding.operations)
            words.append(f"{_labels(finding.made)}{alike}: {where}{part}")
        for fault in self.angle_faults:
            name = self.placed[fault.answer.operation].name
            words.append(f"{name}, {fault.answer.letter}: {fault.why or 'wrong angle'}")
        if self.diagnosis.unexplained:
            left = ", ".join(self.placed[o].name for o in self.diagnosis.unexplained)
            words.append(f"unexplained: {left}")
        return tuple(words)


def assess(
    worked: EvaluatedJob,
    answers: Answers,
    *,
    within_mm: float,
    within_deg: float,
    tool_length_mm: float | None = None,
) -> Assessment:
    """Hold answers against the truth and find out what went wrong."""
    asked = tuple(one.placed for one in worked.operations)
    # A right number written to fewer digits is off by up to half of the last one.
    near_mm = max(within_mm, answers.digit_mm / 2.0)
    placed, faults = matching_solution(
        worked.setup, asked, answers.angles, answers.lengths, within_deg=within_deg, within_mm=near_mm
    )
    diagnosis = diagnose(
        worked.setup,
        placed,
        steps_of(worked),
        answers.lengths,
        tolerance_mm=within_mm,
        digit_mm=answers.digit_mm,
        unit_mm=worked.job.unit.mm,
        tool_length_mm=tool_length_mm,
        stack_mm=None if worked.touch is None else worked.touch.stack_mm,
        more=error_carried_forward(worked.setup, faults),
    )
    return Assessment(worked, answers, placed, diagnosis, faults, within_deg)


def _names(verdict: Assessment, operations: Sequence[int]) -> str:
    names = [verdict.placed[o].name for o in operations]
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def _made(made: Sequence[Mistake]) -> str:
    return "; and ".join(mistake.words for mistake in made)


def _labels(made: Sequence[Mistake]) -> str:
    return " + ".join(mistake.label for mistake in made)


def why_words(verdict: Assessment, finding: FoundMistake, units: str) -> tuple[str, ...]:
    """A finding in sentences: what was done, how surely, and where the ways part."""
    where = _names(verdict, finding.operations)
    left = numbers.fixed(numbers.in_units(finding.left_mm, units), numbers.DECIMALS[units] + 1)
    of = f"{finding.explained} of the {finding.wrong} wrong numbers there"
    words = [f"In {where}: {_made(finding.made)}. This gives {of}, to {left} {units}."]
    if finding.same:
        words.append(
            f"The very same numbers come from: {_some(finding.same)}. These answers cannot tell which it was."
        )
    if finding.others:
        words.append(f"As many are explained, less closely, by: {_some(finding.others)}.")
    elif finding.sure:
        words.append("No other mistake, and no other pair of them, gives these numbers.")
    elif not finding.complete:
        words.append("The rest is something else, a slip on top perhaps: take this as a hint.")
    words.append(_parting(verdict, finding))
    return tuple(words)


def _some(several: Sequence[Sequence[Mistake]]) -> str:
    """The first three, and how many more there are."""
    text = " or ".join(_labels(made) for made in several[:3])
    return text + (f", or {len(several) - 3} more" if len(several) > 3 else "")


def _working(verdict: Assessment, finding: FoundMistake) -> Working:
    """The working of the first operation that a finding is about, as `explain` numbers its lines."""
    placed = verdict.placed[finding.operations[0]]
    return working_of(
        verdict.worked.setup, placed, steps_of(verdict.worked), plane_of(verdict.worked, placed)
    )


def _parting_line(working: Working, finding: FoundMistake) -> int:
    """The first line of the working that a mistake changes."""
    return min(working.number_of(mistake.at) for mistake in finding.made)


def _parting(verdict: Assessment, finding: FoundMistake) -> str:
    placed = verdict.placed[finding.operations[0]]
    working = _working(verdict, finding)
    number = _parting_line(working, finding)
    return (
        f'The ways part at line {number} of: explain "{placed.name}" ({working.lines[number - 1].formula}).'
    )


def _angle_words(verdict: Assessment, fault: AngleFault) -> str:
    name = verdict.placed[fault.answer.operation].name
    words = (
        f"{name}, program {fault.answer.letter}: answered {numbers.angle(fault.answer.program_deg)}, "
        f"right is {numbers.angle(fault.right_deg)}"
    )
    return f"{words}: {fault.why}." if fault.why else f"{words}; no known mistake gives it."


def assessment_booklet(verdict: Assessment, units: str, title: str = "") -> Booklet:
    """A verdict to read."""
    right, answered = verdict.count
    diagnosis = verdict.diagnosis
    blocks: list[Block] = [
        Words(_summary(verdict, right, answered), bold=True),
        _numbers_table(verdict, units),
    ]
    if verdict.angle_faults:
        blocks += [Heading("Angles"), Bullets(tuple(_angle_words(verdict, f) for f in verdict.angle_faults))]
    if diagnosis.findings or diagnosis.unexplained:
        blocks.append(Heading("Why"))
    for finding in diagnosis.findings:
        blocks.append(Words(_labels(finding.made), bold=True))
        blocks.append(Bullets(why_words(verdict, finding, units)))
    if diagnosis.unexplained:
        blocks.append(
            Words(
                f"Unexplained: {_names(verdict, diagnosis.unexplained)}. None of the mistakes that are tried, and no "
                "pair of them, gives these numbers."
            )
        )
    if diagnosis.common_mm is not None:
        shift = "  ".join(
            f"{axis} {numbers.length(float(v), units)}"
            for axis, v in zip("XYZ", diagnosis.common_mm, strict=True)
        )
        blocks.append(
            Words(
                f"They are all off by the same {shift}: look for what is common to them, such as a tool's length (state "
                "it with --tool-length to have it tried), the Z reference or a pivot that was read wrong."
            )
        )
    within = numbers.fixed(diagnosis.tolerance_mm / verdict.worked.job.unit.mm, numbers.DECIMALS[units] + 1)
    if units != verdict.worked.job.unit.value:
        within = numbers.fixed(numbers.in_units(diagnosis.tolerance_mm, units), numbers.DECIMALS[units] + 1)
    return Booklet(
        "Check",
        title or verdict.worked.job.file.name,
        (
            ("Machine", verdict.worked.setup.machine.name),
            ("Right within", f"{within} {units}, angles {verdict.within_deg:g} degrees"),
        ),
        tuple(blocks),
        FOOT,
    )


def _summary(verdict: Assessment, right: int, answered: int) -> str:
    empty = f" {verdict.answers.unanswered} left empty." if verdict.answers.unanswered else ""
    if verdict.right:
        return f"{'The number is' if answered == 1 else f'All {answered} numbers are'} right.{empty}"
    if answered == 1:
        return f"The number is wrong.{empty}"
    return (
        f"{answered - right} of {answered} numbers {'is' if answered - right == 1 else 'are'} wrong.{empty}"
    )


def _numbers_table(verdict: Assessment, units: str) -> Table:
    rows = []
    wrong_angles = {(f.answer.operation, f.answer.letter): f for f in verdict.angle_faults}
    for answer in verdict.answers.angles:
        placed = verdict.placed[answer.operation]
        truth = float(placed.program_deg[verdict.worked.setup.machine.index(answer.letter)])
        verdict_words = "wrong" if (answer.operation, answer.letter) in wrong_angles else "right"
        off = answer.program_deg - truth
        rows.append(
            (placed.name, f"program {answer.letter}", verdict_words, numbers.angle(answer.program_deg),
             numbers.angle(truth), numbers.angle(off))
        )  # fmt: skip
    diagnosis = verdict.diagnosis
    for given, truth_mm, off_mm, wrong in zip(
        diagnosis.answers, diagnosis.truth_mm, diagnosis.off_mm, diagnosis.wrong, strict=True
    ):
        rows.append(
            (verdict.placed[given.operation].name, given.axis, "wrong" if wrong else "right",
             numbers.length(given.value_mm, units), numbers.length(float(truth_mm), units),
             numbers.length(float(off_mm), units))
        )  # fmt: skip
    return Table(("operation", "", "verdict", "answered", "right is", "off by"), tuple(rows), left=3)


def assessment_report(verdict: Assessment, units: str) -> dict[str, Any]:
    """A verdict for another program."""
    mm = digits_for(units).unit_mm
    right, answered = verdict.count
    diagnosis = verdict.diagnosis
    return {
        "schema": "tiltwright.check/1",
        "job": verdict.worked.job.file.name,
        "units": units,
        "within": diagnosis.tolerance_mm / mm,
        "within_deg": verdict.within_deg,
        "right": right,
        "answered": answered,
        "unanswered": verdict.answers.unanswered,
        "numbers": [
            {
                "operation": verdict.placed[given.operation].name,
                "axis": given.axis,
                "answered": given.value_mm / mm,
                "right_is": float(truth) / mm + 0.0,
                "right": not bool(wrong),
            }
            for given, truth, wrong in zip(
                diagnosis.answers, diagnosis.truth_mm, diagnosis.wrong, strict=True
            )
        ],
        "angles": [
            {
                "operation": verdict.placed[f.answer.operation].name,
                "rotary": f.answer.letter,
                "answered": f.answer.program_deg,
                "right_is": f.right_deg,
                "why": f.why,
            }
            for f in verdict.angle_faults
        ],
        "findings": [_finding_report(verdict, finding, mm) for finding in diagnosis.findings],
        "unexplained": [verdict.placed[o].name for o in diagnosis.unexplained],
        "common_shift": None if diagnosis.common_mm is None else (diagnosis.common_mm / mm).tolist(),
    }


def _finding_report(verdict: Assessment, finding: FoundMistake, mm: float) -> dict[str, Any]:
    def listed(made: Sequence[Mistake]) -> list[dict[str, str]]:
        return [{"kind": mistake.kind, "item": mistake.item, "words": mistake.words} for mistake in made]

    return {
        "mistakes": listed(finding.made),
        "same_numbers": [listed(made) for made in finding.same],
        "others": [listed(made) for made in finding.others],
        "operations": [verdict.placed[o].name for o in finding.operations],
        "explained": finding.explained,
        "wrong": finding.wrong,
        "left": finding.left_mm / mm,
        "chance": float(np.clip(finding.chance, 0.0, None)),
        "line": _parting_line(_working(verdict, finding), finding),
    }
