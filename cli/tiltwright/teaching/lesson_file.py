"""The lesson file (`lesson.toml`), and an exercise as a machine file and a job file."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import tomlkit
from msgspec import Meta

from kinematics import Machine
from kinematics.teaching import LEVELS, PIVOT_LEVEL, Exercise
from kinematics.teaching.working import axis_name
from tiltwright.files.decoding import decode_table
from tiltwright.files.schema_types import Choice, FieldType, FileTable, PositiveLength, UnitName
from tiltwright.files.toml_source import load
from tiltwright.output.numbers import UNIT_MM

__all__ = [
    "ALL_LEVELS",
    "DEFAULT_WITHIN",
    "LESSON",
    "LessonFile",
    "job_toml",
    "lesson_toml",
    "letters_of",
    "machine_toml",
    "read_lesson",
]

LESSON = "lesson.toml"
ALL_LEVELS = (*LEVELS, PIVOT_LEVEL)
DEFAULT_WITHIN = {"mm": 0.005, "inch": 0.0002}
"""Tolerance of a right number where nothing else is said, in the unit of the sheet."""

_DECIMALS = {"mm": 3, "inch": 4}


class Level(FieldType, str):
    """One of the levels."""

    __slots__ = ()
    plain = str

    @classmethod
    def before(cls, value: object) -> object:
        """Raise unless the value is one of them."""
        return Choice().check(value, ALL_LEVELS)


class LessonFile(FileTable, frozen=True, kw_only=True):
    """A class set of exercises."""

    level: Annotated[Level, Meta(description="What the exercises train.", examples=[ALL_LEVELS[0]])]
    seed: Annotated[int, Meta(ge=0, description="What the numbers were drawn from.", examples=[7])]
    students: Annotated[int, Meta(ge=1, le=999, description="How many sheets there are.", examples=[24])]
    units: Annotated[UnitName, Meta(description="Unit of the sheets and of the answers.", examples=["mm"])]
    within: Annotated[
        PositiveLength,
        Meta(
            description="How far a right number may be off; for a pivot, where its readings do not allow more.",
            examples=[DEFAULT_WITHIN["mm"]],
        ),
    ]
    angle_within: Annotated[
        float, Meta(gt=0.0, le=90.0, description="The same for program angles, degrees.", examples=[0.001])
    ]
    letters: Annotated[
        tuple[str, ...] | None,
        Meta(
            description="Six letters of each sheet, by which answers to another lesson's sheet are told apart.",
            examples=[["gzmrlv"]],
        ),
    ] = None

    def name_of(self, sheet: int) -> str:
        """A sheet's number and letters, as far as the lesson states them."""
        stated = self.letters or ()
        return f"{sheet} {stated[sheet - 1]}" if sheet <= len(stated) else str(sheet)


def letters_of(numbers: object) -> str:
    """Six letters of the numbers that a sheet prints, so that two sheets of one number are told apart.

    Letters only: a spreadsheet would turn digits with a dash into a date.

    Examples
    --------
    >>> letters_of(("mm", [1, 2])) == letters_of(("mm", [1, 2])), letters_of(("mm", [1, 2])) == letters_of(("mm", [1, 3]))
    (True, False)
    """
    code = hashlib.sha256(repr(numbers).encode()).digest()[:6]
    return "".join(chr(ord("a") + byte % 26) for byte in code)


def read_lesson(folder: Path) -> LessonFile:
    """The lesson of a folder.

    Raises
    ------
    InputFaults
        With every fault of its `lesson.toml`.
    """
    source = load(folder / LESSON, "the lesson.toml of a folder that `lesson new` made")
    file, faults = decode_table(LessonFile, source)
    faults.raise_if_any()
    return file


def lesson_toml(values: Mapping[str, Any]) -> str:
    """The text of a `lesson.toml`."""
    document = tomlkit.document()
    document.add(tomlkit.comment("A class set of exercises; `lesson grade` reads this."))
    document.update(values)
    return tomlkit.dumps(document)


def machine_toml(machine: Machine, units: str) -> str:
    """A drawn machine as a machine file, with the pivots that the shop believes."""
    assert machine.travel is not None  # every drawn one has travels
    document = tomlkit.document()
    document["name"] = machine.name
    document["units"] = units
    document["z_reference"] = "gauge line"
    travel = tomlkit.table()
    for axis, low, high in zip("xyz", machine.travel.low_mm, machine.travel.high_mm, strict=True):
        travel[axis] = [_length(float(low), units), _length(float(high), units)]
    document["travel"] = travel
    rotaries = tomlkit.aot()
    for rotary in machine.rotaries:
        table = tomlkit.table()
        table["letter"] = rotary.letter
        table["along"] = axis_name(rotary.direction)
        table["positive_turn"] = rotary.positive_turn.value
        table["point"] = [_length(float(value), units) for value in rotary.point_mm]
        table["limits"] = "endless" if rotary.limits_deg is None else list(rotary.limits_deg)
        rotaries.append(table)
    document["rotary"] = rotaries
    platter = tomlkit.table()
    platter["face"] = _length(machine.platter.face_mm or 0.0, units)
    platter["diameter"] = _length(machine.platter.diameter_mm or 0.0, units)
    document["platter"] = platter
    return tomlkit.dumps(document)


def job_toml(exercise: Exercise, machine_file: str) -> str:
    """The exercise's stack and operations as a job file, in the sheet's unit."""
    document = tomlkit.document()
    document["name"] = f"{exercise.title}, sheet {exercise.sheet}"
    document["units"] = exercise.units
    document["machine"] = machine_file
    stack = tomlkit.aot()
    for step in exercise.steps:
        table = tomlkit.table()
        table["name"] = step.name
        table["up"] = _length(step.up_mm, exercise.units)
        if any(step.shift_mm):
            table["shift"] = [_length(value, exercise.units) for value in step.shift_mm]
        if step.turn_deg:
            table["turn"] = step.turn_deg
        stack.append(table)
    if exercise.touched_mm is not None:
        document["square_up"] = exercise.machine.letters[-1]
    document["stack"] = stack
    if exercise.touched_mm is not None:
        touched = tomlkit.table()
        touched.update(
            zip("XYZ", (_length(float(v), exercise.units) for v in exercise.touched_mm), strict=True)
        )
        pose = tomlkit.inline_table()
        pose.update((rotary.letter, rotary.zero_deg) for rotary in exercise.machine.rotaries)
        touched["pose"] = pose
        touched["use"] = "touched"
        document["touched"] = touched
    operations = tomlkit.aot()
    for k, operation in enumerate(exercise.operations):
        table = tomlkit.table()
        table["name"] = operation.name
        if exercise.normals is not None:
            table["normal"] = [float(value) for value in exercise.normals[k]]
        else:
            at = tomlkit.inline_table()
            at.update(zip(exercise.machine.letters, operation.program_deg or (), strict=True))
            table["at"] = at
        if operation.origin_mm.any():
            table["origin"] = [_length(float(value), exercise.units) for value in operation.origin_mm]
        operations.append(table)
    document["operation"] = operations
    return tomlkit.dumps(document)


def _length(value_mm: float, units: str) -> float:
    """A length as printed; the exercise's numbers have no more decimals than that."""
    return round(value_mm / UNIT_MM[units], _DECIMALS[units]) + 0.0
