"""Grades of a folder of answer files: right, wrong and why for each student, and the mistakes of the class."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from kinematics.teaching import PIVOT_LEVEL, all_solutions
from tiltwright.calibration.load_readings import text_of
from tiltwright.calibration.readings_csv import readings_csv
from tiltwright.files.csv_source import ColumnName, CsvTable
from tiltwright.files.diagnostics import Diagnostic, InputFaults, sanitized, shown
from tiltwright.files.time_limit import TimeLimitError, time_limit
from tiltwright.files.workbook_source import WORKBOOKS
from tiltwright.job.evaluate import EvaluatedJob, evaluate_job
from tiltwright.teaching.answers import (
    Answers,
    RequestedAnswers,
    answers_from_table,
    answers_table,
    as_named,
    requested_answers,
)
from tiltwright.teaching.assessment import Assessment, assess
from tiltwright.teaching.class_set import KEYS, job_name, key_name, readings_name
from tiltwright.teaching.lesson_file import LESSON, LessonFile, read_lesson
from tiltwright.teaching.pivot_assessment import PivotAssessment, PivotKey

__all__ = ["Graded", "GradedFile", "check_sheet", "grade"]

LONGEST_S = 20.0
"""For one file: hundreds of times what a whole one takes."""
_ENDINGS = (".csv", ".txt", *WORKBOOKS)
_SPREADSHEETS = (".xls", ".xlsb", ".ods", ".numbers")
_TELLING = 3
"""Lengths that agree with another sheet before it is named: two can agree by chance, where a coordinate is shared."""
_STUDENT_LINE = re.compile(r"^#[ \t]*(?:student|name)[ \t]*:[ \t]*(\S.*)$", re.IGNORECASE | re.MULTILINE)
_SHEET_LINE = re.compile(r"^#\s*sheet\s+(\d{1,3}(?: [a-z]{6})?)\b", re.IGNORECASE | re.MULTILINE)


@dataclass(frozen=True, eq=False)
class GradedFile:
    """One graded answer file.

    Attributes
    ----------
    file : str
        Its path in the folder of answers: in a folder for each student all files may have one name.
    student, sheet : str
        As the file states them; the file's name stands in for a student that it does not name.
    assessment : Assessment, PivotAssessment or None
    faults : tuple of Diagnostic
        The reasons why it, or some of it, could not be read.
    left_out : tuple of (str, str)
        Operation or pivot, and axis, of the numbers that were asked for and not answered, or could not be read.
    copy_of : str
        The file of the same student and sheet that is counted instead of this one.
    neighbour : int or None
        The other sheet whose numbers these are.
    answers : Answers or None
        As they were read from an answers file.
    """

    file: str
    student: str
    sheet: str
    assessment: Assessment | PivotAssessment | None
    faults: tuple[Diagnostic, ...] = ()
    left_out: tuple[tuple[str, str], ...] = ()
    copy_of: str = ""
    neighbour: int | None = None
    answers: Answers | None = None

    @property
    def missing(self) -> int:
        """Count of the numbers that were asked for and not answered, or could not be read."""
        return len(self.left_out)

    @property
    def mistakes(self) -> tuple[str, ...]:
        """Kinds of mistakes that were found, each once; none of a file that is not counted."""
        if self.copy_of:
            return ()
        if self.neighbour is not None:
            return ("another sheet's numbers",)
        return () if self.assessment is None else self.assessment.mistakes

    @property
    def read(self) -> bool:
        """True where there is something to grade in it."""
        return self.assessment is not None or self.neighbour is not None

    @property
    def all_right(self) -> bool:
        """True when no number that was answered is wrong, whether or not some were left out."""
        if self.assessment is None or self.neighbour is not None:
            return False
        right, answered = self.assessment.count
        return right == answered

    @property
    def score(self) -> str:
        """Right numbers of those that were asked for."""
        if self.assessment is None:
            return "-"
        right, answered = self.assessment.count
        return f"{right} of {answered + self.missing}"

    @property
    def result(self) -> str:
        """The result in a word or two; `reasons` says why."""
        if not self.read:
            return "not read"
        if self.copy_of:
            return "not counted"
        if self.neighbour is not None:
            return f"sheet {self.neighbour}'s numbers"
        assert self.assessment is not None  # or it would be one of the above
        right, answered = self.assessment.count
        if right == answered and not self.missing:
            return "all right"
        first = f"{answered - right} wrong" if answered > right else f"{right} right"
        return f"{first}, {self.missing} not answered" if self.missing else first

    @property
    def reasons(self) -> tuple[str, ...]:
        """Reasons for the result; none where it is all right."""
        if self.copy_of:
            return (
                f"{self.copy_of} is of the same student and sheet; it comes first by name, and is counted.",
            )
        if self.neighbour is not None:
            return (f"The numbers are right for sheet {self.neighbour}; this student's is {self.sheet}.",)
        return () if self.assessment is None else self.assessment.reasons


@dataclass(frozen=True, eq=False)
class Graded:
    """The graded answers of a class."""

    lesson: LessonFile
    rows: tuple[GradedFile, ...]

    @property
    def faults(self) -> tuple[Diagnostic, ...]:
        """Faults of all files of which something could not be read."""
        return tuple(fault for row in self.rows for fault in row.faults)

    @property
    def counted(self) -> tuple[GradedFile, ...]:
        """The files that were read and are nobody's second one."""
        return tuple(row for row in self.rows if row.read and not row.copy_of)

    @property
    def all_right(self) -> bool:
        """True when every file could be read and no number that was answered is wrong."""
        return all(row.all_right for row in self.rows if not row.copy_of)

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
    """Grade every answer file of a folder; one that cannot be read does not hold up the others.

    Raises
    ------
    InputFaults
        When the lesson or the folder of answers cannot be read at all.
    """
    if (answers / LESSON).is_file() and not (folder / LESSON).exists():
        tip = "the lesson's folder comes first, then the one with what was handed in"
        raise InputFaults([Diagnostic(str(answers), None, "", "a lesson", "a folder of answer files", tip)])
    lesson = read_lesson(folder)
    grader: _Jobs | _Pivots = (_Pivots if lesson.level == PIVOT_LEVEL else _Jobs)(folder / KEYS, lesson)
    rows: list[GradedFile] = []
    for path in _handed_in(answers, grader.endings):
        row = _beside_neighbours(_row_in_time(lesson, path, grader), grader)
        row = replace(row, file=path.relative_to(answers).as_posix())
        named = (row.student.casefold(), row.sheet)
        first = next((r for r in rows if (r.student.casefold(), r.sheet) == named and r.read), None)
        if first is not None and row.read:
            row = replace(row, copy_of=first.file)
        rows.append(row)
    # By sheet; what states none comes last.
    rows.sort(key=lambda row: (not row.sheet.isdigit(), row.sheet.rjust(4)))
    return Graded(lesson, tuple(rows))


