"""`tiltwright page`: the setup in three dimensions, one file for any browser."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

from tiltwright.commands.explain import ByHand
from tiltwright.commands.options import (
    Force,
    JobArgument,
    Json,
    OneNest,
    Only,
    Output,
    Units,
    UnitsOption,
    show_or_write,
)

if TYPE_CHECKING:
    from tiltwright.job.evaluate import EvaluatedJob

__all__ = ["page"]


def page(
    job: JobArgument,
    output: Output = None,
    only: Only = None,
    nest: OneNest = None,
    units: UnitsOption = None,
    by_hand: ByHand = False,
    answers: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option(
            "--answers",
            metavar="FILE",
            help="Somebody's answers (CSV, as for check): wrong origins beside the right.",
        ),
    ] = None,
    as_json: Json = False,
    force: Force = False,
) -> None:
    """The setup in three dimensions: one HTML file that opens anywhere, without server or network.

    Examples:

    \b
      tiltwright page job.toml -o job.html               open it in a browser, from a stick or a mail
      tiltwright page job.toml -o job.html --only port   one operation, or one pattern
      tiltwright page job.toml -o left.html --nest left  a job with nests has a page for each
      tiltwright page job.toml -o ada.html --answers ada.csv
                                                         somebody's wrong origins beside the right ones
      tiltwright page job.toml --json                    what the page shows, for another program

    Pick an operation or turn any rotary: the work offset stands there in the sheet's own digits. "Work it out line by
    line" walks through what `explain` writes. A pivot calibration has its page too: pivot fit ... --page fit.html.

    Exit code 1: an operation cannot be reached (the page is written, and shows why and how near it comes), an answer is
    wrong (likewise), or part zero was touched off too far from where the stack puts it, and nothing is written.
    """
    from tiltwright.files.atomic_write import check_target, write_atomic
    from tiltwright.files.diagnostics import option_error
    from tiltwright.job.evaluate import evaluate_job
    from tiltwright.job.warnings import say_messages
    from tiltwright.page.contract import setup_page
    from tiltwright.terminal.streams import ANSWER_NO, note

    if not as_json:
        if output is None:
            raise option_error("--output", "nothing", "a file to write, such as -o job.html")
        if output.suffix.lower() not in {".html", ".htm"}:
            raise option_error("--output", f'the ending "{output.suffix}"', ".html, .htm")
        check_target(output, force=force)
    evaluated = evaluate_job(job, only or [], nest)
    shown = units.value if isinstance(units, Units) else evaluated.job.unit.value
    say_messages(evaluated, shown)
    if evaluated.touch_too_far:
        note("nothing was written")
        raise typer.Exit(ANSWER_NO)
    ghosts, right = (None, True) if answers is None else _ghosts(evaluated, answers, shown, units)
    made = setup_page(evaluated, shown, by_hand=by_hand, answers=ghosts)
    if as_json:
        from tiltwright.output.json_csv import json_text

        show_or_write(json_text(made), output, force=force)
    else:
        from tiltwright.page.assemble import setup_html

        assert output is not None
        write_atomic(output, setup_html(made), force=force)
        note(f"{output} written; open it in a browser", label="done")
    if evaluated.unreached or not right:
        raise typer.Exit(ANSWER_NO)


def _ghosts(
    evaluated: EvaluatedJob, path: Path, units: str, typed: Units | None
) -> tuple[dict[str, Any], bool]:
    """The answers of a file for the page, and whether all of them are right."""
    from tiltwright.commands.check import tolerances
    from tiltwright.files.units import Unit
    from tiltwright.page.lesson_pages import ghosts_of
    from tiltwright.teaching.answers import answers_from_file, requested_answers
    from tiltwright.teaching.assessment import assess

    read = answers_from_file(path, requested_answers(evaluated), Unit(typed.value) if typed else None)
    within_mm, within_deg = tolerances(None, 0.001, read.unit.value)
    assessment = assess(evaluated, read, within_mm=within_mm, within_deg=within_deg)
    return ghosts_of(assessment, units), assessment.right
