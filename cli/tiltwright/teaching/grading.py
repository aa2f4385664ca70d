"""Grades of a folder of answer files: right, wrong and why for each student, and the mistakes of the class."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from kinematics.teaching import PIVOT_LEVEL, AttainableAccuracy, PivotExercise
from tiltwright.calibration.load_readings import text_of
from tiltwright.calibration.readings_csv import readings_csv
from tiltwright.files.csv_source import ColumnName
from tiltwright.files.diagnostics import Diagnostic, InputFaults, sanitized, shown
from tiltwright.job.evaluate import EvaluatedJob, evaluate_job
from tiltwright.output.document import Block, BulletList, Document, Heading, Paragraph, Table
from tiltwright.output.json_csv import csv_text
from tiltwright.teaching.answers import Answers, answers_from_file, answers_table, requested_answers
from tiltwright.teaching.assessment import Assessment, assess
from tiltwright.teaching.lesson_file import LessonFile, read_lesson
from tiltwright.teaching.lesson_set import KEYS, job_name, key_name, readings_name
from tiltwright.teaching.pivot_assessment import PivotAssessment, assess_pivots, check_sheet, support_of
from tiltwright.teaching.pivot_key import read_key
from tiltwright.teaching.pivot_sheets import pivots_asked

__all__ = ["Graded", "grade", "grade_csv", "grade_document", "grade_report"]

_ENDINGS = (".csv", ".txt")
_FOOT = "For the instructor. The names come from the answer files and are stored nowhere else."


@dataclass(frozen=True, eq=False)
class GradedFile:
    """One graded answer file.

    Attributes
    ----------
    file : str
    student, sheet : str
        As the file states them; the file's name stands in for a student that it does not name.
    assessment : Assessment, PivotAssessment or None
    faults : tuple of Diagnostic
        The reasons why it could not be read.
    missing : int
        Count of the numbers that were asked for and not answered, or could not be read.
    copy_of : str
        The file of the same student and sheet that is counted instead of this one.
    """

    file: str
    student: str
    sheet: str
    assessment: Assessment | PivotAssessment | None
    faults: tuple[Diagnostic, ...] = ()
    missing: int = 0
    copy_of: str = ""

    @property
    def mistakes(self) -> tuple[str, ...]:
        """Kinds of mistakes that were found, each once; none of a file that is not counted."""
        return () if self.assessment is None or self.copy_of else self.assessment.mistakes

    @property
    def result(self) -> str:
        """The result in a few words: right, or wrong and why."""
        if self.assessment is None:
            return "not read: " + "; ".join(_fault_words(fault) for fault in self.faults)
        if self.copy_of:
            return f"not counted: {self.copy_of} is of the same student and sheet"
        if _none_wrong(self.assessment):
            return (
                f"{self.assessment.count[0]} right, {self.missing} not answered"
                if self.missing
                else "all right"
            )
        left_out = [f"{self.missing} not answered"] if self.missing else []
        return "; ".join([*self.assessment.reasons, *left_out])


def _fault_words(fault: Diagnostic) -> str:
    place = f"line {fault.line}, " if fault.line is not None else ""
    key = f"{sanitized(fault.key)}: " if fault.key else ""
    return f"{place}{key}found {sanitized(fault.found)}"


def _none_wrong(assessment: Assessment | PivotAssessment) -> bool:
    right, answered = assessment.count
    return right == answered


@dataclass(frozen=True, eq=False)
class Graded:
    """The graded answers of a class."""

    lesson: LessonFile
    rows: tuple[GradedFile, ...]

    @property
    def faults(self) -> tuple[Diagnostic, ...]:
        """Faults of all files that could not be read."""
        return tuple(fault for row in self.rows for fault in row.faults)

    @property
    def all_right(self) -> bool:
        """True when every file could be read and no number that was answered is wrong."""
        counted = [row for row in self.rows if not row.copy_of]
        return all(row.assessment is not None and _none_wrong(row.assessment) for row in counted)

    @property
    def not_handed_in(self) -> tuple[int, ...]:
        """Sheets of which there is no file."""
        there = {row.sheet for row in self.rows}
        return tuple(n for n in range(1, self.lesson.students + 1) if str(n) not in there)

    @property
    def tally(self) -> tuple[tuple[str, int], ...]:
        """Mistakes and how many students made them, the most frequent first."""
        counted = Counter(kind for row in self.rows for kind in row.mistakes)
        return tuple(sorted(counted.items(), key=lambda item: (-item[1], item[0])))


def grade(folder: Path, answers: Path) -> Graded:
    """Grade every CSV file of a folder; one that cannot be read does not hold up the others.

    Raises
    ------
    InputFaults
        When the lesson or the folder of answers cannot be read at all.
    """
    lesson = read_lesson(folder)
    try:
        files = sorted(
            path for path in answers.rglob("*") if path.suffix.lower() in _ENDINGS and path.is_file()
        )
        next(answers.iterdir(), None)  # a folder that is none is refused here
    except OSError as refusal:
        found = refusal.strerror or "unreadable"
        raise InputFaults([Diagnostic(str(answers), None, "", found, "a folder of answer files")]) from None
    if not files:
        raise InputFaults(
            [Diagnostic(str(answers), None, "", "no .csv or .txt file", "a folder of answer files")]
        )
    # A text file without a column of sheets is somebody's note, not an answer.
    files = [path for path in files if path.suffix.lower() == ".csv" or _has_sheets(path)]
    grader: _Jobs | _Pivots = (_Pivots if lesson.level == PIVOT_LEVEL else _Jobs)(folder / KEYS, lesson)
    rows: list[GradedFile] = []
    for path in files:
        row = _row(lesson, path, grader)
        named = (row.student.casefold(), row.sheet)
        first = next((r for r in rows if (r.student.casefold(), r.sheet) == named and r.assessment), None)
        if first is not None and row.assessment is not None:
            row = replace(row, copy_of=first.file)
        rows.append(row)
    return Graded(lesson, tuple(rows))


def _has_sheets(path: Path) -> bool:
    try:
        return ColumnName("sheet") in answers_table(path).columns
    except InputFaults:
        return False


def _row(lesson: LessonFile, path: Path, grader: _Jobs | _Pivots) -> GradedFile:
    sheet = 0
    try:
        sheet = _sheet_of(path, lesson)
        answers, assessment, asked = grader.assessed(path, sheet)
    except InputFaults as refusal:
        return GradedFile(path.name, sanitized(path.stem), str(sheet or "?"), None, refusal.faults)
    missing = max(asked - len(answers.lengths) - len(answers.angles), 0)
    return GradedFile(
        path.name, answers.student or sanitized(path.stem), str(sheet), assessment, answers.faults, missing
    )


@dataclass
class _Jobs:
    """Answers to the levels that ask for work offsets; every sheet's job is read once."""

    keys: Path
    lesson: LessonFile
    jobs: dict[int, EvaluatedJob] = field(default_factory=dict)

    def assessed(self, path: Path, sheet: int) -> tuple[Answers, Assessment, int]:
        """Answers of a file, their assessment, and the count of numbers asked for."""
        if sheet not in self.jobs:
            self.jobs[sheet] = evaluate_job(str(self.keys / job_name(sheet)))
        worked, lesson = self.jobs[sheet], self.lesson
        answers = answers_from_file(path, requested_answers(worked), lesson.units, lenient=True)
        within_mm = lesson.units.to_mm(lesson.within)
        assessment = assess(worked, answers, within_mm=within_mm, within_deg=lesson.angle_within)
        aimed = lesson.level == "a normal to aim at"
        each = 3 + (len(worked.setup.machine.letters) if aimed else 0)
        return answers, assessment, len(worked.operations) * each


