"""The adjustment: every line and every target at once, by least squares, from a start that needs no guesses.

Shifts enter linearly once the directions stand, so the start solves for them in closed form with the directions at
their nominal values, however far the nominal positions are off. From there damped Gauss-Newton steps (Levenberg's
rule) take everything along.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import KinematicsError
from kinematics.machine import Machine, table_pose
from kinematics.pivot.blocks import Reduced, reduce_targets
from kinematics.pivot.pull import Lines, Turns, lines_of, pull, pull_with_slopes, turns_of
from kinematics.pivot.readings import Readings
from kinematics.pivot.targets import Charts, misfit, rows_of, start_charts

__all__ = ["Problem", "State", "descend", "linearise", "pose_problem", "raw_rows", "start", "total"]

Weighing = Callable[[NDArray[np.float64]], tuple[NDArray[np.float64], float]]
"""From squared weighted misfits (N,): the weights (N,) to use and the total to bring down."""

_STEPS = 60
_SETTLED_MM = 1e-9
_SHORTEST_LEVER_MM = 10.0


@dataclass(frozen=True, eq=False)
class Problem:
    """Readings sorted by target, with everything that does not change from step to step.

    Attributes
    ----------
    order : ndarray of int, shape (N,)
        Which reading of the file stands where.
    names : ndarray of int, shape (t,)
        Which of the readings' targets each one is; targets without readings are left out.
    weight : ndarray, shape (N,)
        Root of the reading's weight: 1 where all sigmas are alike, else 1/sigma.
    lever_mm : float
        Scale of the leans: a lean counts as what it moves at this distance.
    """

    lines: Lines
    turns: Turns
    points: NDArray[np.float64]
    target: NDArray[np.int64]
    starts: NDArray[np.int64]
    charts: Charts
    weight: NDArray[np.float64]
    order: NDArray[np.int64]
    names: NDArray[np.int64]
    lever_mm: float

    @property
    def rotaries(self) -> int:
        """How many rotaries there are."""
        return len(self.lines.point)

    @property
    def scale(self) -> NDArray[np.float64]:
        """What the 4n scaled numbers (mm) are multiplied by to give shifts (mm) and leans."""
        return np.tile([1.0, 1.0, 1.0 / self.lever_mm, 1.0 / self.lever_mm], self.rotaries)

    @property
    def equations(self) -> int:
        """How many numbers the readings give in all."""
        return int(self.charts.equations[self.target].sum())


@dataclass(frozen=True, eq=False)
class State:
    """Where the adjustment stands: lines (4n,) and targets (t, 4), scaled to mm; what is held.

    Attributes
    ----------
    free : ndarray, shape (4n, f)
        Orthonormal directions in which the lines may move.
    held : ndarray, shape (t, 4, 4)
        Projectors on the combinations of a target's numbers that stay.
    """

    told: NDArray[np.float64]
    targets: NDArray[np.float64]
    free: NDArray[np.float64]
    held: NDArray[np.float64]
    steps: int = 0


def pose_problem(readings: Readings, machine: Machine) -> Problem:
    """Sort the readings by target and count everything from the nominal machine."""
    readings.fits(machine)
    order = np.argsort(readings.target, kind="stable")
    names, target, counts = np.unique(readings.target[order], return_inverse=True, return_counts=True)
    lines, angles = lines_of(machine), readings.angles_deg[order]
    turns, points = turns_of(machine, angles), readings.points_mm[order]
    where = pull(lines, np.zeros((len(lines.point), 4)), turns, points)
    back = np.swapaxes(table_pose(machine, angles).rotation, -1, -2)
    listed = replace(readings.only(order), rows=None)
    charts = start_charts(listed, machine, where, back)
    charts = Charts(charts.equations[names], charts.base[names], charts.direction[names], charts.square[names])
    weight = np.ones(len(points)) if readings.sigma_mm is None else 1.0 / readings.sigma_mm[order]
    lever = _SHORTEST_LEVER_MM
    for point, direction in zip(lines.point, lines.direction, strict=True):
        off = where - point
        off = off - (off @ direction)[:, None] * direction
        lever = max(lever, float(np.sqrt((off * off).sum() / len(off))))
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)
    return Problem(lines, turns, points, target.reshape(-1), starts, charts, weight, order, names, lever)


def start(problem: Problem) -> State:
    """Lines at the machine's values, targets in the middle of their readings, nothing held but what is not there."""
    count = len(problem.names)
    held = np.zeros((count, 4, 4))
    held[:, np.arange(4), np.arange(4)] = problem.charts.unused
    parameters = 4 * problem.rotaries
    return State(np.zeros(parameters), np.zeros((count, 4)), np.eye(parameters), held)


