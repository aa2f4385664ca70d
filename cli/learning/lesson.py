"""The files of a class set."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from kinematics.learning import Exercise, Level, set_exercise
from tiltwright.learning.booklet import booklet_markdown
from tiltwright.learning.files import booklet_files
from tiltwright.learning.lesson_file import LESSON, job_toml, lesson_toml, machine_toml
from tiltwright.learning.pages import booklet_pdf
from tiltwright.learning.worksheet import answer_csv, key, worksheet
from tiltwright.sheet.press import Paper

__all__ = ["KEYS", "SHEETS", "job_name", "lesson_files"]

SHEETS, KEYS = "sheets", "key"

_DEFAULT_WITHIN = {"mm": 0.005, "inch": 0.0002}


def job_name(sheet: int) -> str:
    """The job file of a sheet, in the folder of keys."""
    return f"job-{sheet:02d}.toml"


def lesson_files(
    level: Level, seed: int, students: int, units: str, *, by_hand: bool, paper: Paper
) -> Iterator[tuple[Path, str | bytes]]:
    """Every file of a lesson, as its path within the folder and its content.

    Worksheets and empty answer files are for the students, what lies under `KEYS` is for the instructor.
    """
    within = _DEFAULT_WITHIN[units]
    values = {
        "level": level,
        "seed": seed,
        "students": students,
        "units": units,
        "within": within,
        "angle_within": 0.001,
    }
    for sheet in range(1, students + 1):
        exercise = set_exercise(level, seed, sheet, "inch" if units == "inch" else "mm")
        yield from _sheet_files(exercise, f"{within:g} {units}", paper)
        yield from _key_files(exercise, by_hand=by_hand, paper=paper)
    # Last: a folder without it is no lesson.
    yield Path(LESSON), lesson_toml(values)


def _sheet_files(exercise: Exercise, within: str, paper: Paper) -> Iterator[tuple[Path, str | bytes]]:
    made = worksheet(exercise, within)
    name = Path(SHEETS) / f"sheet-{exercise.sheet:02d}.md"
    yield from booklet_files(made, name, paper).items()
    yield name.with_suffix(".pdf"), booklet_pdf(made, paper)
    yield Path(SHEETS) / f"answers-{exercise.sheet:02d}.csv", answer_csv(exercise)


def _key_files(exercise: Exercise, *, by_hand: bool, paper: Paper) -> Iterator[tuple[Path, str | bytes]]:
    folder, number = Path(KEYS), f"{exercise.sheet:02d}"
    yield folder / f"key-{number}.pdf", booklet_pdf(key(exercise, by_hand=by_hand, pictures=True), paper)
    yield folder / f"key-{number}.md", booklet_markdown(key(exercise, by_hand=by_hand, pictures=False))
    yield folder / f"machine-{number}.toml", machine_toml(exercise)
    yield folder / job_name(exercise.sheet), job_toml(exercise, f"machine-{number}.toml")
