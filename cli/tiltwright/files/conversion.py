"""Conversion of file tables to values of `kinematics`: millimetres and degrees, whatever unit the file is written in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kinematics import (
    IndexDirection,
    IndexRule,
    Machine,
    Operation,
    Plane,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    Travel,
    ZReference,
    plane_from_normal,
    plane_from_rotations,
    plane_through,
)
from tiltwright.files.checks import stated_direction
from tiltwright.files.job_file import (
    DEFAULT_WITHIN,
    JobFile,
    NestTable,
    OperationTable,
    StackTable,
    TouchedTable,
)
from tiltwright.files.machine_file import MachineFile, RotaryTable
from tiltwright.files.nest_checks import PLATTER
from tiltwright.files.units import Unit

if TYPE_CHECKING:
    from kinematics import Nest

__all__ = [
    "TouchedZero",
    "machine_of",
    "nest_of",
    "operation_of",
    "part_within_of",
    "setup_of",
    "step_of",
    "touched_of",
    "within_of",
]


@dataclass(frozen=True, eq=False)
class TouchedZero:
    """Part zero as touched off at the machine.

    Attributes
    ----------
    at_mm : ndarray, shape (3,)
        Machine coordinates read there.
    machine_deg : ndarray, shape (n,)
        Machine angles it was read at.
    use : "stack" or "touched"
        The part zero that the job goes by.
    within_mm : float
        The largest accepted distance from the part zero of the stack.
    within_stated : bool
        True where the job states it, False where it is the default.
    typed : bool
        True where it was typed beside the job, False where the job file has it.
    """

    at_mm: NDArray[np.float64]
    machine_deg: NDArray[np.float64]
    use: str
    within_mm: float
    within_stated: bool
    typed: bool = False


def machine_of(file: MachineFile) -> Machine:
    """The machine, in millimetres."""
    unit, platter, travel = file.units, file.platter, file.travel
    length = file.reference_tool_length
    return Machine(
        name=file.name,
        rotaries=tuple(_rotary_of(rotary, unit) for rotary in file.rotary),
        platter=Platter(
            face_mm=None if platter is None else _mm(platter.face, unit),
            diameter_mm=None if platter is None else _mm(platter.diameter, unit),
            normal=None if platter is None or platter.normal is None else np.array(platter.normal),
        ),
        travel=None
        if travel is None
        else Travel(
            low_mm=_array_mm((travel.x[0], travel.y[0], travel.z[0]), unit),
            high_mm=_array_mm((travel.x[1], travel.y[1], travel.z[1]), unit),
        ),
        z_reference=ZReference(_mm(length, unit)),
    )


def _rotary_of(rotary: RotaryTable, unit: Unit) -> RotaryAxis:
    return RotaryAxis(
        letter=rotary.letter,
        point_mm=_array_mm(rotary.point, unit),
        direction=np.array(stated_direction(rotary)),
        positive_turn=RotationSense(rotary.positive_turn),
        limits_deg=(rotary.limits[0], rotary.limits[1]) if rotary.limits else None,
        zero_deg=rotary.zero,
        index_direction=IndexDirection(
            None if rotary.index_move is None else IndexRule(rotary.index_move), rotary.half_turn
        ),
    )


def step_of(step: StackTable, unit: Unit) -> StackStep:
    """A step of the stack, in millimetres."""
    return StackStep(
        name=step.name,
        up_mm=unit.to_mm(step.up),
        shift_mm=(unit.to_mm(step.shift[0]), unit.to_mm(step.shift[1])),
        rotate=step.rotate or (),
        turn_deg=step.turn,
    )


def operation_of(operation: OperationTable, unit: Unit, machine: Machine) -> Operation:
    """An operation as the file gives it, in millimetres."""
    at, repeat = operation.at, operation.repeat
    return Operation(
        name=operation.name,
        program_deg=None if at is None else tuple(at[letter] for letter in machine.letters),
        plane=_plane_of(operation),
        origin_mm=_array_mm(operation.origin, unit),
        count=repeat.count if repeat is not None else 1,
        step_deg=repeat.step if repeat is not None else 0.0,
        work_offset=operation.work_offset,
        tilt=operation.tilt,
        held_deg=dict(operation.hold or {}),
        when_singular=operation.when_free or "keep",
    )


def _plane_of(operation: OperationTable) -> Plane | None:
    if operation.normal is not None:
        return plane_from_normal(operation.normal)
    if operation.tip is not None:
        return plane_from_rotations(operation.tip)
    if operation.through is not None:
        # A plane's directions are the same in any unit of length.
        return plane_through(*operation.through)
    return None


def setup_of(
    square_up: Mapping[str, float | None] | None, machine: Machine, steps: tuple[StackStep, ...]
) -> Setup:
    """The part on its stack, with the rotary offsets that `square_up` asks for."""
    setup = Setup.from_stack(machine, steps)
    for letter, reading_deg in (square_up or {}).items():
        if reading_deg is None:
            setup = setup.aligned(letter)
        else:
            offset = setup.rotary_offset_deg.copy()
            offset[machine.index(letter)] = reading_deg
            setup = Setup(machine, setup.part_in_table, offset)
    return setup


def within_of(touched: TouchedTable | None, unit: Unit) -> tuple[float, bool]:
    """Limit of a touched-off part zero's distance from the stack's, mm, and True where the job states it."""
    stated = None if touched is None else touched.within
    return unit.to_mm(DEFAULT_WITHIN[unit.value] if stated is None else stated), stated is not None


def part_within_of(file: JobFile, unit: Unit) -> tuple[float, bool]:
    """Limit of a part's own zero's distance from the stack's, mm, and True where the job states it: for probing or touching off.

    Of a job with nests, the file as one nest sees it.
    """
    probing = file.zero_probing
    if probing is not None and probing.within is not None:
        return unit.to_mm(probing.within), True
    return within_of(file.touched, unit)


def touched_of(touched: TouchedTable | None, unit: Unit, machine: Machine) -> TouchedZero | None:
    """The touched-off part zero, in millimetres; None where the table holds a tolerance alone."""
    if touched is None or touched.pose is None or touched.use is None:
        return None
    if touched.X is None or touched.Y is None or touched.Z is None:
        return None
    within_mm, within_stated = within_of(touched, unit)
    return TouchedZero(
        at_mm=_array_mm((touched.X, touched.Y, touched.Z), unit),
        machine_deg=np.array([touched.pose[letter] for letter in machine.letters]),
        use=touched.use,
        within_mm=within_mm,
        within_stated=within_stated,
    )


def _mm(length: float | None, unit: Unit) -> float | None:
    return None if length is None else unit.to_mm(length)


def _array_mm(lengths: tuple[float, ...], unit: Unit) -> NDArray[np.float64]:
    return np.array([unit.to_mm(length) for length in lengths])


def nest_of(table: NestTable, unit: Unit) -> Nest:
    """A nest as the file gives it, in millimetres."""
    from kinematics import Nest  # a job without nests starts without it

    on = None if table.on == PLATTER else table.on
    return Nest(table.name, on, tuple(step_of(step, unit) for step in table.step))
