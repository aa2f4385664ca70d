"""Results of a class's answers: the instructor's sheet, CSV and JSON, and each student's feedback."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from kinematics.teaching import PIVOT_LEVEL
from tiltwright.files.diagnostics import Diagnostic, sanitized
from tiltwright.output.document import Block, BulletList, Document, Entry, Heading, Paragraph, Table
from tiltwright.output.json_csv import csv_text
from tiltwright.teaching.assessment import Assessment, assessment_document
from tiltwright.teaching.grading import Graded, GradedFile
from tiltwright.teaching.lesson_file import LessonFile
from tiltwright.teaching.pivot_assessment import PivotAssessment, pivot_grade_document

__all__ = ["feedback_document", "feedback_names", "grade_csv", "grade_document", "grade_report"]

_FOOT = "For the instructor. The names come from the answer files and are stored nowhere else."


def grade_document(graded: Graded, *, with_faults: bool) -> Document:
    """The grades as a document for the instructor: a short table first, then why.

    Parameters
    ----------
    graded : Graded
    with_faults : bool
        Whether the document says what could not be read; False where that is told beside it.
    """
    rows = tuple((row.student, row.sheet, row.score, row.result) for row in graded.rows)
    blocks: list[Block] = [Table(("student", "sheet", "right", "result"), rows, left=4)]
    if graded.not_handed_in:
        sheets = ", ".join(map(str, graded.not_handed_in))
        several = "s" if len(graded.not_handed_in) > 1 else ""
        blocks += [Heading("Nothing handed in"), Paragraph(f"Sheet{several} {sheets}.{_of_no_sheet(graded)}")]
    blocks.append(Heading("What the class gets wrong"))
    if graded.tally:
        tally = tuple((kind, str(count)) for kind, count in graded.tally)
        blocks.append(Table(("mistake", "students"), tally))
    else:
        blocks.append(Paragraph("Nothing, in the files that could be read."))
    explained = [row for row in graded.rows if row.reasons]
    if explained:
        blocks.append(Heading("Student by student"))
        blocks += [Entry(row.sheet, row.student, row.reasons) for row in explained]
    if graded.faults and with_faults:
        blocks += [Heading("What could not be read"), BulletList(_in_words(graded.faults))]
    right = sum(row.all_right and not row.missing for row in graded.counted)
    unread = sum(not row.read for row in graded.rows)
    return Document(
        "Grades",
        f"Lesson: {graded.lesson.level}",
        (
            ("Right within", _within(graded.lesson, [row.assessment for row in graded.rows])),
            ("All right", f"{right} of {len(graded.counted)}" + (f" ({unread} not read)" if unread else "")),
        ),
        tuple(blocks),
        _FOOT,
    )


def _of_no_sheet(graded: Graded) -> str:
    """A caution that what is missing may lie in the folder, in files that could not be read."""
    count = sum(row.sheet == "?" for row in graded.rows)
    if not count:
        return ""
    return f" {count} file{'s' if count > 1 else ''} of no known sheet could not be read: look there first."


def _in_words(faults: Sequence[Diagnostic]) -> tuple[str, ...]:
    return tuple(". ".join(str(fault).split("\n    ")) for fault in faults)


def _within(lesson: LessonFile, assessments: Sequence[Assessment | PivotAssessment | None]) -> str:
    """The tolerance of a right number, in words; a pivot's is the sheet's own."""
    within = f"{lesson.within:g} {lesson.units.value}"
    if lesson.level != PIVOT_LEVEL:
        return within
    by_hand = {one.by_hand for one in assessments if isinstance(one, PivotAssessment)}
    lines = "what the readings allow"
    if by_hand == {False}:
        return lines
    told = f"{within}, or what a sheet's readings allow by hand if that is more"
    return f"{told}; lines in a machine file: {lines}" if False in by_hand else told


def feedback_names(graded: Graded) -> Iterator[tuple[str, GradedFile]]:
    """Each counted student's grade, with a name for the file to hand back, without an ending."""
    taken: set[str] = set()
    for row in graded.counted:
        plain = unicodedata.normalize("NFKD", row.student).encode("ascii", "ignore").decode().lower()
        name = f"feedback-{int(row.sheet):02d}-{re.sub('[^a-z0-9]+', '-', plain).strip('-')[:40]}".rstrip("-")
        number = 2
        while name in taken:
            name, number = f"{name.removesuffix(f'-{number - 1}')}-{number}", number + 1
        taken.add(name)
        yield name, row


