"""What one more unknown would explain, from the rows of a finished fit and without fitting again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import Problem, ReducedNormals, reduced_normals
from kinematics.calibration.blunders.regularized_fit import SHORTEST_MM, RegularizedFit
from kinematics.calibration.statistics import p_value

__all__ = [
    "ChangePoint",
    "TestBasis",
    "added_parameter",
    "added_parameters",
    "aliased_shift",
    "change_points",
    "is_noise",
    "is_significant",
    "leave_one_out",
    "test_basis",
]

_SEEN = 1e-6
_TOLD = 1e-3
"""Share of a column that must be its own for its value to be told."""
_CHANCE = 1e-6
"""Of such a gain by scatter, all places counted. Chosen here, far below the tests' one false alarm in 1,000."""
_CLEAR_OF_OUTLIER = 12.0
"""Squares of the scatter that it must explain beyond one bad reading: about 3.5 scatters. Chosen here."""


@dataclass(frozen=True, eq=False)
class TestBasis:
    """The targets taken out of a light fit's rows, and the lines' inverse with what the prior adds."""

    doubt: RegularizedFit
    block: ReducedNormals
    inverse: NDArray[np.float64]


def test_basis(doubt: RegularizedFit) -> TestBasis:
    """What further unknowns are tried against."""
    block = reduced_normals(doubt.problem, doubt.state, doubt.raw)
    inverse = np.asarray(np.linalg.inv(block.information + np.diag(doubt.prior**2)), dtype=np.float64)
    return TestBasis(doubt, block, inverse)


def leave_one_out(rest: TestBasis) -> NDArray[np.float64]:
    """By how much the misfit falls when each reading (N,) is left out, in the problem's order."""
    block, problem = rest.block, rest.doubt.problem
    own = block.by_target @ block.inverse[problem.target] @ np.swapaxes(block.by_target, 1, 2)
    left = np.eye(3) - own - block.rows @ rest.inverse @ np.swapaxes(block.rows, 1, 2)
    spare = np.arange(3) >= problem.charts.equations[problem.target][:, None]
    left[spare[:, :, None] | spare[:, None, :]] = 0.0
    size, ways = np.linalg.eigh(left)
    shown = (np.swapaxes(ways, 1, 2) @ rest.doubt.raw.residual[..., None])[..., 0]
    return np.asarray(np.where(size > _SEEN, shown**2 / np.where(size > _SEEN, size, 1.0), 0.0).sum(axis=-1))


def is_noise(doubt: RegularizedFit, gain: float, numbers: int, tried: int) -> bool:
    """Whether scatter alone may gain so much with so many unknowns at one of the places tried."""
    spare = doubt.dof - numbers
    if spare < 1 or numbers < 1:
        return True
    ratio = np.array([gain / numbers / _scatter(doubt, gain, spare)])
    chance = float(p_value(ratio, np.array([float(numbers)]), float(spare))[0])
    return chance * max(tried, 1) > _CHANCE


def is_significant(rest: TestBasis, gain: float, numbers: int, tried: int) -> bool:
    """Whether neither scatter nor one bad reading gains so much."""
    doubt = rest.doubt
    if is_noise(doubt, gain, numbers, tried):
        return False
    clear = _CLEAR_OF_OUTLIER * _scatter(doubt, gain, doubt.dof - numbers)
    return gain >= float(leave_one_out(rest).max()) + clear


def _scatter(doubt: RegularizedFit, gain: float, spare: int) -> float:
    """The square of the scatter that is left, one equation's."""
    return float(max((doubt.misfit - gain) / spare, (SHORTEST_MM * doubt.per_mm) ** 2))


def added_parameter(rest: TestBasis, column: NDArray[np.float64]) -> tuple[float, float, float]:
    """One more unknown with the rows `column` (N, 3): gain, its value, and how much of the column is its own (0 to 1)."""
    block, problem = rest.block, rest.doubt.problem
    left = _own_part(block, problem, column)
    whole = float((column * column).sum())
    by_lines = np.einsum("rkp,rk->p", block.rows, left)
    own = float((left * left).sum() - by_lines @ rest.inverse @ by_lines)
    if whole <= 0.0 or own <= _SEEN * whole:
        return 0.0, 0.0, max(own, 0.0) / max(whole, 1e-300)
    shown = float((left * rest.doubt.raw.residual).sum())
    return shown**2 / own, shown / own, own / whole


