"""`tiltwright offsets`: the values to load into the work offsets."""

from __future__ import annotations

import enum
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import (
    Csv,
    Force,
    JobArguments,
    Json,
    MachineOption,
    NestOption,
    Only,
    Output,
    Units,
    UnitsOption,
    show_or_write,
    write_numbered,
)
from tiltwright.files.z_reading import ANY_Z

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import numpy as np
    from numpy.typing import NDArray

    from kinematics import Setup
    from tiltwright.files.loader import ReadJob
    from tiltwright.job.evaluate import EvaluatedJob, EvaluatedNests
    from tiltwright.job.plane_turns import TurnConvention

__all__ = ["offsets"]


_GCODE_SUFFIXES = (".nc", ".ngc", ".gcode", ".gc", ".tap", ".cnc")
"""Endings that programs for a control commonly have; what stands in such a file gets loaded."""


class TurnsAbout(enum.StrEnum):
    """The axes that turns can be about."""

    MOVING = "moving"
    FIXED = "fixed"


def offsets(
    jobs: JobArguments = None,
    machine: MachineOption = None,
    zero: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--zero",
            metavar="X,Y,Z",
            help=f"Part zero as touched off at the all-zero pose; goes with --machine. {ANY_Z}",
        ),
    ] = None,
    touched: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--touched",
            metavar="X,Y,Z",
            help="Part zero as touched off, with --pose: the job's offsets by it, compared with the stack. Z as for --zero.",
        ),
    ] = None,
    pose: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--pose", metavar="A0,C0", help="With --touched: machine angles it was read at, every rotary."
        ),
    ] = None,
    clock: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--clock",
            metavar="DEG",
            help="With --touched: degrees that the part was found turned about its own z beyond the stack's, right-handed.",
        ),
    ] = None,
    nest: NestOption = None,
    at: Annotated[
        Optional[list[str]],  # noqa: UP045 - typer
        typer.Option(
            "--at",
            metavar="A-35,C60",
            help="Program angles of a pose; a rotary left out is at 0. May be given again.",
        ),
    ] = None,
    grid: Annotated[
        Optional[list[str]],  # noqa: UP045 - typer
        typer.Option("--grid", metavar="A=-90:0:15", help="Every combination of these angles, FROM:TO:STEP."),
    ] = None,
    only: Only = None,
    turns: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--turns",
            metavar="z-x-z",
            help="Also the three turns, in this order, that take the part's x, y, z to the program's X, Y, Z.",
        ),
    ] = None,
    turns_about: Annotated[
        Optional[TurnsAbout],  # noqa: UP045 - typer
        typer.Option(
            "--turns-about",
            help="With --turns: axes that turn with the part (moving; if left out) or stay (fixed).",
        ),
    ] = None,
    units: UnitsOption = None,
    as_json: Json = False,
    as_csv: Csv = False,
    gcode: Annotated[
        bool, typer.Option("--gcode", help="G10 L2 lines (RS274/NGC) that load the offsets and move nothing.")
    ] = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """The work offset of every operation of a job, or of one part zero at any pose.

    Examples:

    \b
      tiltwright offsets job.toml                      a table
      tiltwright offsets job.toml --gcode -o load.nc   G-code that loads them
      tiltwright offsets job.toml --json               for another program
      tiltwright offsets job.toml --only "port 3"      one operation
      tiltwright offsets job.toml --turns z-x-z        and each plane as three angles
      tiltwright offsets job.toml --touched -381.0,-203.4,-179.1 --pose A0,C0
                                                       by part zero as touched off
      tiltwright offsets left.toml right.toml --gcode -o load.nc
                                                       two jobs on one table, no offset claimed twice
      tiltwright offsets job.toml --grid A=-90:0:15 --grid C=0:345:15
                                                       part zero at every tilt
      tiltwright offsets --machine mill.toml --zero -381.0,-203.4,-179.1 --at A-35,C60 --at A-90
                                                       without a job: part zero as touched off at A0 C0

    Exit code 0: every operation is placed. 1: one cannot be reached, or part zero was touched off too far from where the
    stack puts it. 2: the input is wrong.
    """
    if sum((as_json, as_csv, gcode)) > 1:
        from tiltwright.files.diagnostics import option_error

        raise option_error("--json, --csv, --gcode", "more than one", "one of them at a time")
    if not gcode and output is not None and output.suffix.lower() in _GCODE_SUFFIXES:
        from tiltwright.files.diagnostics import option_error

        raise option_error(
            "-o",
            f"{output.name} without --gcode",
            f"--gcode -o {output.name}",
            "a table, CSV or JSON takes another ending, such as .txt, .csv or .json",
        )
    job = None if not jobs else jobs[0]
    _check_zero(job, machine, zero, touched, pose)
    _check_poses(machine, only, gcode=gcode, poses=(at, grid))
    _check_nests(jobs or [], nest, touched, clock, poses=bool(at or grid))
    convention = _convention(turns, turns_about, gcode=gcode)
    form = "json" if as_json else "csv" if as_csv else "gcode" if gcode else "table"
    if jobs and len(jobs) > 1:
        from tiltwright.files.loader import read_job

        together = _apart([read_job(path) for path in jobs], only or [])
        _nests(together, units, output, convention, form, force=force)
        return
    read = None if job is None else _read(job, nest)
    if read is not None and read.nests and nest is None:
        _check_all_nests(read, touched, poses=bool(at or grid))
        _nests(_apart([read], only or []), units, output, convention, form, force=force)
        return
    evaluated = None if read is None else _evaluated(read, nest, only or [], touched, pose, clock, units)
    if evaluated is None or at or grid:
        _poses(
            evaluated,
            machine,
            zero,
            at or [],
            grid or [],
            units,
            output,
            convention,
            form,
            force=force,
        )
    elif read is not None and evaluated.loader_count > 1 and nest is None and clock is None:
        from tiltwright.job.evaluate import evaluate_nests

        _nests(evaluate_nests([evaluated.job], only or []), units, output, convention, form, force=force)
    else:
        _job(evaluated, units, output, convention, form, force=force)


