"""`tiltwright offsets`: what to load into the work offsets."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import (
    Force,
    Json,
    MachineOption,
    Only,
    OptionalJob,
    Output,
    Units,
    UnitsOption,
    show_or_write,
)

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

    from kinematics import Setup

__all__ = ["offsets"]


def offsets(
    job: OptionalJob = None,
    machine: MachineOption = None,
    zero: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--zero", metavar="X,Y,Z", help="Part zero touched off at the all-zero pose, with --machine."
        ),
    ] = None,
    at: Annotated[
        Optional[list[str]],  # noqa: UP045 - typer
        typer.Option(
            "--at", metavar="A-35,C60", help="Program angles to stand at; a rotary left out stands at 0."
        ),
    ] = None,
    grid: Annotated[
        Optional[list[str]],  # noqa: UP045 - typer
        typer.Option("--grid", metavar="A=-90:0:15", help="Every combination of these angles, from:to:step."),
    ] = None,
    only: Only = None,
    units: UnitsOption = None,
    as_json: Json = False,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="CSV, full precision, units in the column names.")
    ] = False,
    gcode: Annotated[
        bool, typer.Option("--gcode", help="G10 L2 lines (RS274/NGC) that load them; no motion.")
    ] = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """The work offset of every operation.

    Examples:

    \b
      tiltwright offsets job.toml                      a table
      tiltwright offsets job.toml --gcode -o load.nc   lines to load at the machine
      tiltwright offsets job.toml --json               for another program
      tiltwright offsets job.toml --only "port 3"      one operation
      tiltwright offsets job.toml --grid A=-90:0:15 --grid C=0:345:15
                                                       part zero at every tilt
      tiltwright offsets --machine mill.toml --zero -381.0,-203.4,-179.1 --at A-35,C60 --at A-90
                                                       without a job: part zero as touched off at A0 C0

    Ends with 0 when all is placed, 1 when an operation cannot be reached, 2 when the input is wrong.
    """
    from tiltwright.files.parsing import option_error

    if sum((as_json, as_csv, gcode)) > 1:
        raise option_error("--json, --csv, --gcode", "more than one", "one of them at a time")
    if (job is None) == (machine is None):
        found = "neither" if job is None else "both"
        raise option_error(
            "JOB, --machine", found, "a job file, or --machine FILE with --zero X,Y,Z and --at or --grid"
        )
    if job is not None and zero is not None:
        raise option_error(
            "--zero", "beside a job file", "--zero with --machine only: a job file has its part zero"
        )
    if machine is not None and only:
        raise option_error(
            "--only", "beside --machine", "--only with a job file: there are no named operations"
        )
    if at and grid:
        raise option_error("--at, --grid", "both", "one of them")
    if (at or grid) and gcode:
        raise option_error(
            "--gcode", "with --at or --grid", "--gcode with a job file: poses have no work offset number"
        )
    if (at or grid) and only:
        raise option_error(
            "--only", "with --at or --grid", "one of them: those show part zero, not operations"
        )
    if machine is not None or at or grid:
        text = _poses(job, machine, zero, at or [], grid or [], units, as_json=as_json, as_csv=as_csv)
        show_or_write(text, output, force=force)
        return
    assert job is not None
    _job(job, only or [], units, output, as_json=as_json, as_csv=as_csv, gcode=gcode, force=force)


def _job(
    path: str,
    only: list[str],
    units: Units | None,
    output: Output,
    *,
    as_json: bool,
    as_csv: bool,
    gcode: bool,
    force: bool,
) -> None:
    from tiltwright.job.evaluate import evaluate_job
    from tiltwright.job.warnings import say_remarks
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    worked = evaluate_job(path, only)
    shown = units.value if units else worked.job.unit.value
    say_remarks(worked, shown)
    if not worked.complete and (gcode or output is not None):
        # What cannot be loaded as a whole must not be loaded in part; the table on screen shows what there is.
        say_no("nothing was written")
        raise typer.Exit(ANSWER_NO)
    if as_json or as_csv:
        from tiltwright.job import offsets_output
        from tiltwright.output.json_csv import json_text

        text = (
            json_text(offsets_output.offsets_report(worked, shown))
            if as_json
            else offsets_output.offsets_csv(worked, shown)
        )
    elif gcode:
        from tiltwright.job.offsets_gcode import program

        text = program(worked, shown)
    else:
        from tiltwright.job.offsets_output import offsets_table

        text = offsets_table(worked, shown)
    show_or_write(text, output, force=force)
    if not worked.complete:
        raise typer.Exit(ANSWER_NO)


def _poses(
    job: str | None,
    machine: str | None,
    zero: str | None,
    at: list[str],
    grid: list[str],
    units: Units | None,
    *,
    as_json: bool,
    as_csv: bool,
) -> str:
    import numpy as np

    from kinematics import plane_axes, work_offset
    from tiltwright.files.parsing import check_limits, option_error, parse_grid, parse_pose
    from tiltwright.job import offsets_output
    from tiltwright.output.json_csv import json_text

    setup, name, shown = _setup(job, machine, zero, units)
    if not at and not grid:
        raise option_error(
            "--at, --grid", "neither", "--at A-35,C60 (may be given again) or --grid A=-90:0:15"
        )
    letters = setup.machine
    program = (
        parse_grid(grid, letters, "--grid")
        if grid
        else np.array([parse_pose(text, letters, "--at") for text in at])
    )
    reached = setup.machine_deg(program)
    check_limits(letters, reached, "--grid" if grid else "--at")
    offset_mm = work_offset(setup, [0.0, 0.0, 0.0], reached)
    if as_csv:
        return offsets_output.poses_csv(letters, program, reached, offset_mm, shown)
    if as_json:
        axes = plane_axes(setup, reached)
        return json_text(
            offsets_output.poses_report(letters, name, program, reached, offset_mm, axes, np.zeros(3), shown)
        )
    from tiltwright.job.offsets_output import poses_table
    from tiltwright.output.tables import units_words

    title = (
        f"{name or 'Part zero as typed'}: part zero's work offset in {units_words(shown)}, on {letters.name}"
    )
    return poses_table(letters, program, offset_mm, title, shown)


def _setup(
    job: str | None, machine: str | None, zero: str | None, units: Units | None
) -> tuple[Setup, str | None, str]:
    """The setup of a job, or of a part zero typed in at the all-zero pose; its name; the unit to show."""
    import numpy as np

    from kinematics import Pose, Setup, table_frame
    from tiltwright.files.loader import read_machine
    from tiltwright.files.parsing import option_error, three_numbers
    from tiltwright.files.units import Unit
    from tiltwright.job.evaluate import evaluate_job

    if job is not None:
        worked = evaluate_job(job)
        return worked.setup, worked.job.file.name, units.value if units else worked.job.unit.value
    assert machine is not None
    read = read_machine(machine)
    if zero is None:
        raise option_error(
            "--zero",
            "nothing",
            "X,Y,Z: the machine coordinates of part zero, touched off at the all-zero pose",
        )
    unit = Unit(units.value) if units else read.unit
    touched: NDArray[float64] = np.vectorize(unit.to_mm)(three_numbers(zero, "--zero", "X,Y,Z"))
    part_in_table = table_frame(read.machine).inverse() @ Pose(np.eye(3), touched)
    return Setup(read.machine, part_in_table, np.zeros(len(read.machine.rotaries))), None, unit.value
