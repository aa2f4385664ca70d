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
from kinematics.machine import Machine
from kinematics.pivot.blocks import Reduced, reduce_targets
from kinematics.pivot.pull import Lines, Turns, lines_of, pull, pull_with_slopes, turns_of
from kinematics.pivot.readings import Readings
from kinematics.pivot.targets import Charts, rows_of, start_charts

__all__ = ["Problem", "Raw", "State", "descend", "pose_problem", "raw_rows", "reduced", "start"]

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
    scale : ndarray, shape (4n,)
        What the scaled numbers (mm) are multiplied by to give shifts (mm) and leans.
    weighted : bool
        Whether the weights differ from 1.
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
    scale: NDArray[np.float64]
    weighted: bool

    @property
    def rotaries(self) -> int:
        """How many rotaries there are."""
        return len(self.lines.point)

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
    any_held : bool
        Whether that is more than the numbers that a target does not have.
    untold : ndarray, shape (4n, m)
        What the lines do in the combinations that no reading notices, before anything was held in their place.
    untold_leans : ndarray, shape (2n + 2t, m)
        What the leans of lines and targets do in the same.
    """

    told: NDArray[np.float64]
    targets: NDArray[np.float64]
    free: NDArray[np.float64]
    held: NDArray[np.float64]
    steps: int = 0
    any_held: bool = False
    untold: NDArray[np.float64] | None = None
    untold_leans: NDArray[np.float64] | None = None


def pose_problem(readings: Readings, machine: Machine) -> Problem:
    """Sort the readings by target and count everything from the nominal machine."""
    readings.fits(machine)
    order = np.argsort(readings.target, kind="stable")
    names, target, counts = np.unique(readings.target[order], return_inverse=True, return_counts=True)
    lines, angles = lines_of(machine), readings.angles_deg[order]
    turns, points = turns_of(machine, angles), readings.points_mm[order]
    where = pull(lines, np.zeros((len(lines.point), 4)), turns, points)
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)
    charts = start_charts(readings, machine, names.tolist(), np.split(order, starts[1:]), where, starts)
    weight = np.ones(len(points)) if readings.sigma_mm is None else 1.0 / readings.sigma_mm[order]
    lever = _SHORTEST_LEVER_MM
    for point, direction in zip(lines.point, lines.direction, strict=True):
        off = where - point
        off = off - (off @ direction)[:, None] * direction
        lever = max(lever, float(np.sqrt((off * off).sum() / len(off))))
    scale = np.array([1.0, 1.0, 1.0 / lever, 1.0 / lever] * len(lines.point))
    return Problem(
        lines=lines,
        turns=turns,
        points=points,
        target=target.reshape(-1),
        starts=starts,
        charts=charts,
        weight=weight,
        order=order,
        names=names,
        lever_mm=lever,
        scale=scale,
        weighted=readings.sigma_mm is not None,
    )


def start(problem: Problem) -> State:
    """Lines at the machine's values, targets in the middle of their readings, nothing held but what is not there."""
    count = len(problem.names)
    held = np.zeros((count, 4, 4))
    held[:, np.arange(4), np.arange(4)] = problem.charts.unused
    parameters = 4 * problem.rotaries
    return State(np.zeros(parameters), np.zeros((count, 4)), np.eye(parameters), held)


@dataclass(frozen=True, eq=False)
class Raw:
    """The rows at a state, weighted by the readings' sigma alone.

    Attributes
    ----------
    residual : ndarray, shape (N, 3)
    columns : ndarray, shape (N, 3, 4n)
        Slopes after the lines' scaled numbers.
    by_target : ndarray, shape (N, 3, 4)
        Slopes after the reading's own target's numbers.
    """

    residual: NDArray[np.float64]
    columns: NDArray[np.float64]
    by_target: NDArray[np.float64]

    @property
    def squares(self) -> NDArray[np.float64]:
        """Squared weighted misfit of each reading, shape (N,)."""
        return np.asarray((self.residual * self.residual).sum(axis=-1))

    def scaled(self, root: NDArray[np.float64]) -> Raw:
        """With each reading's rows multiplied by `root` (N,)."""
        return Raw(
            self.residual * root[:, None],
            self.columns * root[:, None, None],
            self.by_target * root[:, None, None],
        )


