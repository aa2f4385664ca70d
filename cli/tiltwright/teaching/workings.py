"""Workings of a job's operations: values alone, for whoever prints or draws them."""

from __future__ import annotations

from collections.abc import Sequence

from kinematics import KinematicsError, PlacedOperation, Setup, StackStep
from kinematics.teaching import (
    Digits,
    WorkedStep,
    Working,
    pattern_steps,
    rotation_steps,
    solve_by_matrices,
    solve_by_trigonometry,
    three_point_steps,
    why_not_by_trigonometry,
)
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.output import numbers

__all__ = ["digits_for", "direction_steps", "stack_used", "working_of", "workings_of"]


def digits_for(units: str) -> Digits:
    """Digits for a working: one more than the sheet's."""
    return Digits(numbers.UNIT_MM[units], numbers.DECIMALS[units] + 1, numbers.ANGLE_DECIMALS + 1)


def stack_used(evaluated: EvaluatedJob) -> tuple[StackStep, ...] | None:
    """The stack behind the offsets; None if the job uses a touched-off part zero."""
    touched = evaluated.job.touched
    return None if touched is not None and touched.use == "touched" else evaluated.job.steps


def direction_steps(evaluated: EvaluatedJob, placed: PlacedOperation) -> tuple[WorkedStep, ...]:
    """Steps that lead to the direction an operation brings to the spindle, if the job does not state it outright."""
    table, asked = evaluated.job.file.operation[placed.operation], evaluated.job.operations[placed.operation]
    if asked.plane is None:
        return ()
    lines: list[WorkedStep] = []
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
    return work(setup, placed, steps, plane)


def workings_of(evaluated: EvaluatedJob, *, by_hand: bool) -> tuple[tuple[PlacedOperation, Working], ...]:
    """Every operation of a job with its working."""
    steps = stack_used(evaluated)
    if by_hand:
        why = why_not_by_trigonometry(evaluated.setup, steps)
        if why:
            raise KinematicsError(f"--by-hand: expected a square machine, found that {why}")
    return tuple(
        (
            one.placed,
            working_of(
                evaluated.setup, one.placed, steps, direction_steps(evaluated, one.placed), by_hand=by_hand
            ),
        )
        for one in evaluated.operations
    )
