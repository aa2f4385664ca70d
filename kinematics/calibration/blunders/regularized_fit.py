"""Regularised fits with a weak prior on the nominal lines, for comparing hypotheses, and the significance of what is added to them.

Every fit is drawn a little toward the machine's values: two millimetres and half a degree count as much as one usual
scatter of a reading. Well determined lines are not moved by it, but a hypothesis that fits only by moving a line
across the machine pays for it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

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
from kinematics.calibration.linear_algebra import determined_gain, eigen_symmetric, inverse
from kinematics.calibration.rank_deficiency import fix_unestimable_targets
from kinematics.calibration.readings import Readings
from kinematics.calibration.score_test import DETERMINED, own_part, score_test
from kinematics.calibration.solve import own_checks
from kinematics.calibration.statistics import p_value
from kinematics.errors import KinematicsError
from kinematics.machine import Machine

__all__ = [
    "LEAST_SCATTER_MM",
    "SIGNIFICANCE",
    "ChangePoint",
    "RegularizedFit",
    "TestBasis",
    "added_parameter",
    "added_parameters",
    "aliased_shift",
    "change_gains",
    "change_points",
    "clear_gain",
    "fit_with_prior",
    "is_noise",
    "is_significant",
    "leave_one_out",
    "test_basis",
]

LEAST_SCATTER_MM = 1e-4
"""Least scatter in mm: made-up readings have none."""

_SHIFT_MM = 2.0
"""mm that a line may be off at the cost of one usual scatter. Chosen here: a machine file is right to millimetres."""
_TILT_DEG = 0.5
"""Degrees that it may tilt at the same cost. Chosen here: 2 mm at a lever of 230 mm, a table's size."""
_USUAL_SCATTER_MM = 0.005
"""Of a reading in mm where none is stated. Common practice: probes scatter by micrometres to a hundredth."""
_FIRST_STEPS = 3
"""Steps before the fit is first fixed against `cost_limit`. Chosen here: few, since most of what is tried is wrong."""
_MORE_STEPS = 3
"""Further iterations before one that is off by millimetres is given up. Chosen here."""
_STEPS = 25
"""Most iterations of the rest. Chosen here: it bounds the time; what has not converged is compared as it is."""
_GROSS_MM = 2.0
"""Root mean square in mm per equation of a fit that is wrong anyway. Chosen here: what `_SHIFT_MM` calls off."""
_CONVERGED_MM = 1e-6
"""Length of the last step in mm: a hundredth of the least scatter (`LEAST_SCATTER_MM`)."""


@dataclass(frozen=True, eq=False)
class RegularizedFit:
    """Result of a regularised fit.

    Attributes
    ----------
    prior : ndarray, shape (4n,)
        Root weights toward the machine's values.
    misfit : float
        Sum of squares of the readings, mm^2 (or in their sigmas).
    prior_penalty : float
        Squared shifts of the lines in units of the prior's standard deviations; no unit.
    dof : int
    """

    readings: Readings
    machine: Machine
    problem: Problem
    state: State
    raw: Linearization
    prior: NDArray[np.float64]
    misfit: float
    prior_penalty: float
    dof: int
    sigma_mm: float | None = None

    @property
    def unit(self) -> float:
        """One usual scatter in the units of `misfit`'s root."""
        return float(self.prior[0]) * _SHIFT_MM

    @property
    def cost(self) -> float:
        """Cost by which hypotheses are compared: misfit plus penalty, the penalty in usual scatters."""
        return self.misfit + self.prior_penalty * self.unit**2

    @property
    def per_mm(self) -> float:
        """Weight of a millimetre of one reading in the units of `misfit`'s root."""
        return self.problem.usual_weight

    @property
    def s0(self) -> float:
        """Standard deviation of unit weight, `LEAST_SCATTER_MM` at least; the usual scatter without redundancy."""
        if self.dof < 1:
            return self.unit
        return max(float(np.sqrt(self.misfit / self.dof)), LEAST_SCATTER_MM * self.per_mm)


