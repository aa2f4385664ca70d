"""Significance of additional parameters (score tests) from a finished fit, and change points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import ReducedNormals, reduced_normals
from kinematics.calibration.blunders.regularized_fit import LEAST_SCATTER_MM, RegularizedFit
from kinematics.calibration.linear_algebra import eigen_symmetric, inverse
from kinematics.calibration.score_test import DETERMINED, own_part, score_test
from kinematics.calibration.statistics import p_value

__all__ = [
    "SIGNIFICANCE",
    "ChangePoint",
    "TestBasis",
    "added_parameter",
    "added_parameters",
    "aliased_shift",
    "change_gains",
    "change_points",
    "clear_gain",
    "is_noise",
    "is_significant",
    "leave_one_out",
    "test_basis",
]

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
    reduced, problem = basis.reduced, basis.fit.problem
    own = reduced.by_target @ reduced.inverse[problem.target] @ np.swapaxes(reduced.by_target, 1, 2)
    left = np.eye(3) - own - reduced.rows @ basis.inverse @ np.swapaxes(reduced.rows, 1, 2)
    dof = np.arange(3) >= problem.nominal_targets.equations[problem.target][:, None]
    left[dof[:, :, None] | dof[:, None, :]] = 0.0
    size, vectors = eigen_symmetric(left)
    shown = (np.swapaxes(vectors, 1, 2) @ basis.fit.raw.residual[..., None])[..., 0]
    return np.asarray(np.where(size > _SEEN, shown**2 / np.where(size > _SEEN, size, 1.0), 0.0).sum(axis=-1))


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
        gains[part] = np.where(seen, along**2 / np.where(seen, size, 1.0), 0.0).sum(axis=-1)
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
        gains = np.where(seen, found**2 / np.where(seen, size, 1.0), 0.0).sum(axis=-1)
        tried += int(seen.any(axis=-1).sum())
        k = int(np.argmax(gains))
        if best is None or gains[k] > best.gain:
            best = ChangePoint(t, int(begin) + 2 + k, float(gains[k]), int(seen[k].sum()))
    return best, tried
