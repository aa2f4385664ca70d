"""Least-squares adjustment of lines and targets: linearisation, elimination of the targets, damped Gauss-Newton.

Each reading touches the rotaries' few numbers and its own target's four. Per target its four numbers are solved for
and taken out of the rotaries' columns (the Schur complement, formed as a sum of squares so that nothing cancels);
what remains is one small system for the rotaries.

Shifts enter linearly once the directions stand, so the start solves for them in closed form with the directions at
their nominal values, however far the nominal positions are off. From there damped Gauss-Newton steps (Levenberg's
rule) take everything along.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.line_parameters import (
    BLOCK,
    NominalLines,
    RotationBasis,
    derotate,
    derotate_with_jacobian,
    nominal_lines,
    rotation_basis,
)
from kinematics.calibration.observation_equations import (
    TargetParameters,
    initial_target_parameters,
    linearize_targets,
)
from kinematics.calibration.readings import Readings
from kinematics.errors import KinematicsError
from kinematics.machine import Machine

__all__ = [
    "Linearization",
    "Problem",
    "ReducedNormals",
    "State",
    "build_problem",
    "eliminate_targets",
    "free_projectors",
    "gauss_newton",
    "initial_state",
    "linearize",
    "reduced_normals",
]


@dataclass(frozen=True, eq=False)
class ReducedNormals:
    """The rows with the targets taken out.

    Attributes
    ----------
    rows : ndarray, shape (N, 3, p)
        The rotaries' columns less what the targets can take over.
    information : ndarray, shape (p, p)
        Their squares: the Schur complement.
    gradient : ndarray, shape (p,)
    inverse : ndarray, shape (t, 4, 4)
        Inverses of the targets' own blocks; the held directions have a 1 there.
    coupling : ndarray, shape (t, 4, p)
        By how much a target follows each of the rotaries' numbers (to be subtracted).
    target_step : ndarray, shape (t, 4)
        What each target would move by if the rotaries stood still.
    by_target : ndarray, shape (N, 3, 4)
        The targets' columns that are free.
    """

    rows: NDArray[np.float64]
    information: NDArray[np.float64]
    gradient: NDArray[np.float64]
    inverse: NDArray[np.float64]
    coupling: NDArray[np.float64]
    target_step: NDArray[np.float64]
    by_target: NDArray[np.float64]

    def follow(self, step: NDArray[np.float64]) -> NDArray[np.float64]:
        """The targets' step (t, 4) that goes with a step of the rotaries (p,)."""
        return self.target_step - self.coupling @ step


def free_projectors(held: NDArray[np.float64]) -> NDArray[np.float64]:
    """The projector (t, 4, 4) on what is not held, for projectors `held` (t, 4, 4)."""
    return np.eye(4) - held


def eliminate_targets(
    residual: NDArray[np.float64],
    columns: NDArray[np.float64],
    by_target: NDArray[np.float64],
    target: NDArray[np.int64],
    starts: NDArray[np.int64],
    held: NDArray[np.float64],
    *,
    any_held: bool = True,
) -> ReducedNormals:
    """Take the targets out of the weighted rows.

    Parameters
    ----------
    residual : ndarray, shape (N, 3)
    columns : ndarray, shape (N, 3, p)
        The rotaries' columns.
    by_target : ndarray, shape (N, 3, 4)
    target : ndarray of int, shape (N,)
        Ascending: readings stand sorted by target.
    starts : ndarray of int, shape (t,)
        Where each target's readings begin.
    held : ndarray, shape (t, 4, 4)
        Projector on each target's held combinations.
    any_held : bool
        False where nothing is held but numbers that a target does not have: their columns are zero anyway.
    """
    n, p = len(residual), columns.shape[-1]
    if any_held:
        by_target = by_target @ free_projectors(held)[target]
    blocks = [slice(start, start + BLOCK) for start in range(0, n, BLOCK)]
    summed = np.zeros((len(starts), 4, 5 + p))
    for block in blocks:
        own = by_target[block]
        beside = np.concatenate([own, columns[block], residual[block, :, None]], axis=2)
        here = target[block]
        first = np.flatnonzero(np.diff(here, prepend=-1))
        summed[here[first]] += np.add.reduceat(np.swapaxes(own, 1, 2) @ beside, first, axis=0)
    inverse = np.asarray(np.linalg.inv(summed[:, :, :4] + held), dtype=np.float64)
    solved = inverse @ summed[:, :, 4:]
    coupling, step = solved[:, :, :p], -solved[:, :, p]
    rows, information, gradient = np.empty((n, 3, p)), np.zeros((p, p)), np.zeros(p)
    for block in blocks:
        left = columns[block] - by_target[block] @ coupling[target[block]]
        rows[block] = left
        flat = left.reshape(3 * len(left), p)
        information += flat.T @ flat
        gradient += flat.T @ residual[block].reshape(-1)
    return ReducedNormals(rows, information, gradient, inverse, coupling, step, by_target)


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

    lines: NominalLines
    turns: RotationBasis
    points: NDArray[np.float64]
    target: NDArray[np.int64]
    starts: NDArray[np.int64]
    charts: TargetParameters
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


