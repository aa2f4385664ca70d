"""Somebody's pivots graded: numbers right or wrong, and why, for answers by hand and for machine files."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from kinematics import KinematicsError, Machine, RotationSense
from kinematics.teaching import (
    AttainableAccuracy,
    PivotAnswer,
    PivotDiagnosis,
    PivotExercise,
    PivotMark,
    attainable,
    coordinate_axes,
    diagnose_pivots,
)
from tiltwright.calibration.fit_wording import fixed_sentence
from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.loader import ReadMachine, fault_at, read_machine
from tiltwright.files.units import Unit
from tiltwright.output.document import Block, BulletList, Document, Paragraph, Table
from tiltwright.output.numbers import UNIT_MM, fine, fixed, in_units, length
from tiltwright.teaching.answers import Answers, RequestedAnswers, answers_from_file
from tiltwright.teaching.lesson_file import DEFAULT_WITHIN, LESSON, read_lesson
from tiltwright.teaching.pivot_key import read_key
from tiltwright.teaching.pivot_sheets import pivots_asked, sheet_name

__all__ = [
    "PivotAssessment",
    "PivotKey",
    "pivot_grade_document",
    "pivot_grade_report",
    "support_of",
    "unsure_by_hand",
]


@dataclass(frozen=True)
class PivotAssessment:
    """A graded answer and the words for it.

    Attributes
    ----------
    diagnosis : PivotDiagnosis
    by_hand : bool
        Coordinates were answered, not a machine file's lines: they have a tolerance of their own.
    """

    diagnosis: PivotDiagnosis
    by_hand: bool

    @property
    def right(self) -> bool:
        """True when every number that is asked for was answered and none is wrong."""
        return self.diagnosis.passed

    @property
    def count(self) -> tuple[int, int]:
        """Right numbers, and judged ones."""
        return self.diagnosis.judged - self.diagnosis.wrong, self.diagnosis.judged

    @property
    def mistakes(self) -> tuple[str, ...]:
        """Kinds of mistakes that were found, each once."""
        kinds = [finding.made.kind for finding in self.diagnosis.findings]
        if self.diagnosis.unexplained:
            kinds.append("unexplained")
        return tuple(dict.fromkeys(kinds))

    @property
    def reasons(self) -> tuple[str, ...]:
        """Reasons that numbers are wrong, pivot by pivot, in a few words."""
        words = []
        for finding in self.diagnosis.findings:
            alike = " (or what gives the same)" if finding.same else ""
            letter = finding.marks[0].number.letter
            labels = [mark.number.label for mark in finding.marks]
            named = all(label in finding.made.words for label in labels)
            where = letter if named else f"{letter}'s {' and '.join(labels)}"
            words.append(f"{where}: {finding.made.words}{alike}")
        left = [f"{mark.number.letter}'s {mark.number.label}" for mark in self.diagnosis.unexplained]
        return (*words, *(["unexplained: " + ", ".join(left)] if left else []))


def support_of(exercise: PivotExercise, within_mm: float | None = None) -> AttainableAccuracy:
    """The accuracy by which an answer is marked, whichever command marks it.

    Parameters
    ----------
    exercise : PivotExercise
    within_mm : float, optional
        The lesson's tolerance, below which no coordinate found by hand is held; a sheet's usual one if left out.
    """
    least = DEFAULT_WITHIN[exercise.units] * UNIT_MM[exercise.units]
    return attainable(exercise, least if within_mm is None else within_mm)


def unsure_by_hand(exercise: PivotExercise, off_mm: float) -> tuple[str, ...]:
    """Advice for rotaries whose pivot nobody finds by hand, since it is asked for far from what was probed.

    Parameters
    ----------
    exercise : PivotExercise
    off_mm : float
        Size of the hidden errors, which a tolerance must stay below to tell right from wrong.
    """
    support, advice = support_of(exercise), []
    probed = exercise.readings.points_mm.mean(axis=0)
    for rotary, within_mm in zip(exercise.machine.rotaries, support.by_hand_mm, strict=True):
        asked = coordinate_axes(rotary)
        free = next((axis for axis in "XYZ" if asked and axis not in asked), "")
        if not free or not within_mm.max() > off_mm:
            continue
        k, units = "XYZ".index(free), exercise.units
        here, there = (length(float(at[k]), units) for at in (rotary.point_mm, probed))
        advice.append(
            f"{rotary.letter}: by hand its line is sure to {length(float(within_mm.max()), units)} {units} only, no better than "
            f"the errors to be found, if it is asked for at {free} {here}. State its point in the machine file near {free} "
            f"{there}, where the readings are"
        )
    return tuple(advice)


@dataclass(frozen=True)
class PivotKey:
    """The key by which a sheet's pivots are marked, whichever command marks them.

    Attributes
    ----------
    exercise : PivotExercise
    support : AttainableAccuracy
        The accuracy that its readings support.
    """

    exercise: PivotExercise
    support: AttainableAccuracy

    @classmethod
    def read(cls, path: str) -> PivotKey:
        """The key of a file; in a lesson's folder the lesson's tolerance counts.

        Raises
        ------
        InputFaults
            When the file is none, or was changed, or the lesson beside it cannot be read.
        """
        exercise, folder, within_mm = read_key(path), Path(path).resolve().parent.parent, None
        if (folder / LESSON).is_file():
            lesson = read_lesson(folder)
            within_mm = lesson.units.to_mm(lesson.within)
        return cls(exercise, support_of(exercise, within_mm))

    @property
    def name(self) -> str:
        """The sheet's number and letters."""
        return sheet_name(self.exercise)

    @property
    def asked(self) -> RequestedAnswers:
        """The coordinates that are asked for."""
        return pivots_asked(self.exercise)

    def answers(self, path: Path) -> Answers:
        """Coordinates that were found by hand, from an answer file.

        Raises
        ------
        InputFaults
            When the file cannot be read.
        """
        return answers_from_file(path, self.asked, Unit(self.exercise.units))

    def assess(self, answers: Answers) -> PivotAssessment:
        """Grade coordinates that were found by hand."""
        given = [PivotAnswer(one.operation, one.axis, one.value_mm) for one in answers.lengths]
        return PivotAssessment(
            diagnose_pivots(self.exercise, self.support, given, digit_mm=answers.digit_mm), by_hand=True
        )

    def assess_machine(self, path: str | Path) -> PivotAssessment:
        """Grade a machine file with somebody's lines in it.

        Raises
        ------
        InputFaults
            When it is no machine file, or of a machine with other rotaries, in another unit, or one that turns the other
            way: the machine file that was handed out states these, and the readings change nothing about them.
        """
        answered = _as_handed_out(self.exercise, read_machine(path))
        try:
            return PivotAssessment(diagnose_pivots(self.exercise, self.support, answered), by_hand=False)
        except KinematicsError as refusal:
            found, allowed = str(refusal), "a machine whose lines the readings could be of"
            raise InputFaults([Diagnostic(str(path), None, "", found, allowed)]) from None


