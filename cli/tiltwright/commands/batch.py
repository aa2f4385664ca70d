"""`tiltwright batch`: a batch of parts, from each part's own zero to when to probe again."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import (
    Csv,
    Force,
    JobArgument,
    Json,
    Output,
    UnitsOption,
    show_or_write,
    write_into,
    write_numbered,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tiltwright.batch.part_zeros import OffsetsOfBatch

__all__ = ["app", "program"]


def program(job: JobArgument, as_json: Json = False, output: Output = None, force: Force = False) -> None:
    """Program that probes each nest's part and sets its work offsets at every tilt, with nobody there.

    Examples:

    \b
      tiltwright batch program job.toml -o zero.nc            the probing program
      tiltwright batch program job.toml                       look at it first
      tiltwright batch program job.toml -o zero.nc --json     and what it does, for another program

    The job's [zero_probing] says what is touched (a face, and two edges, a bore or a boss; two points on one edge give the
    clocking), with which probe, and how far off a part may be. Run the program with every part clamped, before the first
    operation: it probes with all rotaries at zero, works out each part's place, and sets the offsets by G10 L2. A part that
    is missing or too far off stops it with an error before any part's offset is set. With more offsets than nine, zero-1.nc
    probes and sets the first ones, and zero-2.nc and so on set the others later.

    Exit code 0: written. 1: an operation cannot be reached, and nothing is written. 2: the input is wrong.
    """
    from tiltwright.batch.zero_access import checked_access
    from tiltwright.batch.zero_probing import probed_parts
    from tiltwright.batch.zero_program import (
        checked_access_words,
        program_report,
        stays_turned_words,
        zero_programs,
    )
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_job
    from tiltwright.job.nests_output import say_nests_messages
    from tiltwright.job.own_zero import say_by_own_zero
    from tiltwright.output.json_csv import json_text
    from tiltwright.terminal.streams import ANSWER_NO, note

    read = read_job(job)
    parts = probed_parts(read)
    say_by_own_zero(parts.evaluated.nests, read.unit.value)
    say_nests_messages(parts.evaluated, read.unit.value)
    if any(nest.unreached for nest in parts.evaluated.nests):
        note("nothing was written")
        raise typer.Exit(ANSWER_NO)
    checked = checked_access(parts)
    texts = zero_programs(parts, checked)
    if output is None and not as_json and len(texts) > 1:
        found = f"{len(texts)} programs, one for each loader"
        raise option_error("--output", found, "-o zero.nc, for zero-1.nc, zero-2.nc and so on")
    for words in checked_access_words(parts, checked):
        note(words)
    for words in stays_turned_words(parts):
        note(words, label="caution")
    names = _written(texts, output, force=force)
    if as_json:
        typer.echo(json_text(program_report(parts, checked, names)), nl=False)
    elif output is None:
        typer.echo(texts[0], nl=False)


def _written(texts: Sequence[str], output: Path | None, *, force: bool) -> list[str | None]:
    """Write the programs where they are asked for; their files' names, loader by loader."""
    from tiltwright.commands.options import refuse_pictures
    from tiltwright.files.atomic_write import write_atomic
    from tiltwright.files.diagnostics import option_error
    from tiltwright.terminal.streams import note

    if output is None:
        return [None] * len(texts)
    refuse_pictures([output], "--output")
    if output.suffix.lower() in {".json", ".csv", ".md", ".toml"}:
        raise option_error(
            "--output", f'the ending "{output.suffix}" for a program', "another ending, such as .nc"
        )
    if len(texts) > 1:
        return [str(path) for path in write_numbered(texts, output, force=force)]
    write_atomic(output, texts[0], force=force)
    note(f"{output} written", label="done")
    return [str(output)]


app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Repeat a job: log every part's zero, chart it, and know when to probe again.",
)

app.command("program")(program)


