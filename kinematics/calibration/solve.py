"""Solve an adjustment: initial values, rank, iteration, and the rank once more at the solution; robustly by M-estimation.

A combination of parameters that changes no reading must be fixed by a condition of its own (a datum). The line of a
rotary that stands still throughout is fixed before anything else: whatever it could do, another line does as well. Then
errors of the rotaries' own angles and drifts are fixed at none, and directions before positions, the rotaries' before
the targets': a setter who reads a platter level and on its two edges takes directions as they are and wants the tilt's
Y and Z. Within such a group the condition is the minimum norm: the combination itself keeps the machine's value, and
what is orthogonal to it is estimated.

The losses are those of scipy.optimize.least_squares, in its definition: the sum of ``C^2 rho(r^2 / C^2)`` is
minimised, r being the length of a reading's residual vector (a ball counts as one, not axis by axis).
"""

from __future__ import annotations

import functools
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
    Weighing,
    build_problem,
    gauss_newton,
    initial_state,
    linearize,
    reduced_normals,
)
from kinematics.calibration.linear_algebra import eigen_symmetric, singular_values
from kinematics.calibration.readings import Readings
from kinematics.calibration.statistics import chi_squared_median
from kinematics.errors import KinematicsError
from kinematics.machine import Machine

__all__ = [
    "LOSSES",
    "Adjusted",
    "LeaveOneOut",
    "degrees_of_freedom",
    "estimability_threshold",
    "fix_unestimable",
    "fix_unestimable_targets",
    "m_estimate",
    "solve",
    "solve_problem",
]

_UNCHECKED = 1e-6
"""Share of an equation that the others must check."""
_LEAST_SENSITIVITY = 1e-3
"""Change of all readings together, in mm per mm, below which a combination is not estimable. Chosen here."""
_NOISE_FACTOR = 30.0
"""Multiple of what the scatter of a face's normal can feign that a sensitivity must exceed. Chosen here."""
_LEAST_SHARE = 1e-2
"""Singular value below which a null space does not move a group. Chosen here."""
_STILL = 1e-9
_TILT = np.array([False, False, True, True])


def estimability_threshold(problem: Problem, sigma_mm: float) -> float:
    """Sensitivity (mm of all readings together per mm) below which a combination is not estimable.

    A face's normal is known to sigma over the lever, and by so much a rotary square to it may seem to move the face:
    a sensitivity that scatter can feign is none. With sigmas stated per reading it is in their units.
    """
    feigned = _NOISE_FACTOR * min(sigma_mm, 0.05) / problem.lever_mm
    return max(_LEAST_SENSITIVITY, feigned) * problem.usual_weight


def fix_unestimable(
    problem: Problem,
    state: State,
    raw: Linearization,
    sigma_mm: float,
    within: NDArray[np.float64] | None = None,
) -> State:
    """The state with everything fixed that is not estimable at its linearisation `raw`.

    `within`, shape (4n, k), restricts the lines from the outset: to their shifts alone, say.
    """
    least = estimability_threshold(problem, sigma_mm)
    fixed, any_fixed = fix_unestimable_targets(problem, raw, least)
    state = replace(state, fixed=fixed, any_fixed=any_fixed)
    parameters, tilt = len(problem.scale), problem.tilts
    angle = np.arange(parameters) >= 4 * problem.rotaries
    still = np.repeat(np.ptp(problem.turns.terms, axis=0).max(axis=-1) < _STILL, 4)
    still = np.concatenate([still, np.zeros(parameters - len(still), dtype=np.bool_)])
    state = replace(state, free=np.eye(parameters) if within is None else within)
    null_space, tilts = np.zeros((parameters, 0)), np.zeros((2 * (problem.rotaries + len(problem.names)), 0))
    for _ in range(parameters):
        block = reduced_normals(problem, state, raw)
        size, vectors = eigen_symmetric(block.information)
        null = vectors[:, size < least**2]
        if not null.size:
            break
        fixed, targets = state.fixed.copy(), -(block.coupling @ null)
        null = state.free @ null
        null_space = np.hstack([null_space, null])
        tilts = np.hstack([tilts, np.concatenate([null[tilt], targets[:, _TILT].reshape(-1, null.shape[1])])])
        conditions = []
        for group in (still, angle, tilt):
            null, targets, directions = _fix_group(null, targets, np.where(group[:, None], null, 0.0))
            conditions.append(directions)
        for t in np.flatnonzero(problem.nominal_targets.equations < 3):
            if not null.shape[1]:
                break
            mine = np.where(_TILT[:, None], targets[t], 0.0)
            null, targets, directions = _fix_group(null, targets, mine)
            fixed[t] += directions @ directions.T
        null, targets, directions = _fix_group(null, targets, np.where(tilt[:, None], 0.0, null))
        conditions.append(directions)
        free = _orthogonal_complement(state.free, np.hstack(conditions))
        state = replace(state, free=free, fixed=fixed, any_fixed=_more_than_unused(problem, fixed))
    return replace(state, null_space=null_space, null_space_tilts=tilts)