def raw_rows(problem: Problem, state: State) -> Raw:
    """The rows of all readings at a state."""
    told = (state.told * problem.scale).reshape(-1, 4)
    where, slopes = pull_with_slopes(problem.lines, told, problem.turns, problem.points)
    rows = rows_of(problem.charts, state.targets, problem.target, where, problem.lever_mm)
    columns = slopes if rows.by_point is None else rows.by_point @ slopes
    raw = Raw(rows.residual, columns * problem.scale, rows.by_target)
    return raw.scaled(problem.weight) if problem.weighted else raw


def reduced(problem: Problem, state: State, raw: Raw) -> Reduced:
    """The rows with the targets taken out, the lines' columns along `state.free`."""
    whole = state.free.shape[0] == state.free.shape[1]
    return reduce_targets(
        raw.residual,
        raw.columns if whole else raw.columns @ state.free,
        raw.by_target,
        problem.target,
        problem.starts,
        state.held,
        any_held=state.any_held,
    )


def descend(
    problem: Problem,
    state: State,
    raw: Raw | None = None,
    *,
    weigh: Weighing | None = None,
    prior: NDArray[np.float64] | None = None,
    steps: int = _STEPS,
    settled_mm: float = _SETTLED_MM,
) -> tuple[State, Raw]:
    """Bring the weighted sum of squares down until nothing moves by a millionth of a micrometre.

    Parameters
    ----------
    problem, state
        The state says where to begin and what is held.
    raw : Raw, optional
        Its rows, if they are at hand.
    weigh : callable, optional
        For a robust loss.
    prior : ndarray, shape (4n,), optional
        How strongly each of the lines' scaled numbers is drawn to its nominal value (root weight per mm).
    steps : int
        At most so many; a start needs only one.
    settled_mm : float
        The longest last step.

    Raises
    ------
    KinematicsError
        When it does not settle.
    """
    raw = raw_rows(problem, state) if raw is None else raw
    drawn = np.zeros(len(state.told)) if prior is None else prior
    free, damping, size = state.free, 0.0, np.inf
    draw = (free.T * drawn**2) @ free

    def cost(at: State, rows: Raw) -> tuple[NDArray[np.float64] | None, float]:
        squares, pulled = rows.squares, float(((drawn * at.told) ** 2).sum())
        if weigh is None:
            return None, float(squares.sum()) + pulled
        weights, summed = weigh(squares)
        return weights, summed + pulled

    weights, now = cost(state, raw)
    for _ in range(steps):
        block = reduced(problem, state, raw if weights is None else raw.scaled(np.sqrt(weights)))
        information = block.information + draw
        gradient = block.gradient + free.T @ (drawn**2 * state.told)
        while True:
            move = _solution(information, gradient, damping)
            shift, follow = free @ move, block.follow(move)
            trial = replace(state, told=state.told + shift, targets=state.targets + follow)
            rows = raw_rows(problem, trial)
            weights, then = cost(trial, rows)
            before, size = size, max(_largest(shift), _largest(follow))
            if then <= now * (1.0 + 1e-10) + 1e-24 or size < settled_mm:
                break
            damping = max(10.0 * damping, 1e-6)
            if damping > 1e12:
                raise KinematicsError("fit: expected the readings to settle on one answer, found no way down")
        state, raw, now = replace(trial, steps=trial.steps + 1), rows, then
        # The steps shrink by one and the same share at least: the next one is known before it is taken.
        shrinks = min(1.0, size / before) if np.isfinite(before) else 1.0
        if size * shrinks < settled_mm and damping < 1e-9:
            break
        damping = damping / 30.0 if damping > 1e-8 else 0.0
    else:
        if steps >= _STEPS:
            raise KinematicsError(
                f"fit: expected the readings to settle on one answer, found none in {steps} steps"
            )
    return state, raw


def _solution(
    information: NDArray[np.float64], gradient: NDArray[np.float64], damping: float
) -> NDArray[np.float64]:
    """The damped step."""
    if damping:
        information = information + damping * np.diag(np.diag(information) + 1e-12)
    try:
        return np.asarray(np.linalg.solve(information, -gradient))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.lstsq(information, -gradient, rcond=1e-14)[0])


def _largest(values: NDArray[np.float64]) -> float:
    return float(np.abs(values).max()) if values.size else 0.0
