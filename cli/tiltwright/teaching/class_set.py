"""The files of a class: sheets and keys, one by one and bound, typeset on every core, and their names in the folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from kinematics.teaching.exercises import UnitName
from tiltwright.output.document import Document
from tiltwright.output.document_files import document_files
from tiltwright.output.document_pdf import bundled, document_pdf
from tiltwright.output.typesetting import Paper
from tiltwright.teaching.lesson_file import DEFAULT_WITHIN, LESSON, lesson_toml
from tiltwright.teaching.slides import slides_pdf
from tiltwright.terminal.processes import made_by_all

__all__ = [
    "ALL_KEYS",
    "ALL_SHEETS",
    "KEYS",
    "SHARED_MACHINE",
    "SHEETS",
    "SLIDES",
    "ClassSheet",
    "class_files",
    "job_name",
    "key_name",
    "machine_name",
    "page_name",
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


def machine_name(sheet: int, *, shared: bool) -> str:
    """The machine file of a sheet, in the folder of keys; one for all sheets if they share it."""
    return SHARED_MACHINE if shared else f"machine-{sheet:02d}.toml"


def page_name(sheet: int) -> str:
    """The page of a sheet in three dimensions, in the folder of keys."""
    return f"page-{sheet:02d}.html"


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