@dataclass
class _Pivots:
    """Answers to the level that asks for pivots; every sheet's key is read once."""

    keys: Path
    lesson: LessonFile
    sheets: dict[int, tuple[PivotExercise, AttainableAccuracy]] = field(default_factory=dict)

    def assessed(self, path: Path, sheet: int) -> tuple[Answers, PivotAssessment, int]:
        """Answers of a file, their assessment, and the count of numbers asked for."""
        if sheet not in self.sheets:
            self.sheets[sheet] = _pivot_sheet(self.keys, self.lesson, sheet)
        exercise, support = self.sheets[sheet]
        asked = pivots_asked(exercise)
        answers = answers_from_file(path, asked, self.lesson.units, lenient=True)
        check_sheet(exercise, answers, str(path))
        return answers, assess_pivots(exercise, support, answers), sum(map(len, asked.axes))


def _pivot_sheet(keys: Path, lesson: LessonFile, sheet: int) -> tuple[PivotExercise, AttainableAccuracy]:
    """A sheet's exercise by its key, and the accuracy that its readings support.

    Raises
    ------
    InputFaults
        When the key is not of this lesson, or the readings beside it are not the key's.
    """
    path = str(keys / key_name(sheet))
    exercise = read_key(path)
    handed_out = (exercise.seed, exercise.sheet, exercise.units)
    if handed_out != (lesson.seed, sheet, lesson.units.value):
        found = "the key of seed {}, sheet {}, in {}".format(*handed_out)
        allowed = f"that of lesson.toml: seed {lesson.seed}, sheet {sheet}, in {lesson.units.value}"
        raise InputFaults([Diagnostic(path, None, "", found, allowed)])
    beside = str(keys / readings_name(sheet))
    written, _ = text_of(beside, "the readings of a sheet, as `lesson new` wrote them")
    own = readings_csv(exercise.readings, exercise.machine, exercise.units)
    if written.splitlines() != own.splitlines():
        allowed = f"the readings of {key_name(sheet)}, as `lesson new` wrote them"
        raise InputFaults([Diagnostic(beside, None, "", "readings of another exercise", allowed)])
    return exercise, support_of(exercise, lesson.units.to_mm(lesson.within))