def _more_than_unused(problem: Problem, fixed: NDArray[np.float64]) -> bool:
    return float(np.trace(fixed, axis1=1, axis2=2).sum()) > float(problem.nominal_targets.unused.sum()) + 0.5


def _fix_group(
    null: NDArray[np.float64], targets: NDArray[np.float64], part: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Fix the combinations of a group that the null space moves; return the rest of the null space, and those."""
    if not null.shape[1]:
        return null, targets, np.zeros((len(part), 0))
    directions, size, right = singular_values(part, full_matrices=True)
    rank = int((size > _LEAST_SHARE).sum())
    rest = right[rank:].T
    return null @ rest, targets @ rest, directions[:, :rank]


def _orthogonal_complement(free: NDArray[np.float64], directions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Orthonormal basis of the part of `free` that is orthogonal to `directions`."""
    inside = free.T @ directions
    _, size, right = singular_values(inside.T, full_matrices=True)
    return np.asarray(free @ right[int((size > 1e-9).sum()) :].T)


def fix_unestimable_targets(
    problem: Problem, raw: Linearization, least: float
) -> tuple[NDArray[np.float64], bool]:
    """Fix what a target's own readings do not determine even with the lines known: directions first.

    Returns the projectors (t, 4, 4), and whether they fix more than the parameters that a target does not have.
    """
    by_target = raw.by_target
    fixed = np.zeros((len(problem.names), 4, 4))
    fixed[:, np.arange(4), np.arange(4)] = problem.nominal_targets.unused
    if problem.nominal_targets.equations.min() == 3:
        return fixed, False
    own = np.add.reduceat(np.swapaxes(by_target, 1, 2) @ by_target, problem.starts, axis=0)
    size, vectors = eigen_symmetric(own + fixed * (2.0 * least) ** 2)
    for t in np.flatnonzero((size < least**2).any(axis=1)):
        null = vectors[t][:, size[t] < least**2]
        spare = np.zeros((0, 4, null.shape[1]))
        for group in (_TILT, ~_TILT):
            null, _, directions = _fix_group(
                null, spare[:, :, : null.shape[1]], np.where(group[:, None], null, 0.0)
            )
            spare = np.zeros((0, 4, null.shape[1]))
            fixed[t] += directions @ directions.T
            if not null.shape[1]:
                break
    return fixed, _more_than_unused(problem, fixed)


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
        reduced, problem = solved.reduced, solved.problem
        own = reduced.by_target @ reduced.inverse[problem.target] @ np.swapaxes(reduced.by_target, 1, 2)
        shared = reduced.rows @ reduced.cofactor @ np.swapaxes(reduced.rows, 1, 2)
        left = np.eye(3) - own - shared
        equations = problem.nominal_targets.equations[problem.target]
        spare = np.arange(3) >= equations[:, None]
        left[spare[:, :, None] | spare[:, None, :]] = 0.0
        size, vectors = eigen_symmetric(left)
        checked = size > _UNCHECKED
        shown = (np.swapaxes(vectors, 1, 2) @ solved.residual[..., None])[..., 0]
        self.gain = np.where(checked, shown**2 / np.where(checked, size, 1.0), 0.0).sum(axis=-1)
        self.numbers = checked.sum(axis=-1)
        self.redundancy = np.where(checked, size, 0.0).sum(axis=-1) / equations


def degrees_of_freedom(problem: Problem, state: State) -> int:
    """Equations minus the unknowns that are not fixed."""
    target_unknowns = 4 * len(problem.names) - round(float(np.trace(state.fixed, axis1=1, axis2=2).sum()))
    return int(problem.equations - state.free.shape[1] - target_unknowns)


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


def solve_problem(problem: Problem, sigma_mm: float | None = None, weigh: Weighing | None = None) -> Adjusted:
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
        state, raw = gauss_newton(problem, *_reset_fixed(problem, state, raw), weigh=weigh)
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
    return state.free.shape[1], round(float(np.trace(state.fixed, axis1=1, axis2=2).sum()))


def _reset_fixed(problem: Problem, state: State, raw: Linearization) -> tuple[State, Linearization]:
    """Reset fixed parameters to their nominal values."""
    if not state.any_fixed and state.free.shape[0] == state.free.shape[1]:
        return state, raw
    parameters = state.free @ (state.free.T @ state.parameters)
    targets = state.targets - (state.fixed @ state.targets[..., None])[..., 0]
    state = replace(state, parameters=np.where(np.abs(parameters) < 1e-13, 0.0, parameters), targets=targets)
    return state, linearize(problem, state)


LOSSES = ("soft_l1", "huber", "cauchy", "arctan")

_BENDS_AT = 3.0


def rho(
    loss: str, z: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """A loss and its first two derivatives."""
    if loss == "soft_l1":
        root = np.sqrt(1.0 + z)
        return 2.0 * (root - 1.0), 1.0 / root, -0.5 / root**3
    if loss == "huber":
        inside, root = z <= 1.0, np.sqrt(np.maximum(z, 1.0))
        return (
            np.where(inside, z, 2.0 * root - 1.0),
            np.where(inside, 1.0, 1.0 / root),
            np.where(inside, 0.0, -0.5 / root**3),
        )
    if loss == "cauchy":
        return np.log1p(z), 1.0 / (1.0 + z), -1.0 / (1.0 + z) ** 2
    if loss == "arctan":
        return np.arctan(z), 1.0 / (1.0 + z**2), -2.0 * z / (1.0 + z**2) ** 2
    raise KinematicsError(f"loss: expected linear, {', '.join(LOSSES)}, found {loss!r}")


def _weigh(which: str, reach: float, squares: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    value, first, _ = rho(which, squares / reach**2)
    return first, float(value.sum()) * reach**2


def m_estimate(
    readings: Readings,
    machine: Machine,
    sigma_mm: float | None,
    loss: str,
    scale_mm: float | None,
    angle_errors: Sequence[str] = (),
    drifts: Sequence[str] = (),
) -> tuple[Adjusted, NDArray[np.float64], float | None]:
    """Fit by M-estimation: the solution, the readings' weights in the problem's order, and the robust scatter.

    The scatter follows Huber's correction (P. J. Huber, Robust Statistics, 1981, section 7.6; from memory): the mean
    square of the robust_s0 residuals over the square of the mean slope of the bend.
    """
    rho(loss, np.zeros(1))
    problem = build_problem(readings, machine, angle_errors, drifts)
    plain = solve_problem(problem, sigma_mm)
    equations = problem.nominal_targets.equations[problem.target]
    if scale_mm is None:
        spare = max(plain.dof, 1) / problem.equations
        sizes = plain.squares / chi_squared_median(equations) / spare
        scale = _BENDS_AT * (sigma_mm or float(np.sqrt(np.median(sizes))))
    else:
        scale = scale_mm if readings.sigma_mm is None else scale_mm * problem.usual_weight
    scale = max(scale, 1e-9)

    state = plain.state
    # Widely first: a redescending loss must not start far off.
    for which, reach in (("soft_l1", 4.0 * scale), ("soft_l1", scale), (loss, scale)):
        weigh = functools.partial(_weigh, which, reach)
        state, raw = gauss_newton(problem, state, weigh=weigh, steps=400, converged_mm=1e-8)
    squares = raw.squares
    z = squares / scale**2
    _, first, second = rho(loss, z)
    solved = Adjusted(problem, state, squares, raw.residual, reduced_normals(problem, state, raw), plain.dof)
    robust_s0 = None
    if plain.dof > 0:
        slope = float((equations * first + 2.0 * z * second).sum() / equations.sum())
        robust_s0 = float(np.sqrt((first**2 * squares).sum() / plain.dof)) / max(slope, 1e-3)
    return solved, first, robust_s0
