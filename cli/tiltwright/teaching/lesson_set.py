"""The files of a class set."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from kinematics.teaching import (
    LEVELS,
    PIVOT_LEVEL,
    Exercise,
    Level,
    set_exercise,
    set_pivot_exercise,
)
from kinematics.teaching.exercises import UnitName
from tiltwright.calibration.readings_csv import readings_csv
from tiltwright.output.document import Document
from tiltwright.output.document_files import document_files
from tiltwright.output.document_pdf import document_pdf
from tiltwright.output.typesetting import Paper
from tiltwright.teaching.lesson_file import DEFAULT_WITHIN, LESSON, job_toml, lesson_toml, machine_toml
from tiltwright.teaching.pivot_assessment import support_of
from tiltwright.teaching.pivot_key import key_text
from tiltwright.teaching.pivot_sheets import pivot_answer_csv, pivot_key, pivot_worksheet
from tiltwright.teaching.worksheets import answer_csv, key, worksheet

__all__ = ["KEYS", "SHEETS", "job_name", "key_name", "lesson_files", "readings_name"]

SHEETS, KEYS = "sheets", "key"


def job_name(sheet: int) -> str:
    """The job file of a sheet, in the folder of keys."""
    return f"job-{sheet:02d}.toml"


def key_name(sheet: int) -> str:
    """The encoded key of a sheet's pivot exercise, in the folder of keys."""
    return f"key-{sheet:02d}.txt"


def readings_name(sheet: int) -> str:
    """The readings of a sheet's pivot exercise, in the folder of keys."""
    return f"readings-{sheet:02d}.csv"


def lesson_files(
    level: str, seed: int, students: int, units: UnitName, *, by_hand: bool, paper: Paper
) -> Iterator[tuple[Path, str | bytes]]:
    """Every file of a lesson, as its path within the folder and its content.

    Worksheets and empty answer files are for the students, what lies under `KEYS` is for the instructor.
    """
    within = DEFAULT_WITHIN[units]
    values = {
        "level": level,
        "seed": seed,
        "students": students,
        "units": units,
        "within": within,
        "angle_within": 0.001,
    }
    offsets: dict[str, Level] = {one: one for one in LEVELS}
    for sheet in range(1, students + 1):
        if level == PIVOT_LEVEL:
            yield from _pivot_files(seed, sheet, units, paper)
        else:
            exercise = set_exercise(offsets[level], seed, sheet, units)
            yield from _offset_files(exercise, f"{within:g} {units}", by_hand=by_hand, paper=paper)
    # Last: a folder without it is no lesson.
    yield Path(LESSON), lesson_toml(values)


def _offset_files(
    exercise: Exercise, within: str, *, by_hand: bool, paper: Paper
) -> Iterator[tuple[Path, str | bytes]]:
    sheet, keys = exercise.sheet, Path(KEYS)
    yield from _both(worksheet(exercise, within), f"{SHEETS}/sheet-{sheet:02d}", paper)
    yield Path(SHEETS) / f"answers-{sheet:02d}.csv", answer_csv(exercise)
    yield from _both(key(exercise, by_hand=by_hand), f"{KEYS}/key-{sheet:02d}", paper)
    yield keys / f"machine-{sheet:02d}.toml", machine_toml(exercise)
    yield keys / job_name(sheet), job_toml(exercise, f"machine-{sheet:02d}.toml")


def _pivot_files(seed: int, sheet: int, units: UnitName, paper: Paper) -> Iterator[tuple[Path, str | bytes]]:
    exercise, keys = set_pivot_exercise(seed, sheet, units), Path(KEYS)
    support = support_of(exercise)
    yield from _both(pivot_worksheet(exercise, support), f"{SHEETS}/sheet-{sheet:02d}", paper)
    yield Path(SHEETS) / f"answers-{sheet:02d}.csv", pivot_answer_csv(exercise)
    yield from _both(pivot_key(exercise, support), f"{KEYS}/key-{sheet:02d}", paper)
    machine = machine_toml(exercise)
    yield keys / f"machine-{sheet:02d}.toml", machine
    yield keys / readings_name(sheet), readings_csv(exercise.readings, exercise.machine, units)
    yield keys / key_name(sheet), key_text(exercise, machine)


def _both(document: Document, name: str, paper: Paper) -> Iterator[tuple[Path, str | bytes]]:
    """A document as Markdown, with its drawings beside it, and as pages."""
    yield from document_files(document, Path(f"{name}.md"), paper).items()
    yield Path(f"{name}.pdf"), document_pdf(document, paper)
