"""A pivot exercise on a given machine: the default plan, and the files to hand out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, table_frame
from kinematics.calibration import PlannedTarget, TargetKind
from kinematics.teaching import PivotExercise
from tiltwright.calibration.plan_data import DEFAULT_POSES, Plan
from tiltwright.calibration.readings_csv import readings_csv
from tiltwright.files.units import Unit
from tiltwright.output.document_files import document_markdown
from tiltwright.output.document_pdf import document_pdf
from tiltwright.output.typesetting import Paper
from tiltwright.teaching.pivot_assessment import support_of
from tiltwright.teaching.pivot_key import key_text
from tiltwright.teaching.pivot_sheets import pivot_answer_csv, pivot_worksheet, pivots_asked

__all__ = ["default_plan", "practice_files"]

_QUARTERS = (0.0, 90.0, 180.0, 270.0)


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
    poses = _poses_by_hand(machine)
    return Plan("Practice", unit, targets, (None, None), poses, DEFAULT_POSES, 30.0, repeatability_mm, None)


def _poses_by_hand(machine: Machine) -> NDArray[np.float64] | None:
    """Poses at which a circle by hand holds: each of two rotaries by itself, and opposite ones at two tilts.

    None where the machine has other rotaries or cannot go there: the poses are then chosen for the fit alone.
    """
    if len(machine.rotaries) != 2:
        return None
    outer, inner = machine.rotaries
    if not all(inner.within(angle) for angle in _QUARTERS):
        return None
    low, high = outer.limits_deg or (-90.0, 90.0)
    low, high = max(low, -90.0), min(high, 90.0)
    if not low < 0.0 < high or high - low < 60.0:
        return None
    ends = [low, low / 2.0, high / 2.0, high]
    poses = [(0.0, angle) for angle in _QUARTERS] + [(tilt, 0.0) for tilt in ends]
    poses += [(tilt, angle) for tilt in (low, high) for angle in (90.0, 270.0)]
    return np.array(poses)


def practice_files(exercise: PivotExercise, machine_toml: str, paper: Paper) -> dict[str, str | bytes]:
    """Every file of a practice by its name: all are handed out but key.txt.

    Raises
    ------
    KinematicsError
        When the readings determine no line.
    """
    sheet = pivot_worksheet(exercise, support_of(exercise))
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
