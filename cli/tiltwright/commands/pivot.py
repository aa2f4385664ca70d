"""`tiltwright pivot`: where the rotary axes really are."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from tiltwright.commands import pivot_fit, pivot_plan, pivot_practice
from tiltwright.commands.options import Force, Json, RequiredMachine

__all__ = ["app", "log", "restore"]


def log(
    machine: RequiredMachine,
    plot: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option("--plot", metavar="FILE", help="A plot of each line's drift: .png, .svg or .pdf."),
    ] = None,
    as_json: Json = False,
    force: Force = False,
) -> None:
    """List every calibration that was written: when, by whom, and the drift of each line.

    Examples:

    \b
      tiltwright pivot log -m mill.toml
      tiltwright pivot log -m mill.toml --plot drift.png

    The log lies beside the machine file, one calibration a line: mill.calibrations.jsonl.
    """
    from tiltwright.calibration.calibration_log import (
        is_current,
        last_applied,
        log_report,
        log_text,
        read_log,
    )
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_machine
    from tiltwright.output.figure_style import picture_ending
    from tiltwright.output.json_csv import json_text as written
    from tiltwright.terminal.streams import note

    if plot is not None:
        picture_ending(plot)
    read = read_machine(machine)
    entries = read_log(read.path)
    if plot is not None:
        from tiltwright.calibration.plots import drift_plot
        from tiltwright.files.atomic_write import write_atomic

        if last_applied(entries) is None:
            raise option_error(
                "--plot", "no calibration in the log yet", "at least one, by pivot fit --write"
            )
        write_atomic(plot, drift_plot(read.file.name, entries, plot.suffix.lower(), read.unit), force=force)
        note(f"{plot} written", label="done")
    if as_json:
        typer.echo(written(log_report(read, entries)), nl=False)
    else:
        typer.echo(log_text(read, entries))
    for entry in entries:
        if entry.edited:
            note(f"calibration {entry.number} was edited after it was written", label="caution")
    if entries and not entries[-1].applied:
        note(
            f"calibration {entries[-1].number} is in the log, but the machine file never had it: its command was stopped. "
            "Write it again",
            label="caution",
        )
    if not is_current(read, entries):
        note(
            "the machine file's lines are not those that were written last: somebody has changed them by hand",
            label="caution",
        )


def restore(
    number: Annotated[
        int,
        typer.Argument(metavar="NUMBER", help="From `pivot log`; 0 is before the first.", show_default=False),
    ],
    machine: RequiredMachine,
    who: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--who", metavar="NAME", help="Who restores it, for the log."),
    ] = None,
    edited: Annotated[
        bool, typer.Option("--edited", help="Use a record even if it was edited after it was written.")
    ] = False,
) -> None:
    """Restore the lines of an earlier calibration in the machine file; the log records that too.

    Examples:

    \b
      tiltwright pivot restore 3 -m mill.toml     the lines as calibration 3 wrote them
      tiltwright pivot restore 0 -m mill.toml     as they were before the first calibration
    """
    from tiltwright.calibration.apply import OFFSETS_ARE_OLD
    from tiltwright.calibration.apply import restore as bring_back
    from tiltwright.files.atomic_write import exclusive_lock
    from tiltwright.files.loader import read_machine
    from tiltwright.files.parsing import name_of
    from tiltwright.terminal.streams import note

    if who is not None:
        who = name_of(who, "--who")
    read_machine(machine)
    with exclusive_lock(machine):
        entry = bring_back(read_machine(machine), number, who=who, edited=edited)
    what = "the lines from before the first calibration" if number == 0 else f"calibration {number}"
    note(f"{machine} has {what} again; the log has it as {entry.number}", label="done")
    note(OFFSETS_ARE_OLD)


app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Find the pivots: plan the probing, fit the rotaries' lines, keep their history, practise.",
)
app.command("plan")(pivot_plan.plan)
app.command("fit")(pivot_fit.fit)
app.command("practice")(pivot_practice.practice)
app.command("log")(log)
app.command("restore")(restore)
