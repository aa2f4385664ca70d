"""The files of a class set: worksheets and keys, one by one and bound, and what a program reads of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from kinematics import Machine
from kinematics.teaching import LEVELS, PIVOT_LEVEL, Level, PivotExercise, set_exercise, set_pivot_exercise
from kinematics.teaching.exercises import UnitName, shared_machine
from tiltwright.calibration.readings_csv import readings_csv
from tiltwright.files.loader import ReadMachine
from tiltwright.output.document import Document
from tiltwright.output.document_files import document_files
from tiltwright.output.document_pdf import document_pdf
from tiltwright.output.pdf_bundle import bundled
from tiltwright.output.typesetting import Paper
from tiltwright.teaching.lesson_file import (
    DEFAULT_WITHIN,
    LESSON,
    job_toml,
    lesson_toml,
    letters_of,
    machine_toml,
)
from tiltwright.teaching.pivot_assessment import support_of
from tiltwright.teaching.pivot_key import key_text
from tiltwright.teaching.pivot_sheets import pivot_answer_csv, pivot_key, pivot_worksheet, sheet_name
from tiltwright.teaching.slides import slides_pdf
from tiltwright.teaching.worksheets import answer_csv, key, worksheet
from tiltwright.terminal.processes import made_by_all

__all__ = [
    "ALL_KEYS",
    "ALL_SHEETS",
    "KEYS",
    "SHARED_MACHINE",
    "SHEETS",
    "SLIDES",
    "ClassSheet",
    "LessonOrder",
    "class_files",
    "job_name",
    "key_name",
    "lesson_files",
    "page_name",
    "pivot_key_files",
    "readings_name",
]

SHEETS, KEYS, SLIDES = "sheets", "key", "slides"
ALL_SHEETS, ALL_KEYS = "all-sheets.pdf", "all-keys.pdf"
SHARED_MACHINE = "machine.toml"
_SHEET, _KEY = f"{SHEETS}/sheet", f"{KEYS}/key"


def job_name(sheet: int) -> str:
    """The job file of a sheet, in the folder of keys."""
    return f"job-{sheet:02d}.toml"


def key_name(sheet: int) -> str:
    """The encoded key of a sheet's pivot exercise, in the folder of keys."""
    return f"key-{sheet:02d}.txt"


def readings_name(sheet: int) -> str:
    """The readings of a sheet's pivot exercise, in the folder of keys."""
    return f"readings-{sheet:02d}.csv"


def page_name(sheet: int) -> str:
    """The page of a sheet in three dimensions, in the folder of keys."""
    return f"page-{sheet:02d}.html"


@dataclass(frozen=True)
class LessonOrder:
    """A lesson as it is asked for.

    Attributes
    ----------
    level : str
    seed, students : int
    units : "mm" or "inch"
    by_hand : bool
        Work the keys by plane trigonometry, where it solves the setup.
    paper : Paper
    machine : ReadMachine or None
        The class's own machine, one for all sheets.
    same_machine : bool
        One drawn machine for all sheets.
    slides : bool
        Also the worked exercises to project.
    pages : bool
        The keys name the page beside them, which `tiltwright.page` makes.
    """

    level: str
    seed: int
    students: int
    units: UnitName
    by_hand: bool
    paper: Paper
    machine: ReadMachine | None = None
    same_machine: bool = False
    slides: bool = False
    pages: bool = False

    def page_of(self, sheet: int) -> str:
        """The name of the page beside a sheet's key; empty where none is made."""
        return page_name(sheet) if self.pages else ""


@dataclass(frozen=True)
class ClassSheet:
    """One student's documents, and the other files by their path in the folder.

    Attributes
    ----------
    number : int
    name : str
        The number and six letters.
    worksheet : Document
    key : Document or None
    others : dict of Path to str
    """

    number: int
    name: str
    worksheet: Document
    key: Document | None
    others: dict[Path, str]


def lesson_files(order: LessonOrder) -> Iterator[tuple[Path, str | bytes]]:
    """Every file of a lesson, as its path within the folder and its content.

    Worksheets and empty answer files are for the students, what lies under `KEYS` is for the instructor.

    Raises
    ------
    KinematicsError
        When the level cannot be set on the machine.
    """
    machine, text = _machine_of(order)
    make = _pivot_sheet if order.level == PIVOT_LEVEL else _offset_sheet
    if text is not None:
        yield Path(KEYS) / SHARED_MACHINE, text
    yield from class_files(
        lambda number: make(order, number, machine, text),
        order.students,
        order.level,
        order.seed,
        order.units,
        order.paper,
        slides=order.slides,
    )


