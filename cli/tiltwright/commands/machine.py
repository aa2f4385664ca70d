"""`tiltwright machine`: write a machine file by questions, and show what one says."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tiltwright.commands.options import Force, Json, UnitsOption

__all__ = ["app"]

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Write a machine file by questions, and show what one says.",
)


@app.command("new")
def new(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The machine file to write.", show_default=False)
    ],
    force: Force = False,
) -> None:
    """Write a machine file by questions; each says what the value means and how to find it at the machine.

    Examples:

    \b
      tiltwright machine new mill.toml

    Type back to change an answer. Nothing is written until you have confirmed all answers together.
    """
    from tiltwright.files.atomic_write import check_target, write_atomic
    from tiltwright.machine.wizard import ask_machine
    from tiltwright.terminal.streams import note

    check_target(file, force=force)
    write_atomic(file, ask_machine(), force=force)
    note(f"{file} written; to see it again: tiltwright machine show {file}", label="done")


@app.command("show")
def show(
    file: Annotated[str, typer.Argument(metavar="FILE", help="The machine file.", show_default=False)],
    units: UnitsOption = None,
    as_json: Json = False,
) -> None:
    """Show what a machine file says, and what follows from it.

    Examples:

    \b
      tiltwright machine show mill.toml
      tiltwright machine show mill.toml --units inch
    """
    from tiltwright.files.loader import read_machine
    from tiltwright.machine.description import machine_report, machine_text
    from tiltwright.machine.findings import machine_finding_words, machine_findings
    from tiltwright.output.json_csv import json_text as written
    from tiltwright.terminal.streams import note

    read = read_machine(file, every_implausible=True)
    shown = units.value if units else read.unit.value
    for finding in machine_findings(read.machine):
        note(machine_finding_words(finding, shown))
    if as_json:
        typer.echo(written(machine_report(read.machine, shown)), nl=False)
        return
    typer.echo(machine_text(read.machine, shown))
