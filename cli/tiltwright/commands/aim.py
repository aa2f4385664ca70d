"""`tiltwright aim`: all rotary angles that bring a direction into line with the spindle."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import Json, MachineOption, OneNest, Only, OptionalJob

if TYPE_CHECKING:
    from kinematics.inverse_candidates import TiltSign

__all__ = ["aim"]


def aim(
    job: OptionalJob = None,
    machine: MachineOption = None,
    normal: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--normal", metavar="i,j,k", help="Outward direction in machine X,Y,Z at the all-zero pose."
        ),
    ] = None,
    start: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--from", metavar="A0,C0", help="Angles that the rotaries start from; 0 if left out."),
    ] = None,
    tilt: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--tilt", metavar="SIGN", help="Sign that the tilt must have: positive or negative."),
    ] = None,
    only: Only = None,
    nest: OneNest = None,
    as_json: Json = False,
) -> None:
    """All rotary angles that bring a direction into line with the spindle, and why some are ruled out.

    Examples:

    \b
      tiltwright aim job.toml                                  every aimed operation of a job
      tiltwright aim job.toml --only port                      those of one pattern
      tiltwright aim --machine mill.toml --normal 0,-0.5,0.866
      tiltwright aim --machine mill.toml --normal 1,1,1 --from A-90,C0 --tilt negative

    Motion is the sum of all rotaries' turns, in degrees. The solution that fits with the least motion comes first and is
    the one used. Exit code 1: a direction cannot be reached.
    """
    from tiltwright.files.diagnostics import option_error, shown

    if (job is None) == (machine is None):
        found = "neither" if job is None else "both"
        raise option_error("JOB, --machine", found, "a job file, or --machine FILE with --normal i,j,k")
    sign: TiltSign | None = None
    if tilt is not None:
        if tilt not in {"positive", "negative"}:
            raise option_error("--tilt", shown(tilt), '"positive" or "negative"')
        sign = "positive" if tilt == "positive" else "negative"
    if job is not None:
        for option, value in (("--normal", normal), ("--from", start), ("--tilt", tilt)):
            if value is not None:
                raise option_error(
                    option, "with a job file", f"{option} with --machine only; the job file states it"
                )
        _job(job, only or [], nest, as_json=as_json)
    else:
        if only:
            raise option_error(
                "--only", "with --machine", "--only with a job file; without one no operation has a name"
            )
        if nest is not None:
            raise option_error("--nest", "with --machine", "--nest with a job file that has nests")
        assert machine is not None
        _machine(machine, normal, start, sign, as_json=as_json)


def _job(path: str, only: list[str], nest: str | None, *, as_json: bool) -> None:
    from tiltwright.files.diagnostics import shown
    from tiltwright.job.aim_output import AimedDirection, aim_report, aim_table
    from tiltwright.job.evaluate import evaluate_job
    from tiltwright.output.json_csv import json_text
    from tiltwright.terminal.streams import ANSWER_NO, note

    worked = evaluate_job(path, only, nest)
    aimed = [
        AimedDirection(
            one.placed.name,
            found,
            found.solutions,
            one.placed.singular_axes,
            reached=True,
            turn_deg=one.placed.rotary_offset_deg - found.rotary_offset_deg,
        )
        for one in worked.operations
        if (found := one.placed.aim) is not None
    ]
    aimed += map(AimedDirection.unreached, worked.unreached)
    if as_json:
        typer.echo(json_text(aim_report(worked.job.file.name, aimed)), nl=False)
    else:
        for one in aimed:
            typer.echo(f"{one.heading}\n\n{aim_table(one)}\n")
        stated = [one.placed.name for one in worked.operations if one.placed.aim is None]
        if only:
            for name in stated:
                note(f"{shown(name)} states its angles (`at`), so there is nothing to aim")
        elif not aimed:
            note("every operation states its angles (`at`), so there is nothing to aim")
    if worked.unreached:
        from tiltwright.job.message_wording import unreachable_text
        from tiltwright.terminal.streams import say_no

        for missed in worked.unreached:
            say_no(f"{missed.name}: {unreachable_text(missed)}")
        raise typer.Exit(ANSWER_NO)


def _machine(
    path: str, normal: str | None, start: str | None, tilt: TiltSign | None, *, as_json: bool
) -> None:
    from dataclasses import replace

    import numpy as np

    from kinematics import AIM_WITHIN_DEG
    from kinematics import aim as aim_directions
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_machine
    from tiltwright.files.parsing import check_typed_limits, parse_pose, three_numbers
    from tiltwright.job.aim_output import AimedDirection, aim_report, aim_table
    from tiltwright.output.json_csv import json_text
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    machine = read_machine(path).machine
    if normal is None:
        raise option_error(
            "--normal", "nothing", "i,j,k: the outward direction, machine X,Y,Z at the all-zero pose"
        )
    direction = three_numbers(normal, "--normal", "i,j,k")
    if float(np.linalg.norm(direction)) == 0.0:
        raise option_error("--normal", normal, "a direction, not three zeros")
    previous = parse_pose(start, machine, "--from") if start else np.zeros(len(machine.rotaries))
    if start:
        check_typed_limits(machine, previous, "--from")
    found = aim_directions(machine, direction, previous, tolerance_deg=AIM_WITHIN_DEG, tilt=tilt)
    reached = bool(found.reaches(AIM_WITHIN_DEG))
    aimed = AimedDirection(f"normal {normal}", found, found.solutions, found.singular_axes, reached=reached)
    if as_json:
        typer.echo(json_text(aim_report(None, [aimed])), nl=False)
    else:
        name = f"{aimed.name} on {machine.name}"
        typer.echo(f"{replace(aimed, name=name).heading}\n")
        typer.echo(aim_table(aimed))
    if not reached:
        say_no("no angles within the limits bring that direction to the spindle")
        raise typer.Exit(ANSWER_NO)