def build_problem(readings: Readings, machine: Machine) -> Problem:
    """Sort the readings by target and count everything from the nominal machine."""
    readings.fits(machine)
    order = np.argsort(readings.target, kind="stable")
    names, target, counts = np.unique(readings.target[order], return_inverse=True, return_counts=True)
    lines, angles = nominal_lines(machine), readings.angles_deg[order]
    turns, points = rotation_basis(machine, angles), readings.points_mm[order]
    where = derotate(lines, np.zeros((len(lines.point), 4)), turns, points)
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)
    charts = initial_target_parameters(
        readings, machine, names.tolist(), np.split(order, starts[1:]), where, starts
    )
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


def initial_state(problem: Problem) -> State:
    """Lines at the machine's values, targets in the middle of their readings, nothing held but what is not there."""
    count = len(problem.names)
    held = np.zeros((count, 4, 4))
    held[:, np.arange(4), np.arange(4)] = problem.charts.unused
    parameters = 4 * problem.rotaries
    return State(np.zeros(parameters), np.zeros((count, 4)), np.eye(parameters), held)


@dataclass(frozen=True, eq=False)
class Linearization:
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

    def scaled(self, root: NDArray[np.float64]) -> Linearization:
        """With each reading's rows multiplied by `root` (N,)."""
        return Linearization(
            self.residual * root[:, None],
            self.columns * root[:, None, None],
            self.by_target * root[:, None, None],
        )


def linearize(problem: Problem, state: State) -> Linearization:
    """The rows of all readings at a state."""
    told = (state.told * problem.scale).reshape(-1, 4)
    where, slopes = derotate_with_jacobian(problem.lines, told, problem.turns, problem.points)
    rows = linearize_targets(problem.charts, state.targets, problem.target, where, problem.lever_mm)
    columns = slopes if rows.by_point is None else rows.by_point @ slopes
    raw = Linearization(rows.residual, columns * problem.scale, rows.by_target)
    return raw.scaled(problem.weight) if problem.weighted else raw


def reduced_normals(problem: Problem, state: State, raw: Linearization) -> ReducedNormals:
    """The rows with the targets taken out, the lines' columns along `state.free`."""
    whole = state.free.shape[0] == state.free.shape[1]
    return eliminate_targets(
        raw.residual,
        raw.columns if whole else raw.columns @ state.free,
        raw.by_target,
        problem.target,
        problem.starts,
        state.held,
        any_held=state.any_held,
    )


def gauss_newton(
    problem: Problem,
    state: State,
    raw: Linearization | None = None,
    *,
    weigh: Weighing | None = None,
    prior: NDArray[np.float64] | None = None,
    steps: int = _STEPS,
    settled_mm: float = _SETTLED_MM,
) -> tuple[State, Linearization]:
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
    raw = linearize(problem, state) if raw is None else raw
    drawn = np.zeros(len(state.told)) if prior is None else prior
    free, damping, size = state.free, 0.0, np.inf
    draw = (free.T * drawn**2) @ free

    def cost(at: State, rows: Linearization) -> tuple[NDArray[np.float64] | None, float]:
        squares, pulled = rows.squares, float(((drawn * at.told) ** 2).sum())
        if weigh is None:
            return None, float(squares.sum()) + pulled
        weights, summed = weigh(squares)
        return weights, summed + pulled

    weights, now = cost(state, raw)
    for _ in range(steps):
        block = reduced_normals(problem, state, raw if weights is None else raw.scaled(np.sqrt(weights)))
        information = block.information + draw
        gradient = block.gradient + free.T @ (drawn**2 * state.told)
        while True:
            move = _solution(information, gradient, damping)
            shift, follow = free @ move, block.follow(move)
            trial = replace(state, told=state.told + shift, targets=state.targets + follow)
            rows = linearize(problem, trial)
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
