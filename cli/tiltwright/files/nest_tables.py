"""The nests of a job file as values of `kinematics`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kinematics import Machine, Nest, NestStep, Setup, StackStep, nest_stacks
from tiltwright.files.checks import KnownMachine, check_limits
from tiltwright.files.collector import DiagnosticCollector
from tiltwright.files.job_file import JobFile, NestTable
from tiltwright.files.nest_checks import PLATTER, nests_of_operation
from tiltwright.files.table_values import TouchedZero, setup_of, step_of, touched_of
from tiltwright.files.units import Unit

__all__ = ["ReadNest", "read_nests"]


@dataclass(frozen=True, eq=False)
class ReadNest:
    """A nest of a job.

    Attributes
    ----------
    nest : Nest
    place : int
        Of its table in the file, from 0.
    stack : tuple of NestStep
        Every step from the platter up to its part zero.
    setup : Setup
        The part where these steps put it, with the rotary offsets that `square_up` asks for.
    touched : TouchedZero or None
    operations : tuple of int
        Places of the operations that are done in it.
    """

    nest: Nest
    place: int
    stack: tuple[NestStep, ...]
    setup: Setup
    touched: TouchedZero | None
    operations: tuple[int, ...]


_SAME_PLACE_MM = 1e-3
"""Part zeros nearer than a micrometre are one place: nobody clamps two parts there."""


def read_nests(
    file: JobFile,
    machine: Machine,
    steps: tuple[StackStep, ...],
    known: KnownMachine,
    faults: DiagnosticCollector,
) -> tuple[ReadNest, ...]:
    """The nests; two in one place and angles outside their rotaries' limits are faults."""
    nests = [_nest_of(table, file.units) for table in file.nest]
    found: list[ReadNest] = []
    for place, (nest, stack) in enumerate(zip(nests, nest_stacks(steps, nests), strict=True)):
        table = file.nest[place]
        square_up = file.square_up if table.square_up is None else table.square_up
        setup = setup_of(square_up, machine, tuple(one.step for one in stack))
        done = tuple(k for k in range(len(file.operation)) if place in nests_of_operation(file, k))
        offsets = dict(zip(machine.letters, setup.rotary_offset_deg.tolist(), strict=True))
        limits = KnownMachine(known.letters, known.limits_deg, offsets, known.holders)
        for k in done:
            for key in ("at", "hold"):
                angles = getattr(file.operation[k], key)
                if angles is not None:
                    faults.extend(check_limits(("operation", k, key), angles, limits))
        zero_mm = setup.part_in_table.translation_mm
        for other in found:
            apart_mm = float(np.linalg.norm(zero_mm - other.setup.part_in_table.translation_mm))
            if apart_mm < _SAME_PLACE_MM:
                faults.add(
                    ("nest", place, "name"),
                    f'"{nest.name}", with its part zero where "{other.nest.name}" has its own',
                    "a place of its own for each nest",
                    "do both lack the `shift` of a step?",
                )
        touched = touched_of(table.touched, file.units, machine)
        found.append(ReadNest(nest, place, stack, setup, touched, done))
    return tuple(found)


def _nest_of(table: NestTable, unit: Unit) -> Nest:
    """A nest as the file gives it, in millimetres."""
    on = None if table.on == PLATTER else table.on
    return Nest(table.name, on, tuple(step_of(step, unit) for step in table.step))
