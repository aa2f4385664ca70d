"""Pivot exercises on a given machine, for one or for a class: the default plan, and the files to hand out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, table_frame
from kinematics.calibration import PlannedTarget, TargetKind
from kinematics.teaching import PIVOT_LEVEL, PivotExercise
from kinematics.teaching.exercises import UnitName
from tiltwright.calibration.plan_data import DEFAULT_POSES, Plan
from tiltwright.calibration.readings_csv import readings_csv
from tiltwright.files.units import Unit
from tiltwright.output.document_files import document_markdown
from tiltwright.output.document_pdf import document_pdf
from tiltwright.output.typesetting import Paper
from tiltwright.teaching.lesson_set import SHEETS, ClassSheet, class_files, pivot_key_files
from tiltwright.teaching.pivot_assessment import support_of
from tiltwright.teaching.pivot_key import key_text
from tiltwright.teaching.pivot_sheets import pivot_answer_csv, pivot_worksheet, pivots_asked, sheet_name

__all__ = ["default_plan", "practice_class", "practice_files"]

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
    return {
        "worksheet.md": document_markdown(sheet),
        "worksheet.pdf": document_pdf(sheet, paper),
        **_handed_out(exercise, machine_toml, ""),
        "key.txt": key_text(exercise, machine_toml),
    }


def practice_class(
    exercise: Callable[[int], PivotExercise],
    students: int,
    seed: int,
    units: UnitName,
    machine_toml: str,
    paper: Paper,
) -> Iterator[tuple[Path, str | bytes]]:
    """Every file of a class's practice: what each student gets, and the keys by which `lesson grade` marks it.

    Raises
    ------
    KinematicsError
        When the readings determine no line.
    """

    def sheet(number: int) -> ClassSheet:
        return _class_sheet(exercise(number), machine_toml)

    return class_files(sheet, students, PIVOT_LEVEL, seed, units, paper)


def _class_sheet(exercise: PivotExercise, machine_toml: str) -> ClassSheet:
    number, name = f"-{exercise.sheet:02d}", sheet_name(exercise)
    # What comes back as a machine file says by this line which sheet it answers.
    own = f"# Sheet {name}: leave this line in, the answer is marked by it.\n{machine_toml}"
    others = {Path(SHEETS) / file: text for file, text in _handed_out(exercise, own, number).items()}
    worksheet = pivot_worksheet(exercise, support_of(exercise), number)
    return ClassSheet(exercise.sheet, name, worksheet, None, others | pivot_key_files(exercise, own))


def _handed_out(exercise: PivotExercise, machine_toml: str, number: str) -> dict[str, str]:
    """Files that a student gets beside the worksheet."""
    files = {
        f"readings{number}.csv": readings_csv(exercise.readings, exercise.machine, exercise.units),
        f"machine{number}.toml": machine_toml,
    }
    if any(pivots_asked(exercise).axes):
        files[f"answers{number}.csv"] = pivot_answer_csv(exercise)
    return files
