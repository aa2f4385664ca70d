"""`tiltwright lesson`: exercises for a class, and their grading."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.explain import check_output, write_document
from tiltwright.commands.options import (
    Force,
    Json,
    Output,
    PaperOption,
    Units,
    check_folder,
    machine_option,
    paper_of,
    show_or_write,
    write_class_set,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tiltwright.output.typesetting import Paper
    from tiltwright.teaching.grading import Graded, GradedFile

__all__ = ["app"]

_FORMS = ("pdf", "txt", "md", "html")

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Set exercises, and grade the answers.")

Folder = Annotated[Path, typer.Argument(metavar="FOLDER", help="The lesson's folder.", show_default=False)]


@app.command("new")
def new(
    folder: Folder,
    level: Annotated[
        str,
        typer.Option(
            "--level", metavar="LEVEL", help="What to train; the levels are above.", show_default=False
        ),
    ],
    seed: Annotated[int, typer.Option("--seed", help="Same seed, same numbers.", min=0, show_default=False)],
    students: Annotated[
        int, typer.Option("--students", help="How many sheets, each with its own numbers.", min=1, max=999)
    ] = 1,
    units: Annotated[
        Optional[Units],  # noqa: UP045 - typer
        typer.Option(
            "--units", help="What the sheets are printed in; left out: mm, or the machine file's own."
        ),
    ] = None,
    machine: Annotated[
        Optional[str],  # noqa: UP045 - typer
        machine_option("The class's own machine, for all sheets."),
    ] = None,
    same_machine: Annotated[
        bool,
        typer.Option("--same-machine", help="One drawn machine for all sheets; left out: each has its own."),
    ] = False,
    by_hand: Annotated[
        bool,
        typer.Option(
            "--by-hand/--matrices",
            help="Keys by plane trigonometry, where the machine is square to its axes, or with matrices.",
        ),
    ] = True,
    pages: Annotated[
        bool, typer.Option("--pages", help="Also a page in three dimensions beside each key (HTML).")
    ] = False,
    slides: Annotated[
        bool, typer.Option("--slides", help="Also the worked exercises to project, a step a page (PDF).")
    ] = False,
    paper: PaperOption = "a4",
    force: Force = False,
) -> None:
    """Make worksheets, empty answer files and keys with the working, for a class.

    The levels:

    \b
      "one tilt"                    the turned platter stays at 0, the lines meet
      "tilt and rotate"             both turn, the lines meet
      "lines that miss each other"  pivots as measured, a few hundredths apart or more
      "a normal to aim at"          the angles are asked for too
      "touched off and clocked"     part zero from the display, the part a little turned
      "a pivot to find"             from probe readings, by plane geometry

    Examples:

    \b
      tiltwright lesson new monday --level "one tilt" --seed 7 --students 24
      tiltwright lesson new monday --level tilt-and-rotate --seed 7 --units inch --matrices
      tiltwright lesson new monday --level "one tilt" --seed 7 --machine mill.toml --students 24
      tiltwright lesson new monday --level "one tilt" --seed 7 --slides      to project, too
      tiltwright lesson new monday --level "one tilt" --seed 7 --pages       each key in three dimensions, too

    In the folder: all-sheets.pdf and all-keys.pdf to print at once, sheets/ to hand out (PDF, Markdown, and a CSV file
    to fill in), and key/ for the instructor. A pivot's key/key-01.txt grades a single answer too: pivot practice --grade.
    """
    from kinematics import KinematicsError
    from kinematics.teaching import PIVOT_LEVEL
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_machine
    from tiltwright.teaching.lesson_set import LessonOrder, lesson_files
    from tiltwright.terminal.progress_line import progress_bar
    from tiltwright.terminal.streams import note

    size = paper_of(paper)
    chosen = _level(level)
    if machine is not None and same_machine:
        raise option_error("--machine, --same-machine", "both", "one of them")
    check_folder(folder, "FOLDER", force=force)
    read = None if machine is None else read_machine(machine)
    unit = (Units.MM if read is None else Units(read.unit.value)) if units is None else units
    order = LessonOrder(
        chosen,
        seed,
        students,
        "inch" if unit is Units.INCH else "mm",
        by_hand=by_hand,
        paper=size,
        machine=read,
        same_machine=same_machine,
        slides=slides,
        pages=pages,
    )
    try:
        with progress_bar():
            # All is made before anything is written.
            files = list(lesson_files(order))
            if pages:
                from tiltwright.page.lesson_pages import lesson_pages

                files += lesson_pages(dict(files), by_hand=by_hand)
    except KinematicsError as refusal:
        if machine is None:
            raise
        others = "pivot practice takes any machine" if chosen == PIVOT_LEVEL else "choose another level"
        raise option_error(
            "--machine", *_expected_and_found(str(refusal), machine), f"{others}, or leave it out"
        ) from None
    write_class_set(folder, files, force=force)
    sheets = "1 sheet" if students == 1 else f"{students} sheets"
    key = "its key" if students == 1 else "their keys"
    note(f"{folder}: {sheets} to hand out, with {key}", label="done")


def _expected_and_found(refusal: str, machine: str) -> tuple[str, str]:
    """A refusal of the library as what was found and what is allowed."""
    head, _, found = refusal.partition(", found ")
    return f"{machine}: {found.removeprefix('that ')}", head.partition("expected ")[2]


@app.command("grade")
def grade(
    folder: Folder,
    answers: Annotated[
        Path,
        typer.Argument(
            metavar="ANSWERS", help="A folder of answer files (CSV or .xlsx).", show_default=False
        ),
    ],
    as_json: Json = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="CSV, one row a student.")] = False,
    output: Output = None,
    feedback: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option("--feedback", metavar="FOLDER", help="Also a sheet for each student to hand back."),
    ] = None,
    feedback_form: Annotated[
        str,
        typer.Option(
            "--feedback-form",
            metavar="FORM",
            help="pdf, txt, md, or html: the setup in three dimensions with the wrong origins in it; for pivots PDF.",
        ),
    ] = "pdf",
    paper: PaperOption = "a4",
    force: Force = False,
) -> None:
    """Grade a folder of answers: each student's right and wrong numbers, and the mistakes the class makes most.

    Examples:

    \b
      tiltwright lesson grade monday handed-in/
      tiltwright lesson grade monday handed-in/ -o grades.pdf
      tiltwright lesson grade monday handed-in/ --csv -o grades.csv
      tiltwright lesson grade monday handed-in/ --feedback back/     a sheet for each student, what is wrong and why

    Subfolders, workbooks (.xlsx) and .txt files are read too, and for pivots also machine files with a student's lines. Of
    two files of one student and sheet the first by name counts. A value that cannot be read costs that value only. Ends
    with 0 when every number answered is right, 1 when one is wrong, 2 when something cannot be read.
    """
    from tiltwright.files.diagnostics import one_of, option_error, shown
    from tiltwright.teaching.grading import grade as graded_answers

    if as_json and as_csv:
        raise option_error("--json, --csv", "both", "one of them")
    if not (as_json or as_csv):
        check_output(output, paper)
    if feedback_form not in _FORMS:
        raise option_error("--feedback-form", shown(feedback_form), one_of(_FORMS))
    if feedback is not None:
        check_folder(feedback, "--feedback", force=force)
    show_grades(
        graded_answers(folder, answers),
        output,
        feedback,
        feedback_form,
        paper,
        form="json" if as_json else "csv" if as_csv else "",
        force=force,
    )


def show_grades(
    graded: Graded,
    output: Path | None,
    feedback: Path | None,
    feedback_form: str,
    paper: str,
    *,
    form: str,
    force: bool,
) -> None:
    """Show or write a class's grades and the students' feedback, and end with what they come to."""
    from tiltwright.files.diagnostics import InputFaults
    from tiltwright.teaching import grade_sheets
    from tiltwright.terminal.streams import ANSWER_NO

    if form:
        from tiltwright.output.json_csv import json_text

        text = (
            json_text(grade_sheets.grade_report(graded)) if form == "json" else grade_sheets.grade_csv(graded)
        )
        show_or_write(text, output, force=force)
    else:
        # On the screen the faults stand below, with the errors; a file has no other place for them.
        document = grade_sheets.grade_document(graded, with_faults=output is not None)
        write_document(document, output, paper, force=force)
    if feedback is not None:
        from tiltwright.terminal.streams import note

        write_class_set(feedback, _feedback_files(graded, feedback_form, paper_of(paper)), force=force)
        count = len(graded.counted)
        students = "1 student" if count == 1 else f"{count} students"
        plain = sum(not _has_page(row) for row in graded.counted) if feedback_form == "html" else 0
        without = f"; {plain} of them as PDF, with no setup to show" if plain else ""
        note(f"{feedback}: feedback for {students}{without}", label="done")
    if graded.faults:
        raise InputFaults(graded.faults)
    if not graded.all_right:
        raise typer.Exit(ANSWER_NO)


def _has_page(row: GradedFile) -> bool:
    """True where a row's answers can be shown in three dimensions: pivots, and another sheet's numbers, cannot."""
    from tiltwright.teaching.assessment import Assessment

    return isinstance(row.assessment, Assessment) and row.neighbour is None


def _feedback_files(graded: Graded, form: str, paper: Paper) -> Iterator[tuple[Path, str | bytes]]:
    """Sheet for each student, or as HTML the setup in three dimensions with the wrong origins in it."""
    from tiltwright.output.document_files import document_files
    from tiltwright.page.assemble import setup_html
    from tiltwright.page.contract import setup_page
    from tiltwright.page.lesson_pages import ghosts_of
    from tiltwright.teaching.assessment import Assessment
    from tiltwright.teaching.grade_sheets import feedback_document, feedback_names

    units = graded.lesson.units.value
    for name, row in feedback_names(graded):
        if form == "html" and _has_page(row):
            assert isinstance(row.assessment, Assessment)  # or it has none
            page = setup_page(
                row.assessment.evaluated, units, answers=ghosts_of(row.assessment, units, for_student=True)
            )
            yield Path(f"{name}.html"), setup_html(page)
        else:
            # Without numbers of the sheet's own there is nothing to show in a page.
            ending = "pdf" if form == "html" else form
            document = feedback_document(graded.lesson, row)
            yield from document_files(document, Path(f"{name}.{ending}"), paper).items()


def _level(text: str) -> str:
    from tiltwright.files.diagnostics import nearest, one_of, option_error, shown
    from tiltwright.teaching.lesson_file import ALL_LEVELS

    plain = text.strip().casefold().replace("-", " ")
    for level in ALL_LEVELS:
        if level == plain:
            return level
    near = nearest(plain, ALL_LEVELS)
    raise option_error(
        "--level", shown(text), one_of(ALL_LEVELS), f"did you mean {shown(near)}?" if near else ""
    )