def _handed_in(answers: Path, endings: Sequence[str]) -> list[Path]:
    """The files of a folder that may be answers, its subfolders' too, in order."""
    try:
        next(answers.iterdir(), None)  # a folder that is none is refused here
        found = sorted(path for path in answers.rglob("*") if path.is_file() and _is_shown(path, answers))
    except OSError as refusal:
        why = "nothing of that name" if not answers.exists() else refusal.strerror or "unreadable"
        tip = ""
        if answers.is_file():
            why, tip = "a file", "put it into a folder, by itself or with the others"
        raise InputFaults(
            [Diagnostic(str(answers), None, "", why, "a folder of answer files", tip)]
        ) from None
    files = [path for path in found if path.suffix.lower() in (*endings, *_SPREADSHEETS)]
    # A text file without a column of sheets is somebody's note, not an answer.
    files = [path for path in files if path.suffix.lower() != ".txt" or _has_sheets(path)]
    if not files:
        allowed = "a folder of answer files"
        raise InputFaults([Diagnostic(str(answers), None, "", "no .csv, .xlsx or .txt file", allowed)])
    return files


def _is_shown(path: Path, answers: Path) -> bool:
    """False for what systems and open spreadsheets put beside the files that somebody sees."""
    return not any(part.startswith((".", "~$")) for part in path.relative_to(answers).parts)


def _has_sheets(path: Path) -> bool:
    try:
        with time_limit(LONGEST_S):
            return ColumnName("sheet") in answers_table(path).columns
    except InputFaults:
        return False
    except TimeLimitError:
        return True  # told with the others


