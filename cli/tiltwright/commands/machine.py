"""`tiltwright machine`: describe a machine, and look at what the description says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tiltwright.commands.options import Force, Json, UnitsOption

if TYPE_CHECKING:
    from kinematics import Machine

__all__ = ["app"]

app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Describe a machine, and look at the description."
)


@app.command("new")
def new(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The machine file to write.", show_default=False)
    ],
    force: Force = False,
) -> None:
    """Ask for each value of a machine file, with what it means and how to find it at the machine.

    Examples:

    \b
      tiltwright machine new mill.toml

    Nothing is written until the last question is answered; Ctrl-C leaves no trace.
    """
    from tiltwright.files.atomic_write import check_target, write_atomic
    from tiltwright.machine.wizard import ask_machine
    from tiltwright.terminal.streams import note

    check_target(file, force=force)
    write_atomic(file, ask_machine(), force=force)
    note(f"{file} written; look it over with: tiltwright machine show {file}", label="done")


@app.command("show")
def show(
    file: Annotated[str, typer.Argument(metavar="FILE", help="The machine file.", show_default=False)],
    units: UnitsOption = None,
    as_json: Json = False,
) -> None:
    """What a machine file says, and what follows from it.

    Examples:

    \b
      tiltwright machine show mill.toml
      tiltwright machine show mill.toml --units inch
    """
    from tiltwright.files.loader import read_machine
    from tiltwright.machine.description import machine_text
    from tiltwright.machine.findings import machine_finding_words, machine_findings
    from tiltwright.output.json_csv import json_text as written
    from tiltwright.terminal.streams import note

    read = read_machine(file)
    shown = units.value if units else read.unit.value
    for finding in machine_findings(read.machine):
        note(machine_finding_words(finding, shown))
    if as_json:
        typer.echo(written(_report(read.machine, shown)), nl=False)
        return
    typer.echo(machine_text(read.machine, shown))


def _report(machine: Machine, units: str) -> dict[str, Any]:
    from kinematics import common_perpendicular, is_horizontal, platter_above_tilt_mm, table_frame
    from tiltwright.output.json_csv import length_list

    above = platter_above_tilt_mm(machine)
    frame = table_frame(machine)
    gaps = [
        {
            "between": [first.letter, second.letter],
            "distance": length_list([common_perpendicular(first, second).distance_mm], units)[0],
            "angle_deg": common_perpendicular(first, second).angle_deg,
        }
        for first, second in zip(machine.rotaries, machine.rotaries[1:], strict=False)
    ]
    return {
        "schema": "tiltwright.machine/1",
        "name": machine.name,
        "units": units,
        "z_reference": "gauge line" if machine.z_reference.tool_length_mm is None else "reference tool",
        "rotary": [
            {
                "letter": rotary.letter,
                "point": length_list(rotary.point_mm, units),
                "direction": rotary.direction.tolist(),
                "positive_turn": rotary.positive_turn.value,
                "limits": "endless" if rotary.limits_deg is None else list(rotary.limits_deg),
                "zero": rotary.zero_deg,
                "lies_flat": is_horizontal(rotary),
            }
            for rotary in machine.rotaries
        ],
        "gaps": gaps,
        "platter_above_tilt": None if above is None else length_list([above], units)[0],
        "table": {
            "origin": length_list(frame.translation_mm, units),
            **{axis: frame.rotation[:, i].tolist() for i, axis in enumerate("xyz")},
        },
    }
