"""`tiltwright pivot practice`: a machine to find the pivots of, and the answer graded."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import (
    Force,
    Json,
    PaperOption,
    Units,
    UnitsOption,
    check_folder,
    machine_option,
    paper_of,
    write_class_set,
)

if TYPE_CHECKING:
    from kinematics.teaching import PivotExercise
    from kinematics.teaching.exercises import UnitName
    from tiltwright.output.typesetting import Paper

__all__ = ["practice"]

_MOST_SEED = 2**31
_FARTHEST_MM = 5.0
"""No shop believes a pivot farther off than that, and a fit about the old lines would not find it."""


def practice(
    machine: Annotated[
        Optional[str],  # noqa: UP045 - typer
        machine_option("The machine file; with --grade the answer."),
    ] = None,
    output: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option("--output", "-o", metavar="FOLDER", help="Where to put what is handed out."),
    ] = None,
    plan: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--plan", metavar="FILE", help="What is probed where; left out: two balls in 12 poses."),
    ] = None,
    seed: Annotated[
        Optional[int],  # noqa: UP045 - typer
        typer.Option(
            "--seed", metavar="NUMBER", help="The same number gives the same practice; left out: by chance."
        ),
    ] = None,
    students: Annotated[
        int, typer.Option("--students", help="A class: each student's own hidden errors.", min=1, max=999)
    ] = 1,
    repeatability: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--repeatability",
            metavar="LENGTH",
            help="The probe's scatter, without --plan; left out: 0.002 mm.",
        ),
    ] = None,
    position: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--position", metavar="LENGTH", help="How far lines are off, about; left out: 0.05 mm."),
    ] = None,
    direction: Annotated[
        float, typer.Option("--direction", metavar="DEGREES", help="How far lines lean, about.")
    ] = 0.01,
    paper: PaperOption = "a4",
    grade: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--grade", metavar="KEY", help="Grade the answer in --machine or --answers by this key."
        ),
    ] = None,
    answers: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option(
            "--answers",
            metavar="CSV",
            help="With --grade: coordinates found by hand, in answers.csv filled in.",
        ),
    ] = None,
    units: UnitsOption = None,
    as_json: Json = False,
    force: Force = False,
) -> None:
    """A machine with hidden errors to find the pivots of, or an answer graded.

    Examples:

    \b
      tiltwright pivot practice -m mill.toml -o monday          readings, worksheet, machine.toml, key.txt
      tiltwright pivot practice -m mill.toml -o monday --seed 7
      tiltwright pivot practice --grade monday/key.txt -m answer.toml
      tiltwright pivot practice --grade monday/key.txt --answers answers.csv
      tiltwright pivot practice -m mill.toml -o monday --seed 7 --students 24      graded by: lesson grade monday handed-in

    Hand out everything but key.txt; of a class, what is in sheets/. An answer is a machine file with the student's lines in it, or answers.csv with
    coordinates found by hand. The keys of a lesson in finding pivots (key/key-01.txt) grade answers in the same way.
    Ends with 1 when an answer misses the truth by more than the readings allow.
    """
    from tiltwright.files.diagnostics import option_error

    if grade is not None:
        several = students if students > 1 else None
        for option, given in (
            ("--output", output),
            ("--plan", plan),
            ("--seed", seed),
            ("--students", several),
        ):
            if given is not None:
                raise option_error(option, "beside --grade", f"{option} without it")
        _grade(grade, machine, answers, units, as_json=as_json)
        return
    if machine is None or answers is not None:
        option, found = ("--machine", "nothing") if machine is None else ("--answers", "without --grade")
        raise option_error(option, found, "-m FILE to make an exercise, or --grade KEY with the answer")
    if output is None:
        raise option_error("--output", "nothing", "-o FOLDER for what is handed out, or --grade KEY")
    if as_json:
        raise option_error("--json", "without --grade", "--json with --grade only")
    size = paper_of(paper)
    if seed is not None and not 0 <= seed < _MOST_SEED:
        raise option_error("--seed", str(seed), f"0 to {_MOST_SEED - 1}")
    if plan is not None and repeatability is not None:
        raise option_error("--repeatability", "beside --plan", "one of both: the plan file says it")
    _make(machine, output, plan, seed, students, repeatability, position, direction, size, units, force=force)


def _make(
    machine: str,
    output: Path,
    plan_path: str | None,
    seed: int | None,
    students: int,
    repeatability: str | None,
    position: str | None,
    direction_deg: float,
    paper: Paper,
    units: str | None,
    *,
    force: bool,
) -> None:
    import secrets

    from kinematics import KinematicsError
    from kinematics.teaching import PIVOT_LEVEL, set_pivot_exercise_on
    from tiltwright.calibration.plan import evaluate_plan, read_plan
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_machine
    from tiltwright.files.parsing import typed_length
    from tiltwright.files.units import Unit
    from tiltwright.teaching.class_set import class_files
    from tiltwright.teaching.pivot_assessment import unsure_by_hand
    from tiltwright.teaching.pivot_files import default_plan, pivot_sheet, practice_files
    from tiltwright.terminal.streams import fail, note

    check_folder(output, "--output", force=force)
    read = read_machine(machine)
    if not 0.0 <= direction_deg <= 1.0:
        raise option_error("--direction", f"{direction_deg:g}", "0 to 1 degree")
    typed_in = read.unit if units is None else Unit(units)
    repeats_mm = 0.002 if repeatability is None else typed_length(repeatability, "--repeatability", typed_in)
    off_mm = 0.05 if position is None else typed_length(position, "--position", typed_in)
    for option, typed, length_mm in (
        ("--repeatability", repeatability, repeats_mm),
        ("--position", position, off_mm),
    ):
        if not 0.0 < length_mm <= _FARTHEST_MM:
            raise option_error(option, f"{typed}", f"a length above 0, at most {_FARTHEST_MM:g} mm")
    plan = (
        default_plan(read.machine, read.unit, repeats_mm)
        if plan_path is None
        else read_plan(plan_path, read.machine)
    )
    number = secrets.randbelow(_MOST_SEED) if seed is None else seed
    unit: UnitName = "inch" if read.unit is Unit.INCH else "mm"
    try:
        evaluated = evaluate_plan(plan, read.machine)

        def exercise(sheet: int) -> PivotExercise:
            return set_pivot_exercise_on(
                read.machine,
                plan.targets,
                evaluated.poses_deg,
                number,
                sigma_mm=plan.sigma_mm,
                position_mm=off_mm,
                direction_deg=direction_deg,
                units=unit,
                which=evaluated.accessible,
                sheet=sheet,
            )

        if students == 1:
            files = list(practice_files(exercise(1), read.source.text, paper).items())
        else:
            files = list(
                class_files(
                    lambda sheet: pivot_sheet(exercise(sheet), read.source.text),
                    students,
                    PIVOT_LEVEL,
                    number,
                    unit,
                    paper,
                )
            )
    except KinematicsError as refusal:
        fail(f"{refusal} (state what is probed where with --plan)")
    write_class_set(output, files, force=force)
    for hint in unsure_by_hand(exercise(1), off_mm):
        note(hint, label="caution")
    what = "everything but key.txt" if students == 1 else "what is in sheets/"
    note(f"{output}: hand out {what}; seed {number} gives the same again", label="done")


def _grade(
    key_path: str, machine: str | None, answers: Path | None, units: Units | None, *, as_json: bool
) -> None:
    from tiltwright.files.diagnostics import option_error
    from tiltwright.output.document_files import document_text
    from tiltwright.output.json_csv import json_text
    from tiltwright.teaching.grading import check_sheet
    from tiltwright.teaching.pivot_assessment import PivotKey, pivot_grade_document, pivot_grade_report
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    if (machine is None) == (answers is None):
        found = "neither" if machine is None else "both"
        raise option_error(
            "--machine, --answers", found, "the answer: a machine file, or coordinates in a CSV file"
        )
    key = PivotKey.read(key_path)
    if machine is not None:
        graded = key.assess_machine(machine)
    else:
        assert answers is not None  # one of both
        given = key.answers(answers)
        check_sheet(key.name, given.sheet, str(answers))
        graded = key.assess(given)
    shown = key.exercise.units if units is None else units.value
    if as_json:
        typer.echo(json_text(pivot_grade_report(graded, shown)), nl=False)
    else:
        typer.echo(document_text(pivot_grade_document(graded, shown)), nl=False)
    if not graded.right:
        say_no(
            "the answer misses the truth by more than the readings allow"
            if graded.diagnosis.wrong
            else "not every coordinate was answered"
        )
        raise typer.Exit(ANSWER_NO)