@app.command("offsets")
def batch_offsets(
    job: JobArgument,
    parts: Annotated[
        Path, typer.Argument(metavar="PARTS", help="A table of parts (CSV).", show_default=False)
    ],
    units: UnitsOption = None,
    as_json: Json = False,
    as_csv: Csv = False,
    gcode: Annotated[
        bool, typer.Option("--gcode", help="A loader for each part: SERIAL.nc in the folder given with -o.")
    ] = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """Work offsets of every part of a table, each by its own touched-off zero.

    Examples:

    \b
      tiltwright batch offsets job.toml parts.csv                       a table
      tiltwright batch offsets job.toml parts.csv --gcode -o loaders    a loader for each part
      tiltwright batch offsets job.toml parts.csv --csv -o offsets.csv  for another program

    The table has the columns serial, X_mm, Y_mm, Z_mm (or _in), nest where the job has nests, and clock_deg where it was
    measured (right-handed about the part's z): the display where part zero was touched off, with every rotary at zero or at
    the pose of [touched]. Z is machine Z less the length of the probe or tool in the spindle (with a reference tool: how much
    longer it is than that). Programs and their angles stay; the clocking is taken out by the rotary that squares up. A part whose zero lies farther from the stack's
    than `within` is named and not loaded.

    Exit code 0: all parts are loaded. 1: some are not, or an operation cannot be reached. 2: the input is wrong.
    """
    from tiltwright.batch import part_zeros_output
    from tiltwright.batch.part_zeros import offsets_of_batch
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_job
    from tiltwright.job.nests_output import say_nests_messages
    from tiltwright.job.own_zero import say_by_own_zero
    from tiltwright.reach.nest_reach import check_apart
    from tiltwright.terminal.streams import ANSWER_NO, note, say_no

    if sum((as_json, as_csv, gcode)) > 1:
        raise option_error("--json, --csv, --gcode", "more than one", "one of them at a time")
    if gcode and output is None:
        raise option_error("--gcode", "no folder", "-o FOLDER, for a loader of each part")
    read = read_job(job)
    batch = offsets_of_batch(read, parts)
    shown = units.value if units else batch.evaluated.nests[0].job.unit.value
    say_by_own_zero(batch.evaluated.nests, shown)
    check_apart(batch.evaluated)
    say_nests_messages(batch.evaluated, shown)
    if any(nest.unreached for nest in batch.evaluated.nests):
        note("nothing was written")
        raise typer.Exit(ANSWER_NO)
    turned = part_zeros_output.table_turned_words(batch)
    if turned is not None:
        note(turned, label="caution")
    if batch.others:
        note(f"{batch.others} rows are of check balls or bores, and are left out")
    form = "json" if as_json else "csv" if as_csv else "gcode" if gcode else "table"
    _write_batch(batch, shown, form, output, force=force)
    for words in part_zeros_output.held_words(batch, shown):
        say_no(words)
    if batch.held:
        raise typer.Exit(ANSWER_NO)


def _write_batch(batch: OffsetsOfBatch, units: str, form: str, output: Output, *, force: bool) -> None:
    from tiltwright.batch import part_zeros_output
    from tiltwright.output.json_csv import json_text
    from tiltwright.terminal.streams import note

    if form == "gcode":
        assert output is not None
        write_into(output, part_zeros_output.batch_loaders(batch, units), "loader", force=force)
        renamed = part_zeros_output.renamed_words(batch)
        if renamed:
            note(renamed)
        return
    if form == "json":
        text = json_text(part_zeros_output.batch_report(batch, units))
    elif form == "csv":
        text = part_zeros_output.batch_csv(batch, units)
    else:
        text = part_zeros_output.batch_table(batch, units)
    show_or_write(text, output, force=force)


@app.command("log")
def log(
    job: JobArgument,
    readings: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Argument(metavar="[READINGS]", help="A table of readings (CSV) to add.", show_default=False),
    ] = None,
    who: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--who", metavar="NAME", help="Who measured, for the record."),
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Parts that are in the record already were measured again.")
    ] = False,
    withdraw: Annotated[
        Optional[int],  # noqa: UP045 - typer
        typer.Option("--withdraw", metavar="NUMBER", help="Withdraw an entry; once more takes it back in."),
    ] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print the readings that count as CSV.")] = False,
    as_json: Json = False,
    units: UnitsOption = None,
) -> None:
    """Add readings to the batch's record, or list what is in it.

    Examples:

    \b
      tiltwright batch log job.toml readings.csv      add a table of readings
      tiltwright batch log job.toml                   list the entries
      tiltwright batch log job.toml --withdraw 3      entry 3 was measured wrongly
      tiltwright batch log job.toml --csv             all readings, for a spreadsheet

    The record lies beside the job: job.batch.sqlite. Nothing in it is ever changed or deleted; a withdrawn entry stays
    and does not count. The table has the columns serial, X_mm, Y_mm, Z_mm (or _in); nest, target, clock_deg and
    temperature_C may be left out. Without a target a row is the part's zero, at the pose of [touched], or with every
    rotary at zero.
    """
    from tiltwright.batch.log import add_readings, record_csv, record_report, record_text, withdraw_entry
    from tiltwright.batch.record import read_record, record_path
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_job
    from tiltwright.files.parsing import name_of
    from tiltwright.output.json_csv import json_text

    if readings is not None and withdraw is not None:
        raise option_error("--withdraw", "with a table of readings", "one of the two")
    if as_csv and as_json:
        raise option_error("--csv", "with --json", "one of the two")
    who = None if who is None else name_of(who, "--who")
    read = read_job(job)
    shown = units.value if units else read.unit.value
    path = record_path(read.path)
    if readings is not None:
        add_readings(read, path, readings, who=who, again=again)
    elif again:
        raise option_error("--again", "without a table of readings", "a table to add")
    if withdraw is not None:
        withdraw_entry(path, withdraw, who=who)
    if readings is None or as_csv or as_json:
        entries, logged = read_record(path)
        if as_csv:
            typer.echo(record_csv(logged, shown), nl=False)
        elif as_json:
            typer.echo(json_text(record_report(read, entries, logged, shown)), nl=False)
        else:
            typer.echo(record_text(read, entries))


