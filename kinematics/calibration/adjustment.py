"""Least-squares adjustment of lines and targets: linearisation, elimination of the targets, damped Gauss-Newton.

Each reading depends on the rotaries' few parameters and its own target's four. Each target's four are eliminated from
the rotaries' columns (the Schur complement, formed as a sum of squares so that nothing cancels); what remains is one
small system for the rotaries.

Shifts enter linearly once the directions are fixed, so the first step solves for them with the directions at their
nominal values, however far the nominal positions are off. From there damped Gauss-Newton steps (Levenberg's rule)
adjust everything.

`scipy.optimize.least_squares` finds the same minimum but knows nothing of the eliminated targets: with 10,000 readings of
20 balls it takes more than ten times as long in the same run (`python tests/benchmarks/bench_pivot.py`, which fails below
ten), so this iteration stays.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.line_parameters import (
    BLOCK,
    NominalLines,
    RotationTerms,
    derotate,
    derotate_with_jacobian,
    nominal_lines,
    rotation_terms,
    turn_jacobian,
)
from kinematics.calibration.linear_algebra import inverse, solution
from kinematics.calibration.observation_equations import (
    TargetParameters,
    initial_target_parameters,
    linearize_targets,
)
from kinematics.calibration.readings import Readings
from kinematics.calibration.systematic_terms import AngleTerms, angle_terms, chosen_courses
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
    """Normal equations of the rotaries' parameters, the targets eliminated.

    Attributes
    ----------
    rows : ndarray, shape (N, 3, p)
        The rotaries' columns, orthogonal to the targets' columns.
    information : ndarray, shape (p, p)
        Their squares: the Schur complement.
    gradient : ndarray, shape (p,)
    inverse : ndarray, shape (t, 4, 4)
        Inverses of the targets' own blocks; the fixed directions have a 1 there.
    coupling : ndarray, shape (t, 4, p)
        A target's change for each of the rotaries' parameters (to be subtracted).
    target_step : ndarray, shape (t, 4)
        Each target's step with the rotaries' parameters unchanged.
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

    @cached_property
    def cofactor(self) -> NDArray[np.float64]:
        """Inverse (p, p) of the information.

        Raises
        ------
        KinematicsError
            When it is singular or not finite.
        """
        return inverse(self.information) if self.information.size else self.information

    def back_substitute(self, step: NDArray[np.float64]) -> NDArray[np.float64]:
        """The targets' step (t, 4) for a step of the rotaries' parameters (p,)."""
        return self.target_step - self.coupling @ step


