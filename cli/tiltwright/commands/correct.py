"""`tiltwright correct`: what a measured part says about the setup, and the offsets that follow."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import Force, JobArgument, Json, Output, UnitsOption, show_or_write

if TYPE_CHECKING:
    from tiltwright.files.loader import ReadJob
    from tiltwright.uncertainty.correct_run import JobCorrection

__all__ = ["correct"]


def correct(
    job: JobArgument,
    measured: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Argument(
            metavar="MEASURED.csv", help="What inspection found, a row for each feature.", show_default=False
        ),
    ] = None,
    choose: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--choose",
            metavar="NAME",
            help="Take this explanation, by its number or name, where several fit.",
        ),
    ] = None,
    write: Annotated[bool, typer.Option("--write", help="Put the correction into the job file.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Take the correction out of the job file.")] = False,
    who: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--who", metavar="NAME", help="Who corrects, for the log."),
    ] = None,
    units: UnitsOption = None,
    as_json: Json = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """Find the cause of a measured first part's deviations, and the offsets that put it right.

    The table has a row for each feature of the job that was measured: how far it was found from where the drawing
    wants it (found less nominal, part coordinates), and the measurement's standard uncertainty.

    Examples:

    \b
      tiltwright correct job.toml first.csv            causes, rivals, what to measure next, new offsets
      tiltwright correct job.toml first.csv --write --who "bay 2"
                                                       and put the correction into the job
      tiltwright correct job.toml first.csv --write --choose 2
                                                       although other explanations fit as well
      tiltwright correct job.toml --undo               back to the offsets of the stack
      tiltwright correct job.toml first.csv --json     for another program

    \b
      feature,dX_mm,dY_mm,dZ_mm,u_mm        three directions at once, or
      feature,along,deviation_mm,u_mm       one direction: +Z, or 0 0.6 0.8; empty: the feature's own
    A pattern's feature needs a column operation beside it; several parts a column part with their serial numbers;
    datum says what it was measured against, where that is not the job's.

    With a correction in force, measure a part that was cut with it. A table that it already comes from is refused: it
    would be taken out twice.

    Exit code 0: one correction follows, or none is needed. 1: explanations disagree by more than 0.01 mm, nothing
    explains the numbers, or the measurement looks wrong; nothing is written then unless --choose names one. 2: the
    input is wrong.
    """
    from tiltwright.files.diagnostics import option_error

    if undo:
        if measured is not None or write or choose is not None or as_json:
            raise option_error("--undo", "with other work", "--undo by itself (and --who)")
        _undo(job, who)
        return
    if measured is None:
        raise option_error(
            "MEASURED.csv", "nothing", "a table of what inspection found", "see: tiltwright correct --help"
        )
    if who is not None and not write:
        raise option_error("--who", "without --write", "--who with --write or --undo only")
    from tiltwright.files.loader import read_job
    from tiltwright.job.evaluate import evaluate_nests
    from tiltwright.job.warnings import say_messages
    from tiltwright.output.json_csv import json_text
    from tiltwright.terminal.streams import ANSWER_NO, note
    from tiltwright.uncertainty.correct_report import correct_report
    from tiltwright.uncertainty.correct_run import job_correction
    from tiltwright.uncertainty.correct_text import correct_text
    from tiltwright.uncertainty.evaluation import uncertain_job
    from tiltwright.uncertainty.measured_table import read_measured_table

    read = read_job(job)
    views = evaluate_nests([read]).nests
    shown = units.value if units else read.unit.value
    job_now = uncertain_job(views)
    table = read_measured_table(measured, job_now)
    if read.file.correction is not None:
        from tiltwright.uncertainty.correction_file import refuse_measured_twice

        refuse_measured_twice(read, table, job_now)
        note(
            "a correction is in force: the deviations must come from a part that was cut with it. Those of a part from before "
            "it would be taken out twice",
            label="caution",
        )
    found = job_correction(job_now, table, choose)
    for view in views:
        say_messages(view, shown)
    text = json_text(correct_report(found, shown)) if as_json else correct_text(found, shown)
    show_or_write(text, output, force=force)
    if write:
        _write(read, found, who)
    elif found.chosen is not None and found.to_be_loaded:
        note("nothing was written: --write puts this into the job file")
    if not found.to_be_loaded:
        raise typer.Exit(ANSWER_NO)


def _write(read: ReadJob, found: JobCorrection, who: str | None) -> None:
    """Put the chosen correction into the job, or say why not."""
    from tiltwright.terminal.streams import note, say_no
    from tiltwright.uncertainty.correction_file import write_correction

    if found.chosen is None and found.settled:
        note("nothing was written: there is nothing to correct")
    elif found.chosen is None or not found.to_be_loaded:
        what = "it is not clear yet what is off. Measure one feature more, or name your choice with --choose"
        if found.chosen is not None and found.agreed and found.causes.far and not found.doubts:
            what = "the cause lies far from what is stated of it. Look at it on the machine; if it is so, add --choose 1"
        say_no(f"nothing was written: {what}")
    else:
        log = write_correction(read, found, who=who, despite=not found.settled)
        note(
            f"{read.path} has the correction, {log.name} a line about it. Load the new offsets", label="done"
        )
        note(f"tiltwright correct {read.path} --undo takes it out again")


def _undo(job: str, who: str | None) -> None:
    from tiltwright.files.loader import read_job
    from tiltwright.terminal.streams import note
    from tiltwright.uncertainty.correction_file import undo_correction

    read = read_job(job)
    log = undo_correction(read, who=who)
    note(f"{read.path}: the correction is out, {log.name} has a line about it", label="done")
    note("the offsets are the stack's again: load them before the next part", label="caution")