def _apart(jobs: list[ReadJob], only: list[str]) -> EvaluatedNests:
    """All nests of the jobs evaluated, which do not stand in each other's way."""
    from tiltwright.job.evaluate import evaluate_nests
    from tiltwright.reach.nest_reach import check_apart

    together = evaluate_nests(jobs, only)
    check_apart(together)
    return together


def _check_nests(
    jobs: list[str], nest: str | None, touched: str | None, clock: str | None, *, poses: bool
) -> None:
    """Refuse options on nests and on parts that do not go together."""
    from tiltwright.files.diagnostics import option_error

    if clock is not None and touched is None:
        raise option_error("--clock", "no --touched", "--clock with --touched X,Y,Z only")
    if not jobs and nest is not None:
        raise option_error("--nest", "without a job file", "--nest with a job file that has nests")
    if len(jobs) > 1:
        for option, given in (("--nest", nest), ("--touched", touched), ("--at, --grid", poses or None)):
            if given is not None:
                raise option_error(option, "with several job files", f"{option} with one job file")


def _check_all_nests(read: ReadJob, touched: str | None, *, poses: bool) -> None:
    """Refuse options that are about one part where all nests are asked for."""
    from tiltwright.files.diagnostics import one_of, option_error

    option = "--touched" if touched is not None else "--at, --grid" if poses else None
    if option is not None:
        names = one_of([one.nest.name for one in read.nests])
        raise option_error(
            option, "no --nest", f"{option} with --nest: {names}", "it is about the part in one nest"
        )


def _read(path: str, nest: str | None) -> ReadJob:
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_job

    read = read_job(path)
    if nest is not None and not read.nests:
        raise option_error("--nest", "a job without nests", "--nest where the job has [[nest]] tables")
    return read


def _check_zero(
    job: str | None, machine: str | None, zero: str | None, touched: str | None, pose: str | None
) -> None:
    """Refuse options on part zero that do not go together."""
    from tiltwright.files.diagnostics import option_error, shown

    if (job is None) == (machine is None):
        found = "neither" if job is None else f"both, JOB being {shown(job)}"
        tip = "three numbers after --zero? commas, no spaces: --zero 1,2,3" if zero is not None else ""
        raise option_error(
            "JOB, --machine", found, "a job file, or --machine FILE with --zero X,Y,Z and --at or --grid", tip
        )
    if job is not None and zero is not None:
        raise option_error(
            "--zero", "with a job file", "--zero with --machine only; a job file has a part zero of its own"
        )
    if touched is not None and job is None:
        raise option_error(
            "--touched", "without a job file", "--touched with a job file; with --machine it is --zero"
        )
    if pose is not None and touched is None:
        raise option_error("--pose", "no --touched", "--pose with --touched X,Y,Z only")