def free_projectors(fixed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Projectors (t, 4, 4) on what is not fixed, for projectors `fixed` (t, 4, 4) on what is."""
    return np.eye(4) - fixed


def eliminate_targets(
    residual: NDArray[np.float64],
    columns: NDArray[np.float64],
    by_target: NDArray[np.float64],
    target: NDArray[np.int64],
    starts: NDArray[np.int64],
    fixed: NDArray[np.float64],
    *,
    any_fixed: bool = True,
) -> ReducedNormals:
    """Eliminate the targets from the weighted rows.

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
    fixed : ndarray, shape (t, 4, 4)
        Projectors on each target's fixed combinations.
    any_fixed : bool
        False where nothing is fixed but parameters that a target does not have: their columns are zero anyway.
    """
    n, p = len(residual), columns.shape[-1]
    if any_fixed:
        by_target = by_target @ free_projectors(fixed)[target]
    blocks = [slice(start, start + BLOCK) for start in range(0, n, BLOCK)]
    summed = np.zeros((len(starts), 4, 5 + p))
    for block in blocks:
        own = by_target[block]
        beside = np.concatenate([own, columns[block], residual[block, :, None]], axis=2)
        here = target[block]
        first = np.flatnonzero(np.diff(here, prepend=-1))
        summed[here[first]] += np.add.reduceat(np.swapaxes(own, 1, 2) @ beside, first, axis=0)
    own_inverse = inverse(summed[:, :, :4] + fixed)
    solved = own_inverse @ summed[:, :, 4:]
    coupling, step = solved[:, :, :p], -solved[:, :, p]
    rows, information, gradient = np.empty((n, 3, p)), np.zeros((p, p)), np.zeros(p)
    for block in blocks:
        left = columns[block] - by_target[block] @ coupling[target[block]]
        rows[block] = left
        flat = left.reshape(3 * len(left), p)
        information += flat.T @ flat
        gradient += flat.T @ residual[block].reshape(-1)
    return ReducedNormals(rows, information, gradient, own_inverse, coupling, step, by_target)


Weighing = Callable[[NDArray[np.float64]], tuple[NDArray[np.float64], float]]
"""From squared weighted residuals (N,): the weights (N,) to use and the total to minimise."""

_STEPS = 60
_CONVERGED_MM = 1e-9
_SHORTEST_LEVER_MM = 10.0


@dataclass(frozen=True, eq=False)
class Problem:
    """Adjustment problem: readings sorted by target, with everything that does not change between iterations.

    Attributes
    ----------
    order : ndarray of int, shape (N,)
        Index of each one among the readings.
    names : ndarray of int, shape (t,)
        Index of each target among the readings' targets; targets without readings are left out.
    weight : ndarray, shape (N,)
        Root of the reading's weight: 1 where all sigmas are alike, else 1/sigma.
    lever_mm : float
        Scale of the tilts: a tilt counts as the displacement at this distance.
    scale : ndarray, shape (4n + k,)
        Factors from the scaled parameters (mm) to shifts (mm), tilts and the k others: coefficients of
        `angle_terms`, then drifts (mm).
    weighted : bool
        Whether the weights differ from 1.
    angle_terms : AngleTerms
        Errors of the rotaries' own angles that are adjusted along.
    courses : ndarray, shape (N, m)
        Of the drifts that are adjusted along, from 0 to 1; three parameters each.
    """

    lines: NominalLines
    turns: RotationTerms
    points: NDArray[np.float64]
    target: NDArray[np.int64]
    starts: NDArray[np.int64]
    nominal_targets: TargetParameters
    weight: NDArray[np.float64]
    order: NDArray[np.int64]
    names: NDArray[np.int64]
    lever_mm: float
    scale: NDArray[np.float64]
    weighted: bool
    angle_terms: AngleTerms
    courses: NDArray[np.float64]

    @property
    def rotaries(self) -> int:
        """Number of rotaries."""
        return len(self.lines.point)

    @property
    def equations(self) -> int:
        """Number of equations of all readings."""
        return int(self.nominal_targets.equations[self.target].sum())

    @cached_property
    def usual_weight(self) -> float:
        """The median of the readings' weights: that of one millimetre where all are alike."""
        return float(np.median(self.weight)) if self.weighted else 1.0

    @property
    def tilts(self) -> NDArray[np.bool_]:
        """Mask of the tilts among the scaled parameters, shape (4n + k,)."""
        return self._mask([False, False, True, True])

    @property
    def shifts(self) -> NDArray[np.bool_]:
        """Mask of the shifts, shape (4n + k,)."""
        return self._mask([True, True, False, False])

    def _mask(self, four: list[bool]) -> NDArray[np.bool_]:
        return np.array(four * self.rotaries + [False] * (len(self.scale) - 4 * self.rotaries))

    def line_parameters(self, parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        """The lines' shifts (mm) and tilts, shape (n, 4), for scaled parameters (4n + k,)."""
        return np.asarray((parameters * self.scale)[: 4 * self.rotaries].reshape(-1, 4))

    def turns_at(self, parameters: NDArray[np.float64]) -> RotationTerms:
        """The rotations of all readings, with the errors of the angles for scaled parameters (4n + k,)."""
        if not self.angle_terms.count:
            return self.turns
        first = 4 * self.rotaries
        coefficients = (parameters * self.scale)[first : first + self.angle_terms.count]
        return self.turns.turned_further(self.angle_terms.turn_errors(coefficients, self.rotaries))

    def points_at(self, parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        """The readings (N, 3) with the drifts for scaled parameters (4n + k,) taken off."""
        if not self.courses.shape[1]:
            return self.points
        first = 4 * self.rotaries + self.angle_terms.count
        return np.asarray(self.points - self.courses @ (parameters * self.scale)[first:].reshape(-1, 3))


@dataclass(frozen=True, eq=False)
class State:
    """Values of all unknowns, scaled to mm, and which combinations of them are fixed.

    Attributes
    ----------
    parameters : ndarray, shape (4n + k,)
        Of the lines, then of the angles' errors, then of the drifts.
    targets : ndarray, shape (t, 4)
    free : ndarray, shape (4n + k, f)
        Orthonormal directions in which these may move.
    fixed : ndarray, shape (t, 4, 4)
        Projectors on the combinations of a target's parameters that are fixed.
    any_fixed : bool
        Whether that is more than the parameters that a target does not have.
    null_space : ndarray, shape (4n + k, m)
        The lines' and angles' part of the combinations that change no reading, before anything was fixed in their place.
    null_space_tilts : ndarray, shape (2n + 2t, m)
        The tilts of lines and targets in the same combinations.
    """

    parameters: NDArray[np.float64]
    targets: NDArray[np.float64]
    free: NDArray[np.float64]
    fixed: NDArray[np.float64]
    steps: int = 0
    any_fixed: bool = False
    null_space: NDArray[np.float64] | None = None
    null_space_tilts: NDArray[np.float64] | None = None

    def stepped(self, shift: NDArray[np.float64], target_step: NDArray[np.float64]) -> State:
        """The state one step on: parameters moved by `shift` (4n + k,), targets by `target_step` (t, 4)."""
        return replace(
            self,
            parameters=self.parameters + shift,
            targets=self.targets + target_step,
            steps=self.steps + 1,
        )

    @property
    def target_unknowns(self) -> int:
        """Parameters of all targets that are not fixed."""
        return int(self.targets.size - self.fixed_count)

    @property
    def fixed_count(self) -> int:
        """Combinations of the targets' parameters that are fixed."""
        return round(float(np.trace(self.fixed, axis1=1, axis2=2).sum()))


def build_problem(
    readings: Readings, machine: Machine, angle_errors: Sequence[str] = (), drifts: Sequence[str] = ()
) -> Problem:
    """Set up the adjustment: readings sorted by target, parameters relative to the nominal machine.

    `angle_errors` names the rotaries whose own angles' errors are adjusted along, `drifts` the drifts.
    """
    readings.fits(machine)
    order = np.argsort(readings.target, kind="stable")
    names, target, counts = np.unique(readings.target[order], return_inverse=True, return_counts=True)
    lines, angles = nominal_lines(machine), readings.angles_deg[order]
    turns, points = rotation_terms(machine, angles), readings.points_mm[order]
    where = derotate(lines, np.zeros((len(lines.point), 4)), turns, points)
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)
    nominal_targets = initial_target_parameters(
        readings, machine, names.tolist(), np.split(order, starts[1:]), where, starts
    )
    weight = np.ones(len(points)) if readings.sigma_mm is None else 1.0 / readings.sigma_mm[order]
    lever = _SHORTEST_LEVER_MM
    for point, direction in zip(lines.point, lines.direction, strict=True):
        off = where - point
        off = off - (off @ direction)[:, None] * direction
        lever = max(lever, float(np.sqrt((off * off).sum() / len(off))))
    terms = angle_terms(machine, angles, angle_errors)
    courses = chosen_courses(readings, drifts)[order]
    scale = np.array(
        [1.0, 1.0, 1.0 / lever, 1.0 / lever] * len(lines.point)
        + [1.0 / lever] * terms.count
        + [1.0] * (3 * courses.shape[1])
    )
    return Problem(
        lines=lines,
        turns=turns,
        points=points,
        target=target.reshape(-1),
        starts=starts,
        nominal_targets=nominal_targets,
        weight=weight,
        order=order,
        names=names,
        lever_mm=lever,
        scale=scale,
        weighted=readings.sigma_mm is not None,
        angle_terms=terms,
        courses=courses,
    )


def initial_state(problem: Problem) -> State:
    """Lines at the machine's values, targets in the middle of their readings, only unused parameters fixed."""
    count = len(problem.names)
    fixed = np.zeros((count, 4, 4))
    fixed[:, np.arange(4), np.arange(4)] = problem.nominal_targets.unused
    parameters = len(problem.scale)
    return State(np.zeros(parameters), np.zeros((count, 4)), np.eye(parameters), fixed)


@dataclass(frozen=True, eq=False)
class Linearization:
    """Linearised observation equations at a state, weighted by the readings' sigma alone.

    Attributes
    ----------
    residual : ndarray, shape (N, 3)
    columns : ndarray, shape (N, 3, 4n + k)
        Derivatives by the scaled parameters of lines and angles.
    by_target : ndarray, shape (N, 3, 4)
        Derivatives by the reading's own target's parameters.
    """

    residual: NDArray[np.float64]
    columns: NDArray[np.float64]
    by_target: NDArray[np.float64]

    @property
    def squares(self) -> NDArray[np.float64]:
        """Squared weighted residual of each reading, shape (N,)."""
        return np.asarray((self.residual * self.residual).sum(axis=-1))

    def scaled(self, root: NDArray[np.float64]) -> Linearization:
        """The same with each reading's rows multiplied by `root` (N,)."""
        return Linearization(
            self.residual * root[:, None],
            self.columns * root[:, None, None],
            self.by_target * root[:, None, None],
        )


def linearize(problem: Problem, state: State) -> Linearization:
    """Linearise the observation equations of all readings at a state."""
    parameters, turns = problem.line_parameters(state.parameters), problem.turns_at(state.parameters)
    points = problem.points_at(state.parameters)
    where, slopes = derotate_with_jacobian(problem.lines, parameters, turns, points)
    if problem.angle_terms.count:
        _, by_turn = turn_jacobian(problem.lines, parameters, turns, points)
        slopes = np.concatenate([slopes, problem.angle_terms.columns(by_turn)], axis=2)
    if problem.courses.shape[1]:
        # Derotation is linear in the points: a step of one millimetre gives the derivative.
        by_axis = np.stack(
            [where - derotate(problem.lines, parameters, turns, points + axis) for axis in np.eye(3)], axis=-1
        )
        slopes = np.concatenate(
            [slopes, *(by_axis * one[:, None, None] for one in problem.courses.T)], axis=2
        )
    rows = linearize_targets(problem.nominal_targets, state.targets, problem.target, where, problem.lever_mm)
    columns = slopes if rows.by_point is None else rows.by_point @ slopes
    raw = Linearization(rows.residual, columns * problem.scale, rows.by_target)
    return raw.scaled(problem.weight) if problem.weighted else raw


def reduced_normals(problem: Problem, state: State, raw: Linearization) -> ReducedNormals:
    """Normal equations with the targets eliminated, the lines' columns along `state.free`."""
    whole = state.free.shape[0] == state.free.shape[1]
    return eliminate_targets(
        raw.residual,
        raw.columns if whole else raw.columns @ state.free,
        raw.by_target,
        problem.target,
        problem.starts,
        state.fixed,
        any_fixed=state.any_fixed,
    )


def gauss_newton(
    problem: Problem,
    state: State,
    raw: Linearization | None = None,
    *,
    weigh: Weighing | None = None,
    prior: NDArray[np.float64] | None = None,
    steps: int = _STEPS,
    converged_mm: float = _CONVERGED_MM,
) -> tuple[State, Linearization]:
    """Minimise the weighted sum of squares until nothing moves by a millionth of a micrometre.

    Parameters
    ----------
    problem, state
        The state has the initial values and what is fixed.
    raw : Linearization, optional
        At that state, if it is at hand.
    weigh : callable, optional
        For a robust loss.
    prior : ndarray, shape (4n,), optional
        Root weight per mm with which each of the lines' scaled parameters is drawn to its nominal value.
    steps : int
        Most iterations.
    converged_mm : float
        Length of the last step at most.

    Raises
    ------
    KinematicsError
        When it does not converge.
    """
    raw = linearize(problem, state) if raw is None else raw
    root_prior = np.zeros(len(state.parameters)) if prior is None else prior
    free, damping, size = state.free, 0.0, np.inf
    prior_information = (free.T * root_prior**2) @ free

    def cost(at: State, rows: Linearization) -> tuple[NDArray[np.float64] | None, float]:
        squares, penalty = rows.squares, float(((root_prior * at.parameters) ** 2).sum())
        if weigh is None:
            return None, float(squares.sum()) + penalty
        weights, summed = weigh(squares)
        return weights, summed + penalty

    weights, now = cost(state, raw)
    for _ in range(steps):
        block = reduced_normals(problem, state, raw if weights is None else raw.scaled(np.sqrt(weights)))
        information = block.information + prior_information
        gradient = block.gradient + free.T @ (root_prior**2 * state.parameters)
        while True:
            move = _solution(information, gradient, damping)
            shift, target_step = free @ move, block.back_substitute(move)
            trial = state.stepped(shift, target_step)
            rows = linearize(problem, trial)
            weights, then = cost(trial, rows)
            before, size = size, max(_largest(shift), _largest(target_step))
            if then <= now * (1.0 + 1e-10) + 1e-24 or size < converged_mm:
                break
            damping = max(10.0 * damping, 1e-6)
            if damping > 1e12:
                raise KinematicsError(
                    "fit: expected the readings to lead to one solution, found no step that reduces the residuals; check the readings for a gross error, or read more poses"
                )
        state, raw, now = trial, rows, then
        # Convergence is linear at least: the next step shrinks by the same factor, and need not be taken.
        shrinks = min(1.0, size / before) if 0.0 < before < np.inf else 1.0
        if size * shrinks < converged_mm and damping < 1e-9:
            break
        damping = damping / 30.0 if damping > 1e-8 else 0.0
    else:
        if steps >= _STEPS:
            raise KinematicsError(
                f"fit: expected the readings to lead to one solution, found none in {steps} steps; check the readings for a gross error, or read more poses"
            )
    return state, raw


def _solution(
    information: NDArray[np.float64], gradient: NDArray[np.float64], damping: float
) -> NDArray[np.float64]:
    """The damped step."""
    if damping:
        information = information + damping * np.diag(np.diag(information) + 1e-12)
    return solution(information, -gradient)


def _largest(values: NDArray[np.float64]) -> float:
    return float(np.abs(values).max()) if values.size else 0.0