def added_parameters(
    rest: TestBasis, columns: Sequence[NDArray[np.float64]]
) -> tuple[float, NDArray[np.float64], int]:
    """Several more unknowns at once, each with rows (N, 3): gain, their values, and how many of them are told."""
    block, problem = rest.block, rest.doubt.problem
    left = np.stack([_own_part(block, problem, column) for column in columns])
    by_lines = np.einsum("rkp,ark->ap", block.rows, left)
    own = np.einsum("ark,brk->ab", left, left) - by_lines @ rest.inverse @ by_lines.T
    shown = np.einsum("ark,rk->a", left, rest.doubt.raw.residual)
    size, ways = np.linalg.eigh(own)
    told = size > _TOLD * max(float((column * column).sum()) for column in columns)
    along = (ways.T @ shown)[told]
    values = ways[:, told] @ (along / size[told])
    return float((along**2 / size[told]).sum()), np.asarray(values), int(told.sum())


def _own_part(block: ReducedNormals, problem: Problem, column: NDArray[np.float64]) -> NDArray[np.float64]:
    """What of a column the targets cannot take over."""
    across = (np.swapaxes(block.by_target, 1, 2) @ column[..., None])[..., 0]
    summed = np.add.reduceat(across, problem.starts, axis=0)
    follows = (block.inverse @ summed[..., None])[..., 0]
    return np.asarray(column - (block.by_target @ follows[problem.target][..., None])[..., 0])


def aliased_shift(rest: TestBasis, column: NDArray[np.float64]) -> NDArray[np.float64]:
    """How the lines' scaled numbers (4n,) move when readings are off by one times `column`."""
    left = _own_part(rest.block, rest.doubt.problem, column)
    return np.asarray(-rest.inverse @ np.einsum("rkp,rk->p", rest.block.rows, left))


@dataclass(frozen=True)
class ChangePoint:
    """A target that may stand elsewhere from some reading on: which, from which reading of the problem, gain."""

    target: int
    reading: int
    gain: float
    numbers: int


def change_points(rest: TestBasis) -> tuple[ChangePoint | None, int]:
    """The split that explains most, with two readings at least on either side, and how many were tried."""
    block, doubt = rest.block, rest.doubt
    problem, tried = doubt.problem, 0
    best: ChangePoint | None = None
    counts = np.bincount(problem.target)
    for t, (begin, count) in enumerate(zip(problem.starts, counts, strict=True)):
        if count < 4:
            continue
        mine = slice(begin, begin + count)
        rows, lines, residual = block.by_target[mine], block.rows[mine], doubt.raw.residual[mine]
        across = np.swapaxes(rows, 1, 2)
        # Sums over all readings from k on, for every k at once.
        own = np.cumsum((across @ rows)[::-1], axis=0)[::-1]
        by_lines = np.cumsum((across @ lines)[::-1], axis=0)[::-1]
        shown = np.cumsum((across @ residual[..., None])[::-1, :, 0], axis=0)[::-1]
        left = own - own @ block.inverse[t] @ own - by_lines @ rest.inverse @ np.swapaxes(by_lines, 1, 2)
        size, ways = np.linalg.eigh(left[2 : count - 1])
        seen = size > 1e-4 * np.trace(own[2 : count - 1], axis1=1, axis2=2)[:, None]
        found = (np.swapaxes(ways, 1, 2) @ shown[2 : count - 1, :, None])[..., 0]
        gains = np.where(seen, found**2 / np.where(seen, size, 1.0), 0.0).sum(axis=-1)
        tried += int(seen.any(axis=-1).sum())
        k = int(np.argmax(gains))
        if best is None or gains[k] > best.gain:
            best = ChangePoint(t, int(begin) + 2 + k, float(gains[k]), int(seen[k].sum()))
    return best, tried