def _sheet_of(path: Path, lesson: LessonFile) -> int:
    """The sheet that a file answers, from its column `sheet`."""
    table = answers_table(path)
    allowed = f"the sheet's number, 1 to {lesson.students}"
    if ColumnName("sheet") not in table.columns:
        found = Diagnostic(
            str(path), table.head.number, "head", "no column sheet", f"a column sheet with {allowed}"
        )
        raise InputFaults([found])
    place = table.columns.index(ColumnName("sheet"))
    for row in table.rows:
        text = row.cells[place] if len(row.cells) > place else ""
        if text:
            number = (text.split() or [""])[0]
            if not (number.isascii() and number.isdigit() and 1 <= int(number[:6]) <= lesson.students):
                raise InputFaults([Diagnostic(str(path), row.number, "sheet", shown(text), allowed)])
            return int(number)
    raise InputFaults([Diagnostic(str(path), None, "sheet", "no number in the column", allowed)])


def grade_document(graded: Graded) -> Document:
    """The grades as a document for the instructor."""
    rows = tuple((row.student, row.sheet, _score(row), row.result) for row in graded.rows)
    blocks: list[Block] = [Table(("student", "sheet", "right", "result"), rows, left=4)]
    blocks.append(Heading("What the class gets wrong"))
    if graded.tally:
        tally = tuple((kind, str(count)) for kind, count in graded.tally)
        blocks.append(Table(("mistake", "students"), tally))
    else:
        blocks.append(Paragraph("Nothing, in the files that could be read."))
    if graded.not_handed_in:
        sheets = ", ".join(map(str, graded.not_handed_in))
        blocks += [Heading("Nothing handed in"), Paragraph(f"Sheet {sheets}.")]
    if graded.faults:
        blocks += [
            Heading("What could not be read"),
            BulletList(tuple(". ".join(str(fault).split("\n    ")) for fault in graded.faults)),
        ]
    read = [row for row in graded.rows if row.assessment is not None and not row.copy_of]
    right = sum(row.assessment is not None and row.assessment.right and not row.missing for row in read)
    unread = sum(row.assessment is None for row in graded.rows)
    return Document(
        "Grades",
        f"Lesson: {graded.lesson.level}",
        (
            ("Right within", _within(graded.lesson)),
            ("All right", f"{right} of {len(read)}" + (f" ({unread} could not be read)" if unread else "")),
        ),
        tuple(blocks),
        _FOOT,
    )


def _within(lesson: LessonFile) -> str:
    more = ", or what a sheet's readings allow if that is more" if lesson.level == PIVOT_LEVEL else ""
    return f"{lesson.within:g} {lesson.units.value}{more}"


def _score(row: GradedFile) -> str:
    if row.assessment is None:
        return "-"
    right, answered = row.assessment.count
    return f"{right} of {answered + row.missing}"


def grade_csv(graded: Graded) -> str:
    """The grades as CSV."""
    return csv_text(
        ("file", "student", "sheet", "right", "answered", "missing", "result"),
        (
            (
                row.file,
                row.student,
                row.sheet,
                *(row.assessment.count if row.assessment else (0, 0)),
                row.missing,
                row.result,
            )
            for row in graded.rows
        ),
    )


def grade_report(graded: Graded) -> dict[str, Any]:
    """The grades as a JSON object."""
    return {
        "schema": "tiltwright.lesson-grade/1",
        "level": graded.lesson.level,
        "units": graded.lesson.units.value,
        "students": [_row_report(row) for row in graded.rows],
        "mistakes": [{"kind": kind, "students": count} for kind, count in graded.tally],
    }


def _row_report(row: GradedFile) -> dict[str, Any]:
    right, answered = row.assessment.count if row.assessment else (0, 0)
    faults: Sequence[str] = [_fault_words(fault) for fault in row.faults]
    return {
        "file": row.file,
        "student": row.student,
        "sheet": int(row.sheet) if row.sheet.isdigit() else None,
        "read": row.assessment is not None,
        "right": right,
        "answered": answered,
        "missing": row.missing,
        "mistakes": list(row.mistakes),
        "faults": list(faults),
        "counted": not row.copy_of,
    }
