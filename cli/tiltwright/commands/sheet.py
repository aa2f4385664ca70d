"""`tiltwright sheet`: the setup sheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright import __version__
from tiltwright.commands.options import (
    Force,
    JobArgument,
    NestOption,
    Only,
    Output,
    PaperOption,
    Units,
    UnitsOption,
    paper_of,
    show_or_write,
)

if TYPE_CHECKING:
    from tiltwright.output.typesetting import Paper
    from tiltwright.sheet.data import Sheet

__all__ = ["sheet"]

PICTURES = (".pdf", ".png", ".svg")
_MOST_TYPESET = 200
"""Operations on a typeset sheet: 250 took 500 MB, 1,000 took 1.6 GB."""
TEXTS = (".txt", ".md")
LONGEST_DATE = 40
MOST_PAGES = 99


def sheet(
    job: JobArgument,
    output: Output = None,
    only: Only = None,
    nest: NestOption = None,
    units: UnitsOption = None,
    paper: PaperOption = "a4",
    date: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--date", metavar="TEXT", help="Date to print on the sheet; today if left out."),
    ] = None,
    force: Force = False,
) -> None:
    """The setup sheet: on screen, or as PDF, SVG, PNG, text or Markdown, whichever the file's ending says.

    Examples:

    \b
      tiltwright sheet job.toml                     on screen
      tiltwright sheet job.toml -o job.pdf          to print
      tiltwright sheet job.toml -o job.pdf --paper us-letter
      tiltwright sheet job.toml -o job.png          a picture of each page: job-1.png, job-2.png, ...
      tiltwright sheet job.toml -o job.pdf          with nests a sheet for each: job-nest1.pdf, job-nest2.pdf, ...

    Exit code 1: an operation cannot be reached or part zero was touched off too far from where the stack puts it, and
    nothing is written; or something does not clear, and the sheet is written and says so first.
    """
    from tiltwright.files.atomic_write import check_target
    from tiltwright.files.diagnostics import option_error, sanitized, shown

    if output is not None and output.is_dir():
        check_target(output)
    ending = output.suffix.lower() if output is not None else ".txt"
    if ending not in PICTURES + TEXTS:
        raise option_error("--output", f'the ending "{ending}"', ", ".join(PICTURES + TEXTS))
    size = paper_of(paper)
    if date is not None and (not date.strip() or sanitized(date) != date or len(date) > LONGEST_DATE):
        raise option_error(
            "--date", shown(date), f"printable text of 1 to {LONGEST_DATE} characters on one line"
        )
    _sheet(job, output, ending, only or [], nest, units, size, date, force=force)


def _sheet(
    path: str,
    output: Path | None,
    ending: str,
    only: list[str],
    nest: str | None,
    units: Units | None,
    paper: Paper,
    date: str | None,
    *,
    force: bool,
) -> None:
    from datetime import datetime

    from tiltwright.files.loader import read_job
    from tiltwright.job.evaluate import evaluate_nests, evaluate_read_job
    from tiltwright.job.nests_output import say_nests_messages
    from tiltwright.job.warnings import say_messages
    from tiltwright.sheet.build import build_sheet
    from tiltwright.terminal.progress_line import progress_bar
    from tiltwright.terminal.streams import ANSWER_NO, note, say_no

    job = read_job(path)
    shown = units.value if units else job.unit.value
    together = evaluate_nests([job], only) if job.nests else None
    if together is not None and nest is None:
        from tiltwright.reach.nest_reach import check_apart

        check_apart(together)
        worked = [one for one in together.nests if one.operations or one.unreached]
        say_nests_messages(together, shown)
    else:
        worked = [evaluate_read_job(job, only, nest)]
        say_messages(worked[0], shown)
    if not all(one.complete for one in worked):
        if output is not None:
            note("nothing was written")
        raise typer.Exit(ANSWER_NO)
    day = date or datetime.now().astimezone().date().isoformat()
    with progress_bar():
        made = [
            build_sheet(one, date=day, version=__version__, units=shown, together=together) for one in worked
        ]
    # Collisions come out only now: the solids are laid out for the drawings.
    failed = list(dict.fromkeys(words for one in made for words in one.failures))
    for words in failed:
        say_no(words)
    if ending in TEXTS:
        from tiltwright.output.document_files import document_markdown, document_text
        from tiltwright.sheet.sheet_document import sheet_document

        written = document_text if ending == ".txt" else document_markdown
        show_or_write("\n\n".join(written(sheet_document(one)) for one in made), output, force=force)
    else:
        assert output is not None
        with progress_bar():
            _pages(made, output, ending, paper, force=force)
    if failed:
        # The sheet is written all the same, with this first: whoever corrects the setup needs it.
        raise typer.Exit(ANSWER_NO)


def _pages(made: list[Sheet], output: Path, ending: str, paper: Paper, *, force: bool) -> None:
    """Write the typeset sheets; with several nests or pages, each file's name ends in their numbers."""
    from tiltwright.files.atomic_write import write_all
    from tiltwright.files.diagnostics import enumeration, option_error
    from tiltwright.sheet import typeset
    from tiltwright.terminal.streams import note

    most = max(len(one.operations) for one in made)
    if most > _MOST_TYPESET:
        tip = "print them in parts with --only, or write .md or .txt, which may be of any length"
        raise option_error(
            "--output", f"a typeset sheet of {most} operations", f"at most {_MOST_TYPESET}", tip
        )
    missing = "".join(dict.fromkeys(c for one in made for c in typeset.missing_characters(one)))
    if missing:
        note(f"the sheet's font lacks {' '.join(missing)}; the page shows a box for each")
    files: dict[Path, bytes] = {}
    for place, one in enumerate(made, 1):
        target = output if len(made) == 1 else output.with_stem(f"{output.stem}-nest{place}")
        if ending == ".pdf":
            pages = [typeset.pdf(one, paper)]
        else:
            pages = typeset.png_pages(one, paper) if ending == ".png" else typeset.svg_pages(one, paper)
        if len(pages) == 1:
            files[target] = pages[0]
        else:
            files |= {target.with_stem(f"{target.stem}-{k}"): page for k, page in enumerate(pages, 1)}
    # All pages or none: a new sheet with an old page in it would be worse than no sheet.
    write_all(files, force=force)
    names = list(files)
    for name in names:
        note(f"{name} written", label="done")
    older = _older_pages(output, names) if ending != ".pdf" else []
    if older:
        note(
            f"{enumeration(map(str, older))}: {'pages' if len(older) > 1 else 'a page'} of an older sheet; don't print with this one"
        )


def _older_pages(output: Path, names: list[Path]) -> list[Path]:
    """Files in the sheet's folder that are pages of an older sheet of this name."""
    possible = [output, *(output.with_stem(f"{output.stem}-{page}") for page in range(1, MOST_PAGES + 1))]
    return [name for name in possible if name not in names and name.is_file()]