def _as_handed_out(exercise: PivotExercise, answer: ReadMachine) -> Machine:
    """An answered machine with every line named from the end from which it was handed out."""
    handed_out = exercise.machine
    if answer.machine.letters != handed_out.letters:
        found = f"rotaries {', '.join(answer.machine.letters)}"
        allowed = f"the practice machine's, {', '.join(handed_out.letters)}"
        raise InputFaults([Diagnostic(str(answer.path), None, "rotary", found, allowed)])
    faults = []
    if answer.unit.value != exercise.units:
        found, allowed = answer.unit.value, f"{exercise.units}, as in the machine file that was handed out"
        faults.append(fault_at(answer, ("units",), found, allowed))
    rotaries = []
    for place, (mine, given) in enumerate(zip(answer.machine.rotaries, handed_out.rotaries, strict=True)):
        # A line named from its other end, with the other sense, is the same rotary.
        turned = float(mine.direction @ given.direction) < 0.0
        sense = mine.positive_turn
        if turned:
            sense = (
                RotationSense.CLOCKWISE
                if sense is RotationSense.COUNTERCLOCKWISE
                else RotationSense.COUNTERCLOCKWISE
            )
        if sense is not given.positive_turn:
            found = f"{mine.letter} turning {mine.positive_turn.value}" + (
                " about a line named from its other end" if turned else ""
            )
            allowed = f"{given.positive_turn.value}, as in the machine file that was handed out"
            faults.append(fault_at(answer, ("rotary", place, "positive_turn"), found, allowed))
        direction = -mine.direction if turned else mine.direction
        rotaries.append(replace(mine, direction=direction, positive_turn=sense))
    if faults:
        raise InputFaults(faults)
    return replace(answer.machine, rotaries=tuple(rotaries))


