"""`tiltwright lesson`: exercises for a class, and their grading."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tiltwright.commands.explain import check_output, write_document
from tiltwright.commands.options import Force, Json, Output, PaperOption, Units, paper_of, show_or_write

__all__ = ["app"]

_MOST_LISTED = 8

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Set exercises, and grade the answers.")

Folder = Annotated[Path, typer.Argument(metavar="FOLDER", help="The lesson's folder.", show_default=False)]


@app.command("new")
def new(
    folder: Folder,
    level: Annotated[
        str, typer.Option("--level", metavar="LEVEL", help="What to train; see below.", show_default=False)
    ],
    seed: Annotated[int, typer.Option("--seed", help="Same seed, same numbers.", min=0, show_default=False)],
    students: Annotated[
        int, typer.Option("--students", help="How many sheets, each with its own numbers.", min=1, max=999)
    ] = 1,
    units: Annotated[Units, typer.Option("--units", help="What the sheets are printed in.")] = Units.MM,
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
      "a pivot to find"             from probe readings, by plane geometry

    Examples:

    \b
      tiltwright lesson new monday --level "one tilt" --seed 7 --students 24
      tiltwright lesson new monday --level tilt-and-rotate --seed 7 --units inch --matrices
      tiltwright lesson new monday --level "one tilt" --seed 7 --pages     each key in three dimensions, too

    In the folder: sheets/ to hand out (PDF, Markdown, and a CSV file to fill in), and key/ for the instructor. A pivot's
    key/key-01.txt grades a single answer too: pivot practice --grade.
    """
    from tiltwright.files.atomic_write import write_all
    from tiltwright.files.diagnostics import option_error
    from tiltwright.teaching.lesson_set import lesson_files
    from tiltwright.terminal.streams import note

    size = paper_of(paper)
    chosen = _level(level)
    if folder.exists() and not folder.is_dir():
        raise option_error(str(folder), "a file", "a folder, or a new name for one")
    if folder.is_dir() and any(folder.iterdir()) and not force:
        raise option_error(
            str(folder), "a folder with something in it", "a new folder, or --force to write into it"
        )
    # All is made before anything is written.
    files = list(
        lesson_files(
            chosen,
            seed,
            students,
            "inch" if units is Units.INCH else "mm",
            by_hand=by_hand,
            paper=size,
        )
    )
    if pages:
        from tiltwright.page.lesson_pages import lesson_pages

        files += lesson_pages(dict(files), by_hand=by_hand)
    targets = {folder / path: content for path, content in files}
    for parent in {target.parent for target in targets}:
        parent.mkdir(parents=True, exist_ok=True)
    write_all(targets, force=force)
    older = [path for path in folder.rglob("*") if path.is_file() and path not in targets]
    older.sort(key=lambda path: (path.parent.name != "sheets", path))
    if older:
        listed = ", ".join(str(path.relative_to(folder)) for path in older[:_MOST_LISTED])
        more = f" and {len(older) - _MOST_LISTED} more" if len(older) > _MOST_LISTED else ""
        note(
            f"{folder}: {listed}{more} {'is' if len(older) == 1 else 'are'} not of this lesson; do not hand out"
        )
    sheets = "1 sheet" if students == 1 else f"{students} sheets"
    note(f"{folder}: {sheets} to hand out, with their key", label="done")


@app.command("grade")
def grade(
    folder: Folder,
    answers: Annotated[
        Path, typer.Argument(metavar="ANSWERS", help="A folder of answer files (CSV).", show_default=False)
    ],
    as_json: Json = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="CSV, one row a student.")] = False,
    output: Output = None,
    paper: PaperOption = "a4",
    force: Force = False,
) -> None:
    """Grade a folder of answers: each student's right and wrong numbers, and the mistakes the class makes most.

    Examples:

    \b
      tiltwright lesson grade monday handed-in/
      tiltwright lesson grade monday handed-in/ -o grades.pdf
      tiltwright lesson grade monday handed-in/ --csv -o grades.csv

    Subfolders and .txt files are read too. A value that cannot be read costs that value only. Ends with 0 when every
    number answered is right, 1 when one is wrong, 2 when something cannot be read.
    """
    from tiltwright.files.diagnostics import InputFaults, option_error
    from tiltwright.teaching import grading
    from tiltwright.terminal.streams import ANSWER_NO

    if as_json and as_csv:
        raise option_error("--json, --csv", "both", "one of them")
    if not (as_json or as_csv):
        check_output(output, paper)
    graded = grading.grade(folder, answers)
    if as_json or as_csv:
        from tiltwright.output.json_csv import json_text

        text = json_text(grading.grade_report(graded)) if as_json else grading.grade_csv(graded)
        show_or_write(text, output, force=force)
    else:
        write_document(grading.grade_document(graded), output, paper, force=force)
    if graded.faults:
        raise InputFaults(graded.faults)
    if not graded.all_right:
        raise typer.Exit(ANSWER_NO)


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