@app.command("run")
def run(
    job: JobArgument,
    parts: Annotated[
        Optional[int],  # noqa: UP045 - typer
        typer.Option(
            "--parts", metavar="N", help="Parts to make; left out: the job's.", min=1, max=1_000_000
        ),
    ] = None,
    start: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--start", metavar="MOMENT", help='When it begins, such as "2026-12-07 7:00".'),
    ] = None,
    as_json: Json = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """Parts an hour, when the batch is done by the shop's hours, and how many parts each edge lasts.

    Examples:

    \b
      tiltwright batch run job.toml
      tiltwright batch run job.toml --parts 150 --start "2026-12-07 7:00"

    The times are the job's own: `minutes` of every operation, `hours`, `loading` and re-probing in [batch], `life` of the
    tools; index moves from the order of work, where the machine file states every rotary's index_speed. Nothing is
    guessed: what is not stated is not counted, and is told first.

    Exit code 0: done. 1: an edge does not last for one part, or no platter fits into the hours. 2: the input is wrong.
    """
    from tiltwright.batch.run import RunOptions, batch_run
    from tiltwright.batch.run_output import run_failures, run_report, run_text
    from tiltwright.files.loader import read_job
    from tiltwright.job.evaluate import evaluate_nests
    from tiltwright.job.nests_output import say_nests_messages
    from tiltwright.output.json_csv import json_text
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    read = read_job(job)
    evaluated = evaluate_nests([read])
    found = batch_run(read, evaluated, RunOptions(parts, start))
    unreached = any(nest.unreached for nest in evaluated.nests)
    if unreached:
        say_nests_messages(evaluated, read.unit.value)
    text = json_text(run_report(found)) if as_json else run_text(found)
    show_or_write(text, output, force=force)
    for words in run_failures(found):
        say_no(words)
    if unreached or not found.possible:
        raise typer.Exit(ANSWER_NO)


