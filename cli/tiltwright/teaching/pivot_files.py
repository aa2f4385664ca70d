"""The files of an exercise in finding pivots, and the plan of one on a given machine."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, table_frame
from kinematics.calibration import PlannedTarget, TargetKind
from kinematics.teaching import PivotExercise
from tiltwright.calibration.plan_data import DEFAULT_POSES, Plan
from tiltwright.calibration.readings_csv import readings_csv
from tiltwright.files.units import Unit
from tiltwright.output.document_files import document_files
from tiltwright.output.document_pdf import document_pdf
from tiltwright.output.typesetting import Paper
from tiltwright.teaching.class_set import KEYS, SHEETS, ClassSheet, key_name, machine_name, readings_name
from tiltwright.teaching.pivot_assessment import support_of
from tiltwright.teaching.pivot_key import key_text
from tiltwright.teaching.pivot_sheets import (
    pivot_answer_csv,
    pivot_key,
    pivot_worksheet,
    pivots_asked,
    sheet_name,
)

__all__ = ["default_plan", "pivot_sheet", "practice_files"]

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


def pivot_sheet(
    exercise: PivotExercise, machine_text: str, page: str = "", *, shared: bool = False
) -> ClassSheet:
    """A student's sheet, and the files by which it is marked.

    With a pivot that plane geometry finds goes the answer file, and the working into the key; where a fit is needed, the
    readings and the machine file are handed out too.

    Parameters
    ----------
    exercise : PivotExercise
    machine_text : str
        Its machine file.
    page : str
        The page in three dimensions beside the key, if there is one.
    shared : bool
        The machine file is the class's own, in the folder already.
    """
    number, name, support = exercise.sheet, sheet_name(exercise), support_of(exercise)
    suffix, solved = f"-{number:02d}", None
    # What comes back as a machine file says by this line which sheet it answers.
    named = f"# Sheet {name}: leave this line in, the answer is marked by it.\n# Student:\n{machine_text}"
    if exercise.probings:
        machine_file = machine_name(number, shared=shared)
        solved = pivot_key(exercise, support, machine_file, page)
        handed_out = {f"answers{suffix}.csv": pivot_answer_csv(exercise)}
        kept = {} if shared else {machine_file: machine_text}
    else:
        machine_text, kept = named, {}
        handed_out = _handed_out(exercise, named, suffix)
    kept[readings_name(number)] = readings_csv(exercise.readings, exercise.machine, exercise.units)
    kept[key_name(number)] = key_text(exercise, machine_text)
    others = {Path(SHEETS) / file: text for file, text in handed_out.items()}
    others |= {Path(KEYS) / file: text for file, text in kept.items()}
    return ClassSheet(number, name, pivot_worksheet(exercise, support, suffix), solved, others)


def practice_files(exercise: PivotExercise, machine_text: str, paper: Paper) -> dict[Path, str | bytes]:
    """Every file of a practice for one: all are handed out but key.txt.

    Raises
    ------
    KinematicsError
        When the readings determine no line.
    """
    sheet, path = pivot_worksheet(exercise, support_of(exercise)), Path("worksheet.pdf")
    files: dict[Path, str | bytes] = {path: document_pdf(sheet, paper)}
    files |= document_files(sheet, path.with_suffix(".md"), paper)
    files |= {Path(file): text for file, text in _handed_out(exercise, machine_text, "").items()}
    return files | {Path("key.txt"): key_text(exercise, machine_text)}


def _handed_out(exercise: PivotExercise, machine_toml: str, number: str) -> dict[str, str]:
    """Files that a student gets beside the worksheet."""
    files = {
        f"readings{number}.csv": readings_csv(exercise.readings, exercise.machine, exercise.units),
        f"machine{number}.toml": machine_toml,
    }
    if any(pivots_asked(exercise).axes):
        files[f"answers{number}.csv"] = pivot_answer_csv(exercise)
    return files