def fit_with_prior(
    readings: Readings, machine: Machine, sigma_mm: float | None = None, cost_limit: float = np.inf
) -> RegularizedFit | None:
    """Fit with a weak prior, or None where these readings allow none.

    `cost_limit`: iteration ends early on a fit that costs more than this, and, a few steps later, on one that is off
    by millimetres: the last micrometre does not matter there.
    """
    try:
        problem = build_problem(readings, machine)
    except KinematicsError:
        return None
    state = initial_state(problem)
    raw = linearize(problem, state)
    per_mm = problem.usual_weight
    fixed, any_fixed = fix_unestimable_targets(problem, raw, 1e-3 * per_mm)
    state = replace(state, fixed=fixed, any_fixed=any_fixed)
    usual = (sigma_mm or _USUAL_SCATTER_MM) * per_mm if readings.sigma_mm is None else 1.0
    tilt = np.radians(_TILT_DEG) * problem.lever_mm
    prior = usual / np.array([_SHIFT_MM, _SHIFT_MM, tilt, tilt] * problem.rotaries)
    # Shifts alone first: they enter linearly, and wrong senses or columns move them far.
    shifts = np.eye(len(prior))[:, np.tile([True, True, False, False], problem.rotaries)]
    try:
        state, raw = gauss_newton(problem, replace(state, free=shifts), raw, prior=prior, steps=1)
        state = replace(state, free=np.eye(len(prior)))
        state, raw = gauss_newton(
            problem, state, raw, prior=prior, steps=_FIRST_STEPS, converged_mm=_CONVERGED_MM
        )
        for steps in (_MORE_STEPS, _STEPS):
            gross = float(raw.squares.sum()) > problem.equations * (_GROSS_MM * per_mm) ** 2
            if float(raw.squares.sum()) > cost_limit or (gross and steps == _STEPS):
                break
            converged = _CONVERGED_MM * (1e3 if gross else 1.0)
            state, raw = gauss_newton(problem, state, raw, prior=prior, steps=steps, converged_mm=converged)
    except KinematicsError:
        return None
    misfit = float(raw.squares.sum())
    prior_penalty = float(((prior * state.parameters) ** 2).sum()) / usual**2
    moved = int((np.abs(raw.columns).max(axis=(0, 1)) > 1e-3 * per_mm).sum())
    dof = max(problem.equations - state.target_unknowns - moved, 0)
    return RegularizedFit(readings, machine, problem, state, raw, prior, misfit, prior_penalty, dof, sigma_mm)


_SEEN = 1e-6
SIGNIFICANCE = 1e-6
"""p-value of such a gain, all places counted. Chosen here, far below the tests' one false alarm in 1,000."""
_CLEAR_OF_OUTLIER = 12.0
"""Squares of the scatter that it must explain beyond one bad reading: about 3.5 scatters. Chosen here."""


@dataclass(frozen=True, eq=False)
class TestBasis:
    """Linearised regularised fit that additional parameters are tested against: targets eliminated, inverse with prior."""

    fit: RegularizedFit
    reduced: ReducedNormals
    inverse: NDArray[np.float64]


def test_basis(fit: RegularizedFit) -> TestBasis:
    """Prepare a regularised fit for testing additional parameters."""
    reduced = reduced_normals(fit.problem, fit.state, fit.raw)
    return TestBasis(fit, reduced, inverse(reduced.information + np.diag(fit.prior**2)))


def leave_one_out(basis: TestBasis) -> NDArray[np.float64]:
    """Decrease of the misfit when each reading (N,) is left out, in the problem's order."""
    size, along = own_checks(basis.fit.problem, basis.reduced, basis.inverse, basis.fit.raw.residual)
    return determined_gain(size, along, size > _SEEN)


def is_noise(fit: RegularizedFit, gain: float, numbers: int, tried: int, level: float = SIGNIFICANCE) -> bool:
    """True if scatter alone may gain so much with so many parameters at one of the places tried."""
    dof = fit.dof - numbers
    if dof < 1 or numbers < 1:
        return True
    ratio = np.array([gain / numbers / _scatter(fit, gain, dof)])
    chance = float(p_value(ratio, np.array([float(numbers)]), float(dof))[0])
    return chance * max(tried, 1) > level


def is_significant(
    basis: TestBasis, gain: float, numbers: int, tried: int, level: float = SIGNIFICANCE
) -> bool:
    """True if neither scatter nor one bad reading gains so much."""
    fit = basis.fit
    if is_noise(fit, gain, numbers, tried, level):
        return False
    clear = _CLEAR_OF_OUTLIER * _scatter(fit, gain, fit.dof - numbers)
    return gain >= float(leave_one_out(basis).max()) + clear


def clear_gain(fit: RegularizedFit, gain: float) -> float:
    """Gain by which one explanation must exceed another one to be the only one, `gain` being explained."""
    return _CLEAR_OF_OUTLIER * _scatter(fit, gain, max(fit.dof - 3, 1))


def _scatter(fit: RegularizedFit, gain: float, dof: int) -> float:
    """Square of the remaining scatter, per equation."""
    return float(max((fit.misfit - gain) / dof, (LEAST_SCATTER_MM * fit.per_mm) ** 2))