def _row_in_time(lesson: LessonFile, path: Path, grader: _Jobs | _Pivots) -> GradedFile:
    """The grade of a file, unless it takes too long: then it is told, and the next ones are graded."""
    try:
        with time_limit(LONGEST_S):
            return _row(lesson, path, grader)
    except TimeLimitError:
        found = f"a file that is not read and graded within {LONGEST_S:g} seconds"
        tip = "look at it: an answer file has a row for each number asked for, and no more"
        fault = Diagnostic(str(path), None, "", found, "an answer file as it was handed out, filled in", tip)
        return GradedFile(path.name, sanitized(path.stem), "?", None, (fault,))


def _row(lesson: LessonFile, path: Path, grader: _Jobs | _Pivots) -> GradedFile:
    """The grade of a file, or the reasons why it has none."""
    sheet, student = "?", sanitized(path.stem)
    ending = path.suffix.lower()
    if ending in _SPREADSHEETS:
        tip = "open it in the spreadsheet and save it as CSV"
        faults = (Diagnostic(str(path), None, "", "a spreadsheet", "a CSV file", tip),)
        return GradedFile(path.name, student, sheet, None, faults)
    table: CsvTable | None = None
    try:
        if ending == ".toml":
            text, _ = text_of(str(path), "a machine file with somebody's lines")
            student = _student_of_machine(text) or student
            number, written = _sheet_of_machine(path, text, lesson)
        else:
            table = answers_table(path)
            student = _student_of(table) or student
            number, written = _sheet_of(table, lesson)
        _check_number(lesson, number, written, str(path))
        sheet = str(number)
        check_sheet(grader.name_of(number), written, str(path))
        if table is not None:
            return _row_of_answers(path, table, student, grader, number)
        assert isinstance(grader, _Pivots)  # no other takes machine files
        return GradedFile(path.name, student, sheet, grader.sheet(number).assess_machine(path))
    except InputFaults as refusal:
        return GradedFile(path.name, student, sheet, None, refusal.faults)


def _row_of_answers(
    path: Path, table: CsvTable, student: str, grader: _Jobs | _Pivots, sheet: int
) -> GradedFile:
    elsewhere = _named_elsewhere(table, grader, sheet)
    if elsewhere:
        # Several sheets may be of the same part: then the numbers tell.
        fitting = [other for other in elsewhere if grader.fits(other, other, grader.answers(table, other))]
        told = fitting if len(fitting) == 1 else elsewhere
        if len(told) == 1:
            return GradedFile(path.name, student, str(sheet), None, neighbour=told[0])
        found = f"operations of other sheets ({', '.join(map(str, elsewhere))})"
        tip = "ask which sheet was worked, and correct the column sheet"
        raise InputFaults([Diagnostic(str(path), None, "operation", found, f"those of sheet {sheet}", tip)])
    answers, assessment, asked = grader.assessed(table, sheet)
    return GradedFile(
        path.name,
        answers.student or sanitized(path.stem),
        str(sheet),
        assessment,
        answers.faults,
        _left_out(asked, answers),
        answers=answers,
    )


def _left_out(asked: RequestedAnswers, answers: Answers) -> tuple[tuple[str, str], ...]:
    """The numbers that were asked for and not answered, as `GradedFile` states them."""
    given = {(one.operation, one.axis) for one in answers.lengths}
    given |= {(one.operation, one.letter) for one in answers.angles}
    return tuple(
        (name, axis)
        for place, (name, axes) in enumerate(zip(asked.names, asked.axes, strict=True))
        for axis in (*asked.letters, *axes)
        if (place, axis) not in given
    )


def _named_elsewhere(table: CsvTable, grader: _Jobs | _Pivots, sheet: int) -> list[int]:
    """The other sheets that have all operations or pivots that a file names, where its own one has not."""
    named = _named(table, grader.column)

    def has(other: int) -> bool:
        own = grader.names(other)
        return {as_named(name, own) for name in named} <= own

    return [] if has(sheet) else [other for other in range(1, grader.lesson.students + 1) if has(other)]


def _beside_neighbours(row: GradedFile, grader: _Jobs | _Pivots) -> GradedFile:
    """The row with the other sheet that its numbers are right for, if they are; the time is the lesson's, not the file's."""
    if row.answers is None or row.all_right or len(row.answers.lengths) < _TELLING:
        return row
    own = int(row.sheet)
    others = (other for other in range(1, grader.lesson.students + 1) if other != own)
    fitting = next((other for other in others if grader.fits(other, own, row.answers)), None)
    return replace(row, neighbour=fitting)


