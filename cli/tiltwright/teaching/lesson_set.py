"""A lesson as it is asked for, and its files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from kinematics import Machine
from kinematics.teaching import LEVELS, PIVOT_LEVEL, Level, set_exercise
from kinematics.teaching.exercises import UnitName, shared_machine
from tiltwright.files.loader import ReadMachine
from tiltwright.output.typesetting import Paper
from tiltwright.teaching.class_set import (
    KEYS,
    SHARED_MACHINE,
    SHEETS,
    ClassSheet,
    class_files,
    job_name,
    machine_name,
    page_name,
)
from tiltwright.teaching.lesson_file import DEFAULT_WITHIN, job_toml, letters_of, machine_toml
from tiltwright.teaching.worksheets import answer_csv, key, worksheet

__all__ = ["LessonOrder", "lesson_files"]


@dataclass(frozen=True)
class LessonOrder:
    """A lesson as it is asked for.

    Attributes
    ----------
    level : str
    seed, students : int
    units : "mm" or "inch"
    by_hand : bool
        Work the keys by plane trigonometry, where it solves the setup.
    paper : Paper
    machine : ReadMachine or None
        The class's own machine, one for all sheets.
    same_machine : bool
        One drawn machine for all sheets.
    slides : bool
        Also the worked exercises to project.
    pages : bool
        The keys name the page beside them, which `tiltwright.page` makes.
    """

    level: str
    seed: int
    students: int
    units: UnitName
    by_hand: bool
    paper: Paper
    machine: ReadMachine | None = None
    same_machine: bool = False
    slides: bool = False
    pages: bool = False

    def page_of(self, sheet: int) -> str:
        """The name of the page beside a sheet's key; empty where none is made."""
        return page_name(sheet) if self.pages else ""


def lesson_files(order: LessonOrder) -> Iterator[tuple[Path, str | bytes]]:
    """Every file of a lesson, as its path within the folder and its content.

    Worksheets and empty answer files are for the students, what lies under `KEYS` is for the instructor.

    Raises
    ------
    KinematicsError
        When the level cannot be set on the machine.
    """
    machine, text = _machine_of(order)
    make = _pivot_sheet if order.level == PIVOT_LEVEL else _offset_sheet
    if text is not None:
        yield Path(KEYS) / SHARED_MACHINE, text
    yield from class_files(
        lambda number: make(order, number, machine, text),
        order.students,
        order.level,
        order.seed,
        order.units,
        order.paper,
        slides=order.slides,
    )


def _machine_of(order: LessonOrder) -> tuple[Machine | None, str | None]:
    """The machine of all sheets and its file's text, if they share one."""
    if order.machine is not None:
        return order.machine.machine, order.machine.source.text
    if not order.same_machine:
        return None, None
    level: Level = next((one for one in LEVELS if one == order.level), "tilt and rotate")
    machine = shared_machine(level, order.seed, order.units)
    return machine, machine_toml(machine, order.units)


def _offset_sheet(order: LessonOrder, number: int, machine: Machine | None, text: str | None) -> ClassSheet:
    level = next(one for one in LEVELS if one == order.level)
    exercise = set_exercise(level, order.seed, number, order.units, machine)
    own = machine_toml(exercise.machine, order.units) if text is None else text
    machine_file = machine_name(number, shared=text is not None)
    job = job_toml(exercise, machine_file)
    name = f"{number} {letters_of((job, own))}"
    others = {
        Path(SHEETS) / f"answers-{number:02d}.csv": answer_csv(exercise, name),
        Path(KEYS) / job_name(number): job,
    }
    if text is None:
        others[Path(KEYS) / machine_file] = own
    within = f"{DEFAULT_WITHIN[order.units]:g} {order.units}"
    return ClassSheet(
        number,
        name,
        worksheet(exercise, name, within),
        key(exercise, name, order.page_of(number), by_hand=order.by_hand),
        others,
    )


def _pivot_sheet(order: LessonOrder, number: int, machine: Machine | None, text: str | None) -> ClassSheet:
    # Here: the other levels need no calibration, and every class waits for what is loaded.
    from kinematics.teaching import set_pivot_exercise
    from tiltwright.teaching.pivot_files import pivot_sheet

    exercise = set_pivot_exercise(order.seed, number, order.units, machine)
    own = machine_toml(exercise.machine, order.units) if text is None else text
    return pivot_sheet(exercise, own, order.page_of(number), shared=text is not None)
