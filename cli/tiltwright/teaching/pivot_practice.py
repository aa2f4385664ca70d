"""A pivot exercise on somebody's own machine: its default plan, and the files that are handed out."""

from __future__ import annotations

import numpy as np

from kinematics import Machine, table_frame
from kinematics.calibration import PlannedTarget, TargetKind
from kinematics.teaching import PivotExercise, set_pivot_exercise_on
from kinematics.teaching.exercises import UnitName
from tiltwright.calibration.plan import EvaluatedPlan
from tiltwright.calibration.plan_data import DEFAULT_POSES, Plan
from tiltwright.files.loader import ReadMachine
from tiltwright.files.units import Unit
from tiltwright.output.document import as_markdown, as_pdf
from tiltwright.output.typesetting import Paper
from tiltwright.teaching.pivot_key import key_text
from tiltwright.teaching.pivot_sheets import pivot_answer_csv, pivots_asked
from tiltwright.teaching.practice_worksheet import practice_worksheet
from tiltwright.teaching.readings_output import readings_csv

__all__ = ["default_plan", "practice_exercise", "practice_files"]


def default_plan(machine: Machine, unit: Unit, repeatability_mm: float) -> Plan:
    """Two balls on the platter, one near its middle and one near its rim, at different heights."""
    frame = table_frame(machine)
    size = machine.platter.diameter_mm or 150.0
    places = [(0.12 * size, 0.05 * size, 0.55 * size), (-0.30 * size, -0.12 * size, 0.30 * size)]
    up = frame.rotation[:, 2]
    targets = tuple(
        PlannedTarget(f"ball {i}", TargetKind.BALL, frame.apply(np.array(place))[None], up)
        for i, place in enumerate(places, start=1)
    )
    return Plan("Practice", unit, targets, (None, None), None, DEFAULT_POSES, 30.0, repeatability_mm, None)


def practice_exercise(
    read: ReadMachine, evaluated: EvaluatedPlan, seed: int, position_mm: float, direction_deg: float
) -> PivotExercise:
    """Hidden errors in a machine and the readings of a plan on it; the same seed gives the same ones."""
    units: UnitName = "inch" if read.unit is Unit.INCH else "mm"
    return set_pivot_exercise_on(
        evaluated.machine,
        evaluated.plan.targets,
        evaluated.poses_deg,
        seed,
        sigma_mm=evaluated.plan.sigma_mm,
        position_mm=position_mm,
        direction_deg=direction_deg,
        units=units,
        which=evaluated.which,
    )


def practice_files(
    exercise: PivotExercise, evaluated: EvaluatedPlan, machine_toml: str, paper: Paper
) -> dict[str, str | bytes]:
    """Every file of a practice by its name: all are handed out but key.txt."""
    page = practice_worksheet(exercise, evaluated.foreseen.estimates)
    files: dict[str, str | bytes] = {
        "readings.csv": readings_csv(exercise.readings, exercise.machine, exercise.units),
        "worksheet.md": as_markdown(page),
        "worksheet.pdf": as_pdf(page, paper),
        "machine.toml": machine_toml,
        "key.txt": key_text(exercise, machine_toml),
    }
    if any(pivots_asked(exercise).axes):
        files["answers.csv"] = pivot_answer_csv(exercise)
    return files
