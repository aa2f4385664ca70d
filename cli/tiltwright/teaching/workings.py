"""Workings of a job's operations: values alone, for whoever prints or draws them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from kinematics import KinematicsError, PlacedOperation, Setup, StackStep
from kinematics.teaching import (
    Digits,
    TouchDisplay,
    WorkedStep,
    Working,
    normal_steps,
    pattern_steps,
    rotation_steps,
    solve_by_matrices,
    solve_by_trigonometry,
    three_point_steps,
    why_not_by_trigonometry,
)
from kinematics.validation import read_only
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.output import numbers

__all__ = ["digits_for", "direction_steps", "stack_used", "working_in_job", "working_of", "workings_of"]


def digits_for(units: str) -> Digits:
    """Digits for a working: one more than the sheet's."""
    return Digits(numbers.UNIT_MM[units], numbers.DECIMALS[units] + 1, numbers.ANGLE_DECIMALS + 1)


def stack_used(evaluated: EvaluatedJob) -> tuple[StackStep, ...] | None:
    """The stack behind the offsets; None if the job uses a touched-off part zero."""
    touched = evaluated.job.touched
    return None if touched is not None and touched.use == "touched" else evaluated.job.steps


_NEAR_DEG = 1.0


def direction_steps(evaluated: EvaluatedJob, placed: PlacedOperation) -> tuple[WorkedStep, ...]:
    """Steps that lead to the direction an operation brings to the spindle, if the job does not state it outright."""
    table, asked = evaluated.job.file.operation[placed.operation], evaluated.job.operations[placed.operation]
    if asked.plane is None:
        return ()
    lines: list[WorkedStep] = []
    if table.normal is not None:
        lines += normal_steps(table.normal)
    if table.tip is not None:
        lines += rotation_steps(table.tip)
    if table.through is not None:
        lines += three_point_steps(
            [[evaluated.job.unit.to_mm(value) for value in point] for point in table.through]
        )
    number = asked.names.index(placed.name)
    return (*lines, *pattern_steps(asked.plane.normal, asked.origin_mm, number, asked.step_deg))


def working_of(
    setup: Setup,
    placed: PlacedOperation,
    steps: Sequence[StackStep] | None,
    plane: Sequence[WorkedStep] = (),
    touched: TouchDisplay | None = None,
    *,
    by_hand: bool = False,
) -> Working:
    """The working of an operation, with matrices or by trigonometry.

    Raises
    ------
    KinematicsError
        If it cannot be done by trigonometry.
    """
    work = solve_by_trigonometry if by_hand else solve_by_matrices
    return work(setup, placed, steps, plane, touched)


def workings_of(evaluated: EvaluatedJob, *, by_hand: bool) -> tuple[tuple[PlacedOperation, Working], ...]:
    """Every operation of a job with its working."""
    steps = stack_used(evaluated)
    if by_hand:
        why = why_not_by_trigonometry(evaluated.setup, steps)
        if why:
            raise KinematicsError(f"--by-hand: expected a square machine, found that {why}")
    placed = (_near_zero(evaluated.setup, one.placed) for one in evaluated.operations)
    return tuple((one, working_in_job(evaluated, one, by_hand=by_hand)) for one in placed)


def working_in_job(evaluated: EvaluatedJob, placed: PlacedOperation, *, by_hand: bool = False) -> Working:
    """The working of an operation of a job, from its touch-off and with the steps to its direction."""
    steps = stack_used(evaluated)
    return working_of(
        evaluated.setup,
        placed,
        steps,
        direction_steps(evaluated, placed),
        _touch_reading(evaluated) if steps is None else None,
        by_hand=by_hand,
    )


def _touch_reading(evaluated: EvaluatedJob) -> TouchDisplay | None:
    touched = evaluated.job.touched
    return (
        None if touched is None else TouchDisplay(np.asarray(touched.at_mm), np.asarray(touched.machine_deg))
    )


def _near_zero(setup: Setup, placed: PlacedOperation) -> PlacedOperation:
    """The same pose, with an endless rotary just below a whole turn shown just below zero: -0.0012, not 359.9988."""
    back = np.array(
        [
            -360.0 if rotary.limits_deg is None and 360.0 - _NEAR_DEG < program < 360.0 else 0.0
            for rotary, program in zip(setup.machine.rotaries, placed.program_deg.tolist(), strict=True)
        ]
    )
    if not back.any():
        return placed
    return replace(
        placed,
        machine_deg=read_only(placed.machine_deg + back),
        program_deg=read_only(placed.program_deg + back),
    )