def added_parameter(basis: TestBasis, column: NDArray[np.float64]) -> tuple[float, float, float]:
    """Test one more parameter with the column (N, 3): gain, estimate, and the share of the column that is its own."""
    reduced, problem = basis.reduced, basis.fit.problem
    left = own_part(reduced, problem, column)
    whole = float((column * column).sum())
    by_lines = np.einsum("rkp,rk->p", reduced.rows, left)
    own = float((left * left).sum() - by_lines @ basis.inverse @ by_lines)
    if whole <= 0.0 or own <= _SEEN * whole:
        return 0.0, 0.0, max(own, 0.0) / max(whole, 1e-300)
    shown = float((left * basis.fit.raw.residual).sum())
    return shown * shown / own, shown / own, own / whole  # a float's ** 2 would raise


def added_parameters(
    basis: TestBasis, columns: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64], int]:
    """Test several more parameters at once, with columns (k, N, 3): gain, estimates, and how many are determined."""
    fit = basis.fit
    test = score_test(fit.problem, basis.reduced, basis.inverse, fit.raw.residual, columns)
    found = test.gain(range(len(columns)))
    return found.gain, found.values, found.numbers


def change_gains(
    basis: TestBasis, columns: NDArray[np.float64], after: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Test columns (k, N, 3) that count for some readings only, `after` (m, N): gains (m,), and how many are determined."""
    reduced, fit = basis.reduced, basis.fit
    gains, numbers = np.zeros(len(after)), np.zeros(len(after), dtype=np.int64)
    # In parts: all at once would fill the memory with some thousand readings.
    each = max(1, 200_000 // (9 * after.shape[1]))
    for first in range(0, len(after), each):
        part = slice(first, first + each)
        masked = columns * after[part, None, :, None]
        length = np.sqrt((masked * masked).sum(axis=(-1, -2), keepdims=True))
        left = own_part(reduced, fit.problem, masked / np.where(length > 0.0, length, 1.0))
        by_lines = np.einsum("rkp,sark->sap", reduced.rows, left, optimize=True)
        flat = left.reshape(*left.shape[:2], -1)
        own = flat @ np.swapaxes(flat, 1, 2) - by_lines @ basis.inverse @ np.swapaxes(by_lines, 1, 2)
        score = flat @ fit.raw.residual.reshape(-1)
        size, vectors = eigen_symmetric(own)
        seen = size > DETERMINED
        along = (np.swapaxes(vectors, 1, 2) @ score[..., None])[..., 0]
        gains[part] = determined_gain(size, along, seen)
        numbers[part] = seen.sum(axis=-1)
    return gains, numbers


def aliased_shift(basis: TestBasis, column: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shift of the lines' scaled parameters (4n,) that aliases readings off by one times `column`."""
    left = own_part(basis.reduced, basis.fit.problem, column)
    return np.asarray(-basis.inverse @ np.einsum("rkp,rk->p", basis.reduced.rows, left))


@dataclass(frozen=True)
class ChangePoint:
    """Change point of a target: its index, the first reading after the change, the gain, and its numbers."""

    target: int
    reading: int
    gain: float
    numbers: int


def change_points(basis: TestBasis) -> tuple[ChangePoint | None, int]:
    """Best change point of any target, with two readings at least on either side, and how many were tried."""
    reduced, fit = basis.reduced, basis.fit
    problem, tried = fit.problem, 0
    best: ChangePoint | None = None
    counts = np.bincount(problem.target)
    for t, (begin, count) in enumerate(zip(problem.starts, counts, strict=True)):
        if count < 4:
            continue
        mine = slice(begin, begin + count)
        rows, lines, residual = reduced.by_target[mine], reduced.rows[mine], fit.raw.residual[mine]
        across = np.swapaxes(rows, 1, 2)
        # Sums over all readings from k on, for every k at once.
        own = np.cumsum((across @ rows)[::-1], axis=0)[::-1]
        by_lines = np.cumsum((across @ lines)[::-1], axis=0)[::-1]
        shown = np.cumsum((across @ residual[..., None])[::-1, :, 0], axis=0)[::-1]
        left = own - own @ reduced.inverse[t] @ own - by_lines @ basis.inverse @ np.swapaxes(by_lines, 1, 2)
        size, vectors = eigen_symmetric(left[2 : count - 1])
        seen = size > 1e-4 * np.trace(own[2 : count - 1], axis1=1, axis2=2)[:, None]
        found = (np.swapaxes(vectors, 1, 2) @ shown[2 : count - 1, :, None])[..., 0]
        gains = determined_gain(size, found, seen)
        tried += int(seen.any(axis=-1).sum())
        k = int(np.argmax(gains))
        if best is None or gains[k] > best.gain:
            best = ChangePoint(t, int(begin) + 2 + k, float(gains[k]), int(seen[k].sum()))
    return best, tried