def _check_number(lesson: LessonFile, number: int, written: str, source: str) -> None:
    """Refuse a sheet's number beside the letters of another sheet of the lesson."""
    letters = written.split()[1:]
    other = next(
        (n for n in range(1, lesson.students + 1) if lesson.name_of(n).split()[1:] == letters), number
    )
    if letters and other != number:
        allowed = f"{lesson.name_of(number)}, or {lesson.name_of(other)}"
        tip = (
            f"the letters are those of sheet {other}: if that is the one that was worked, correct the number"
        )
        raise InputFaults([Diagnostic(source, None, "sheet", shown(written), allowed, tip)])


def check_sheet(own: str, written: str, source: str) -> None:
    """Refuse answers to another sheet.

    Parameters
    ----------
    own : str
        The sheet's number and letters, or its number alone where no letters are known.
    written : str
        As a file states it: by number and letters as they are printed, by the number alone, or not at all.
    source : str
        The file, for the message.

    Raises
    ------
    InputFaults
        When it is another one.
    """
    plain = " ".join(written.split()).casefold()
    known = own.split()
    if plain and plain not in (own, known[0]) and (len(known) > 1 or plain.split()[0] != known[0]):
        tip = "look for the lesson of that sheet, or correct the column where the wrong sheet was written"
        raise InputFaults(
            [Diagnostic(source, None, "sheet", shown(written), f"{own}, the sheet of this key", tip)]
        )


@dataclass
class _Jobs:
    """Answers to the levels that ask for work offsets; every sheet's job is read once."""

    keys: Path
    lesson: LessonFile
    jobs: dict[int, EvaluatedJob] = field(default_factory=dict)
    endings, column = _ENDINGS, "operation"

    def job(self, sheet: int) -> EvaluatedJob:
        """The job of a sheet."""
        if sheet not in self.jobs:
            self.jobs[sheet] = evaluate_job(str(self.keys / job_name(sheet)))
        return self.jobs[sheet]

    def name_of(self, sheet: int) -> str:
        """A sheet's number and letters."""
        return self.lesson.name_of(sheet)

    def answers(self, table: CsvTable, sheet: int) -> Answers:
        """Answers of a file to a sheet."""
        return answers_from_table(table, requested_answers(self.job(sheet)), self.lesson.units, lenient=True)

    def assessed(self, table: CsvTable, sheet: int) -> tuple[Answers, Assessment, RequestedAnswers]:
        """Answers of a file, their assessment, and the numbers asked for."""
        worked, lesson = self.job(sheet), self.lesson
        answers = self.answers(table, sheet)
        within_mm = lesson.units.to_mm(lesson.within)
        assessment = assess(worked, answers, within_mm=within_mm, within_deg=lesson.angle_within)
        asked = requested_answers(worked)
        # The angles may be answered anywhere; they are asked for where they are to be found.
        asked = asked if lesson.level == "a normal to aim at" else replace(asked, letters=())
        return answers, assessment, asked

    def names(self, sheet: int) -> set[str]:
        """The names of a sheet's operations."""
        return {one.placed.name for one in self.job(sheet).operations}

    def fits(self, other: int, own: int, answers: Answers) -> bool:
        """True where every length is right for another sheet, place by place."""
        del own  # the operations of both sheets are in order
        worked = self.job(other)
        within_mm = max(self.lesson.units.to_mm(self.lesson.within), answers.digit_mm / 2.0)
        for place, one in enumerate(worked.operations):
            given = [answer for answer in answers.lengths if answer.operation == place]
            solutions = all_solutions(worked.setup, one.placed)
            if not any(
                all(abs(a.value_mm - float(s.offset_mm["XYZ".index(a.axis)])) <= within_mm for a in given)
                for s in solutions
            ):
                return False
        return all(answer.operation < len(worked.operations) for answer in answers.lengths)


