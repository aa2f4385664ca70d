"""From readings to an answer: start, what is told, descent, and whether the answer still tells the same."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.pivot.adjust import (
    Problem,
    Raw,
    State,
    Weighing,
    descend,
    pose_problem,
    raw_rows,
    reduced,
    start,
)
from kinematics.pivot.blocks import Reduced
from kinematics.pivot.rank import hold_untold
from kinematics.pivot.readings import Readings

__all__ = ["Solved", "settle", "solve", "told_dof"]

_USUAL_SCATTER_MM = 0.005
_ROUNDS = 4


@dataclass(frozen=True, eq=False)
class Solved:
    """An adjustment at its end.

    Attributes
    ----------
    squares : ndarray, shape (N,)
        Squared weighted misfit of each reading, in the problem's order.
    residual : ndarray, shape (N, 3)
        Weighted.
    reduced : Reduced
        Along the free directions.
    dof : int
    """

    problem: Problem
    state: State
    squares: NDArray[np.float64]
    residual: NDArray[np.float64]
    reduced: Reduced
    dof: int

    @property
    def scatter(self) -> float | None:
        """Root mean square per degree of freedom, weighted; None without redundancy."""
        return float(np.sqrt(self.squares.sum() / self.dof)) if self.dof > 0 else None


def told_dof(problem: Problem, state: State) -> int:
    """Equations less the unknowns that are not held."""
    target_unknowns = 4 * len(problem.names) - round(float(np.trace(state.held, axis1=1, axis2=2).sum()))
    return int(problem.equations - state.free.shape[1] - target_unknowns)


def solve(readings: Readings, machine: Machine, sigma_mm: float | None = None) -> Solved:
    """The least-squares answer from the machine's nominal lines.

    Raises
    ------
    KinematicsError
        When the readings do not fit the machine or do not settle.
    """
    return settle(pose_problem(readings, machine), sigma_mm)


def settle(problem: Problem, sigma_mm: float | None = None, weigh: Weighing | None = None) -> Solved:
    """Solve, and hold what is not told at the answer itself."""
    state, guess = start(problem), sigma_mm or _USUAL_SCATTER_MM
    if sigma_mm is not None and problem.weighted:
        guess = 1.0 / float(np.median(problem.weight))
    shifts = np.eye(len(state.told))[:, np.tile([True, True, False, False], problem.rotaries)]
    raw = raw_rows(problem, state)
    state, raw = descend(problem, hold_untold(problem, state, raw, guess, shifts), raw, steps=1)
    before: tuple[int, int] | None = None
    for _ in range(_ROUNDS):
        state = hold_untold(problem, state, raw, guess)
        told = _rank(state)
        if before is not None and told == before:
            break
        state, raw = descend(problem, *_put_back(problem, state, raw), weigh=weigh)
        before, dof = told, told_dof(problem, state)
        if sigma_mm is None and dof > 0:
            guess = float(np.sqrt(raw.squares.sum() / dof)) / float(np.median(problem.weight))
    state = replace(state, told=np.where(np.abs(state.told) < 1e-13, 0.0, state.told))
    dof = told_dof(problem, state)
    if dof < 0:
        raise KinematicsError(
            f"readings: expected at least as many equations as unknowns that they tell, found {-dof} too few"
        )
    return Solved(problem, state, raw.squares, raw.residual, reduced(problem, state, raw), dof)


def _rank(state: State) -> tuple[int, int]:
    return state.free.shape[1], round(float(np.trace(state.held, axis1=1, axis2=2).sum()))


def _put_back(problem: Problem, state: State, raw: Raw) -> tuple[State, Raw]:
    """What is held returns to where it counts from."""
    if not state.any_held and state.free.shape[0] == state.free.shape[1]:
        return state, raw
    told = state.free @ (state.free.T @ state.told)
    targets = state.targets - (state.held @ state.targets[..., None])[..., 0]
    state = replace(state, told=np.where(np.abs(told) < 1e-13, 0.0, told), targets=targets)
    return state, raw_rows(problem, state)
