"""Score test: what further parameters would gain on a finished adjustment, and what they would be.

The columns of the further parameters are freed of the targets and the lines (Schur complement); what is left of them
against the residuals gives gain and estimate without another adjustment.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import Problem, ReducedNormals
from kinematics.calibration.linear_algebra import eigen_symmetric

__all__ = ["DETERMINED", "Gain", "ScoreTest", "own_part", "score_test"]

DETERMINED = 1e-3
"""Share of a column that must be its own for its value to be determined."""


@dataclass(frozen=True, eq=False)
class Gain:
    """Decrease of the weighted sum of squares by some parameters, and what they come out as.

    Attributes
    ----------
    gain : float
    values : ndarray, shape (k,)
        Estimates; 0 along what is not determined.
    numbers : int
        How many combinations of them are determined.
    cofactor : ndarray, shape (k, k)
        Covariance of the values for a standard deviation of 1.
    """

    gain: float
    values: NDArray[np.float64]
    numbers: int
    cofactor: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ScoreTest:
    """Information (k, k) of the further parameters, their score (k,), and the squared length of each column (k,)."""

    information: NDArray[np.float64]
    score: NDArray[np.float64]
    length: NDArray[np.float64]

    def gain(self, which: Sequence[int], given: Sequence[int] = ()) -> Gain:
        """The gain of the parameters `which`, beyond that of those `given`."""
        mine, others = list(which), list(given)
        # Columns of unlike units (a radian moves a reading by its lever) are compared at length 1.
        unit = np.where(self.length > 0.0, np.sqrt(self.length), 1.0)
        information, score = self.information / np.outer(unit, unit), self.score / unit
        own, shown = information[np.ix_(mine, mine)], score[mine]
        if others:
            size, vectors = eigen_symmetric(information[np.ix_(others, others)])
            known = size > DETERMINED
            half = vectors[:, known] / np.sqrt(size[known])
            across = information[np.ix_(mine, others)] @ half
            own = own - across @ across.T
            shown = shown - across @ (half.T @ score[others])
        size, vectors = eigen_symmetric(own)
        determined = size > DETERMINED
        kept = vectors[:, determined]
        along = kept.T @ shown
        inner = kept / size[determined]
        return Gain(
            float((along**2 / size[determined]).sum()),
            np.asarray(inner @ along) / unit[mine],
            int(determined.sum()),
            np.asarray(inner @ kept.T) / np.outer(unit[mine], unit[mine]),
        )


def score_test(
    problem: Problem,
    reduced: ReducedNormals,
    inverse: NDArray[np.float64],
    residual: NDArray[np.float64],
    columns: NDArray[np.float64],
) -> ScoreTest:
    """Prepare the test of parameters with weighted columns (k, N, 3).

    `inverse` is that of the lines' information, with the prior where there is one.
    """
    left = own_part(reduced, problem, columns)
    by_lines = np.einsum("rkp,ark->ap", reduced.rows, left)
    information = np.einsum("ark,brk->ab", left, left) - by_lines @ inverse @ by_lines.T
    score = np.einsum("ark,rk->a", left, residual)
    return ScoreTest(information, score, (columns * columns).sum(axis=(1, 2)))


def own_part(reduced: ReducedNormals, problem: Problem, columns: NDArray[np.float64]) -> NDArray[np.float64]:
    """The part of columns (..., N, 3) that is orthogonal to the targets' columns."""
    across = (np.swapaxes(reduced.by_target, 1, 2) @ columns[..., None])[..., 0]
    summed = np.add.reduceat(across, problem.starts, axis=-2)
    follows = (reduced.inverse @ summed[..., None])[..., 0]
    return np.asarray(columns - (reduced.by_target @ follows[..., problem.target, :, None])[..., 0])