def feedback_document(lesson: LessonFile, row: GradedFile) -> Document:
    """A student's sheet to hand back: the marks, and why the wrong numbers are wrong."""
    units = lesson.units.value
    title = f"{lesson.level.capitalize()}, sheet {lesson.name_of(int(row.sheet))}"
    if row.neighbour is not None or row.assessment is None:
        blocks: tuple[Block, ...] = tuple(Paragraph(reason, bold=True) for reason in row.reasons)
    elif isinstance(row.assessment, Assessment):
        blocks = assessment_document(row.assessment, units, for_student=True).blocks
    else:
        blocks = pivot_grade_document(row.assessment, units).blocks
    if row.missing and isinstance(row.assessment, Assessment):
        blocks = (*blocks, Paragraph(f"Not answered: {_by_name(row.left_out)}."))
    if row.faults:
        own = tuple(replace(fault, file=row.file) for fault in row.faults)
        blocks = (*blocks, Heading("What could not be read"), BulletList(_in_words(own)))
    return Document(
        "Feedback",
        title,
        (("Student", row.student), ("Right", row.score), ("Right within", _within(lesson, [row.assessment]))),
        blocks,
        "Prove out above the part first: single block, rapid turned down.",
    )


def _by_name(left_out: Sequence[tuple[str, str]]) -> str:
    """Numbers in words, name by name: "port 1 X, Z; port 2 Y"."""
    axes: dict[str, list[str]] = {}
    for name, axis in left_out:
        axes.setdefault(name, []).append(axis)
    return "; ".join(f"{name} {', '.join(own)}" for name, own in axes.items())


def grade_csv(graded: Graded) -> str:
    """The grades as CSV."""
    return csv_text(
        ("file", "student", "sheet", "right", "answered", "missing", "result", "why"),
        (
            (
                row.file,
                row.student,
                row.sheet,
                *(row.assessment.count if row.assessment else (0, 0)),
                row.missing,
                row.result,
                "; ".join((*row.reasons, *map(_fault_words, row.faults))),
            )
            for row in graded.rows
        ),
    )


def _fault_words(fault: Diagnostic) -> str:
    place = f"line {fault.line}, " if fault.line is not None else ""
    key = f"{sanitized(fault.key)}: " if fault.key else ""
    return f"{place}{key}found {sanitized(fault.found)}"


def grade_report(graded: Graded) -> dict[str, Any]:
    """The grades as a JSON object."""
    return {
        "schema": "tiltwright.lesson-grade/1",
        "level": graded.lesson.level,
        "units": graded.lesson.units.value,
        "students": [_row_report(row) for row in graded.rows],
        "mistakes": [{"kind": kind, "students": count} for kind, count in graded.tally],
        "not_handed_in": list(graded.not_handed_in),
    }


def _row_report(row: GradedFile) -> dict[str, Any]:
    right, answered = row.assessment.count if row.assessment else (0, 0)
    return {
        "file": row.file,
        "student": row.student,
        "sheet": int(row.sheet) if row.sheet.isdigit() else None,
        "read": row.read,
        "right": right,
        "answered": answered,
        "missing": row.missing,
        "mistakes": list(row.mistakes),
        "numbers_of_sheet": row.neighbour,
        "faults": [_fault_words(fault) for fault in row.faults],
        "counted": not row.copy_of,
    }