def _lines_told(problem: Problem, told: NDArray[np.float64]) -> NDArray[np.float64]:
    return (told * problem.scale).reshape(-1, 4)


def total(problem: Problem, told: NDArray[np.float64], targets: NDArray[np.float64]) -> NDArray[np.float64]:
    """Squared weighted misfit of each reading, shape (N,)."""
    where = pull(problem.lines, _lines_told(problem, told), problem.turns, problem.points)
    off = misfit(problem.charts, targets, problem.target, where, problem.lever_mm)
    return np.asarray((off * off).sum(axis=-1) * problem.weight**2)


def raw_rows(
    problem: Problem, state: State, weights: NDArray[np.float64] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Weighted residuals (N, 3), columns of the lines (N, 3, 4n) and of the readings' own targets (N, 3, 4)."""
    where, slopes = pull_with_slopes(
        problem.lines, _lines_told(problem, state.told), problem.turns, problem.points
    )
    rows = rows_of(problem.charts, state.targets, problem.target, where, problem.lever_mm)
    weight = problem.weight if weights is None else problem.weight * np.sqrt(weights)
    by_point = rows.by_point * weight[:, None, None]
    columns = by_point @ np.swapaxes(slopes * problem.scale[:, None], 1, 2)
    return rows.residual * weight[:, None], columns, rows.by_target * weight[:, None, None]


def linearise(
    problem: Problem, state: State, weights: NDArray[np.float64] | None = None, *, everything: bool = False
) -> tuple[NDArray[np.float64], Reduced]:
    """Weighted residuals (N, 3) at `state`, and the rows with the targets taken out.

    The rotaries' columns are those along `state.free`, or all 4n when `everything` is asked for.
    """
    residual, columns, by_target = raw_rows(problem, state, weights)
    if not everything:
        columns = columns @ state.free
    return residual, reduce_targets(
        residual, columns, by_target, problem.target, problem.starts, state.held
    )


def descend(
    problem: Problem,
    state: State,
    *,
    weigh: Weighing | None = None,
    prior: NDArray[np.float64] | None = None,
    steps: int = _STEPS,
    settled_mm: float = _SETTLED_MM,
) -> State:
    """Bring the weighted sum of squares down until nothing moves by a millionth of a micrometre.

    Parameters
    ----------
    problem, state
        The state says where to begin and what is held.
    weigh : callable, optional
        For a robust loss.
    prior : ndarray, shape (4n,), optional
        How strongly each of the lines' scaled numbers is drawn to its nominal value (root weight per mm).
    steps : int
        At most so many; a start needs only one.

    Raises
    ------
    KinematicsError
        When it does not settle.
    """
    told, targets, damping = state.told, state.targets, 0.0
    pull_in = np.zeros(len(told)) if prior is None else prior

    def cost(told: NDArray[np.float64], targets: NDArray[np.float64]) -> tuple[NDArray[np.float64] | None, float]:
        squares = total(problem, told, targets)
        drawn = float(((pull_in * told) ** 2).sum())
        if weigh is None:
            return None, float(squares.sum()) + drawn
        weights, summed = weigh(squares)
        return weights, summed + drawn

    weights, now = cost(told, targets)
    for step in range(1, steps + 1):
        _, reduced = linearise(problem, replace(state, told=told, targets=targets), weights)
        drawn = (state.free.T * pull_in**2) @ state.free
        information = reduced.information + drawn
        gradient = reduced.gradient + state.free.T @ (pull_in**2 * told)
        while True:
            damped = information + damping * np.diag(np.diag(information) + 1e-12)
            move = -np.linalg.lstsq(damped, gradient, rcond=1e-14)[0] if len(damped) else gradient
            shift, follow = state.free @ move, reduced.follow(move)
            trial = cost(told + shift, targets + follow)
            size = max(_largest(shift), _largest(follow))
            if trial[1] <= now * (1.0 + 1e-10) + 1e-24 or size < settled_mm:
                break
            damping = max(10.0 * damping, 1e-6)
            if damping > 1e12:
                raise KinematicsError("fit: expected the readings to settle on one answer, found no way down")
        told, targets = told + shift, targets + follow
        weights, now = trial
        settled = size < settled_mm and damping < 1e-3
        damping = damping / 30.0 if damping > 1e-8 else 0.0
        if settled:
            break
    else:
        if steps >= _STEPS:
            raise KinematicsError(f"fit: expected the readings to settle on one answer, found none in {steps} steps")
    return replace(state, told=told, targets=targets, steps=state.steps + step)


def _largest(values: NDArray[np.float64]) -> float:
    return float(np.abs(values).max()) if values.size else 0.0
