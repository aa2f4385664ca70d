"""`tiltwright check`: numbers checked against a job, with the reasons why wrong ones are wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from tiltwright.commands.explain import check_output, write_document
from tiltwright.commands.options import (
    Force,
    JobArgument,
    Json,
    OneNest,
    Output,
    PaperOption,
    UnitsOption,
    show_or_write,
)

__all__ = ["AngleWithin", "Within", "check", "tolerances"]

Within = Annotated[
    Optional[str],  # noqa: UP045 - typer
    typer.Option(
        "--within",
        metavar="LENGTH",
        help="Tolerance of a right number: 0.005 mm or 0.0002 inch if left out.",
    ),
]
AngleWithin = Annotated[
    float, typer.Option("--angle-within", metavar="DEGREES", help="The same for program angles.")
]


def check(
    job: JobArgument,
    answers: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Argument(
            metavar="[ANSWERS]", help="CSV: operation, axis, value_mm (or value_inch).", show_default=False
        ),
    ] = None,
    answer: Annotated[
        Optional[list[str]],  # noqa: UP045 - typer
        typer.Option(
            "--answer", metavar='"PORT 1:X=-381.025mm"', help="One number, typed; may be given again."
        ),
    ] = None,
    units: UnitsOption = None,
    within: Within = None,
    angle_within: AngleWithin = 0.001,
    tool_length: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--tool-length",
            metavar="LENGTH",
            help="Length of the tool in the spindle, to try whether Z counts it.",
        ),
    ] = None,
    nest: OneNest = None,
    as_json: Json = False,
    output: Output = None,
    paper: PaperOption = "a4",
    force: Force = False,
) -> None:
    """Check numbers worked out by hand, or shown on a display, against the job: right or wrong, and why.

    Every classic mistake, and every pair of them, is tried to find the one that gives the wrong numbers.

    Examples:

    \b
      tiltwright check job.toml answers.csv
      tiltwright check job.toml --answer "port 1:Y=-212.31mm" --answer "port 1:Z=-180.02mm"
      tiltwright check job.toml answers.csv --within 0.01 -o check.pdf

    The file has a head line and a row for each number:

    \b
      operation,axis,value_mm
      port 1,X,-381.025
      port 1,A,-30

    X, Y, Z are work offsets in the column's unit, a rotary's letter is a program angle in degrees.
    Ends with 0 when all is right, 1 when something is wrong, 2 when the input cannot be read.
    """
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.parsing import typed_length
    from tiltwright.files.units import Unit
    from tiltwright.job.evaluate import evaluate_job
    from tiltwright.job.warnings import say_messages, without_correction
    from tiltwright.teaching.answers import answers_from_file, answers_from_words, requested_answers
    from tiltwright.teaching.assessment import assess, assessment_document, assessment_report
    from tiltwright.terminal.streams import ANSWER_NO

    check_output(output, paper)
    if (answers is None) == (not answer):
        raise option_error(
            "ANSWERS, --answer", "neither" if answers is None else "both", "a CSV file or typed answers"
        )
    worked = evaluate_job(job, nest=nest)
    stated = Unit(units.value) if units else None
    worked = without_correction(worked, units.value if units else worked.job.unit.value)
    say_messages(worked, units.value if units else worked.job.unit.value)
    read = (
        answers_from_file(answers, requested_answers(worked), stated)
        if answers is not None
        else answers_from_words(answer or [], worked, stated)
    )
    shown = read.unit
    within_mm, within_deg = tolerances(within, angle_within, shown.value)
    length_mm = None if tool_length is None else typed_length(tool_length, "--tool-length", shown)
    assessment = assess(worked, read, within_mm=within_mm, within_deg=within_deg, tool_length_mm=length_mm)
    if as_json:
        from tiltwright.output.json_csv import json_text

        show_or_write(json_text(assessment_report(assessment, shown.value)), output, force=force)
    else:
        write_document(assessment_document(assessment, shown.value), output, paper, force=force)
    if not assessment.right:
        raise typer.Exit(ANSWER_NO)


def tolerances(within: str | None, angle_within: float, units: str) -> tuple[float, float]:
    """Both tolerances, lengths in mm; refuse one that is not above 0."""
    import math

    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.parsing import typed_length
    from tiltwright.files.units import Unit
    from tiltwright.teaching.lesson_file import DEFAULT_WITHIN

    unit = Unit(units)
    within_mm = (
        unit.to_mm(DEFAULT_WITHIN[units]) if within is None else typed_length(within, "--within", unit)
    )
    if not within_mm > 0.0:
        raise option_error("--within", f"{within}", "a number above 0")
    if not (math.isfinite(angle_within) and angle_within > 0.0):
        raise option_error("--angle-within", f"{angle_within:g}", "a number above 0")
    return within_mm, angle_within