def _check_poses(
    machine: str | None,
    only: list[str] | None,
    *,
    gcode: bool,
    poses: tuple[list[str] | None, list[str] | None],
) -> None:
    """Refuse options on operations and poses that do not go together."""
    from tiltwright.files.diagnostics import option_error

    at, grid = poses
    if machine is not None and only:
        raise option_error(
            "--only", "with --machine", "--only with a job file; without one no operation has a name"
        )
    if at and grid:
        raise option_error("--at, --grid", "both", "one of them")
    if (at or grid) and gcode:
        raise option_error(
            "--gcode",
            "with --at or --grid",
            "--gcode with a job file alone; poses have no work offset number",
        )
    if (at or grid) and only:
        raise option_error(
            "--only",
            "with --at or --grid",
            "one or the other; --at and --grid show part zero, not operations",
        )


def _evaluated(
    job: ReadJob,
    nest: str | None,
    only: list[str],
    touched: str | None,
    pose: str | None,
    clock: str | None,
    units: Units | None,
) -> EvaluatedJob:
    """The job evaluated, by part zero and clocking as typed where they were."""
    from tiltwright.job.evaluate import evaluate_read_job

    if touched is None:
        return evaluate_read_job(job, only, nest)
    from tiltwright.files.units import Unit
    from tiltwright.job.typed_touch import evaluated_at_typed_zero

    unit = Unit(units.value) if units else None
    return evaluated_at_typed_zero(job, nest, only, (touched, pose, clock), unit)


def _convention(text: str | None, about: TurnsAbout | None, *, gcode: bool) -> TurnConvention | None:
    """The convention asked for by --turns and --turns-about."""
    from tiltwright.files.diagnostics import option_error

    if text is None:
        if about is not None:
            raise option_error(
                "--turns-about", "no --turns", "it only says which axes --turns z-x-z is about"
            )
        return None
    if gcode:
        raise option_error(
            "--turns", "with --gcode", "--turns with a table, --json or --csv: G10 has no turns"
        )
    from tiltwright.job.plane_turns import parse_convention

    return parse_convention(text, moving=about is not TurnsAbout.FIXED)


def _job(
    evaluated: EvaluatedJob,
    units: Units | None,
    output: Output,
    turns: TurnConvention | None,
    form: str,
    *,
    force: bool,
) -> None:
    from tiltwright.job import offsets_output
    from tiltwright.job.warnings import say_messages
    from tiltwright.output.json_csv import json_text

    shown = units.value if units else evaluated.job.unit.value
    say_messages(evaluated, shown)

    def expanded() -> Mapping[tuple[str, str | None], tuple[float, float, float]] | None:
        return _uncertainties((evaluated,))

    def loader() -> str:
        from tiltwright.job.offsets_gcode import program

        return program(evaluated, shown)

    forms: dict[str, Callable[[], str]] = {
        "json": lambda: json_text(offsets_output.offsets_report(evaluated, shown, turns, expanded())),
        "csv": lambda: offsets_output.offsets_csv(evaluated, shown, turns, expanded()),
        "gcode": loader,
        "table": lambda: offsets_output.offsets_table(evaluated, shown, turns, expanded()),
    }
    _show(lambda: (forms[form](),), form, output, complete=evaluated.complete, force=force)


def _nests(
    evaluated: EvaluatedNests,
    units: Units | None,
    output: Output,
    turns: TurnConvention | None,
    form: str,
    *,
    force: bool,
) -> None:
    """The offsets of all nests; several loaders are written into files of their own, numbered."""
    from tiltwright.job import nests_output
    from tiltwright.output.json_csv import json_text

    shown = units.value if units else evaluated.nests[0].job.unit.value
    nests_output.say_nests_messages(evaluated, shown)

    def loaders() -> tuple[str, ...]:
        from tiltwright.job.offsets_gcode import loader_programs

        return loader_programs(evaluated, shown)

    forms = {
        "json": lambda: (
            json_text(nests_output.nests_report(evaluated, shown, turns, _of_nests(evaluated))),
        ),
        "csv": lambda: (nests_output.nests_csv(evaluated, shown, turns, _of_nests(evaluated)),),
        "gcode": loaders,
        "table": lambda: (nests_output.nests_table(evaluated, shown, turns, _of_nests(evaluated)),),
    }
    _show(forms[form], form, output, complete=evaluated.complete, force=force)


def _show(
    texts: Callable[[], tuple[str, ...]], form: str, output: Output, *, complete: bool, force: bool
) -> None:
    """Show or write offsets, or refuse to: an incomplete set must not be loaded; a table shows what there is of it."""
    from tiltwright.terminal.streams import ANSWER_NO, note

    if not complete and (form == "gcode" or output is not None):
        note("nothing was written")
        raise typer.Exit(ANSWER_NO)
    made = texts()
    if len(made) > 1 and output is not None:
        write_numbered(made, output, force=force)
    else:
        show_or_write("".join(made), output, force=force)
    if not complete:
        raise typer.Exit(ANSWER_NO)


