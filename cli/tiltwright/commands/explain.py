"""`tiltwright explain`: the working behind an offset, line by line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import (
    Force,
    JobArgument,
    Json,
    OneNest,
    Output,
    PaperOption,
    Units,
    UnitsOption,
    paper_of,
    show_or_write,
)

if TYPE_CHECKING:
    from tiltwright.output.document import Document

__all__ = ["ByHand", "check_output", "explain", "write_document"]

ByHand = Annotated[
    bool, typer.Option("--by-hand", help="Plane trigonometry only: right triangles, sine and cosine.")
]


def explain(
    job: JobArgument,
    operation: Annotated[
        Optional[list[str]],  # noqa: UP045 - typer
        typer.Argument(
            metavar="[OPERATION]...", help="Names of operations; all if left out.", show_default=False
        ),
    ] = None,
    by_hand: ByHand = False,
    nest: OneNest = None,
    units: UnitsOption = None,
    as_json: Json = False,
    output: Output = None,
    paper: PaperOption = "a4",
    force: Force = False,
) -> None:
    """Show the working of an operation's offset: every line with its rule, its numbers and its result.

    Examples:

    \b
      tiltwright explain job.toml "port 2"               on screen
      tiltwright explain job.toml "port 2" --by-hand     as a pocket calculator does it
      tiltwright explain job.toml "port 2" -o port.pdf   to print, with a drawing of each step
      tiltwright explain job.toml "port 2" -o port.md    Markdown, the drawings beside it

    Ends with 1, and writes nothing, when the operation cannot be reached or part zero was touched off
    too far from where the stack puts it.
    """
    from tiltwright.job.evaluate import evaluate_job
    from tiltwright.job.warnings import say_messages, without_correction
    from tiltwright.teaching.explanation import explanation, explanation_report, workings_of
    from tiltwright.terminal.streams import ANSWER_NO

    check_output(output, paper)
    worked = evaluate_job(job, operation or [], nest)
    shown = units.value if isinstance(units, Units) else worked.job.unit.value
    worked = without_correction(worked, shown)
    say_messages(worked, shown)
    if not worked.complete:
        raise typer.Exit(ANSWER_NO)
    workings = workings_of(worked, by_hand=by_hand)
    if as_json:
        from tiltwright.output.json_csv import json_text

        show_or_write(
            json_text(explanation_report(worked, workings, shown, by_hand=by_hand)), output, force=force
        )
        return
    drawn = output is not None and output.suffix.lower() in {".pdf", ".md"}
    document = explanation(worked, workings, shown, by_hand=by_hand, drawn=drawn)
    write_document(document, output, paper, force=force)


def check_output(output: Path | None, paper: str) -> None:
    """Refuse an unknown ending or paper size before any work is done."""
    from tiltwright.files.diagnostics import option_error

    if output is not None and output.suffix.lower() not in {".pdf", ".md", ".txt", ".json"}:
        raise option_error("--output", f'the ending "{output.suffix}"', ".pdf, .md, .txt")
    paper_of(paper)


def write_document(document: Document, output: Path | None, paper: str, *, force: bool) -> None:
    """Show a document, or write it to the file or files that the ending asks for."""
    from tiltwright.output.document_files import document_text

    if output is None or output.suffix.lower() in {".txt", ".json"}:
        show_or_write(document_text(document), output, force=force)
        return
    from tiltwright.files.atomic_write import write_all
    from tiltwright.output.document_files import document_files
    from tiltwright.output.typesetting import code_points, uncovered
    from tiltwright.terminal.streams import note

    missing = (
        uncovered("".join(document_text(document).splitlines())) if output.suffix.lower() == ".pdf" else ()
    )
    if missing:
        note(f"the page's font has no sign for {code_points(missing)}; it shows a box for each")
    files = document_files(document, output, paper_of(paper))
    # Pages beside drawings of an older run would be worse than no pages.
    write_all(files, force=force)
    for path in files:
        note(f"{path} written", label="done")
