"""Solve an adjustment: initial values, rank, iteration, and the rank once more at the solution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import (
    Linearization,
    Problem,
    ReducedNormals,
    State,
    build_problem,
    gauss_newton,
    initial_state,
    linearize,
    reduced_normals,
)
from kinematics.calibration.linear_algebra import determined_gain, eigen_symmetric
from kinematics.calibration.rank_deficiency import fix_unestimable
from kinematics.calibration.readings import Readings
from kinematics.errors import KinematicsError
from kinematics.machine import Machine

__all__ = ["Adjusted", "LeaveOneOut", "degrees_of_freedom", "own_checks", "solve", "solve_problem"]

_UNCHECKED = 1e-6
"""Share of an equation that the others must check."""
_USUAL_SCATTER_MM = 0.005
_ROUNDS = 4


@dataclass(frozen=True, eq=False)
class Adjusted:
    """Result of an adjustment.

    Attributes
    ----------
    squares : ndarray, shape (N,)
        Squared weighted residual of each reading, in the problem's order.
    residual : ndarray, shape (N, 3)
        Weighted.
    reduced : ReducedNormals
        Along the free directions.
    dof : int
    """

    problem: Problem
    state: State
    squares: NDArray[np.float64]
    residual: NDArray[np.float64]
    reduced: ReducedNormals
    dof: int

    @property
    def s0(self) -> float | None:
        """Standard deviation of unit weight; None without redundancy."""
        return float(np.sqrt(self.squares.sum() / self.dof)) if self.dof > 0 else None

    @cached_property
    def leave_one_out(self) -> LeaveOneOut:
        """Leave-one-out statistics, worked out once for outliers, residuals and systematic errors alike."""
        return LeaveOneOut(self)


class LeaveOneOut:
    """Leave-one-out statistics of all readings at once; arrays (N,) in the problem's order.

    Attributes
    ----------
    gain : ndarray
        Decrease of the weighted sum of squares without the reading.
    numbers : ndarray
        Number of the reading's equations that others check.
    redundancy : ndarray
    """

    def __init__(self, solved: Adjusted) -> None:
        problem = solved.problem
        size, along = own_checks(problem, solved.reduced, solved.reduced.cofactor, solved.residual)
        checked = size > _UNCHECKED
        self.gain = determined_gain(size, along, checked)
        self.numbers = checked.sum(axis=-1)
        equations = problem.nominal_targets.equations[problem.target]
        self.redundancy = np.where(checked, size, 0.0).sum(axis=-1) / equations


def own_checks(
    problem: Problem,
    reduced: ReducedNormals,
    inverse: NDArray[np.float64],
    residual: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shares (N, 3) of each reading's equations that the others check, by direction, and its residual along these.

    `inverse` is that of the lines' information, with the prior where there is one.
    """
    own = reduced.by_target @ reduced.inverse[problem.target] @ np.swapaxes(reduced.by_target, 1, 2)
    left = np.eye(3) - own - reduced.rows @ inverse @ np.swapaxes(reduced.rows, 1, 2)
    spare = np.arange(3) >= problem.nominal_targets.equations[problem.target][:, None]
    left[spare[:, :, None] | spare[:, None, :]] = 0.0
    size, vectors = eigen_symmetric(left)
    return size, (np.swapaxes(vectors, 1, 2) @ residual[..., None])[..., 0]


def degrees_of_freedom(problem: Problem, state: State) -> int:
    """Equations minus the unknowns that are not fixed."""
    return int(problem.equations - state.free.shape[1] - state.target_unknowns)


def solve(
    readings: Readings,
    machine: Machine,
    sigma_mm: float | None = None,
    angle_errors: Sequence[str] = (),
    drifts: Sequence[str] = (),
) -> Adjusted:
    """Least-squares solution, starting from the machine's nominal lines.

    Raises
    ------
    KinematicsError
        When the readings do not fit the machine or do not converge.
    """
    return solve_problem(build_problem(readings, machine, angle_errors, drifts), sigma_mm)


def solve_problem(problem: Problem, sigma_mm: float | None = None) -> Adjusted:
    """Solve, fixing parameters that are not estimable at the solution."""
    state, guess = initial_state(problem), sigma_mm or _USUAL_SCATTER_MM
    if sigma_mm is not None and problem.weighted:
        guess = 1.0 / problem.usual_weight
    shifts = np.eye(len(state.parameters))[:, problem.shifts]
    raw = linearize(problem, state)
    state, raw = gauss_newton(problem, fix_unestimable(problem, state, raw, guess, shifts), raw, steps=1)
    before: tuple[int, int] | None = None
    for _ in range(_ROUNDS):
        state = fix_unestimable(problem, state, raw, guess)
        rank = _rank(state)
        if before is not None and rank == before:
            break
        state, raw = gauss_newton(problem, *_reset_fixed(problem, state, raw))
        before, dof = rank, degrees_of_freedom(problem, state)
        if sigma_mm is None and dof > 0:
            guess = float(np.sqrt(raw.squares.sum() / dof)) / problem.usual_weight
    if not (np.isfinite(state.parameters).all() and np.isfinite(raw.squares).all()):
        raise KinematicsError(
            "readings: expected a finite solution, found none; check the readings for gross errors"
        )
    state = replace(state, parameters=np.where(np.abs(state.parameters) < 1e-13, 0.0, state.parameters))
    dof = degrees_of_freedom(problem, state)
    if dof < 0:
        raise KinematicsError(
            f"readings: expected at least as many equations as unknowns, found {-dof} too few; read more poses"
        )
    return Adjusted(problem, state, raw.squares, raw.residual, reduced_normals(problem, state, raw), dof)


def _rank(state: State) -> tuple[int, int]:
    return state.free.shape[1], state.fixed_count


def _reset_fixed(problem: Problem, state: State, raw: Linearization) -> tuple[State, Linearization]:
    """Reset fixed parameters to their nominal values."""
    if not state.any_fixed and state.free.shape[0] == state.free.shape[1]:
        return state, raw
    parameters = state.free @ (state.free.T @ state.parameters)
    targets = state.targets - (state.fixed @ state.targets[..., None])[..., 0]
    state = replace(state, parameters=np.where(np.abs(parameters) < 1e-13, 0.0, parameters), targets=targets)
    return state, linearize(problem, state)