def _uncertainties(
    evaluated: tuple[EvaluatedJob, ...],
) -> Mapping[tuple[str, str | None], tuple[float, float, float]] | None:
    """The expanded uncertainties of the offsets, where the job says how far anything may be off."""
    from tiltwright.files.uncertainty_checks import states_uncertainty

    if not states_uncertainty(evaluated[0].job.file):
        return None
    from tiltwright.uncertainty.evaluation import expanded_uncertainties

    return expanded_uncertainties(evaluated)


def _of_nests(
    evaluated: EvaluatedNests,
) -> Mapping[tuple[str, str | None], tuple[float, float, float]] | None:
    """The same of all nests of a job; operations of several jobs may share a name, and go without."""
    return None if evaluated.several_jobs else _uncertainties(evaluated.nests)


def _poses(
    evaluated: EvaluatedJob | None,
    machine: str | None,
    zero: str | None,
    at: list[str],
    grid: list[str],
    units: Units | None,
    output: Output,
    turns: TurnConvention | None,
    form: str,
    *,
    force: bool,
) -> None:
    from tiltwright.files.diagnostics import option_error
    from tiltwright.job.poses_output import poses_text, say_beyond_travel
    from tiltwright.job.warnings import say_messages, say_of_typed_zero, touch_off_messages
    from tiltwright.terminal.progress_line import progress_bar
    from tiltwright.terminal.streams import ANSWER_NO, note

    if evaluated is None:
        assert machine is not None
        setup, unit = _typed_setup(machine, zero, units)
        say_of_typed_zero(setup, unit)
    else:
        setup, unit = evaluated.setup, units.value if units else evaluated.job.unit.value
    if not at and not grid:
        raise option_error(
            "--at, --grid", "neither", "--at A-35,C60 (may be given again), or --grid A=-90:0:15"
        )
    program = _program_poses(setup, at, grid, long=form in {"json", "csv"})
    refused = evaluated is not None and evaluated.touch_too_far
    if evaluated is not None:
        say_messages(evaluated, unit, touch_off_messages(evaluated))
    with progress_bar():
        say_beyond_travel(setup, program, unit, "--grid" if grid else "--at")
        if refused and output is not None:
            note("nothing was written")
        else:
            text = poses_text(evaluated, setup, program, unit, turns, form)
            show_or_write(text, output, force=force)
    if refused:
        raise typer.Exit(ANSWER_NO)


_MOST_IN_TABLE, _MOST_POSES = 50_000, 1_000_000
"""A table is laid out as a whole: these take 4 s and 300 MB. JSON and CSV go out as they are made: 40 s, 150 MB."""


def _program_poses(setup: Setup, at: list[str], grid: list[str], *, long: bool) -> NDArray[np.float64]:
    """The poses typed, shape (k, n), as program angles; a long list of them goes out as JSON or CSV only."""
    import numpy as np

    from tiltwright.files.parsing import parse_grid, parse_pose

    if not grid:
        return np.array([parse_pose(text, setup.machine, "--at") for text in at])
    if long:
        return parse_grid(grid, setup.machine, "--grid", _MOST_POSES)
    tip = f"take a larger step, or --csv or --json: they may have {_MOST_POSES}"
    return parse_grid(grid, setup.machine, "--grid", _MOST_IN_TABLE, tip)


def _typed_setup(machine: str, zero: str | None, units: Units | None) -> tuple[Setup, str]:
    """The setup of a part zero typed for the all-zero pose, and the unit to show."""
    import numpy as np

    from kinematics import Pose, Setup, table_frame
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_machine
    from tiltwright.files.parsing import three_lengths
    from tiltwright.files.units import Unit

    read = read_machine(machine)
    if zero is None:
        raise option_error(
            "--zero",
            "nothing",
            f"X,Y,Z: the machine coordinates of part zero, touched off at the all-zero pose. {ANY_Z}",
        )
    unit = Unit(units.value) if units else read.unit
    touched = three_lengths(zero, "--zero", "X,Y,Z", unit)
    part_in_table = table_frame(read.machine).inverse() @ Pose(np.eye(3), touched)
    return Setup(read.machine, part_in_table, np.zeros(len(read.machine.rotaries))), unit.value