def pivot_grade_document(graded: PivotAssessment, units: str) -> Document:
    """The marks as a table, PASS or FAIL, and why the wrong numbers are wrong."""
    head = ("number", "answer", "truth", "error", "allowed", "", "")
    rows = tuple(_row(mark, units) for mark in graded.diagnosis.marks)
    blocks: list[Block] = [Paragraph(_verdict(graded), bold=True), Table(head, rows, align="lrrrrll")]
    if any(not mark.number.axis for mark in graded.diagnosis.marks):
        blocks.append(Paragraph("Angles are counted from the lines in the machine file that was handed out."))
    notes = (*graded.reasons, *(fixed_sentence(one, units) for one in graded.diagnosis.fixed))
    if notes:
        blocks.append(BulletList(notes))
    return Document("Marks", "pivots", (), tuple(blocks))


def _verdict(graded: PivotAssessment) -> str:
    right, judged = graded.count
    if graded.right:
        return f"PASS: all {judged} numbers that the readings determine are right."
    left_out = graded.diagnosis.unanswered
    names = ", ".join(f"{number.letter}'s {number.label}" for number in left_out)
    wrong = f"{judged - right} of {judged} numbers {'is' if judged - right == 1 else 'are'} wrong"
    if not left_out:
        return f"FAIL: {wrong}."
    answered = wrong if judged > right else f"{right} right"
    return f"FAIL: {answered}, {len(left_out)} not answered: {names}."


def _row(mark: PivotMark, units: str) -> tuple[str, ...]:
    is_length = mark.number.unit == "mm"
    # A coordinate is marked as it is asked for: in machine coordinates, not as a change of the old one.
    base, axis = mark.number.believed_mm, mark.number.axis
    name = f"{mark.number.letter}, {axis}" if axis else mark.number.name

    def written(value: float | None) -> str:
        if value is None:
            return "-"
        return fine(value, units) if is_length else fixed(value, 5)

    verdict = {True: "right", False: "WRONG", None: "not judged"}[mark.right]
    values = map(written, (base + mark.answered, base + mark.truth, mark.error, mark.allowed))
    return (name, *values, units if is_length else "deg", verdict)


def pivot_grade_report(graded: PivotAssessment, units: str) -> dict[str, Any]:
    """The marks for another program."""
    return {
        "schema": "tiltwright.pivot-grade/1",
        "units": units,
        "passed": graded.right,
        "marks": [_mark_report(mark, units) for mark in graded.diagnosis.marks],
        "mistakes": [
            {
                "numbers": [mark.number.name for mark in finding.marks],
                "kind": finding.made.kind,
                "item": finding.made.item,
                "words": finding.made.words,
                "same_numbers": [made.name for made in finding.same],
            }
            for finding in graded.diagnosis.findings
        ],
        "unanswered": [number.name for number in graded.diagnosis.unanswered],
        "unexplained": [mark.number.name for mark in graded.diagnosis.unexplained],
        "untold": [fixed_sentence(one, units) for one in graded.diagnosis.fixed],
    }


def _mark_report(mark: PivotMark, units: str) -> dict[str, Any]:
    is_length = mark.number.unit == "mm"

    def written(value: float | None) -> float | None:
        return in_units(value, units) if is_length and value is not None else value

    return {
        "name": mark.number.name,
        "unit": units if is_length else mark.number.unit,
        "student": written(mark.answered),
        "truth": written(mark.truth),
        "error": written(mark.error),
        "allowed": written(mark.allowed),
        "passed": mark.right,
    }
