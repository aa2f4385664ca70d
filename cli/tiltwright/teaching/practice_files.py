"""A pivot exercise on a given machine: the default plan, and the files to hand out."""

from __future__ import annotations

import numpy as np

from kinematics import Machine, table_frame
from kinematics.calibration import PlannedTarget, TargetKind
from kinematics.teaching import PivotExercise, attainable
from tiltwright.calibration.plan_data import DEFAULT_POSES, Plan
from tiltwright.calibration.readings_output import readings_csv
from tiltwright.files.units import Unit
from tiltwright.output.document_files import document_markdown
from tiltwright.output.document_pdf import document_pdf
from tiltwright.output.typesetting import Paper
from tiltwright.teaching.pivot_key import key_text
from tiltwright.teaching.pivot_sheets import pivot_answer_csv, pivot_worksheet, pivots_asked

__all__ = ["default_plan", "practice_files"]


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


def practice_files(exercise: PivotExercise, machine_toml: str, paper: Paper) -> dict[str, str | bytes]:
    """Every file of a practice by its name: all are handed out but key.txt.

    Raises
    ------
    KinematicsError
        When the readings determine no line.
    """
    sheet = pivot_worksheet(exercise, attainable(exercise))
    files: dict[str, str | bytes] = {
        "readings.csv": readings_csv(exercise.readings, exercise.machine, exercise.units),
        "worksheet.md": document_markdown(sheet),
        "worksheet.pdf": document_pdf(sheet, paper),
        "machine.toml": machine_toml,
        "key.txt": key_text(exercise, machine_toml),
    }
    if any(pivots_asked(exercise).axes):
        files["answers.csv"] = pivot_answer_csv(exercise)
    return files
