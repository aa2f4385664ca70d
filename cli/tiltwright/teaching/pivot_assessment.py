"""Somebody's pivots held against the exercise: right or wrong, and why."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from kinematics.teaching import (
    AttainableAccuracy,
    PivotAnswer,
    PivotDiagnosis,
    PivotExercise,
    attainable,
    diagnose_pivots,
    set_pivot_exercise,
)
from tiltwright.calibration.load_readings import text_of
from tiltwright.calibration.practice import readings_csv
from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.teaching.answers import Answers
from tiltwright.teaching.lesson_file import LessonFile

__all__ = ["PivotAssessment", "assess_pivots", "pivot_sheet_of", "readings_name", "readings_text"]


def readings_name(sheet: int) -> str:
    """The readings of a sheet, in the folder of keys."""
    return f"readings-{sheet:02d}.csv"


def readings_text(exercise: PivotExercise) -> str:
    """The readings as `pivot fit` reads them."""
    return readings_csv(exercise.readings, exercise.machine, exercise.units)


@dataclass(frozen=True, eq=False)
class PivotAssessment:
    """Answers and what became of them."""

    exercise: PivotExercise
    diagnosis: PivotDiagnosis

    @property
    def right(self) -> bool:
        """Whether every number that was answered is right."""
        return self.diagnosis.right

    @property
    def count(self) -> tuple[int, int]:
        """How many numbers are right, of how many answered."""
        answered = len(self.diagnosis.answers)
        return answered - int(self.diagnosis.wrong.sum()), answered

    @property
    def mistakes(self) -> tuple[str, ...]:
        """Kinds of mistakes that were found, each once."""
        kinds = [finding.made.kind for finding in self.diagnosis.findings]
        if self.diagnosis.unexplained:
            kinds.append("unexplained")
        return tuple(dict.fromkeys(kinds))

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why numbers are wrong, pivot by pivot, in a few words."""
        letters = [one.letter for one in self.exercise.probed]
        words = []
        for finding in self.diagnosis.findings:
            alike = " (or what gives the same)" if finding.same else ""
            axes = " and ".join(finding.axes)
            words.append(f"{letters[finding.pivot]}'s {axes}: {finding.made.words}{alike}")
        left = [f"{letters[answer.pivot]}'s {answer.axis}" for answer in self.diagnosis.unexplained]
        return (*words, *(["unexplained: " + ", ".join(left)] if left else []))


def pivot_sheet_of(folder: Path, lesson: LessonFile, sheet: int) -> tuple[PivotExercise, AttainableAccuracy]:
    """A sheet's exercise, drawn again, and what its readings support.

    Raises
    ------
    InputFaults
        When it is not the one that was handed out: the readings in the folder of keys say otherwise.
    """
    units = lesson.units.value
    exercise = set_pivot_exercise(lesson.seed, sheet, "inch" if units == "inch" else "mm")
    path = str(folder / readings_name(sheet))
    kept, _ = text_of(path, "the readings of a sheet, as `lesson new` wrote them")
    if kept.splitlines() != readings_text(exercise).splitlines():
        found = f"readings that seed {lesson.seed} does not give in this version"
        allowed = "those that were handed out, and lesson.toml as `lesson new` wrote it"
        raise InputFaults([Diagnostic(path, None, "", found, allowed)])
    return exercise, attainable(exercise, lesson.units.to_mm(lesson.within))


def assess_pivots(exercise: PivotExercise, support: AttainableAccuracy, answers: Answers) -> PivotAssessment:
    """Hold answers against the truth and find out what went wrong."""
    given = [PivotAnswer(one.operation, one.axis, one.value_mm) for one in answers.lengths]
    return PivotAssessment(exercise, diagnose_pivots(exercise, support, given, digit_mm=answers.digit_mm))