@app.command("stub")
def stub(
    job: JobArgument,
    units: UnitsOption = None,
    as_json: Json = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """A part left on a stub: does it hold while it is cut, does the arm break it off, and does the arm get there.

    Examples:

    \b
      tiltwright batch stub job.toml
      tiltwright batch stub job.toml --json

    [stub] states section, length, material and strength; `grip` and `arm` how the unloading arm breaks the part off, and
    `unload` at which angles. Each operation's cutting force is its own `force`. The gripper's solids are [[solid]] tables on
    "gripper". `reach` checks the unloading pose too.

    Exit code 0: everything that is stated holds, breaks off and clears. 1: something does not. 2: the input is wrong.
    """
    from tiltwright.batch.stub import stub_failures, stub_report, stub_study, stub_text
    from tiltwright.files.loader import read_job
    from tiltwright.job.evaluate import evaluate_nests
    from tiltwright.job.nests_output import say_nests_messages
    from tiltwright.job.warnings import say_correction
    from tiltwright.output.json_csv import json_text
    from tiltwright.reach.nest_reach import check_apart
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    read = read_job(job)
    evaluated = evaluate_nests([read])
    check_apart(evaluated)
    shown = units.value if units else read.unit.value
    incomplete = not evaluated.complete
    if incomplete:
        say_nests_messages(evaluated, shown)
    else:
        say_correction(evaluated.nests, shown)
    study = stub_study(read, evaluated)
    text = json_text(stub_report(study, shown)) if as_json else stub_text(study, shown)
    show_or_write(text, output, force=force)
    failures = stub_failures(study, shown)
    for words in failures:
        say_no(words)
    if incomplete or failures:
        raise typer.Exit(ANSWER_NO)


@app.command("chart")
def chart(
    job: JobArgument,
    target: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--target", metavar="NAME", help="A check ball or bore; left out: part zero."),
    ] = None,
    baseline: Annotated[
        Optional[int],  # noqa: UP045 - typer
        typer.Option(
            "--baseline", metavar="N", help="Centre and limits from the first N readings; left out: all."
        ),
    ] = None,
    sigma: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--sigma", metavar="LENGTH", help="Standard deviation of one reading, stated."),
    ] = None,
    center: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--center", metavar="LENGTH", help="Centre, stated: 0 holds the parts against the job."),
    ] = None,
    tolerance: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--tolerance", metavar="LENGTH", help="Plus and minus; forecasts when it is left."),
    ] = None,
    minutes: Annotated[
        float, typer.Option("--minutes", metavar="MIN", help="Time of one re-probing.", min=0.0)
    ] = 0.0,
    plot: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option("--plot", metavar="FILE", help="The charts as a picture: .png, .svg or .pdf."),
    ] = None,
    as_json: Json = False,
    units: UnitsOption = None,
    force: Force = False,
) -> None:
    """Chart the record: out of control or not, jump or drift, nests that sit apart, when to probe again.

    Examples:

    \b
      tiltwright batch chart job.toml
      tiltwright batch chart job.toml --baseline 20 --tolerance 0.03 --minutes 4
      tiltwright batch chart job.toml --target "check ball" --plot ball.png

    Individuals and moving range, weighted mean (EWMA) and cumulative sum (CUSUM), each axis for itself. Exit 1 where one is out of control.
    """
    from tiltwright.batch.chart import ChartOptions, chart_series, evaluate_series
    from tiltwright.batch.chart_output import chart_picture, chart_report, chart_text
    from tiltwright.batch.record import read_record, record_path
    from tiltwright.files.atomic_write import check_target, write_atomic
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_job
    from tiltwright.files.parsing import positive_length, typed_length
    from tiltwright.files.units import Unit
    from tiltwright.output.figure_style import picture_ending
    from tiltwright.output.json_csv import json_text
    from tiltwright.terminal.streams import ANSWER_NO, note

    if plot is not None:
        picture_ending(plot)
        check_target(plot, force=force)
    if not math.isfinite(minutes):
        raise option_error("--minutes", f"{minutes}", "minutes, 0 or more")
    read = read_job(job)
    unit = Unit(units.value) if units else read.unit

    options = ChartOptions(
        target,
        baseline,
        None if sigma is None else positive_length(sigma, "--sigma", unit),
        None if center is None else typed_length(center, "--center", unit),
        None if tolerance is None else positive_length(tolerance, "--tolerance", unit),
        minutes,
    )
    _, logged = read_record(record_path(read.path))
    series = chart_series(read, logged, options)
    charts = evaluate_series(series, options)
    if plot is not None:
        picture = chart_picture(read, series, charts, unit.value, plot.suffix.lower())
        write_atomic(plot, picture, force=force)
        note(f"{plot} written", label="done")
    if as_json:
        typer.echo(json_text(chart_report(read, series, charts, unit.value)), nl=False)
    else:
        typer.echo(chart_text(read, series, charts, unit.value))
    if not all(one.in_control for one in charts):
        raise typer.Exit(ANSWER_NO)
