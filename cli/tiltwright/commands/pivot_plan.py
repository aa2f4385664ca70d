"""`tiltwright pivot plan`: before anyone probes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import Force, Json, RequiredMachine, UnitsOption, refuse_pictures

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

    from kinematics import Machine
    from kinematics.calibration import PlannedTarget
    from tiltwright.calibration.plan import EvaluatedPlan
    from tiltwright.calibration.plan_data import Plan
    from tiltwright.calibration.probe_program import Program
    from tiltwright.files.units import Unit

__all__ = ["plan", "plan_of"]


def plan(
    plan_file: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Argument(metavar="[PLAN]", help="A plan file (TOML).", show_default=False),
    ] = None,
    machine: RequiredMachine = "",
    target: Annotated[
        Optional[list[str]],  # noqa: UP045 - typer
        typer.Option(
            "--target",
            metavar="NAME,KIND,X,Y,Z[,+Z]",
            help="A target and its place at the all-zero pose; again for more.",
        ),
    ] = None,
    at: Annotated[
        Optional[list[str]],  # noqa: UP045 - typer
        typer.Option("--at", metavar="A-30,C60", help="A pose, machine angles; again for more."),
    ] = None,
    choose: Annotated[
        Optional[int],  # noqa: UP045 - typer
        typer.Option("--choose", metavar="COUNT", help="Choose so many poses (12 where none are stated)."),
    ] = None,
    repeatability: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--repeatability",
            metavar="LENGTH",
            help="The probe's standard uncertainty in each coordinate (0.002, 0.0001in).",
        ),
    ] = None,
    gcode: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option("--gcode", metavar="FILE", help="Write the probing program (RS274/NGC)."),
    ] = None,
    parameters: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option(
            "--parameters",
            metavar="FILE",
            help="Write the list of parameters that the control must have before the run.",
        ),
    ] = None,
    form: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option(
            "--form", metavar="FILE", help="Write a form for the readings, to fill in by hand (CSV)."
        ),
    ] = None,
    former_form: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option("--blank", metavar="FILE", hidden=True),
    ] = None,
    units: UnitsOption = None,
    as_json: Json = False,
    force: Force = False,
) -> None:
    """Plan the probing: poses, expected readings, the uncertainty they would give, and the program that takes them.

    Examples:

    \b
      tiltwright pivot plan spring_check.toml -m mill.toml
      tiltwright pivot plan spring_check.toml -m mill.toml --gcode probe.nc --parameters lines.txt
      tiltwright pivot plan -m mill.toml --target "ball 1,ball,-331,-203.4,-310.5" --repeatability 0.002
      tiltwright pivot plan -m mill.toml --target "ball 1,ball,-331,-203.4,-310.5" --repeatability 0.002 --at A0,C0 --at A-90,C0

    The program needs a plan file: it must know the diameters, the stems and the probe. It moves to the top of the travel before
    anything turns, and keeps every reading in numbered parameters: save the control's parameter file after the run and
    give it to `pivot fit`. Ends with 0 when done, 2 when the input is wrong.
    """
    from kinematics import KinematicsError
    from tiltwright.calibration.plan import evaluate_plan
    from tiltwright.calibration.plan_text import plan_report, plan_text
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_machine
    from tiltwright.files.toml_source import add_notice
    from tiltwright.output.json_csv import json_text as written
    from tiltwright.terminal.streams import fail, note

    if not machine:
        raise option_error("--machine", "nothing", "--machine FILE")
    if former_form is not None:
        add_notice("--blank is now called --form; the next version will not know --blank any more")
        form = form or former_form
    read = read_machine(machine)
    unit = read.unit if units is None else _unit(units.value)
    made = plan_of(plan_file, read.machine, unit, target or [], at or [], choose, repeatability)
    outputs = _Outputs(gcode, parameters, form)
    outputs.check(with_plan_file=plan_file is not None, force=force)
    try:
        evaluated = evaluate_plan(made, read.machine)
    except KinematicsError as refusal:
        fail(f"{plan_file}: {refusal}" if plan_file else str(refusal))
    program = outputs.write(evaluated, plan_file or "", unit.value, force=force)
    typer.echo(
        written(plan_report(evaluated, unit.value, program))
        if as_json
        else plan_text(evaluated, unit.value, program) + "\n",
        nl=False,
    )
    if gcode is not None:
        note(
            "a control saves only the parameters that were in its file when it was read: first put the lines of "
            "--parameters into that file, in ascending order of the numbers"
        )
        note(
            "G10 L2 P9 in the program sets work offset 9 to 0, and it stays so: note its old values before the run"
        )


@dataclass(frozen=True)
class _Outputs:
    """The files that were asked for."""

    gcode: Path | None
    parameters: Path | None
    form: Path | None

    @property
    def wanted(self) -> tuple[Path | None, ...]:
        """The three files, None for those not asked for."""
        return self.gcode, self.parameters, self.form

    def check(self, *, with_plan_file: bool, force: bool) -> None:
        from tiltwright.files.atomic_write import check_targets
        from tiltwright.files.diagnostics import option_error

        if not with_plan_file and (self.gcode or self.parameters):
            allowed = "a plan file that says diameters and probe"
            raise option_error("--gcode, --parameters", "without a plan file", allowed)
        wanted = [path for path in self.wanted if path is not None]
        refuse_pictures(wanted, "--gcode, --parameters, --form")
        check_targets(wanted, force=force)

    def write(self, evaluated: EvaluatedPlan, plan_file: str, units: str, *, force: bool) -> Program | None:
        from tiltwright.calibration.plan_text import blank_table
        from tiltwright.calibration.probe_program import parameter_lines, probing_program
        from tiltwright.files.atomic_write import write_all
        from tiltwright.terminal.streams import note

        program = None
        contents: dict[Path, str | bytes] = {}
        if self.form is not None:
            contents[self.form] = blank_table(evaluated, units)
        if self.gcode is not None or self.parameters is not None:
            program = probing_program(evaluated, plan_file)
            if self.gcode is not None:
                contents[self.gcode] = program.text
            if self.parameters is not None:
                contents[self.parameters] = parameter_lines(evaluated)
        write_all(contents, force=force)
        for output in contents:
            note(f"{output} written", label="done")
        return program


def _unit(name: str) -> Unit:
    from tiltwright.files.units import Unit

    return Unit(name)


def plan_of(
    path: str | None,
    machine: Machine,
    unit: Unit,
    targets: list[str],
    poses: list[str],
    choose: int | None,
    repeatability: str | None,
) -> Plan:
    """The plan from its file, or from what was typed."""
    from tiltwright.calibration.plan import read_plan
    from tiltwright.calibration.plan_data import DEFAULT_POSES, Plan
    from tiltwright.files.diagnostics import option_error

    if path is not None:
        for option, given in (
            ("--target", bool(targets)),
            ("--at", bool(poses)),
            ("--choose", choose is not None),
            ("--repeatability", repeatability is not None),
        ):
            if given:
                raise option_error(
                    option, "beside a plan file", f"{option} without one: the plan file says it"
                )
        return read_plan(path, machine)
    made = _typed_targets(targets, unit)
    sigma_mm = _typed_repeatability(repeatability, unit)
    _check_places(made, machine, unit)
    if poses and choose is not None:
        raise option_error("--at, --choose", "both", "one of them")
    if choose is not None and not 1 <= choose <= 400:
        raise option_error("--choose", str(choose), "1 to 400 poses")
    return Plan(
        name="Plan",
        units=unit,
        targets=tuple(made),
        diameters_mm=(None,) * len(made),
        poses_deg=_typed_poses(poses, machine),
        choose=choose or DEFAULT_POSES,
        step_deg=30.0,
        sigma_mm=sigma_mm,
        probe=None,
    )


def _typed_targets(texts: list[str], unit: Unit) -> list[PlannedTarget]:
    from tiltwright.files.diagnostics import option_error

    if not texts:
        raise option_error(
            "PLAN, --target", "neither", "a plan file, or --target for everything to be probed"
        )
    made = [_typed_target(text, unit) for text in texts]
    if len({one.name for one in made}) < len(made):
        raise option_error("--target", "a name twice", "a name of its own for every target")
    return made


def _check_places(targets: list[PlannedTarget], machine: Machine, unit: Unit) -> None:
    """Refuse a target where the machine never comes."""
    from tiltwright.calibration.plan import INCHES, inches_as_mm, place_tip, point_outside_travels
    from tiltwright.files.diagnostics import option_error

    for target in targets:
        outside = point_outside_travels(machine, target.points_mm)
        if outside is not None:
            found = f"{target.name}, outside the machine's travel in {'XYZ'[outside[1]]} at the all-zero pose"
            tip = place_tip(machine, target.points_mm, outside[1], unit)
            raise option_error("--target", found, "a place within the travels", tip)
        if inches_as_mm(machine, target.points_mm, unit):
            found = f"{target.name}, far from the platter"
            raise option_error("--target", found, "a place on the table, at the all-zero pose", INCHES)


def _typed_repeatability(text: str | None, unit: Unit) -> float:
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.parsing import positive_length

    if text is None:
        raise option_error("--repeatability", "nothing", "the probe's standard uncertainty, above 0")
    return positive_length(text, "--repeatability", unit)


def _typed_poses(texts: list[str], machine: Machine) -> NDArray[float64] | None:
    import numpy as np

    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.parsing import check_typed_limits, parse_pose

    if not texts:
        return None
    poses = np.array([parse_pose(text, machine, "--at", every=True) for text in texts])
    check_typed_limits(machine, poses, "--at")
    if len(np.unique(poses, axis=0)) < len(poses):
        raise option_error("--at", "a pose twice", "every pose once")
    return poses


def _typed_target(text: str, unit: Unit) -> PlannedTarget:
    import numpy as np

    from kinematics.calibration import PlannedTarget, TargetKind
    from tiltwright.calibration.raw_readings import kind_cell
    from tiltwright.files.diagnostics import InvalidValue, option_error, shown
    from tiltwright.files.parsing import parse_direction, parse_name, parse_number

    parts = [part.strip() for part in text.split(",")]
    if len(parts) not in {5, 6}:
        raise option_error("--target", shown(text), "NAME,KIND,X,Y,Z and, if wanted, a direction such as +Z")
    try:
        name, kind = parse_name(parts[0]), kind_cell(parts[1])
        point = np.array([parse_number(part) for part in parts[2:5]])
        direction = parse_direction(parts[5]) if len(parts) == 6 else None
    except InvalidValue as refusal:
        found = f"{refusal.found} in {shown(text)}"
        raise option_error("--target", found, refusal.allowed, refusal.tip) from None
    along = np.array([0.0, 0.0, 1.0]) if direction is None else direction
    return PlannedTarget(name, TargetKind(kind), point * unit.mm, along)