def class_files(
    make: Callable[[int], ClassSheet],
    students: int,
    level: str,
    seed: int,
    units: UnitName,
    paper: Paper,
    *,
    slides: bool = False,
) -> Iterator[tuple[Path, str | bytes]]:
    """The files of a class's sheets, typeset one by one and bound, and the lesson file that they are graded by.

    Parameters
    ----------
    make : callable
        Makes a sheet, given its number from 1; it is called in other processes.
    students : int
    level, seed, units, paper, slides
        As in `LessonOrder`.
    """
    made = made_by_all(lambda k: _sheet_files(make(k + 1), paper, slides=slides), students, "sheets")
    for _, files in made:
        yield from files.items()
    bundles = [
        (Path(file), f"{title}: {level}", _bookmarked(stem, made))
        for file, title, stem in ((ALL_SHEETS, "Exercises", _SHEET), (ALL_KEYS, "Keys", _KEY))
    ]
    bundles = [bundle for bundle in bundles if len(bundle[2]) > 1]
    with ThreadPoolExecutor() as pool:  # typst does not hold Python's lock
        bound = pool.map(lambda bundle: bundled(bundle[1], bundle[2]), bundles)
        yield from zip((file for file, _, _ in bundles), bound, strict=True)
    # Last: a folder without it is no lesson.
    yield (
        Path(LESSON),
        lesson_toml(
            {
                "level": level,
                "seed": seed,
                "students": students,
                "units": units,
                "within": DEFAULT_WITHIN[units],
                "angle_within": 0.001,
                "letters": [name.split()[-1] for name, _ in made],
            }
        ),
    )


def _sheet_files(sheet: ClassSheet, paper: Paper, *, slides: bool) -> tuple[str, dict[Path, str | bytes]]:
    """The name of a sheet, and all its files."""
    files: dict[Path, str | bytes] = {}
    for stem, document in ((_SHEET, sheet.worksheet), (_KEY, sheet.key)):
        if document is not None:
            path = _numbered(stem, sheet.number)
            files |= document_files(document, path.with_suffix(".md"), paper)
            files[path] = document_pdf(document, paper)
    if slides and sheet.key is not None:
        files[_numbered(f"{SLIDES}/slides", sheet.number)] = slides_pdf(sheet.worksheet, sheet.key, paper)
    return sheet.name, files | sheet.others


def _numbered(stem: str, number: int) -> Path:
    return Path(f"{stem}-{number:02d}.pdf")


def _bookmarked(stem: str, made: Sequence[tuple[str, Mapping[Path, str | bytes]]]) -> list[tuple[str, bytes]]:
    """The PDFs of all sheets that have one, each with its bookmark."""
    found = []
    for number, (name, files) in enumerate(made, start=1):
        pdf = files.get(_numbered(stem, number))
        if isinstance(pdf, bytes):
            found.append((f"Sheet {name}", pdf))
    return found


def _machine_of(order: LessonOrder) -> tuple[Machine | None, str | None]:
    """The machine of all sheets and its file's text, if they share one."""
    if order.machine is not None:
        return order.machine.machine, order.machine.source.text
    if not order.same_machine:
        return None, None
    level: Level = next((one for one in LEVELS if one == order.level), "tilt and rotate")
    machine = shared_machine(level, order.seed, order.units)
    return machine, machine_toml(machine, order.units)


def _offset_sheet(order: LessonOrder, number: int, machine: Machine | None, text: str | None) -> ClassSheet:
    level = next(one for one in LEVELS if one == order.level)
    exercise = set_exercise(level, order.seed, number, order.units, machine)
    own = machine_toml(exercise.machine, order.units) if text is None else text
    machine_file = _machine_name(number, text)
    job = job_toml(exercise, machine_file)
    name = f"{number} {letters_of((job, own))}"
    others = {
        Path(SHEETS) / f"answers-{number:02d}.csv": answer_csv(exercise, name),
        Path(KEYS) / job_name(number): job,
    }
    if text is None:
        others[Path(KEYS) / machine_file] = own
    within = f"{DEFAULT_WITHIN[order.units]:g} {order.units}"
    return ClassSheet(
        number,
        name,
        worksheet(exercise, name, within),
        key(exercise, name, order.page_of(number), by_hand=order.by_hand),
        others,
    )


def _pivot_sheet(order: LessonOrder, number: int, machine: Machine | None, text: str | None) -> ClassSheet:
    exercise = set_pivot_exercise(order.seed, number, order.units, machine)
    support = support_of(exercise)
    machine_file = _machine_name(number, text)
    own = machine_toml(exercise.machine, order.units) if text is None else text
    others = pivot_key_files(exercise, own)
    others[Path(SHEETS) / f"answers-{number:02d}.csv"] = pivot_answer_csv(exercise)
    if text is None:
        others[Path(KEYS) / machine_file] = own
    sheet, solved = (
        pivot_worksheet(exercise, support),
        pivot_key(exercise, support, machine_file, order.page_of(number)),
    )
    return ClassSheet(number, sheet_name(exercise), sheet, solved, others)


def _machine_name(number: int, shared: str | None) -> str:
    return f"machine-{number:02d}.toml" if shared is None else SHARED_MACHINE


def pivot_key_files(exercise: PivotExercise, machine_text: str) -> dict[Path, str]:
    """The files that a pivot's answers are graded by: the encoded key, and the readings that belong to it."""
    return {
        Path(KEYS) / readings_name(exercise.sheet): readings_csv(
            exercise.readings, exercise.machine, exercise.units
        ),
        Path(KEYS) / key_name(exercise.sheet): key_text(exercise, machine_text),
    }