@dataclass
class _Pivots:
    """Answers to the level that asks for pivots; every sheet's key is read once."""

    keys: Path
    lesson: LessonFile
    sheets: dict[int, PivotKey] = field(default_factory=dict)
    endings, column = (*_ENDINGS, ".toml"), "pivot"

    def sheet(self, number: int) -> PivotKey:
        """The key of a sheet."""
        if number not in self.sheets:
            self.sheets[number] = _key_of(self.keys, self.lesson, number)
        return self.sheets[number]

    def name_of(self, sheet: int) -> str:
        """A sheet's number and letters."""
        return self.sheet(sheet).name

    def answers(self, table: CsvTable, sheet: int) -> Answers:
        """Answers of a file to a sheet."""
        return answers_from_table(table, self.sheet(sheet).asked, self.lesson.units, lenient=True)

    def assessed(self, table: CsvTable, sheet: int) -> tuple[Answers, PivotAssessment, RequestedAnswers]:
        """Answers of a file, their assessment, and the numbers asked for."""
        key, answers = self.sheet(sheet), self.answers(table, sheet)
        return answers, key.assess(answers), key.asked

    def names(self, sheet: int) -> set[str]:
        """The letters of a sheet's pivots."""
        return set(self.sheet(sheet).asked.names)

    def fits(self, other: int, own: int, answers: Answers) -> bool:
        """True where every coordinate is right for another sheet, place by place."""
        asked, support = self.sheet(own).asked.axes, self.sheet(other).support
        allowed, truth = support.allowed_mm, support.believed_mm + support.truth[:, :2]
        return len(truth) == len(asked) and all(
            bool(np.abs(truth[a.operation, k] - a.value_mm) <= allowed[a.operation, k])
            for a in answers.lengths
            for k in (asked[a.operation].index(a.axis),)
        )


def _key_of(keys: Path, lesson: LessonFile, sheet: int) -> PivotKey:
    """The key of a sheet.

    Raises
    ------
    InputFaults
        When the key is not of this lesson, or the readings beside it are not the key's.
    """
    path = str(keys / key_name(sheet))
    key = PivotKey.read(path)
    exercise = key.exercise
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
    return key


def _column(table: CsvTable, name: str) -> list[tuple[int, str]]:
    """The filled cells of a column with their rows; none where there is no such column."""
    if ColumnName(name) not in table.columns:
        return []
    place = table.columns.index(ColumnName(name))
    return [
        (row.number, row.cells[place]) for row in table.rows if len(row.cells) > place and row.cells[place]
    ]


def _named(table: CsvTable, column: str) -> set[str]:
    """The names in a column of a file."""
    return {text for _, text in _column(table, column)}


def _student_of(table: CsvTable) -> str:
    """The only student that a file names; empty where it names none, or several."""
    names = _named(table, "student")
    return sanitized(names.pop())[:80] if len(names) == 1 else ""


def _sheet_of(table: CsvTable, lesson: LessonFile) -> tuple[int, str]:
    """The sheet that a file answers, from its column `sheet`, and as it is written there."""
    if ColumnName("sheet") not in table.columns:
        allowed = f"a column sheet with {_sheet_numbers(lesson)}"
        tip = "the first line is the one that the answer file was handed out with: sheet,student and so on"
        raise InputFaults(
            [Diagnostic(table.file, table.head.number, "head", "no column sheet", allowed, tip)]
        )
    cells = _column(table, "sheet")
    if not cells:
        raise InputFaults(
            [Diagnostic(table.file, None, "sheet", "no number in the column", _sheet_numbers(lesson))]
        )
    line, text = cells[0]
    return _sheet_number(text, lesson, table.file, line), text


def _sheet_of_machine(path: Path, text: str, lesson: LessonFile) -> tuple[int, str]:
    """The sheet that a machine file answers, and its name, from the comment that it was handed out with."""
    found = _SHEET_LINE.search(text)
    if found is None:
        allowed = f"the comment that it was handed out with, such as {shown('# Sheet 3 gzmrlv')}"
        raise InputFaults([Diagnostic(str(path), None, "", "no comment with the sheet", allowed)])
    return _sheet_number(found[1], lesson, str(path), None), found[1]


def _student_of_machine(text: str) -> str:
    """The student that a machine file names in a comment; empty where it names none."""
    found = _STUDENT_LINE.search(text)
    return sanitized(found[1].strip())[:80] if found else ""


def _sheet_number(text: str, lesson: LessonFile, source: str, line: int | None) -> int:
    number = (text.split() or [""])[0].removesuffix(".0")
    if not (number.isascii() and number.isdigit() and 1 <= int(number[:6]) <= lesson.students):
        raise InputFaults([Diagnostic(source, line, "sheet", shown(text), _sheet_numbers(lesson))])
    return int(number)


def _sheet_numbers(lesson: LessonFile) -> str:
    return f"the sheet's number, 1 to {lesson.students}"
